"""Reading a palette: TOML in, a checked `Palette` out.

What one table can say of itself is checked in `model`; here is what they must
say together: channels, drivers and names. Every fault names file, line and key.
"""

from __future__ import annotations

import hashlib
from collections.abc import Iterator
from pathlib import Path

import msgspec

from callresp.errors import UserError
from callresp.palette.model import Coil, Palette
from callresp.resources import find
from callresp.settings import Path_, Source, load


def load_palette(name: str | Path) -> Palette:
    """Read a palette: a TOML file, or the name of a shipped one.

    Raises
    ------
    UserError
        With file, line, key and what is allowed there.
    """
    palette, source = load(find("palettes", str(name)), Palette)
    for fault in faults(palette, source):
        raise fault
    return palette


def fingerprint(palette: Palette) -> str:
    """SHA-256 of what a palette says; a plan carries that of its palette."""
    return hashlib.sha256(msgspec.json.encode(palette)).hexdigest()


def faults(palette: Palette, source: Source) -> Iterator[UserError]:
    """What the tables of a palette say against each other."""
    yield from _names(palette, source)
    yield from _channels(palette, source)
    yield from _currents(palette, source)


def _names(palette: Palette, source: Source) -> Iterator[UserError]:
    seen: set[str] = set()
    named = [(("striker", n, "name"), item.name) for n, item in enumerate(palette.striker)]
    named += [(("turner", n, "name"), item.name) for n, item in enumerate(palette.turner)]
    for place, name in named:
        if name in seen:
            yield source.fault_at(place, f"'{name}' is named twice", "give it its own name")
        seen.add(name)
    if not seen:
        yield source.fault_at((), "no striker and no turner", "add a [[striker]] table")


def coil_places(palette: Palette) -> Iterator[tuple[Path_, str, Coil]]:
    """Every coil with its key path and a name for people."""
    for number, striker in enumerate(palette.striker):
        yield ("striker", number, "coil"), striker.name, striker.coil
        if striker.damper is not None:
            place = ("striker", number, "damper", "coil")
            yield place, f"the damper of {striker.name}", striker.damper.coil


def _channels(palette: Palette, source: Source) -> Iterator[UserError]:
    board = palette.board
    taken: dict[int, str] = {}
    for place, name, coil in coil_places(palette):
        key = (*place, "channel")
        if coil.channel >= board.coil_channels:
            yield source.fault_at(
                key, f"channel {coil.channel} is not on the board", _range(board.coil_channels)
            )
        if coil.channel in taken:
            yield source.fault_at(
                key, f"channel {coil.channel} drives {taken[coil.channel]} already", "use another"
            )
        taken[coil.channel] = name
    motors: dict[int, str] = {}
    for number, turner in enumerate(palette.turner):
        key = ("turner", number, "channel")
        if turner.channel >= board.motor_channels:
            yield source.fault_at(
                key, f"motor {turner.channel} is not on the board", _range(board.motor_channels)
            )
        if turner.channel in motors:
            yield source.fault_at(
                key, f"motor {turner.channel} turns {motors[turner.channel]} already", "use another"
            )
        motors[turner.channel] = turner.name
    yield from _drivers(palette, source, set(taken))


def _range(count: int) -> str:
    return f"allowed: 0 to {count - 1}" if count else "the board has none"


def _drivers(palette: Palette, source: Source, used: set[int]) -> Iterator[UserError]:
    owner: dict[int, str] = {}
    for number, driver in enumerate(palette.driver):
        for channel in driver.channels:
            key = ("driver", number, "channels")
            if channel in owner:
                yield source.fault_at(
                    key, f"channel {channel} is on driver {owner[channel]} too", "name it once"
                )
            if channel >= palette.board.coil_channels:
                yield source.fault_at(
                    key,
                    f"channel {channel} is not on the board",
                    _range(palette.board.coil_channels),
                )
            owner[channel] = driver.name
    for channel in sorted(used - set(owner)):
        yield source.fault_at(
            ("driver",), f"no driver has channel {channel}", "add it to the channels of one"
        )


def _currents(palette: Palette, source: Source) -> Iterator[UserError]:
    volts = palette.supply.nominal_v
    for place, name, coil in coil_places(palette):
        amps = volts / coil.resistance_ohm
        driver = next((d for d in palette.driver if coil.channel in d.channels), None)
        limit = min(driver.current_max_a if driver else 1e9, palette.supply.current_max_a)
        if amps > limit:
            yield source.fault_at(
                (*place, "resistance_ohm"),
                f"{name} draws {amps:.2f} A alone, over the {limit:g} A of its driver or supply",
                f"allowed: from {volts / limit:.2f}",
            )
    for number, turner in enumerate(palette.turner):
        if turner.start_current_a > palette.supply.current_max_a:
            yield source.fault_at(
                ("turner", number, "start_current_a"),
                f"{turner.name} starts with {turner.start_current_a:g} A, over the supply's",
                f"allowed: up to {palette.supply.current_max_a:g}",
            )
