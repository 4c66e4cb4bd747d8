"""A cautious first palette for a machine of which only the wiring is known.

All that is not known is chosen so that a test hurts no common coil: short pulses,
little on-time. What is a placeholder is marked so on its line (`NOT_YET`) until a
test fills it in. Also: a palette's variant for playing the test itself.
"""

from __future__ import annotations

import re
from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass

from callresp.errors import UserError
from callresp.palette.model import COLDEST_C, COPPER_PER_K, CURRENT_MAX_A

NOT_YET = "not measured yet"
DRAFT_KIND = "bar"
DRAFTED, MEASURED = "Drafted for a strike test, nothing measured", "Measured by a strike test"
LOWERED = "lowered for the strike test, was"
TEST_RESTRIKE_MS, SAFE_RESTRIKE_MS = 15.0, 200.0

_HEAD = """\
# {title}
# Channels and supply are as you gave them. Coil limits are cautious guesses: put in those of
# your coils' data sheets before long plans. Lines marked "{not_yet}" are filled in by a
# strike test: callresp strike-test, then callresp measure.
name = "{name}"
description = "{title}"

[board]
name = "board"
coil_channels = {channels}
motor_channels = 0

[supply]
chemistry = "mains"
nominal_v = {volts:g}
capacity_ah = 7
current_max_a = {supply_a:g}

[[driver]]
name = "driver"
channels = {used}
current_max_a = {driver_a:g}
"""

_STRIKER = """
[[striker]]
name = "{name}"
kind = "{kind}"  # {not_yet}
pitch_hz = 1000.0  # {not_yet}
latency_ms = 10.0  # {not_yet}
restrike_ms = {restrike:g}  # {not_yet}
force = [
    {{ pulse_ms = {soft:g}, level_db = 60 }},
    {{ pulse_ms = {hard:g}, level_db = 75 }},
]  # {not_yet}
partials = [{{ ratio = 1.0, t60_s = 6.0 }}]  # {not_yet}

[striker.coil]
channel = {channel}
resistance_ohm = {ohms:g}
on_max_ms = {on_max:g}
duty_max = 0.1
"""

_DAMPER = """
[striker.damper]
rest = "{rest}"
lift_ms = 30.0  # {not_yet}
fall_ms = 30.0  # {not_yet}
damped_t60_s = 0.3  # {not_yet}

[striker.damper.coil]
channel = {channel}
resistance_ohm = {ohms:g}
on_max_ms = 8000
duty_max = 0.7
cycle_s = 30
"""


@dataclass(frozen=True, slots=True)
class WiredStriker:
    """A striker of which only the wiring is known."""

    name: str
    channel: int
    damper: int | None = None
    damper_rests: str = "on"


@dataclass(frozen=True, slots=True)
class CoilSupply:
    """Supply (V), coil resistances (ohm) and the range of pulses to try (ms)."""

    volts: float = 12.0
    ohms: float = 8.0
    damper_ohms: float = 30.0
    soft_ms: float = 3.0
    hard_ms: float = 12.0


def draft(
    name: str,
    strikers: Sequence[WiredStriker],
    power: CoilSupply,
    title: str = "",
    restrike_ms: float = TEST_RESTRIKE_MS,
) -> str:
    """The text of a drafted palette.

    Parameters
    ----------
    name
        The palette's.
    strikers
        What is struck, and by which channels.
    power
        What feeds the coils.
    title
        A line for people.
    restrike_ms
        The least time between strokes: small for a test, safe for playing.

    Returns
    -------
    str
        TOML.

    Raises
    ------
    UserError
        When two coils share a channel, or draw more than a palette can name.
    """
    channels = [s.channel for s in strikers]
    channels += [s.damper for s in strikers if s.damper is not None]
    if twice := [one for one, count in Counter(channels).items() if count > 1]:
        raise UserError(
            f"channel {twice[0]} stands there twice",
            argument="channels",
            remedy="give each coil its own, dampers too",
        )
    # With copper at its coldest, as a palette without `coldest_c` is judged.
    volts = power.volts / (1 + COPPER_PER_K * (COLDEST_C - 20.0))
    both_a = volts / power.ohms + volts / power.damper_ohms
    supply_a = round(both_a * 1.2 + 0.1, 2)
    if supply_a > CURRENT_MAX_A:
        raise UserError(
            f"coils of {power.ohms:g} and {power.damper_ohms:g} ohm draw {both_a:.0f} A at"
            f" {power.volts:g} V, when cold",
            argument="ohms",
            remedy=f"measure them again: no supply here gives over {CURRENT_MAX_A:g} A",
        )
    text = _HEAD.format(
        title=title or DRAFTED,
        name=name,
        channels=min(max(channels, default=0) + 1, 64),
        volts=power.volts,
        supply_a=supply_a,
        driver_a=round(both_a * 1.15 + 0.05, 2),
        used=sorted(channels),
        not_yet=NOT_YET,
    )
    for striker in strikers:
        text += _STRIKER.format(
            name=striker.name.replace('"', "'"),
            kind=DRAFT_KIND,
            restrike=restrike_ms,
            soft=power.soft_ms,
            hard=power.hard_ms,
            on_max=max(power.hard_ms + 3, 5),
            channel=striker.channel,
            ohms=power.ohms,
            not_yet=NOT_YET,
        )
        if striker.damper is not None:
            text += _DAMPER.format(
                rest=striker.damper_rests,
                channel=striker.damper,
                ohms=power.damper_ohms,
                not_yet=NOT_YET,
            )
    return text


def is_draft(text: str) -> bool:
    """Whether a palette's pitches and latencies are still placeholders."""
    return any(
        re.match(r"\s*latency_ms\s*=.*#.*" + NOT_YET, line) is not None
        for line in text.splitlines()
    )


def kinds_given(text: str) -> frozenset[str]:
    """Strikers whose kind the user gave: no placeholder, or another value than a draft has."""
    import tomlkit

    given = set()
    for striker in tomlkit.parse(text).get("striker", []):
        kind = striker.get("kind")
        placeholder = kind == DRAFT_KIND and NOT_YET in (kind.trivia.comment or "")
        if kind is not None and not placeholder:
            given.add(str(striker.get("name", "")))
    return frozenset(given)


def for_test(text: str) -> str:
    """A palette as a strike test needs it: `restrike_ms` out of the way, marked so.

    It is the one limit that a test must exceed in order to find it, and it
    protects no part of the machine. All other limits stay.
    """
    import tomlkit

    document = tomlkit.parse(text)
    for striker in document["striker"]:
        old = striker.get("restrike_ms")
        if old is None or float(old) <= TEST_RESTRIKE_MS:
            continue
        note = (striker["restrike_ms"].trivia.comment or "").lstrip("# ").strip()
        striker["restrike_ms"] = TEST_RESTRIKE_MS
        mark = f"{LOWERED} {float(old):g}"
        striker["restrike_ms"].comment(f"{note}; {mark}" if note else mark)
    return tomlkit.dumps(document)
