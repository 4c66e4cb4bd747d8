"""The pitch that the ear hears in a set of partials, and the partials' names.

Tables
------
- Free-free bars and thin tubes: f_n ∝ (2n+1)² about, exactly from
  cos(x) cosh(x) = 1: 1 : 2.7565 : 5.4039 : 8.9330 : 13.344 : 18.638
  (Fletcher & Rossing, The Physics of Musical Instruments, 2nd ed., table 2.1;
  Euler-Bernoulli).
- Tubular bells: modes 4, 5, 6 stand near 2 : 3 : 4, and the strike note is
  heard an octave below mode 4 (Fletcher & Rossing, section 19.9).
- Church bells, against the strike note (prime): hum 0.5, prime 1, tierce 1.2,
  quint 1.5, nominal 2, superquint 3, octave nominal 4; the strike note lies
  about an octave below the nominal (Fletcher & Rossing, table 21.1; Rossing &
  Perrin 1987, Applied Acoustics 20, 41).
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from callresp.reply.mapping import cents

BAR_RATIOS = (1.0, 2.7565, 5.4039, 8.9330, 13.3443, 18.6379)
BELL = (
    ("hum", 0.5),
    ("prime", 1.0),
    ("tierce", 1.2),
    ("quint", 1.5),
    ("nominal", 2.0),
    ("superquint", 3.0),
    ("octave nominal", 4.0),
)
# A tone of fewer cycles is a knock. Common practice, no source.
PITCHED_CYCLES = 25.0
# Above this the lowest mode of a tube is heard itself, below it modes 4 to 6 rule.
DOMINANT_HZ = (350.0, 4500.0)


@dataclass(frozen=True, slots=True)
class PitchPartial:
    """A partial, as far as pitch depends on it."""

    hz: float
    level_db: float
    t60_s: float


@dataclass(frozen=True, slots=True)
class JudgedPitch:
    """A strike pitch in Hz, or `None`; partials' ratios are counted from `base_hz`."""

    hz: float | None
    base_hz: float
    why: str


def strike_pitch(parts: Sequence[PitchPartial], kind: str) -> JudgedPitch:
    """The strike pitch of a set of partials, by the kind of striker."""
    loud = [p for p in parts if p.level_db > -35]
    lowest = min(loud, key=lambda p: p.hz)
    strongest = max(loud, key=lambda p: p.level_db)
    if kind == "bell" and (nominal := bell_nominal(loud)) is not None:
        return JudgedPitch(nominal / 2, nominal / 2, "an octave below the nominal")
    if kind in ("tube", "bar"):
        if kind == "tube" and (tubular := tubular_strike(loud)) is not None:
            return JudgedPitch(
                tubular, tubular, "an octave below mode 4 (modes 4, 5, 6 near 2:3:4)"
            )
        first = bar_fundamental(loud)
        if first is not None and _rings(first):
            return JudgedPitch(first.hz, first.hz, "its first mode")
    base = strongest if kind in ("bell", "plate", "tube", "bar") else lowest
    if kind in ("block", "box") or not _rings(base):
        return JudgedPitch(None, lowest.hz, "too short or too mixed for a pitch")
    return JudgedPitch(base.hz, base.hz, "its strongest partial")


def _rings(part: PitchPartial) -> bool:
    """Whether a partial lasts enough cycles over its first 20 dB to have a pitch."""
    return part.hz * part.t60_s / 3 > PITCHED_CYCLES


def bar_fundamental(parts: Sequence[PitchPartial]) -> PitchPartial | None:
    """The partial above which the others lie most like a free bar's modes."""
    best: tuple[float, PitchPartial | None] = (0.0, None)
    for first in parts:
        if first.level_db < -25:
            continue
        score = 0.0
        for ratio in BAR_RATIOS:
            near = [p for p in parts if abs(cents(first.hz * ratio, p.hz)) < 90]
            if near:
                score += max(p.level_db + 40 for p in near)
        # A lone high partial fits any table, so loud partials below it count against it.
        score -= sum(max(p.level_db + 30, 0) for p in parts if p.hz < 0.9 * first.hz)
        if score > best[0]:
            best = (score, first)
    return best[1]


def tubular_strike(parts: Sequence[PitchPartial]) -> float | None:
    """Strike note of a long tube: an octave below mode 4, where 4, 5, 6 rule.

    They do where the three stand as a free tube's do (81 : 121 : 169 before
    the load at the top corrects it, near 2 : 3 : 4), lie in the range that
    the ear takes pitch from, and the first mode is too low or too weak.
    """
    found = [p for p in parts if DOMINANT_HZ[0] < p.hz < DOMINANT_HZ[1]]
    best: tuple[float, float | None] = (-1e9, None)
    for four in found:
        five = _near(found, 1.5 * four.hz)
        six = _near(found, 2.0 * four.hz)
        below = [p for p in parts if p.hz < 0.95 * four.hz]
        if five is None or six is None or len(below) < 2:
            continue
        if any(p.hz < 0.3 * four.hz and p.level_db > four.level_db + 6 for p in below):
            continue
        score = four.level_db + five.level_db + six.level_db
        if score > best[0]:
            best = (score, four.hz / 2)
    return best[1]


def _near(parts: Sequence[PitchPartial], hz: float, within: float = 85.0) -> PitchPartial | None:
    close = [p for p in parts if abs(cents(hz, p.hz)) < within]
    return min(close, key=lambda p: abs(cents(hz, p.hz))) if close else None


def bell_names(parts: Sequence[PitchPartial], strike_hz: float) -> dict[float, str]:
    """Founders' names of partials, by their frequency."""
    named: dict[float, str] = {}
    for name, ratio in BELL:
        near = [p for p in parts if abs(cents(strike_hz * ratio, p.hz)) < 110 and p.hz not in named]
        if near:
            named[max(near, key=lambda p: p.level_db).hz] = name
    return named


def bell_nominal(parts: Sequence[PitchPartial]) -> float | None:
    """The nominal: the partial for which most others are where a bell's should be."""
    best: tuple[float, float | None] = (0.0, None)
    for nominal in parts:
        score = 0.0
        for _, ratio in BELL:
            near = [p for p in parts if abs(cents(nominal.hz / 2 * ratio, p.hz)) < 70]
            if near:
                score += max(p.level_db + 40 for p in near)
        if score > best[0]:
            best = (score, nominal.hz)
    return best[1]


def guess_kind(parts: Sequence[PitchPartial]) -> str:
    """The kind of striker that a set of partials looks like."""
    loud = [p for p in parts if p.level_db > -30]
    strongest = max(loud, key=lambda p: p.level_db)
    longest = max(p.t60_s for p in loud)
    if longest < 0.25:
        return "block"
    if longest < 0.7 and strongest.hz * strongest.t60_s <= 600:
        return "box"
    strike_hz = tubular_strike(loud)
    # A bell's nominal, superquint and octave nominal stand near 2 : 3 : 4 as well; but a tube's
    # modes 2 and 3 lie at 25/81 and 49/81 of mode 4.
    if strike_hz is not None and all(
        _near(parts, 2 * strike_hz * share, within=180) for share in (25 / 81, 49 / 81)
    ):
        return "tube"
    first = bar_fundamental(loud)
    in_bar = _matches(loud, first.hz, BAR_RATIOS) if first else 0
    nominal = bell_nominal(loud)
    in_bell = _matches(loud, nominal / 2, [ratio for _, ratio in BELL]) if nominal else 0
    if in_bell >= 4 and in_bell > in_bar:
        return "bell"
    if in_bar >= 2 or len(loud) <= 2:
        return "bar"
    return "plate"


def _matches(parts: Sequence[PitchPartial], base_hz: float, ratios: Sequence[float]) -> int:
    return sum(1 for r in ratios if any(abs(cents(base_hz * r, p.hz)) < 60 for p in parts))
