"""What a strike test yields, as frozen values that go into the JSON report.

Conventions
-----------
- A `MeasuredValue` carries the standard uncertainty of its mean from the spread
  of repeats: s / √n, a type A evaluation (JCGM 100:2008, 4.2). With a single
  reading it is `None`: the spread is not known.
- Levels are dB SPL at 1 m, as in the palette, where the recording's full scale
  is known; partials' levels are relative to the strongest.
- Times in the recording are seconds from its start.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Sequence

import msgspec
import numpy as np

from callresp.palette import similarity
from callresp.palette.similarity import SoundPair


class MeasuredValue(msgspec.Struct, frozen=True):
    """A measured value and what is known of its error.

    `uncertainty` is by the spread of `n` repeats alone; `systematic` the standard
    uncertainty of method and reference, which repeats don't show (type B,
    JCGM 100:2008, 4.3), where it is known.
    """

    value: float
    uncertainty: float | None = None
    n: int = 1
    systematic: float | None = None

    @property
    def combined(self) -> float | None:
        """Both as one standard uncertainty (JCGM 100:2008, 5.1.2)."""
        if self.uncertainty is None or self.systematic is None:
            return self.systematic if self.uncertainty is None else self.uncertainty
        return math.hypot(self.uncertainty, self.systematic)

    @classmethod
    def of(cls, readings: Iterable[float], floor: float = 0.0) -> MeasuredValue | None:
        """The median of repeats of one quantity and its robust standard error, `floor` at least.

        What is not finite is left out.

        Examples
        --------
        >>> MeasuredValue.of([1.0, 2.0, 3.0]).value
        2.0
        """
        good = np.array([r for r in readings if math.isfinite(r)])
        if good.size == 0:
            return None
        middle = float(np.median(good))
        if good.size == 1:
            return cls(middle, floor or None, 1)
        # 1.4826 makes the median absolute deviation a standard deviation for normal spread.
        spread = 1.4826 * float(np.median(np.abs(good - middle)))
        if good.size <= 4:
            spread = float(np.std(good, ddof=1))
        return cls(middle, max(spread / math.sqrt(good.size), floor), int(good.size))


class PartialResult(msgspec.Struct, frozen=True, kw_only=True):
    """One partial of a striker's free sound.

    `t60_s` comes from the fit of a decaying sinusoid, `schroeder_s` from
    backward integration of the same band (`None` where noise leaves too little
    of it); `name` is the bell founders' name of the partial.
    """

    hz: MeasuredValue
    ratio: float
    level_db: float
    t60_s: MeasuredValue
    schroeder_s: float | None = None
    name: str = ""


class ForceResult(msgspec.Struct, frozen=True, kw_only=True):
    """One pulse length: the level it gives, and how many strokes of it sounded."""

    pulse_ms: float
    level_db: MeasuredValue | None
    fitted_db: float | None
    spoke: int
    asked: int
    latency_ms: float | None = None


class DamperResult(msgspec.Struct, frozen=True, kw_only=True):
    """What was measured of a damper; `None` where it could not be.

    `fall_ms` and `lift_ms` are as in the palette: from the end and from the
    start of its power. `quiet_ms` is from the command that damps until the
    strike pitch has fallen by 40 dB. `noise_db` is its own noise.
    """

    lift_ms: MeasuredValue | None = None
    fall_ms: MeasuredValue | None = None
    damped_t60_s: MeasuredValue | None = None
    quiet_ms: MeasuredValue | None = None
    noise_db: MeasuredValue | None = None


class Repeat(msgspec.Struct, frozen=True, kw_only=True):
    """One stroke of a run: time since the last clean stroke, and how it came out."""

    gap_ms: float
    strength_db: float
    clean: bool


class StrikerResult(msgspec.Struct, frozen=True, kw_only=True):
    """All that was measured of one striker."""

    name: str
    channel: int
    kind: str
    pitch_hz: MeasuredValue | None
    pitch_from: str
    base_hz: float
    band_hz: tuple[float, float]
    partials: tuple[PartialResult, ...]
    t60_s: MeasuredValue | None
    latency_ms: MeasuredValue | None
    latency_spread_ms: float | None
    force: tuple[ForceResult, ...]
    restrike_ms: MeasuredValue | None
    repeats: tuple[Repeat, ...] = ()
    shortest_tried_ms: float | None = None
    damper: DamperResult | None = None
    strokes: int = 0
    heard: int = 0
    doubles: int = 0
    buzz_db: float | None = None
    decay_db: tuple[tuple[float, float], ...] = ()
    damped_db: tuple[tuple[float, float], ...] = ()


class Finding(msgspec.Struct, frozen=True, kw_only=True):
    """Something about the test that a person should know.

    `kind` is one word; `grave` means that the palette needs a look because of it.
    """

    kind: str
    text: str
    at_s: float | None = None
    striker: str = ""
    grave: bool = True


class StrikeTestResult(msgspec.Struct, frozen=True, kw_only=True):
    """A whole strike test."""

    recording: str
    duration_s: float
    sample_rate_hz: int
    by_hand: bool
    offset_s: float
    clock_skew_ppm: float
    latency_from: str
    level_from: str
    noise_db: float
    strikers: tuple[StrikerResult, ...]
    likeness: tuple[SoundPair, ...] = ()
    findings: tuple[Finding, ...] = ()


def compare(strikers: Sequence[StrikerResult]) -> tuple[SoundPair, ...]:
    """Every pair of measured strikers, most alike first."""
    pairs = similarity.compare([_sound(striker) for striker in strikers])
    return tuple(sorted(pairs, key=lambda pair: -pair.alike))


def _sound(striker: StrikerResult) -> similarity.StruckSound:
    pitch_hz = None if striker.pitch_hz is None else striker.pitch_hz.value
    partials = tuple((partial.hz.value, partial.level_db) for partial in striker.partials)
    return similarity.StruckSound(striker.name, pitch_hz, partials)
