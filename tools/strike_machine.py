"""A machine of our own to try the strike test on, with exact truth.

It shares nothing with the rehearsal's synthesis nor with the measuring: each
partial is a phasor that is rendered from event to event, strokes fall with
latency and jitter between samples, a plunger that has not come back fails, a
damper changes every partial's loss, and a recorder with a clock of its own
writes it down with noise. Faults can be put in one by one.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, field

import numpy as np
import numpy.typing as npt

from callresp.plan.model import Plan

Wave = npt.NDArray[np.float64]

LN_1000 = math.log(1000.0)
# Amplitude of a partial below which it adds nothing: -180 dB.
GONE = 1e-9
# Samples in a table of a decay.
TABLE = 512


@dataclass(frozen=True)
class Felt:
    """A damper: times in ms after its power goes on or off, T60 with it on."""

    channel: int
    lift_ms: float = 26.0
    fall_ms: float = 19.0
    damped_t60_s: float = 0.2
    noise_db: float = -200.0
    rests_on: bool = True


@dataclass(frozen=True)
class Striker:
    """A struck thing: levels are dB re a full-scale sine at the hardest pulse."""

    name: str
    channel: int
    hz: Sequence[float]
    level_db: Sequence[float]
    t60_s: Sequence[float]
    loud_db: float = -12.0
    latency_ms: float = 11.0
    jitter_ms: float = 0.15
    back_ms: float = 80.0
    speaks_ms: float = 4.0
    full_ms: float = 12.0
    felt: Felt | None = None
    bounces_ms: float | None = None
    bounce_db: float = -8.0
    buzz_db: float | None = None
    contact_db: float = -22.0

    def level_of(self, pulse_ms: float) -> float | None:
        """Level of a pulse, dB; `None` where it does not reach."""
        if pulse_ms < self.speaks_ms:
            return None
        share = (min(pulse_ms, self.full_ms) - 0.6 * self.speaks_ms) / (
            self.full_ms - 0.6 * self.speaks_ms
        )
        return self.loud_db + 20 * math.log10(share)


@dataclass(frozen=True)
class Faults:
    """What goes wrong: strokes (by number in the schedule) that are missed or sound elsewhere."""

    missed: frozenset[int] = frozenset()
    elsewhere: dict[int, int] = field(default_factory=dict)


@dataclass(frozen=True)
class Recorder:
    """Where and how it is written down: `noise_db` re a full-scale sine."""

    rate_hz: int = 48000
    offset_s: float = 2.345
    skew_ppm: float = 0.0
    noise_db: float = -32.0
    gain_db: float = 0.0
    seed: int = 1


def record(
    machine: Sequence[Striker],
    schedule: Plan,
    recorder: Recorder,
    faults: Faults | None = None,
    extra: Wave | None = None,
) -> npt.NDArray[np.float32]:
    """What a recorder would hold after the machine played a schedule.

    Returns
    -------
    ndarray
        float32, clipped at full scale.
    """
    faults = faults or Faults()
    rng = np.random.default_rng(recorder.seed)
    total_s = recorder.offset_s + schedule.end_s + 1.5
    out = np.zeros(round(total_s * recorder.rate_hz))
    for striker in machine:
        _play(
            out, striker, _falls(striker, machine, schedule, faults, rng), schedule, recorder, rng
        )
    out += 10 ** (recorder.noise_db / 20) * math.sqrt(0.5) * rng.standard_normal(len(out))
    if extra is not None:
        out[: len(extra)] += extra[: len(out)]
    out *= 10 ** (recorder.gain_db / 20)
    return np.clip(out, -1.0, 1.0).astype(np.float32)


def _falls(
    striker: Striker,
    machine: Sequence[Striker],
    schedule: Plan,
    faults: Faults,
    rng: np.random.Generator,
) -> list[tuple[float, float]]:
    """(board time, level in dB) of every stroke that falls on a striker."""
    channels = {s.channel: n for n, s in enumerate(machine)}
    own = list(machine).index(striker)
    found: list[tuple[float, float]] = []
    for number, strike in enumerate(schedule.strikes):
        goes_to = faults.elsewhere.get(number, channels.get(strike.channel, -1))
        late_s = (striker.latency_ms + striker.jitter_ms * rng.standard_normal()) / 1000
        if goes_to != own or number in faults.missed:
            continue
        level = striker.level_of(strike.pulse_ms)
        at_s = strike.at_s + late_s
        if level is None or (found and at_s - found[-1][0] < striker.back_ms / 1000):
            continue
        found.append((at_s, level))
        if striker.bounces_ms is not None:
            found.append((at_s + striker.bounces_ms / 1000, level + striker.bounce_db))
    return found


def _damped(striker: Striker, schedule: Plan) -> list[tuple[float, bool]]:
    """(board time, damper on) of every change, first state at -inf."""
    felt = striker.felt
    if felt is None:
        return [(-math.inf, False)]
    moves = [(-math.inf, felt.rests_on)]
    for hold in schedule.holds:
        if hold.channel == felt.channel:
            moves.append((hold.at_s + felt.lift_ms / 1000, not felt.rests_on))
            moves.append((hold.end_s + felt.fall_ms / 1000, felt.rests_on))
    return moves


def _play(
    out: Wave,
    striker: Striker,
    falls: Iterable[tuple[float, float]],
    schedule: Plan,
    recorder: Recorder,
    rng: np.random.Generator,
) -> None:
    rate = recorder.rate_hz
    hz, t60 = np.array(striker.hz), np.array(striker.t60_s)
    gains = 10 ** (np.array(striker.level_db) / 20)
    gains /= math.sqrt(float(np.sum(gains**2)))
    free = LN_1000 / t60
    felt = striker.felt
    added = max(LN_1000 / felt.damped_t60_s - free[0], 0.0) if felt else 0.0
    events: list[tuple[float, float | bool]] = [*falls, *_damped(striker, schedule)]
    events.sort(key=lambda event: event[0])
    z = np.zeros(len(hz), dtype=complex)
    now, loss = 0, free + (added if felt and felt.rests_on else 0.0)
    for at_s, what in [*events, (math.inf, 0.0)]:
        when = recorder.offset_s + (1 + recorder.skew_ppm * 1e-6) * at_s
        end = len(out) if math.isinf(when) else min(max(math.ceil(when * rate), 0), len(out))
        if math.isinf(at_s) and at_s < 0:
            end = now
        z, now = _ring(out, z, now, end, hz, loss, rate)
        if isinstance(what, bool):
            loss = free + (added if what else 0.0)
            if felt and felt.noise_db > -150 and at_s > 0:
                level = felt.noise_db - (0.0 if what else 6.0)
                _burst(out, now, level, 0.04, rate, rng)
        elif end < len(out):
            # A blow gives speed: every partial starts as a sine, here between two samples.
            since = end / rate - when
            z = z - 1j * gains * 10 ** (what / 20) * np.exp((2j * np.pi * hz - loss) * since)
            _burst(out, end, what + striker.contact_db, 0.008, rate, rng)
            if striker.buzz_db is not None:
                _buzz(out, end, what + striker.buzz_db, rate, rng)


def _ring(
    out: Wave, z: npt.NDArray[np.complex128], first: int, end: int, hz: Wave, loss: Wave, rate: int
) -> tuple[npt.NDArray[np.complex128], int]:
    """Add what rings from sample `first` to `end`; the state there."""
    count = end - first
    if count <= 0:
        return z, first
    step = (2j * np.pi * hz - loss) / rate
    for n in range(len(hz)):
        left = math.log(max(abs(z[n]), GONE) / GONE)
        lasts = min(count, math.ceil(-left / step[n].real))
        out[first : first + lasts] += _decaying(z[n], step[n], lasts)
    return z * np.exp(step * count), end


def _decaying(z: complex, step: complex, count: int) -> Wave:
    """``(z exp(step n)).real`` for n from 0 on, as a product of two small tables."""
    starts = z * np.exp(step * TABLE * np.arange(-(-count // TABLE)))
    wave = starts[:, None] * np.exp(step * np.arange(TABLE))
    return np.asarray(wave.real.ravel()[:count])


def _burst(
    out: Wave, at: int, level_db: float, t60_s: float, rate: int, rng: np.random.Generator
) -> None:
    count = min(round(t60_s * rate), len(out) - at)
    if count > 0:
        fall = np.exp(-LN_1000 * np.arange(count) / rate / t60_s)
        out[at : at + count] += (
            10 ** (level_db / 20) * math.sqrt(0.5) * rng.standard_normal(count) * fall
        )


def _buzz(out: Wave, at: int, level_db: float, rate: int, rng: np.random.Generator) -> None:
    """Something loose that taps along, 140 times a second for a fifth of one."""
    for tap in range(28):
        place = at + round(rate * (0.004 + tap / 140.0))
        if place < len(out):
            _burst(out, place, level_db + 6 - 0.2 * tap, 0.012, rate, rng)


def bird(rate: int, total_s: float, at_s: float, level_db: float) -> Wave:
    """A phrase of whistles that sweep, from `at_s` on: somebody else's song."""
    out = np.zeros(round(total_s * rate))
    for note in range(6):
        first = round((at_s + 0.16 * note) * rate)
        t = np.arange(round(0.09 * rate)) / rate
        hz = 3200 + 9000 * t + 500 * (note % 3)
        wave = np.sin(2 * np.pi * np.cumsum(hz) / rate) * np.sin(np.pi * t / t[-1]) ** 2
        out[first : first + len(t)] += 10 ** (level_db / 20) * wave[: max(len(out) - first, 0)]
    return out


def gust(rate: int, total_s: float, at_s: float, length_s: float, level_db: float) -> Wave:
    """A gust: noise that falls by some 12 dB an octave above 40 Hz, swelling and going."""
    rng = np.random.default_rng(5)
    count = round(length_s * rate)
    spectrum = np.fft.rfft(rng.standard_normal(count))
    hertz = np.fft.rfftfreq(count, 1 / rate)
    shape = 1 / (1 + (np.maximum(hertz, 1) / 40) ** 2)
    wave = np.fft.irfft(spectrum * shape, count)
    wave *= np.sin(np.pi * np.arange(count) / count) ** 2 / max(float(np.std(wave)), 1e-12)
    out = np.zeros(round(total_s * rate))
    first = round(at_s * rate)
    out[first : first + count] += 10 ** (level_db / 20) * wave[: len(out) - first]
    return out
