"""What a damper does: when it is clear, when it falls, how fast it damps.

The reference partial's band is fitted by two decays that join at one time: free
before a damper falls and damped after, or damped before it is lifted and free
after. The time from the command to where they join is the damper's fall or lift.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from callresp.palette.model import Damper
from callresp.plan.model import Hold
from callresp.strike_test.align import Alignment
from callresp.strike_test.capture import Capture
from callresp.strike_test.modes import LN_1000, Mode, band_of, fit_mode
from callresp.strike_test.results import DamperResult, MeasuredValue
from callresp.strike_test.strokes import HeardStroke

Values = npt.NDArray[np.float64]
Phasors = npt.NDArray[np.complex128]

HALF_HZ, HALF_LEAST_HZ = 180.0, 30.0
QUIET_DB = 40.0
LEAST_SHARE = 0.85
RATE_MAX = 1900.0
FALLS_LEAST = 4
_NOISE_RMS_S = 0.005
_LATEST_S = 0.15
# A knock of the body drowns the partial for this long.
_KNOCK_S = 0.012


@dataclass(frozen=True)
class DecayKnee:
    """Where two decays join, `after_s` after a command; `rate` (1/s) is the unknown one."""

    after_s: float
    rate: float
    share: float


def half_band(mode: Mode, modes: Sequence[Mode]) -> float:
    """Half the width (Hz) of a band about a partial that holds no other one."""
    apart = [abs(m.hz - mode.hz) for m in modes if m is not mode]
    return min(max(0.5 * min(apart, default=HALF_HZ), HALF_LEAST_HZ), HALF_HZ)


def damped_rate(
    capture: Capture, strokes: Sequence[HeardStroke], mode: Mode, half_hz: float
) -> MeasuredValue | None:
    """Decay (1/s) of the reference partial with the damper resting on it."""
    rates = []
    for stroke in strokes:
        if stroke.take.state != "damped" or not stroke.usable or not stroke.alone:
            continue
        assert stroke.at_s is not None
        length_s = min(stroke.take.room_s, stroke.take.quiet_s, 0.6) - 0.01 - _KNOCK_S
        sound = capture.part(stroke.at_s + _KNOCK_S, length_s)
        got = fit_mode([sound], capture.rate_hz, mode.hz, half_hz) if len(sound) > 500 else None
        if got is not None and got.sure > 0.5:
            rates.append(got.rate)
    return MeasuredValue.of(rates)


def falls(
    capture: Capture,
    strokes: Sequence[HeardStroke],
    mode: Mode,
    half_hz: float,
    clock: Alignment,
    damped: float | None,
) -> list[DecayKnee]:
    """Every damper fall after a free stroke; `damped` is the damped decay (1/s) if known."""
    found = []
    for stroke in strokes:
        take = stroke.take
        if take.damp_s is None or take.state != "free" or not stroke.usable or not stroke.alone:
            continue
        assert stroke.at_s is not None
        command_s = float(clock.time_of(take.damp_s))
        begin_s = max(stroke.at_s + 0.012, command_s - 0.12)
        length_s = min(0.5, stroke.at_s + min(take.room_s, take.quiet_s) - begin_s)
        got = _fit_knee(
            capture,
            (mode, half_hz),
            begin_s,
            length_s,
            command_s,
            lambda r, t, k: _two_rates(mode.rate, r, t, k),
            known_rate=damped,
        )
        if got is not None and 1.15 * mode.rate < got.rate < RATE_MAX:
            found.append(got)
    # Soft strokes are lost in the noise by then, so only the best fits are used.
    found.sort(key=lambda joined: -joined.share)
    return found[: max(len(found) // 2, FALLS_LEAST)]


def lifts(
    capture: Capture,
    strokes: Sequence[HeardStroke],
    mode: Mode,
    half_hz: float,
    clock: Alignment,
    damped: float,
) -> list[DecayKnee]:
    """Every lift during which a stroke fell; `damped` is the decay (1/s) before it."""
    found = []
    for stroke in strokes:
        take = stroke.take
        if take.state != "moving" or take.lift_s is None or not stroke.usable or not stroke.alone:
            continue
        assert stroke.at_s is not None
        command_s = float(clock.time_of(take.lift_s))
        length_s = min(0.35, take.damped_in_s, take.room_s) - 0.01
        got = _fit_knee(
            capture,
            (mode, half_hz),
            stroke.at_s + 0.002,
            length_s,
            command_s,
            lambda r, t, k: _two_rates(damped, mode.rate, t, k),
            known_rate=mode.rate,
        )
        if got is not None:
            found.append(got)
    return found


def _two_rates(first: float, then: float, t: Values, k: float) -> Values:
    """Amplitude of two decays that join at `k`."""
    return np.asarray(np.exp(-first * np.minimum(t, k) - then * np.maximum(t - k, 0.0)))


def _fit_knee(
    capture: Capture,
    band: tuple[Mode, float],
    begin_s: float,
    length_s: float,
    command_s: float,
    shape: Callable[[float, Values, float], Values],
    known_rate: float | None = None,
) -> DecayKnee | None:
    """Fit two joined decays to the reference partial's band."""
    from scipy import optimize

    sound = capture.part(begin_s, length_s)
    if len(sound) < 0.05 * capture.rate_hz:
        return None
    times, values, taps = band_of([sound], capture.rate_hz, band[0].hz, band[1])
    t, z = times[0], values[0]
    if len(t) < 12:
        return None
    command = command_s - begin_s
    smooth = _smoother(t, len(taps) / capture.rate_hz)
    scale = max(float(np.vdot(z, z).real), 1e-30)

    def missed(guess: Values) -> float:
        k, rate = guess[0] + command, known_rate or math.exp(guess[1])
        if not -0.01 < guess[0] < _LATEST_S or not 0.1 < rate < 2000:
            return 0.0
        v = smooth(shape(rate, t, k))
        return float(-(abs(np.vdot(v, z)) ** 2) / max(float(np.vdot(v, v).real), 1e-30) / scale)

    starts = [(k, math.log(r)) for k in np.arange(0.0, 0.13, 0.006) for r in (15.0, 40.0, 100.0)]
    best = min(starts, key=lambda start: missed(np.array(start)))
    done = optimize.minimize(
        missed,
        np.array(best),
        method="Nelder-Mead",
        options={
            "initial_simplex": [best, (best[0] + 0.004, best[1]), (best[0], best[1] + 0.3)],
            "xatol": 1e-5,
            "fatol": 1e-10,
        },
    )
    k, rate = float(done.x[0]), known_rate or math.exp(float(done.x[1]))
    share = float(-done.fun)
    if share < LEAST_SHARE or not -0.009 < k < 0.97 * _LATEST_S:
        return None
    return DecayKnee(k, rate, share)


def _smoother(t: Values, span_s: float) -> Callable[[Values], Values]:
    """The smoothing that the band's filter does to an envelope, on its own time steps."""
    step_s = float(t[1] - t[0])
    taps = np.hanning(max(3, round(span_s / step_s) | 1) + 2)[1:-1]
    taps /= taps.sum()
    half = len(taps) // 2

    def smooth(v: Values) -> Values:
        padded = np.concatenate([np.full(half, v[0]), v, np.full(half, v[-1])])
        return np.asarray(np.convolve(padded, taps, "valid"))

    return smooth


def own_noise(
    capture: Capture, holds: Sequence[Hold], strikes_s: Sequence[float], clock: Alignment
) -> tuple[list[float], int]:
    """Levels (dB re a full-scale sine) of the damper's own noise, and how often it moved alone.

    The loudest 5 ms after each command of a hold without strokes, less the
    noise before; moves that can't be heard over it give no level.
    """
    levels, alone = [], 0
    strikes = np.asarray(strikes_s)
    for hold in holds:
        if np.any((strikes > hold.at_s - 0.3) & (strikes < hold.end_s + 0.3)):
            continue
        alone += 1
        heard = [_burst(capture, float(clock.time_of(at))) for at in (hold.at_s, hold.end_s)]
        loud = [level for level in heard if level is not None]
        if loud:
            levels.append(max(loud))
    return levels, alone


def _burst(capture: Capture, command_s: float) -> float | None:
    from scipy import signal

    rate_hz = capture.rate_hz
    part = capture.part(command_s - 0.15, 0.27)
    if len(part) < 0.2 * rate_hz:
        return None
    sos = signal.butter(2, 120.0, "high", fs=rate_hz, output="sos")
    power = signal.sosfilt(sos, part) ** 2
    short = max(8, round(_NOISE_RMS_S * rate_hz))
    running = np.convolve(power, np.ones(short) / short, "valid")
    split = round(0.14 * rate_hz)
    before, after = running[: split - short], running[split:]
    quiet, top = float(np.mean(before[len(before) // 3 :])), float(after.max())
    if top < 2.0 * float(before[len(before) // 3 :].max()):
        return None
    return 10 * math.log10(max(top - quiet, 1e-20) / 0.5)


def measured(
    damper: Damper,
    fallen: Sequence[DecayKnee],
    lifted: Sequence[DecayKnee],
    rest_rate: MeasuredValue | None,
    noise_db: MeasuredValue | None,
) -> DamperResult:
    """What was found, in the palette's terms.

    `rest_rate` is the decay (1/s) with the damper resting on the striker, from strokes on it.
    """
    damped = MeasuredValue.of([LN_1000 / knee.rate for knee in fallen])
    if rest_rate is not None and (damped is None or rest_rate.n > 1):
        spread = (rest_rate.uncertainty or 0.0) / rest_rate.value
        t60_s = LN_1000 / rest_rate.value
        damped = MeasuredValue(t60_s, t60_s * spread or None, rest_rate.n)
    fall = MeasuredValue.of([1000 * knee.after_s for knee in fallen])
    quiet = None
    if fall is not None and damped is not None:
        quiet_ms = fall.value + 1000 * damped.value * QUIET_DB / 60
        unsure = math.hypot(fall.uncertainty or 0, 667 * (damped.uncertainty or 0))
        quiet = MeasuredValue(quiet_ms, unsure or None, fall.n)
    lift = MeasuredValue.of([1000 * knee.after_s for knee in lifted])
    # A damper that rests off falls on the striker with power, and lifts without it.
    pressed = damper.rest == "off"
    return DamperResult(
        lift_ms=fall if pressed else lift,
        fall_ms=None if pressed else fall,
        damped_t60_s=damped,
        quiet_ms=quiet,
        noise_db=noise_db,
    )
