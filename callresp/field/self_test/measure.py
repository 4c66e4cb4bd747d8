"""The self-test heard: where each stroke fell, and what sounded there.

Method
------
Onsets are found as in a strike test; the recording's offset is the one at which
most strokes, by the palette's latencies, meet an onset; where several do, the
one at which the strikers' known partials explain most of what sounds. What
sounds after each stroke is then taken apart into partials, as there.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
import numpy.typing as npt

from callresp.errors import UserError
from callresp.io.audio import level_db
from callresp.io.wording import counted
from callresp.palette.model import Palette, Striker
from callresp.plan.model import Plan
from callresp.strike_test import align, onsets, stroke_faults, strokes
from callresp.strike_test.capture import Capture
from callresp.strike_test.modes import LN_1000, Mode, find_modes
from callresp.strike_test.strokes import HeardStroke, Take, takes

Values = npt.NDArray[np.float64]

EARLY_S, LATE_S = 0.020, 0.035
# A stroke as late as this is still the striker's; its coil or its travel is not well.
VERY_LATE_S = 0.25
SPOKE_RISE_DB = 7.0
NEAR_S = 0.02
MODES_DB = -35.0
TRIED_MOST = 24


@dataclass(frozen=True)
class StrikerResponse:
    """One striker's stroke.

    `stroke` has no onset where nothing was heard; `late_s` is how much later
    than the palette says it fell; `noise_db` is the level of the place just
    before, re a full-scale sine.
    """

    striker: Striker
    stroke: HeardStroke
    modes: tuple[Mode, ...] = ()
    late_s: float | None = None
    noise_db: float = -200.0
    buzz_db: float | None = None
    bounce_s: float | None = None

    @property
    def spoke(self) -> bool:
        """Whether anything was heard at its stroke."""
        return self.stroke.at_s is not None


def measure_strokes(
    capture: Capture,
    plan: Plan,
    palette: Palette,
    about: tuple[float, float] | None = None,
) -> list[StrikerResponse]:
    """Hear every stroke of a self-test.

    Parameters
    ----------
    capture
        The recording.
    plan
        What was commanded, on a clock of its own.
    palette
        What each striker should be.
    about
        Between which offsets (seconds from the recording's start to the
        plan's 0) it must lie, where the host knows.

    Returns
    -------
    list of StrikerResponse
        In the order in which they were struck.

    Raises
    ------
    UserError
        The strokes can't be found in the recording.
    """
    every = takes(plan, palette)
    found = onsets.find(capture.samples, capture.rate_hz)
    offset_s = offset_of(capture, every, palette, found, about)
    heard = [
        _heard(capture, take, palette.striker[take.striker], offset_s, found) for take in every
    ]
    # The palette's own latencies place the clock; what is left is each striker's.
    shift_s = float(np.median([h.late_s for h in heard if h.late_s is not None] or [0.0]))
    return [
        replace(one, late_s=None if one.late_s is None else one.late_s - shift_s) for one in heard
    ]


def offset_of(
    capture: Capture,
    every: Sequence[Take],
    palette: Palette,
    found: onsets.Onsets,
    about: tuple[float, float] | None,
) -> float:
    """Offset at which most strokes meet an onset, and what sounds there fits the strikers best."""
    due_s = np.array([t.at_s + palette.striker[t.striker].latency_ms / 1000 for t in every])
    low_s, high_s = about or (-np.inf, np.inf)
    tried = _offsets(due_s, found, low_s, high_s)
    most = max((met for _, met in tried), default=0)
    if about is None and most < max(1, (len(due_s) + 1) // 2):
        raise UserError(
            f"only {most} of its {counted(len(due_s), 'stroke')} can be found",
            where=capture.name,
            remedy="record the whole self-test of this palette, from before its first stroke",
        )
    if not tried:
        return 0.5 * (low_s + high_s) if about else 0.0
    likely = sorted((one for one in tried if one[1] >= most - 1), key=lambda one: -one[1])
    scored = [
        (0.3 * met + _fits(capture, every, palette, found, due_s + offset_s), offset_s)
        for offset_s, met in likely[:TRIED_MOST]
    ]
    return max(scored)[1]


def _offsets(
    due_s: Values, found: onsets.Onsets, low_s: float, high_s: float
) -> list[tuple[float, int]]:
    """Offsets that differ, each with the number of strokes that meet an onset by it."""
    apart = (found.times_s[None, :] - due_s[:, None]).ravel()
    apart = np.sort(apart[(apart >= low_s) & (apart <= high_s)])
    tried: list[tuple[float, int]] = []
    for offset_s in apart:
        near = np.abs(align.nearest(found.times_s, due_s + offset_s) - due_s - offset_s) < NEAR_S
        met = int(near.sum())
        if tried and offset_s - tried[-1][0] < NEAR_S:
            if met > tried[-1][1]:
                tried[-1] = (float(offset_s), met)
            continue
        tried.append((float(offset_s), met))
    return tried


def _fits(
    capture: Capture,
    every: Sequence[Take],
    palette: Palette,
    found: onsets.Onsets,
    expected_s: Values,
) -> float:
    """How much of what sounds at the strokes the strikers' known partials explain."""
    near = align.nearest(found.times_s, expected_s)
    fits = 0.0
    for take, onset_s, due in zip(every, near, expected_s, strict=True):
        if abs(onset_s - due) < NEAR_S:
            stroke = HeardStroke(take, float(due), float(onset_s), spoke=True)
            fits += stroke_faults.explained(
                capture, stroke, _modes_of(palette.striker[take.striker])
            )
    return fits


def _modes_of(striker: Striker) -> list[Mode]:
    """A striker's partials as the palette knows them."""
    one = np.ones(1)
    found = []
    for partial in striker.partials:
        hz, rate = striker.reference_hz * partial.ratio, LN_1000 / partial.t60_s
        found.append(Mode(hz, rate, one.astype(np.complex128), hz * one, rate * one))
    return found


def _heard(
    capture: Capture, take: Take, striker: Striker, offset_s: float, found: onsets.Onsets
) -> StrikerResponse:
    expected_s = take.at_s + offset_s + striker.latency_ms / 1000
    noise_db = _level_db(capture, expected_s - 0.12, expected_s - 0.02)
    got = onsets.pick(capture.samples, capture.rate_hz, expected_s, EARLY_S, LATE_S, 0.08)
    if got is None or got.rise_db < SPOKE_RISE_DB:
        got = _late(capture, take, expected_s, found)
    if got is None:
        return StrikerResponse(striker, HeardStroke(take, expected_s), noise_db=noise_db)
    near = np.abs(capture.clipped_s - got.at_s - 0.04) < 0.042
    stroke = HeardStroke(
        take, expected_s, got.at_s, got.rise_db, spoke=True, clipped=bool(near.any())
    )
    return _sounded(capture, striker, stroke, noise_db)


def _late(
    capture: Capture, take: Take, expected_s: float, found: onsets.Onsets
) -> onsets.Pick | None:
    """The first onset behind its time, before anything else is due."""
    until_s = expected_s + min(VERY_LATE_S, 0.5 * take.room_s, 0.5 * take.quiet_s)
    later = found.times_s[(found.times_s > expected_s + LATE_S) & (found.times_s < until_s)]
    for at_s in later:
        got = onsets.pick(capture.samples, capture.rate_hz, float(at_s), 0.012, 0.012, 0.05)
        if got is not None and got.rise_db >= SPOKE_RISE_DB:
            return got
    return None


def _sounded(
    capture: Capture, striker: Striker, stroke: HeardStroke, noise_db: float
) -> StrikerResponse:
    assert stroke.at_s is not None
    late_s = stroke.at_s - stroke.expected_s
    # Clipping spoils levels, not pitches: its partials are looked at all the same.
    clips = strokes.free_clips(capture, [replace(stroke, clipped=False)])
    modes = find_modes([clip for _, clip in clips]) if clips else []
    top = max((mode.amplitude for mode in modes), default=0.0)
    modes = [m for m in modes if 20 * np.log10(m.amplitude / top) > MODES_DB]
    return StrikerResponse(
        striker=striker,
        stroke=stroke,
        modes=tuple(modes),
        late_s=late_s,
        noise_db=noise_db,
        buzz_db=stroke_faults.buzz_db(capture, stroke, modes),
        bounce_s=stroke_faults.second_blow(capture, stroke, modes),
    )


def _level_db(capture: Capture, from_s: float, to_s: float) -> float:
    first, last = (max(round(s * capture.rate_hz), 0) for s in (from_s, to_s))
    return level_db(capture.samples[first:last])
