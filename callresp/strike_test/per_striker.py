"""All figures of one striker, from its strokes and their sound."""

from __future__ import annotations

import math
from collections import defaultdict
from collections.abc import Sequence
from dataclasses import dataclass, replace
from itertools import pairwise

import msgspec
import numpy as np
import numpy.typing as npt

from callresp.palette.model import Striker
from callresp.plan.model import Plan
from callresp.reply.mapping import cents
from callresp.strike_test import dampers, decay, force, strike_pitch, stroke_faults, strokes
from callresp.strike_test.align import Alignment
from callresp.strike_test.capture import Capture
from callresp.strike_test.modes import LN_1000, Clip, Mode, find_modes, with_added_loss
from callresp.strike_test.results import (
    DamperResult,
    ForceResult,
    MeasuredValue,
    PartialResult,
    Repeat,
    StrikerResult,
)
from callresp.strike_test.strokes import HeardStroke

Values = npt.NDArray[np.float64]

# Standard uncertainties: of placing an onset (tools/bench_measure.py), and of a recorder's clock,
# ±100 ppm evenly spread (common practice, no source).
ONSET_UNSURE_S = 1e-4
CLOCK_UNSURE = 100e-6 / 3**0.5
RUN_STEP_MAX = 0.15
RUN_GAP_S, RUN_LEAST = 0.7, 8
_KEPT_DB = -45.0


@dataclass(frozen=True)
class Scale:
    """How levels and latencies of the recording become those of the palette.

    `level_db` is added to a level re full scale; `latency_s` is taken off a
    stroke's time behind its command (the share of the offset), and uncertain by
    `unsure_s`.
    """

    level_db: float
    latency_s: float
    unsure_s: float = 0.0


@dataclass(frozen=True)
class StrikerSound:
    """A striker's strokes and partials, from which all its figures are worked out.

    `reference_mode` is the partial at the strike pitch, or the strongest where
    no partial lies there; `damped_rate` its decay (1/s) with the damper on;
    `damped_modes` are all partials with the loss that the damper adds.
    """

    strokes: tuple[HeardStroke, ...]
    modes: tuple[Mode, ...]
    clips: tuple[tuple[HeardStroke, Clip], ...]
    reference_mode: Mode | None
    pitch: strike_pitch.JudgedPitch | None
    kind: str
    damped_rate: MeasuredValue | None = None
    damped_modes: tuple[Mode, ...] = ()


def listen(capture: Capture, own: Sequence[HeardStroke], kind: str | None) -> StrikerSound:
    """Find the partials of a striker from its `own` strokes, and judge its pitch.

    `kind` is that of the palette; `None` judges it by the partials.
    """
    clips = strokes.free_clips(capture, own)
    modes = find_modes([clip for _, clip in clips]) if clips else []
    modes = [m for m in modes if _level(m, modes) > _KEPT_DB]
    if not modes:
        return StrikerSound(tuple(own), (), tuple(clips), None, None, kind or "block")
    parts = [strike_pitch.PitchPartial(m.hz, _level(m, modes), m.t60_s) for m in modes]
    kind = kind or strike_pitch.guess_kind(parts)
    judged = strike_pitch.strike_pitch(parts, kind)
    reference = min(modes, key=lambda m: abs(m.hz - judged.base_hz))
    if abs(cents(judged.base_hz, reference.hz)) > 60:
        # The ear hears a pitch at which no partial lies: follow the strongest one instead.
        reference = max(modes, key=lambda m: m.amplitude)
    half_hz = dampers.half_band(reference, modes)
    damped_rate = dampers.damped_rate(capture, own, reference, half_hz)
    added = max(damped_rate.value - reference.rate, 0.0) if damped_rate else 0.0
    damped_modes = with_added_loss(modes, added)
    heard = [strokes.with_level(capture, s, modes, damped_modes) for s in own]
    return StrikerSound(
        strokes=tuple(heard),
        modes=tuple(modes),
        clips=tuple(clips),
        reference_mode=reference,
        pitch=judged,
        kind=kind,
        damped_rate=damped_rate,
        damped_modes=tuple(damped_modes),
    )


def _level(mode: Mode, modes: Sequence[Mode]) -> float:
    top = max(m.amplitude for m in modes)
    return 20 * float(np.log10(max(mode.amplitude / top, 1e-9)))


def measure(
    capture: Capture,
    sound: StrikerSound,
    striker: Striker,
    plan: Plan,
    clock: Alignment,
    scale: Scale,
) -> StrikerResult:
    """Turn what `listen` found of a striker into the palette's figures.

    The plan's holds tell when its damper moved.
    """
    parts = _partials(capture, sound)
    latency, spread = _latency(sound, clock, scale)
    runs = _runs(capture, sound)
    curve = _force(sound, clock, scale)
    damper = _damper(capture, sound, striker, plan, clock, scale)
    judged = sound.pitch
    alone = [s for s in sound.strokes if s.alone]
    doubles = _doubles(capture, sound)
    buzz = [stroke_faults.buzz_db(capture, s, sound.modes) for s, _ in sound.clips]
    buzz_db = MeasuredValue.of([b for b in buzz if b is not None])
    tried = [s.take.gap_s for s in sound.strokes if not s.alone]
    return StrikerResult(
        name=striker.name,
        channel=striker.coil.channel,
        kind=sound.kind,
        pitch_hz=_pitch(sound),
        pitch_from=judged.why if judged else "nothing that rings was heard",
        base_hz=judged.base_hz if judged else 0.0,
        band_hz=_band(parts),
        partials=parts,
        t60_s=max((p.t60_s for p in parts), key=lambda v: v.value, default=None),
        latency_ms=latency,
        latency_spread_ms=spread,
        force=curve,
        restrike_ms=force.limit(runs, _step(sound)),
        repeats=tuple(r for run in runs for r in run),
        shortest_tried_ms=1000 * min(tried) if tried else None,
        damper=damper,
        strokes=len(alone),
        heard=sum(s.spoke for s in alone),
        doubles=doubles,
        buzz_db=None if buzz_db is None else round(buzz_db.value, 1),
        decay_db=_curve(capture, sound, "free"),
        damped_db=_curve(capture, sound, "damped"),
    )


def _doubles(capture: Capture, sound: StrikerSound) -> int:
    """How many strokes had a second blow, of all strokes or of an even sample of many."""
    some = [s for s in sound.strokes if s.alone and s.usable and s.take.state != "moving"]
    step = max(1, len(some) // stroke_faults.DOUBLES_LOOKED_AT)
    return sum(
        stroke_faults.second_blow(
            capture, s, sound.damped_modes if s.take.state == "damped" else sound.modes
        )
        is not None
        for s in some[::step]
    )


def _pitch(sound: StrikerSound) -> MeasuredValue | None:
    judged, reference = sound.pitch, sound.reference_mode
    if judged is None or judged.hz is None or reference is None:
        return None
    each = reference.each_hz * judged.hz / reference.hz
    spread = MeasuredValue.of(each)
    assert spread is not None
    return MeasuredValue(judged.hz, spread.uncertainty, spread.n, CLOCK_UNSURE * judged.hz)


def _partials(capture: Capture, sound: StrikerSound) -> tuple[PartialResult, ...]:
    if sound.pitch is None:
        return ()
    parts = [strike_pitch.PitchPartial(m.hz, _level(m, sound.modes), m.t60_s) for m in sound.modes]
    names = strike_pitch.bell_names(parts, sound.pitch.base_hz) if sound.kind == "bell" else {}
    found = []
    for number, mode in enumerate(sound.modes):
        hz, t60 = MeasuredValue.of(mode.each_hz), MeasuredValue.of(LN_1000 / mode.each_rate)
        assert hz is not None
        assert t60 is not None
        found.append(
            PartialResult(
                hz=MeasuredValue(mode.hz, hz.uncertainty, hz.n),
                ratio=mode.hz / sound.pitch.base_hz,
                level_db=_level(mode, sound.modes),
                t60_s=MeasuredValue(mode.t60_s, t60.uncertainty, t60.n),
                schroeder_s=_schroeder(capture, sound, number),
                name=names.get(mode.hz, ""),
            )
        )
    return tuple(found)


def _half_hz(modes: Sequence[Mode], number: int) -> float:
    apart = [abs(m.hz - modes[number].hz) for n, m in enumerate(modes) if n != number]
    return min(max(0.5 * min(apart, default=200.0), 12.0), 120.0)


def _schroeder(capture: Capture, sound: StrikerSound, number: int) -> float | None:
    """Median over the clips of a partial's T60 by backward integration."""
    mode, half_hz = sound.modes[number], _half_hz(sound.modes, number)
    found = []
    for index, (stroke, clip) in enumerate(sound.clips):
        assert stroke.at_s is not None
        rest = decay.alone(clip.sound, clip.rate_hz, mode, sound.modes, index)
        noise = decay.band_noise(
            capture.samples, capture.rate_hz, stroke.at_s, 0.12, mode.hz, max(half_hz, 40.0)
        ) * min(1.0, half_hz / max(half_hz, 40.0))
        t60 = decay.schroeder_t60(rest, clip.rate_hz, mode.hz, half_hz, noise, mode.t60_s)
        found.append(float("nan") if t60 is None else t60)
    middle = MeasuredValue.of(found)
    return None if middle is None else middle.value


def _band(parts: Sequence[PartialResult]) -> tuple[float, float]:
    """The band of partials within 25 dB of the strongest, a little widened, Hz."""
    loud = [p.hz.value for p in parts if p.level_db > -25]
    if not loud:
        return 200.0, 8000.0
    return max(round(0.85 * min(loud)), 20), min(round(1.2 * max(loud)), 20000)


def _lateness(stroke: HeardStroke, clock: Alignment) -> float:
    assert stroke.at_s is not None
    return float((stroke.at_s - clock.offset_s) / (1 + clock.skew) - stroke.take.at_s)


def _latency(
    sound: StrikerSound, clock: Alignment, scale: Scale
) -> tuple[MeasuredValue | None, float | None]:
    """Latency (ms) over all strokes that stand alone, and the spread of repeats."""
    by_pulse: dict[float, list[float]] = defaultdict(list)
    for stroke in sound.strokes:
        if stroke.usable and stroke.alone and stroke.spoke:
            late_ms = 1000 * (_lateness(stroke, clock) - scale.latency_s)
            by_pulse[stroke.take.pulse_ms].append(late_ms)
    every = [late for group in by_pulse.values() for late in group]
    value = MeasuredValue.of(every)
    if value is None:
        return None, None
    # Deviations among strokes of the same pulse length only.
    left = np.concatenate([np.array(g) - np.median(g) for g in by_pulse.values()])
    free = max(len(left) - len(by_pulse), 1)
    robust = 1.4826 * float(np.median(np.abs(left))) * (len(left) / free) ** 0.5
    systematic_ms = 1000 * math.hypot(scale.unsure_s, ONSET_UNSURE_S)
    return msgspec.structs.replace(value, systematic=systematic_ms), robust


def _force(sound: StrikerSound, clock: Alignment, scale: Scale) -> tuple[ForceResult, ...]:
    levels: dict[float, list[float | None]] = defaultdict(list)
    late: dict[float, list[float]] = defaultdict(list)
    for stroke in sound.strokes:
        bad = stroke.clipped or stroke.disturbed or not stroke.alone
        if bad or stroke.take.state != "free":
            continue
        level = None if stroke.level_db is None else stroke.level_db + scale.level_db
        levels[stroke.take.pulse_ms].append(level if stroke.spoke else None)
        if stroke.at_s is not None and stroke.spoke:
            late[stroke.take.pulse_ms].append(1000 * (_lateness(stroke, clock) - scale.latency_s))
    middle = {pulse: float(np.median(times)) for pulse, times in late.items()}
    return force.force_curve(levels, middle)


def _runs(capture: Capture, sound: StrikerSound) -> list[list[Repeat]]:
    """Runs of quick strokes, each stroke judged."""
    found = []
    run: list[HeardStroke] = []
    for stroke in (*sound.strokes, None):
        if stroke is not None and _goes_on(run, stroke):
            run.append(stroke)
            continue
        if len(run) >= RUN_LEAST:
            found.append(_judged(capture, sound, run))
        run = [stroke] if stroke is not None else []
    return [repeat for repeat in found if repeat]


def _goes_on(run: Sequence[HeardStroke], stroke: HeardStroke) -> bool:
    """Whether a stroke continues a run: of the same pulse, after no longer a gap."""
    if not run or stroke.take.pulse_ms != run[-1].take.pulse_ms or stroke.take.gap_s > RUN_GAP_S:
        return False
    return len(run) == 1 or stroke.take.gap_s < 1.02 * run[-1].take.gap_s


def _judged(capture: Capture, sound: StrikerSound, run: Sequence[HeardStroke]) -> list[Repeat]:
    modes = sound.damped_modes if run[0].take.state == "damped" else sound.modes
    strengths = [None if s.disturbed else strokes.strength_db(capture, s, modes) for s in run]
    return force.judge([s.take.at_s for s in run], strengths)


def _step(sound: StrikerSound) -> float:
    """The share by which the gaps of runs shrink from stroke to stroke."""
    gaps = [s.take.gap_s for s in sound.strokes if not s.alone and s.take.gap_s < 1]
    steps = [a / b - 1 for a, b in pairwise(gaps) if b > 0]
    near = [s for s in steps if 0 < s < RUN_STEP_MAX]
    return float(np.median(near)) if near else 0.05


def _damper(
    capture: Capture,
    sound: StrikerSound,
    striker: Striker,
    plan: Plan,
    clock: Alignment,
    scale: Scale,
) -> DamperResult | None:
    damper, reference = striker.damper, sound.reference_mode
    if damper is None or reference is None:
        return None
    # The sound's way to the microphone and the offset's share lie between command and effect.
    shifted = replace(clock, offset_s=clock.offset_s + scale.latency_s)
    half_hz = dampers.half_band(reference, sound.modes)
    rate = sound.damped_rate.value if sound.damped_rate else None
    fallen = dampers.falls(capture, sound.strokes, reference, half_hz, shifted, rate)
    if rate is None and fallen:
        rate = float(np.median([knee.rate for knee in fallen]))
    lifted = (
        dampers.lifts(capture, sound.strokes, reference, half_hz, shifted, rate)
        if rate and damper.rest == "on"
        else []
    )
    holds = [h for h in plan.holds if h.channel == damper.coil.channel]
    times = [s.take.at_s for s in sound.strokes]
    levels, _ = dampers.own_noise(capture, holds, times, clock)
    noise = MeasuredValue.of([level + scale.level_db for level in levels])
    return dampers.measured(damper, fallen, lifted, sound.damped_rate, noise)


def _curve(
    capture: Capture, sound: StrikerSound, state: strokes.State
) -> tuple[tuple[float, float], ...]:
    """The decay of the reference partial after one free or damped stroke, for a picture."""
    reference = sound.reference_mode
    if reference is None or not sound.clips:
        return ()
    half_hz = min(_half_hz(sound.modes, sound.modes.index(reference)), 40.0)
    start = float(np.abs(reference.phasors[0])) ** 2
    first_clip = sound.clips[0][1]
    part = first_clip.sound[: round(min(1.3 * reference.t60_s, 9.0) * capture.rate_hz)]
    if state == "damped":
        some = [s for s in sound.strokes if s.take.state == "damped" and s.usable and s.alone]
        if not some or sound.damped_rate is None:
            return ()
        stroke = some[0]
        assert stroke.at_s is not None
        length_s = min(stroke.take.room_s, 2 * LN_1000 / sound.damped_rate.value)
        part = capture.part(stroke.at_s, length_s)
    times, power = decay.envelope(part, capture.rate_hz, reference.hz, half_hz)
    return decay.thinned(times, power, start)
