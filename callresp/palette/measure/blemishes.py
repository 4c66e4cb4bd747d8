"""What is wrong with single strokes: a second blow, a buzz, another striker's sound."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
import numpy.typing as npt

from callresp.palette.measure import jumps, onsets
from callresp.palette.measure.capture import Capture
from callresp.palette.measure.modes import Mode
from callresp.palette.measure.strokes import Stroke

Values = npt.NDArray[np.float64]

DOUBLE_FROM_S, DOUBLE_TO_S = 0.006, 0.11
DOUBLE_UNDER_DB = 18.0
DOUBLE_OVER_DB = 13.0
BUZZ_FROM_S, BUZZ_TO_S = 0.02, 0.16
BUZZ_DB = -15.0
_ORDER = 40


def second_blow(capture: Capture, stroke: Stroke) -> float | None:
    """How long after a stroke a second blow falls, s; `None` where there is none.

    The ringing is predicted by a linear prediction learnt a little later in
    the same sound; what it can't explain is each blow.
    """
    if stroke.at_s is None:
        return None
    rate_hz = capture.rate_hz
    room_s = min(stroke.take.room_s, max(stroke.take.damped_in_s, 0.0), stroke.take.quiet_s)
    if stroke.take.state == "lying":
        room_s = min(stroke.take.room_s, stroke.take.quiet_s)
    end_s = min(room_s - 0.01, 0.32)
    if end_s < DOUBLE_TO_S + 0.04:
        return None
    first = round(stroke.at_s * rate_hz)
    sound = np.asarray(capture.samples[first - _ORDER : first + round(end_s * rate_hz)], np.float64)
    learn = sound[_ORDER + round(DOUBLE_FROM_S * rate_hz) :]
    error = onsets.prediction_error(sound, learn, _ORDER) ** 2
    short = max(8, round(0.0015 * rate_hz))
    power = np.convolve(error, np.ones(short) / short, "same")
    level = 10 * np.log10(power + 1e-20)
    low, high = round(DOUBLE_FROM_S * rate_hz), round(DOUBLE_TO_S * rate_hz)
    first_blow = float(level[: round(0.004 * rate_hz)].max())
    floor = float(np.median(level[low:]))
    top = low + int(np.argmax(level[low:high]))
    before = float(level[max(top - round(0.004 * rate_hz), 0) : top - short].max(initial=-200))
    strong = level[top] > first_blow - DOUBLE_UNDER_DB and level[top] > floor + DOUBLE_OVER_DB
    return top / rate_hz if strong and level[top] > before + 8 else None


def buzz_db(capture: Capture, stroke: Stroke, modes: Sequence[Mode]) -> float | None:
    """Level of what rattles along with the partials, dB re the partials."""
    if stroke.at_s is None or not modes:
        return None
    room_s = min(stroke.take.room_s, stroke.take.damped_in_s, stroke.take.quiet_s) - 0.01
    if room_s < BUZZ_TO_S:
        return None
    rate_hz = capture.rate_hz
    first, last = (round((stroke.at_s + s) * rate_hz) for s in (BUZZ_FROM_S, BUZZ_TO_S))
    part = np.asarray(capture.samples[first:last], np.float64)
    begin = max(first - round((BUZZ_FROM_S + 0.1) * rate_hz), 0)
    quiet = np.asarray(
        capture.samples[begin : max(first - round((BUZZ_FROM_S + 0.006) * rate_hz), begin)],
        np.float64,
    )
    fitted = fit_of(part, rate_hz, BUZZ_FROM_S, modes)
    own = float(np.mean(fitted**2))
    left = float(np.mean((part - fitted) ** 2)) - _rest(quiet, rate_hz, modes)
    if own <= 0 or left <= 0:
        return -60.0
    return 10 * float(np.log10(left / own))


def _rest(part: Values, rate_hz: int, modes: Sequence[Mode]) -> float:
    """Mean square of a stretch without known partials: its noise."""
    if len(part) < 256:
        return 0.0
    return float(np.mean((part - fit_of(part, rate_hz, 0.0, modes)) ** 2))


def fit_of(part: Values, rate_hz: int, first_s: float, modes: Sequence[Mode]) -> Values:
    """Known partials fitted to a stretch."""
    phasors = jumps.state(part, rate_hz, first_s, modes)
    t = first_s + np.arange(len(part)) / rate_hz
    logs = np.array([2j * np.pi * mode.hz - mode.rate for mode in modes])
    return np.asarray((np.exp(np.outer(t, logs)) @ phasors).real)


def explained(capture: Capture, stroke: Stroke, modes: Sequence[Mode]) -> float:
    """Share of a stroke's sound that a striker's partials explain, 0 to 1."""
    if stroke.at_s is None or not modes:
        return 0.0
    length_s = min(0.12, stroke.take.room_s - 0.01, stroke.take.quiet_s - 0.01)
    first = round((stroke.at_s + 0.004) * capture.rate_hz)
    last = round((stroke.at_s + max(length_s, 0.03)) * capture.rate_hz)
    part = np.asarray(capture.samples[first:last], np.float64)
    if len(part) < 256:
        return 0.0
    part = part - part.mean()
    left = part - fit_of(part, capture.rate_hz, 0.004, modes)
    return 1.0 - float(np.sum(left**2)) / max(float(np.sum(part**2)), 1e-30)
