"""Rules across the tables of a palette.

What concerns one table alone is checked in `model`. Each fault names file, line
and key and says what is allowed; `faults` yields all of them, so that a palette
can be mended in one go.
"""

from __future__ import annotations

from collections.abc import Iterator

from callresp.errors import UserError
from callresp.io.settings import Path_, SettingsFile
from callresp.palette import pin_checks
from callresp.palette.model import Coil, Damper, Palette, Striker

# No field recorder takes in a partial above this, so it is a slip and not a measurement.
HIGHEST_HZ = 48_000.0

# What a battery must say of itself, why, and where to find it.
_BATTERY_KEYS = (
    ("capacity_ah", "how long the battery lasts is reckoned by it", "add what stands on it"),
    ("cutoff_v", "emptied below it, a battery is harmed", "add what its maker calls empty"),
)


def faults(palette: Palette, source: SettingsFile) -> Iterator[UserError]:
    """Every fault, in the order of the rules below."""
    yield from _names(palette, source)
    yield from _channels(palette, source)
    yield from _drivers(palette, source)
    yield from _supply(palette, source)
    yield from _currents(palette, source)
    for number, striker in enumerate(palette.striker):
        yield from _striker(striker, ("striker", number), source)
        if striker.damper is not None:
            yield from _damper(striker, striker.damper, ("striker", number, "damper"), source)
    yield from _turners(palette, source)
    yield from pin_checks.faults(palette, source)
    yield from _midi(palette, source)


def coil_places(palette: Palette) -> Iterator[tuple[Path_, str, Coil]]:
    """Every coil with its key path and a name for people."""
    for number, striker in enumerate(palette.striker):
        yield ("striker", number, "coil"), striker.name, striker.coil
        if striker.damper is not None:
            place = ("striker", number, "damper", "coil")
            yield place, f"the damper of {striker.name}", striker.damper.coil


def _names(palette: Palette, source: SettingsFile) -> Iterator[UserError]:
    if not (palette.striker or palette.turner):
        yield source.fault_at((), "no striker and no turner", "add a [[striker]] table")
    sounding = [("striker", n, item.name) for n, item in enumerate(palette.striker)]
    sounding += [("turner", n, item.name) for n, item in enumerate(palette.turner)]
    drivers = [("driver", n, item.name) for n, item in enumerate(palette.driver)]
    for named in (sounding, drivers):
        seen: set[str] = set()
        for table, n, name in named:
            if name in seen:
                what = f"'{name}' is named twice"
                yield source.fault_at((table, n, "name"), what, "give it its own name")
            seen.add(name)


def _channels(palette: Palette, source: SettingsFile) -> Iterator[UserError]:
    board = palette.board
    coils = [
        ((*place, "channel"), name, coil.channel) for place, name, coil in coil_places(palette)
    ]
    yield from _taken(coils, board.coil_channels, "channel", source)
    motors: list[tuple[Path_, str, int]] = [
        (("turner", n, "channel"), turner.name, turner.channel)
        for n, turner in enumerate(palette.turner)
    ]
    yield from _taken(motors, board.motor_channels, "motor", source)


def _taken(
    wanted: list[tuple[Path_, str, int]], count: int, kind: str, source: SettingsFile
) -> Iterator[UserError]:
    """Channels that are not on the board, or that are used twice."""
    taken: dict[int, str] = {}
    for key, name, channel in wanted:
        if channel >= count:
            yield source.fault_at(key, f"{kind} {channel} is not on the board", _range(count))
        elif channel in taken:
            what = f"{kind} {channel} drives {taken[channel]} already"
            free = sorted(set(range(count)) - {number for _, _, number in wanted})
            yield source.fault_at(key, what, f"free: {', '.join(map(str, free)) or 'none'}")
        taken.setdefault(channel, name)


def _range(count: int) -> str:
    return f"allowed: 0 to {count - 1}" if count else "the board has none"


def _drivers(palette: Palette, source: SettingsFile) -> Iterator[UserError]:
    count = palette.board.coil_channels
    owner: dict[int, str] = {}
    for number, driver in enumerate(palette.driver):
        key = ("driver", number, "channels")
        for channel in driver.channels:
            if channel in owner:
                what = f"channel {channel} is on driver {owner[channel]} too"
                yield source.fault_at(key, what, "name it once")
            elif channel >= count:
                what = f"channel {channel} is not on the board"
                yield source.fault_at(key, what, _range(count))
            owner[channel] = driver.name
    for place, name, coil in coil_places(palette):
        if coil.channel < count and coil.channel not in owner:
            what = f"no driver has channel {coil.channel}, which drives {name}"
            yield source.fault_at((*place, "channel"), what, "add it to a driver's channels")


def _supply(palette: Palette, source: SettingsFile) -> Iterator[UserError]:
    supply = palette.supply
    for key, why, remedy in _BATTERY_KEYS if supply.chemistry != "mains" else ():
        if ("supply", key) not in source:
            yield source.fault_at(("supply", key), f"this key is missing: {why}", remedy)
    if supply.cutoff_v >= supply.nominal_v:
        yield source.fault_at(
            ("supply", "cutoff_v"),
            f"{supply.cutoff_v:g} V would stop the machine at once",
            f"allowed: below nominal_v, {supply.nominal_v:g}",
        )
    if supply.full_v is not None and not (
        supply.nominal_v <= supply.full_v <= 1.5 * supply.nominal_v
    ):
        yield source.fault_at(
            ("supply", "full_v"),
            f"{supply.full_v:g} V is no full battery of {supply.nominal_v:g} V",
            f"allowed: {supply.nominal_v:g} to {1.5 * supply.nominal_v:g}",
        )
    if palette.board.idle_current_a >= supply.current_max_a:
        yield source.fault_at(
            ("board", "idle_current_a"),
            "the idle board draws all that the supply gives",
            f"allowed: below {supply.current_max_a:g}",
        )


def _currents(palette: Palette, source: SettingsFile) -> Iterator[UserError]:
    """No coil and no motor may be too much alone, with a full battery and cold copper."""
    volts, cold_c = palette.supply.highest_v, palette.coldest_copper_c
    if cold_c > palette.ambient_c:
        yield source.fault_at(
            ("coldest_c",),
            f"{cold_c:g} °C is warmer than ambient_c",
            f"allowed: up to {palette.ambient_c:g}",
        )
    free_a = palette.supply.current_max_a - palette.board.idle_current_a
    for place, name, coil in coil_places(palette):
        amps = volts / coil.ohm_at(cold_c)
        driver = next((d for d in palette.driver if coil.channel in d.channels), None)
        limit = min(driver.current_max_a if driver else 1e9, free_a)
        if amps > limit > 0:
            yield source.fault_at(
                (*place, "resistance_ohm"),
                f"{name} draws {amps:.2f} A alone at {volts:.1f} V and {cold_c:g} °C,"
                f" over the {limit:g} A of its driver or supply",
                f"allowed: from {volts / limit * coil.resistance_ohm / coil.ohm_at(cold_c):.2f}"
                "; or give coldest_c if it is never so cold",
            )
    for number, turner in enumerate(palette.turner):
        if turner.start_current_a > free_a:
            yield source.fault_at(
                ("turner", number, "start_current_a"),
                f"{turner.name} starts with {turner.start_current_a:g} A, over the supply's",
                f"allowed: up to {free_a:g}",
            )


def _striker(striker: Striker, place: Path_, source: SettingsFile) -> Iterator[UserError]:
    if striker.pitch_hz is not None and striker.base_hz is not None:
        what = f"{striker.name} has pitch_hz and base_hz, and partials count from one of them"
        yield source.fault_at((*place, "base_hz"), what, "take one out")
    yield from _band(striker.band_hz, (*place, "band_hz"), source)
    ratios = [partial.ratio for partial in striker.partials]
    if len(set(ratios)) < len(ratios):
        yield source.fault_at((*place, "partials"), "a ratio stands twice", "give each once")
    highest = HIGHEST_HZ / striker.reference_hz
    if max(ratios) > highest:
        what = f"ratio {max(ratios):g} of {striker.reference_hz:g} Hz is beyond any recording"
        yield source.fault_at((*place, "partials"), what, f"allowed: up to {highest:.2f}")
    hardest_ms = striker.force[-1].pulse_ms
    if hardest_ms > striker.restrike_ms:
        what = f"shorter than the hardest stroke, {hardest_ms:g} ms"
        yield source.fault_at((*place, "restrike_ms"), what, f"allowed: from {hardest_ms:g}")
    coil = striker.coil
    room_ms = coil.duty_max * coil.cycle_s * 1000
    if striker.force[0].pulse_ms > room_ms:
        least = striker.force[0].pulse_ms / (coil.cycle_s * 1000)
        what = f"not even the softest stroke of {striker.name} fits in a cycle"
        yield source.fault_at((*place, "coil", "duty_max"), what, f"allowed: from {least:.4f}")


def _band(
    band: tuple[float, float] | None, place: Path_, source: SettingsFile
) -> Iterator[UserError]:
    if band is not None and band[0] >= band[1]:
        yield source.fault_at(place, "runs from high to low", "put the lower edge first")


def _damper(
    striker: Striker, damper: Damper, place: Path_, source: SettingsFile
) -> Iterator[UserError]:
    if damper.damped_t60_s > striker.t60_s:
        what = f"damped, {striker.name} would ring longer than free"
        yield source.fault_at((*place, "damped_t60_s"), what, f"allowed: up to {striker.t60_s:g}")
    if damper.pull_ms > damper.coil.on_max_ms:
        what = f"longer than its coil's on_max_ms, {damper.coil.on_max_ms:g}"
        yield source.fault_at(
            (*place, "pull_ms"), what, f"allowed: up to {damper.coil.on_max_ms:g}"
        )


def _turners(palette: Palette, source: SettingsFile) -> Iterator[UserError]:
    for number, turner in enumerate(palette.turner):
        place: Path_ = ("turner", number)
        yield from _band(turner.band_hz, (*place, "band_hz"), source)
        if turner.start_current_a < turner.current_a:
            yield source.fault_at(
                (*place, "start_current_a"),
                "a motor draws most while it starts",
                f"allowed: from current_a, {turner.current_a:g}",
            )
        if turner.level_max_db < turner.level_min_db:
            what = "below level_min_db, the level at its slowest"
            yield source.fault_at(
                (*place, "level_max_db"), what, f"allowed: from {turner.level_min_db:g}"
            )
        if turner.spin_up_s >= turner.run_max_s:
            what = "it would never come up to speed within run_max_s"
            yield source.fault_at(
                (*place, "spin_up_s"), what, f"allowed: below {turner.run_max_s:g}"
            )
        if turner.kind == "wound" and turner.store_turns is None:
            what = "a wound movement must say how many turns it has in store"
            yield source.fault_at((*place, "store_turns"), what, "add it")


def _midi(palette: Palette, source: SettingsFile) -> Iterator[UserError]:
    """Keys play what there is."""
    names = [item.name for item in palette.striker] + [item.name for item in palette.turner]
    known = {name.casefold() for name in names}
    for number, row in enumerate(palette.midi):
        if row.plays.casefold() not in known:
            place: Path_ = ("midi", number, "plays")
            yield source.fault_at(place, f"no '{row.plays}' here", f"allowed: {', '.join(names)}")
