"""A small machine for strike-test tests, and the way through for it."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Sequence
from typing import Any

import numpy as np
import strike_machine as sm

from callresp.io.audio import clipped_at
from callresp.io.settings import SettingsFile, convert
from callresp.palette.model import Palette
from callresp.plan.model import Plan, PlanHeader, Strike
from callresp.strike_test import analysis, draft, protocol
from callresp.strike_test.capture import Capture
from callresp.strike_test.results import StrikerResult, StrikeTestResult

# Free bar; Fletcher & Rossing, The Physics of Musical Instruments, table 2.1.
BAR = (1.0, 2.7565, 5.4039, 8.9330)


def tube(**changes: Any) -> Any:
    """A tube with a damper."""
    given: dict[str, Any] = {
        "name": "tube",
        "channel": 0,
        "hz": [784.3 * r for r in BAR],
        "level_db": [0, -6, -14, -24],
        "t60_s": [1.6, 0.9, 0.5, 0.3],
        "felt": sm.Felt(5),
        "back_ms": 83.0,
        "latency_ms": 11.4,
    }
    return sm.Striker(**(given | changes))


def bell(**changes: Any) -> Any:
    """A bell without a damper."""
    given: dict[str, Any] = {
        "name": "bell",
        "channel": 1,
        "hz": [523 * r for r in (0.5, 1.0, 1.2, 1.5, 2.0, 3.0)],
        "level_db": [-10, -4, -3, -14, 0, -8],
        "t60_s": [2.0, 1.4, 1.2, 0.8, 0.9, 0.6],
        "back_ms": 121.0,
        "latency_ms": 9.2,
    }
    return sm.Striker(**(given | changes))


def block(**changes: Any) -> Any:
    """A block: no pitch, no damper."""
    given: dict[str, Any] = {
        "name": "block",
        "channel": 2,
        "hz": [830, 1220, 1735],
        "level_db": [0, -4, -8],
        "t60_s": [0.09, 0.07, 0.05],
        "back_ms": 47.0,
        "latency_ms": 7.1,
    }
    return sm.Striker(**(given | changes))


def drafted(machine: Sequence[Any], soft_ms: float = 4.5) -> tuple[Palette, str]:
    """The palette that somebody gets who only knows the channels."""
    wired = [
        draft.WiredStriker(s.name, s.channel, s.felt.channel if s.felt else None) for s in machine
    ]
    text = draft.draft("tried", wired, draft.CoilSupply(soft_ms=soft_ms, hard_ms=12))
    return convert(SettingsFile(text, "drafted.toml"), Palette), text


def capture_of(samples: Any, rate_hz: int = 48000) -> Capture:
    """Samples as a recording that was read."""
    return Capture(samples, rate_hz, clipped_at(samples) / rate_hz, (), "tried.wav")


def strokes_plan(strokes: Iterable[tuple[float, int]], pulse_ms: float = 12.0) -> Plan:
    """A plan of strokes alone, as (time in s, channel)."""
    commands = tuple(Strike(at_s=at, channel=who, pulse_ms=pulse_ms) for at, who in strokes)
    return Plan(header=PlanHeader(), commands=commands)


def laid_out(palette: Palette, **given: Any) -> Plan:
    """A short test of a drafted palette."""
    short = {"repeats": 2, "pulses": 3, "runs": 1, "known": False}
    return protocol.lay_out(palette, protocol.StrikeTestSettings(**(short | given)))


def measured(
    machine: Sequence[Any],
    schedule: Plan,
    recorder: Any,
    palette: Palette | None = None,
    faults: Any = None,
    extra: Any = None,
    progress: Callable[[float, str], None] = lambda share, note: None,
    **asked: Any,
) -> StrikeTestResult:
    """Record a machine, and measure the recording."""
    samples = sm.record(machine, schedule, recorder, faults, extra)
    first = machine[0]
    given: dict[str, Any] = {
        "full_scale_db": 94.0,
        "known_latency": (first.name, first.latency_ms),
        "drafted": palette is None,
    }
    return analysis.measure(
        capture_of(samples, recorder.rate_hz),
        schedule,
        palette or drafted(machine)[0],
        analysis.RecordingConditions(**(given | asked)),
        progress,
    )


def named(found: StrikeTestResult, name: str) -> StrikerResult:
    """One striker of what was measured."""
    return next(one for one in found.strikers if one.name == name)


def cents(one_hz: float, other_hz: float) -> float:
    """Interval between two frequencies, without sign."""
    return abs(1200 * float(np.log2(one_hz / other_hz)))
