"""From a recording and its plan to everything measured.

Latency needs a reference
-------------------------
A recording alone does not show when the board sent its commands. Latencies
become absolute in one of three ways, tried in this order:

1. a channel of the recording that carries the coils' pulses (`switches`);
2. a striker whose latency the user knows (`known_latency`);
3. the palette's own latencies, in the median over all strikers.

In the third way only the differences between strikers are new; the report says
so. Levels are dB SPL with a calibrated full scale, and otherwise relative to the
palette's own.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace

import numpy as np
import numpy.typing as npt

from callresp.errors import UserError
from callresp.palette.model import Palette
from callresp.plan.model import Plan
from callresp.strike_test import align, interference, onsets, per_striker, results, strokes
from callresp.strike_test import findings as findings_
from callresp.strike_test.capture import Capture, SwitchEdges
from callresp.strike_test.interference import ForeignSound
from callresp.strike_test.results import Finding, MeasuredValue, StrikeTestResult
from callresp.strike_test.strokes import HeardStroke, takes

Values = npt.NDArray[np.float64]

SOUND_M_S = 340.0
FULL_SCALE_DB = 94.0
ASSUMED_LATENCY_S = 0.01
# Standard uncertainties: coils of the trade take 5 to 15 ms, evenly spread (common practice, no
# source), and distances are told to a tenth.
ASSUMED_UNSURE_S = 0.005 / 3**0.5
DISTANCE_SHARE = 0.1
# Onsets this long after a stroke or a damper move belong to it (bounces, buzz).
OWN_AFTER_STROKE_S, OWN_AFTER_MOVE_S = 0.25, 0.15
MOST_JUMPS_PER_S = 100.0


@dataclass(frozen=True)
class RecordingConditions:
    """What is known besides the recording.

    `full_scale_db`: the sound pressure level of a full-scale sine, where
    calibrated; `distance_m`: from the strikers to the microphone;
    `switches`: when coils switched, from a channel that carries their pulses;
    `known_latency`: a striker's name and its latency in ms; `drafted`: the
    palette's figures are placeholders, but for the kinds of `kinds_given`.
    """

    full_scale_db: float | None = None
    distance_m: float = 1.0
    switches: SwitchEdges | None = None
    known_latency: tuple[str, float] | None = None
    drafted: bool = False
    kinds_given: frozenset[str] = frozenset()


def measure(
    capture: Capture,
    plan: Plan,
    palette: Palette,
    asked: RecordingConditions | None = None,
    progress: Callable[[float, str], None] = lambda share, note: None,
) -> StrikeTestResult:
    """Measure every striker of a palette from a recorded strike test.

    Parameters
    ----------
    capture
        The recording.
    plan
        What was commanded, on the board's clock; any offset between the two.
    palette
        The machine: channels, dampers, kinds, what was known before.
    asked
        What is known besides.
    progress
        Called with the share done and a word on the current step.

    Raises
    ------
    UserError
        The recording does not hold the plan's strokes.
    """
    asked = asked or RecordingConditions()
    every = takes(plan, palette)
    if not every:
        raise UserError("the plan strikes no striker of this palette", remedy="give its palette")
    progress(0.02, "onsets")
    found = onsets.find(capture.samples, capture.rate_hz)
    commands = np.array([take.at_s for take in every])
    start = align.align(commands, found.times_s, capture.name)
    progress(0.1, "strokes")
    heard, clock = strokes.place(capture, every, found, start)
    interfering = _foreign(capture, found, heard, plan, clock)
    heard = _disturbed(heard, interfering)
    sounds = []
    for number, striker in enumerate(palette.striker):
        progress(0.15 + 0.5 * number / len(palette.striker), striker.name)
        own = [s for s in heard if s.take.striker == number]
        guessed = asked.drafted and striker.name not in asked.kinds_given
        kind = None if guessed else striker.kind
        sounds.append(per_striker.listen(capture, own, kind))
    latency_s, unsure_s, latency_from, clock = _latency_reference(sounds, palette, clock, asked)
    level_db, level_from = _level_reference(sounds, palette, asked)
    scale = per_striker.Scale(level_db, latency_s, unsure_s)
    measured = []
    for number, (striker, sound) in enumerate(zip(palette.striker, sounds, strict=True)):
        progress(0.65 + 0.33 * number / len(palette.striker), striker.name)
        if any(s.spoke for s in sound.strokes):
            measured.append(per_striker.measure(capture, sound, striker, plan, clock, scale))
    pairs = results.compare(measured)
    findings = [Finding(kind="recording", text=text, grave=False) for text in capture.warnings]
    findings += [sound.finding for sound in interfering] + interference.wind(
        capture, _busy(heard, plan, clock)
    )
    findings += findings_.findings(capture, palette, sounds, measured, pairs, drafted=asked.drafted)
    return StrikeTestResult(
        recording=capture.name,
        duration_s=capture.duration_s,
        sample_rate_hz=capture.rate_hz,
        by_hand=False,
        offset_s=clock.offset_s + latency_s,
        clock_skew_ppm=1e6 * clock.skew,
        latency_from=latency_from,
        level_from=level_from,
        noise_db=_noise_db(capture, heard),
        strikers=tuple(measured),
        likeness=pairs,
        findings=tuple(sorted(findings, key=lambda f: (f.at_s is None, f.at_s or 0.0))),
    )


def _foreign(
    capture: Capture,
    found: onsets.Onsets,
    heard: Sequence[HeardStroke],
    plan: Plan,
    clock: align.Alignment,
) -> list[ForeignSound]:
    late_s = float(np.median(list(clock.delays_s.values()))) if clock.delays_s else 0.0
    expected = [s.expected_s for s in heard]
    after = [OWN_AFTER_STROKE_S] * len(heard)
    for hold in plan.holds:
        for at_s in (hold.at_s, hold.end_s):
            expected.append(float(clock.time_of(at_s)) + min(late_s, 0.02) - 0.01)
            after.append(OWN_AFTER_MOVE_S)
    swells_s = onsets.swells(capture.samples, capture.rate_hz)
    return interference.foreign(capture, found, swells_s, np.array(expected), np.array(after))


def _busy(heard: Sequence[HeardStroke], plan: Plan, clock: align.Alignment) -> Values:
    """When strokes fall and dampers move."""
    times = [s.expected_s for s in heard]
    times += [float(clock.time_of(t)) for h in plan.holds for t in (h.at_s, h.end_s)]
    return np.array(times)


def _disturbed(
    heard: Sequence[HeardStroke], interfering: Sequence[ForeignSound]
) -> list[HeardStroke]:
    """Mark strokes beside whose onset something else sounds."""
    marked = []
    for stroke in heard:
        near = stroke.at_s if stroke.at_s is not None else stroke.expected_s
        bad = any(sound.from_s - 0.2 < near < sound.until_s for sound in interfering)
        marked.append(replace(stroke, disturbed=bad))
    return marked


def _latency_reference(
    sounds: Sequence[per_striker.StrikerSound],
    palette: Palette,
    clock: align.Alignment,
    asked: RecordingConditions,
) -> tuple[float, float, str, align.Alignment]:
    """The part of the delays that is the offset's, its uncertainty (s), its source, the clock."""
    delays = clock.delays_s
    travel_s = asked.distance_m / SOUND_M_S
    if asked.switches is not None:
        commands = np.array([s.take.at_s for sound in sounds for s in sound.strokes])
        offset, skew = _switch_clock(commands, asked.switches)
        shifted = replace(clock, offset_s=offset, skew=skew)
        text = f"the switching channel, less {asked.distance_m:g} m of air"
        return travel_s, DISTANCE_SHARE * travel_s, text, shifted
    if asked.known_latency is not None:
        name, latency_ms = asked.known_latency
        number = next((n for n, s in enumerate(palette.striker) if s.name == name), None)
        if number is None or number not in delays:
            raise UserError(
                f"no striker '{name}' was heard", argument="latency", remedy="name one that was"
            )
        return delays[number] - latency_ms / 1000, 0.0, f"{name} at {latency_ms:g} ms", clock
    if asked.drafted:
        first = min(delays.values(), default=0.0)
        text = f"the quickest striker taken as {1000 * ASSUMED_LATENCY_S:g} ms"
        return first - ASSUMED_LATENCY_S, ASSUMED_UNSURE_S, text, clock
    known = [delay - palette.striker[n].latency_ms / 1000 for n, delay in delays.items()]
    middle = MeasuredValue.of(known) or MeasuredValue(0.0)
    # With one striker alone, nothing shows how far the palette is off.
    unsure_s = ASSUMED_UNSURE_S if middle.uncertainty is None else middle.uncertainty
    return middle.value, unsure_s, "the palette, in the median", clock


def _switch_clock(commands: Values, switches: SwitchEdges) -> tuple[float, float]:
    """Offset and skew from the jumps by which coils were switched on.

    Commands say when pulses begin, and pulses differ in length: of the two
    directions of jumps, the one that begins them follows the commands closer.
    Where all pulses are of one length, it is the one that comes first.
    """
    fits = []
    for jumps_s in (switches.up_s, switches.down_s):
        # Noise has so many jumps that one is near every command by chance.
        if len(jumps_s) and len(jumps_s) > MOST_JUMPS_PER_S * max(float(np.ptp(jumps_s)), 1.0):
            jumps_s = jumps_s[:0]
        offset, skew, share = align.coarse(commands, jumps_s)
        used = np.zeros(len(commands), dtype=np.bool_)
        for within_s in (0.02, 0.006, 0.002, 0.001):
            predicted = offset + (1 + skew) * commands
            near = align.nearest(jumps_s, predicted)
            used = np.abs(near - predicted) < within_s
            if used.sum() < 8:
                break
            slope, offset = np.polyfit(commands[used], near[used], 1)
            skew = float(slope) - 1
        fits.append((round(float(np.mean(used)), 1), -float(offset), skew, share))
    followed, negative_offset, skew, share = max(fits)
    if share < 0.5 or followed < 0.5:
        raise UserError(
            f"only {max(share, 0):.0%} of the plan's pulses show in the channel of coils' pulses",
            remedy="give the channel that carries them",
        )
    return -negative_offset, skew


def _level_reference(
    sounds: Sequence[per_striker.StrikerSound], palette: Palette, asked: RecordingConditions
) -> tuple[float, str]:
    """dB to add to levels re full scale for dB SPL at 1 m, and how it is known."""
    distance_db = 20 * float(np.log10(asked.distance_m))
    if asked.full_scale_db is not None:
        return asked.full_scale_db + distance_db, f"full scale at {asked.full_scale_db:g} dB SPL"
    if asked.drafted:
        return FULL_SCALE_DB + distance_db, f"full scale taken as {FULL_SCALE_DB:g} dB SPL"
    apart = []
    for striker, sound in zip(palette.striker, sounds, strict=True):
        hard_ms = striker.force[-1].pulse_ms
        loud = [
            s.level_db
            for s in sound.strokes
            if s.level_db is not None
            and s.usable
            and s.take.state == "free"
            and abs(s.take.pulse_ms - hard_ms) < 0.05 * hard_ms
        ]
        if loud:
            apart.append(striker.force[-1].level_db - float(np.median(loud)))
    if not apart:
        return FULL_SCALE_DB + distance_db, f"full scale taken as {FULL_SCALE_DB:g} dB SPL"
    return float(np.median(apart)), "the palette's hardest strokes, in the median"


def _noise_db(capture: Capture, heard: Sequence[HeardStroke]) -> float:
    """Level of the quiet just before strokes, dB re a full-scale sine."""
    levels = []
    for stroke in heard:
        if stroke.alone:
            last = round((stroke.expected_s - 0.02) * capture.rate_hz)
            part = capture.samples[max(last - 2048, 0) : max(last, 0)]
            if len(part) > 256:
                levels.append(
                    10 * np.log10(2 * float(np.mean(part.astype(np.float64) ** 2)) + 1e-20)
                )
    return float(np.quantile(levels, 0.2)) if levels else -200.0
