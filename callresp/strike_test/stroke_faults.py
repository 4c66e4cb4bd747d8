"""What is wrong with single strokes: a second blow, a buzz, another striker's sound."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
import numpy.typing as npt

from callresp.strike_test.capture import Capture
from callresp.strike_test.modes import Mode
from callresp.strike_test.strike_amplitude import fit_of, power_db, state, waves_of
from callresp.strike_test.strokes import HeardStroke

Values = npt.NDArray[np.float64]

DOUBLE_FROM_S, DOUBLE_TO_S = 0.009, 0.11
SKIP_S = 0.004
DOUBLE_UNDER_DB = 20.0
DOUBLE_BETTER = 2.5
DOUBLES_LOOKED_AT = 12
BUZZ_FROM_S, BUZZ_TO_S = 0.02, 0.16
BUZZ_DB = -15.0


def second_blow(capture: Capture, stroke: HeardStroke, modes: Sequence[Mode]) -> float | None:
    """How long after a stroke a second blow falls, s; `None` where there is none.

    The partials are fitted to the sound as one decay, and as two that meet at some
    time. Where two explain it much better, and the second added enough, there were
    two blows.

    Parameters
    ----------
    capture
        The recording.
    stroke
        One stroke of it.
    modes
        The striker's partials.

    Returns
    -------
    float or None
        Seconds after the stroke.
    """
    if stroke.at_s is None or not modes:
        return None
    take, rate_hz = stroke.take, capture.rate_hz
    room_s = min(take.room_s, take.quiet_s)
    if take.state == "free":
        room_s = min(room_s, take.damped_in_s)
    end_s = min(room_s - 0.008, DOUBLE_TO_S + 0.05)
    if end_s < DOUBLE_TO_S + 0.02:
        return None
    first = round((stroke.at_s + SKIP_S) * rate_hz)
    part = np.asarray(capture.samples[first : round((stroke.at_s + end_s) * rate_hz)], np.float64)
    waves = waves_of(modes, len(part), rate_hz)

    def missed(at_s: float) -> float:
        """Residual energy of two decays that meet at `at_s`."""
        early, late = _split_at(part, rate_hz, at_s)
        return _residual(early, waves) + _residual(late, waves)

    at_s = min(np.arange(DOUBLE_FROM_S, DOUBLE_TO_S, 0.005), key=missed)
    fine = at_s + np.arange(-0.004, 0.0045, 0.001)
    at_s = float(min(fine[fine > SKIP_S + 0.002], key=missed))
    if _residual(part, waves) <= DOUBLE_BETTER * missed(at_s):
        return None
    return at_s if _added_db(part, rate_hz, at_s, modes) > -DOUBLE_UNDER_DB else None


def _residual(part: Values, waves: Values) -> float:
    """Energy of a stretch that the waves do not explain."""
    return float(np.sum((part - fit_of(part, waves)) ** 2))


def _split_at(part: Values, rate_hz: int, at_s: float) -> tuple[Values, Values]:
    """The two stretches that meet at `at_s`.

    The blow itself is left out, since the partials don't explain its noise.
    """
    cut = round((at_s - SKIP_S) * rate_hz)
    return part[:cut], part[cut + round(SKIP_S / 2 * rate_hz) :]


def _added_db(part: Values, rate_hz: int, at_s: float, modes: Sequence[Mode]) -> float:
    """Level that a second blow at `at_s` added, dB re what rang before it."""
    early, late = _split_at(part, rate_hz, at_s)
    before = state(early, rate_hz, SKIP_S - at_s, modes)
    after = state(late, rate_hz, SKIP_S / 2, modes)
    return power_db(after - before) - power_db(before)


def buzz_db(capture: Capture, stroke: HeardStroke, modes: Sequence[Mode]) -> float | None:
    """Level of what rattles along with the partials, dB re the partials.

    Parameters
    ----------
    capture
        The recording.
    stroke
        One stroke of it.
    modes
        The striker's partials.

    Returns
    -------
    float or None
        Level, or `None` where it can't be told.
    """
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
    fitted = fit_of(part, waves_of(modes, len(part), rate_hz))
    own = float(np.mean(fitted**2))
    left = float(np.mean((part - fitted) ** 2)) - _rest(quiet, rate_hz, modes)
    if own <= 0 or left <= 0:
        return -60.0
    return 10 * float(np.log10(left / own))


def _rest(part: Values, rate_hz: int, modes: Sequence[Mode]) -> float:
    """Mean square of a stretch without its known partials: its noise."""
    if len(part) < 256:
        return 0.0
    return _residual(part, waves_of(modes, len(part), rate_hz)) / len(part)


def explained(capture: Capture, stroke: HeardStroke, modes: Sequence[Mode]) -> float:
    """Share of a stroke's sound that a striker's partials explain, 0 to 1.

    Parameters
    ----------
    capture
        The recording.
    stroke
        One stroke of it.
    modes
        The striker's partials.

    Returns
    -------
    float
        1 where nothing else sounds.
    """
    if stroke.at_s is None or not modes:
        return 0.0
    length_s = min(0.12, stroke.take.room_s - 0.01, stroke.take.quiet_s - 0.01)
    first = round((stroke.at_s + 0.004) * capture.rate_hz)
    last = round((stroke.at_s + max(length_s, 0.03)) * capture.rate_hz)
    part = np.asarray(capture.samples[first:last], np.float64)
    if len(part) < 256:
        return 0.0
    part = part - part.mean()
    left = _residual(part, waves_of(modes, len(part), capture.rate_hz))
    return 1.0 - left / max(float(np.sum(part**2)), 1e-30)
