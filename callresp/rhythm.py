"""Rhythm: intervals between onsets, a pulse where there is one, trills, changes of pace.

Goal
----
Say of a phrase what a listener would tap: how fast, how evenly, how surely,
and whether it hurries or slows. Where nothing regular is there, say that.

Conventions
-----------
Onsets are seconds, in order, of one voice; intervals run from onset to onset.

- The pulse's strength is the length of the mean direction of all onsets round
  a circle of one period (Mardia & Jupp, Directional Statistics, 2000), less
  what the best of so many periods tried would reach by chance (Rayleigh's
  test): 1 is a clock, 0 is no pulse. Of periods that fit equally, the longest.
- Unevenness is the normalised pairwise variability index, nPVI (Grabe & Low
  2002, Laboratory Phonology 7): 0 for equal intervals.
- Rhythm ratios are r = i_k / (i_k + i_(k+1)) (Roeske et al. 2020, Current
  Biology 30, from memory): 1/2 for equal intervals, 1/3 for short and long.
- A change of pace is the slope of log rate over time by the median of all
  pairs (Theil 1950, Sen 1968), as the factor from first interval to last.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from callresp.io.score import Phrase

Times = npt.NDArray[np.float64]

LEAST_ONSETS = 4
SLOWEST_S = 3.0
LONGEST_S = 30.0  # a pulse is looked for within so long a stretch
NEAR_BEST = 0.93
LEAST_STRENGTH = 0.3  # random onsets reach it in about one phrase of twelve
TRILL_LEAST = 5  # notes
TRILL_RATE_HZ = 5.0
TRILL_SPREAD = 0.2  # of an interval, from one to the next
CHANGE = 1.2  # factor of pace that is called a change
CONCORD = 0.5  # Kendall's tau of interval and time


@dataclass(frozen=True, slots=True)
class Pulse:
    """A regular beat.

    Attributes
    ----------
    period_s
    phase_s
        A beat's time: the one nearest to the first onset.
    strength
        0 to 1.
    """

    period_s: float
    phase_s: float
    strength: float

    @property
    def rate_hz(self) -> float:
        """Beats a second."""
        return 1 / self.period_s

    def nearest_s(self, at_s: float) -> float:
        """The beat nearest to a time.

        Examples
        --------
        >>> Pulse(period_s=0.5, phase_s=0.1, strength=1.0).nearest_s(1.3)
        1.1
        """
        return self.phase_s + self.period_s * round((at_s - self.phase_s) / self.period_s)


@dataclass(frozen=True, slots=True)
class Trill:
    """A run of notes at one quick rate: from note `first` to note `last`, both in it."""

    first: int
    last: int
    rate_hz: float


@dataclass(frozen=True, slots=True)
class Rhythm:
    """All that is said of the rhythm of one phrase.

    Attributes
    ----------
    onsets, median_s, npvi
        How many notes; median interval; unevenness. `None` for a single note.
    pulse
        `None` where there is none.
    trills
    pace
        Rate at the end over rate at the start; 1 keeps its pace.
    change
        ``"accelerando"``, ``"ritardando"`` or ``""``.
    """

    onsets: int
    median_s: float | None
    npvi: float | None
    pulse: Pulse | None
    trills: tuple[Trill, ...]
    pace: float
    change: str


def intervals_s(onsets_s: npt.ArrayLike) -> Times:
    """Intervals between onsets, shape ``(n - 1,)``; onsets at one time count once."""
    onsets = np.unique(np.asarray(onsets_s, np.float64))
    return np.diff(onsets)


def npvi(gaps_s: npt.ArrayLike) -> float | None:
    """Normalised pairwise variability index of intervals; `None` below two.

    Examples
    --------
    >>> npvi([0.2, 0.2, 0.2])
    0.0
    >>> round(npvi([0.1, 0.3]), 1)
    100.0
    """
    gaps = np.asarray(gaps_s, np.float64)
    if len(gaps) < 2:
        return None
    return float(100 * np.mean(np.abs(np.diff(gaps)) / ((gaps[1:] + gaps[:-1]) / 2)))


def resultant(onsets_s: Times, rates_hz: Times) -> npt.NDArray[np.complex128]:
    """Mean direction of onsets round circles of many rates, shape of `rates_hz`."""
    turns = np.outer(rates_hz, onsets_s)
    return np.asarray(np.exp(2j * np.pi * turns).mean(axis=1))


def find_pulse(onsets_s: npt.ArrayLike) -> Pulse | None:
    """The pulse of a phrase, or `None`.

    Of a longer sequence only the first `LONGEST_S` are used.

    Examples
    --------
    >>> found = find_pulse([1.0, 1.25, 1.5, 2.0, 2.25, 2.5])
    >>> (round(found.period_s, 3), round(found.phase_s, 3), round(found.strength, 2))
    (0.25, 1.0, 1.0)
    """
    onsets = np.unique(np.asarray(onsets_s, np.float64))
    onsets = onsets[onsets <= onsets[:1].sum() + LONGEST_S]
    if len(onsets) < LEAST_ONSETS:
        return None
    gaps = np.diff(onsets)
    fastest_s = max(0.45 * float(np.quantile(gaps, 0.1)), 0.01)
    slowest_s = min(1.15 * float(np.quantile(gaps, 0.9)), SLOWEST_S)
    span_s = float(onsets[-1] - onsets[0])
    if slowest_s <= fastest_s:
        return None
    rates = np.arange(1 / slowest_s, 1 / fastest_s, 0.08 / span_s)
    if len(rates) == 0:
        return None
    directions = resultant(onsets - onsets[0], rates)
    length = np.abs(directions)
    # Rates within 1 / span of one another are one try, not two.
    tries = max(1.0, span_s * (1 / fastest_s - 1 / slowest_s))
    peaks = _peaks(length)
    best = peaks[length[peaks] >= NEAR_BEST * length[peaks].max()][0]
    period, phase = _refined(onsets - onsets[0], 1 / rates[best], float(np.angle(directions[best])))
    final = float(np.abs(resultant(onsets - onsets[0], np.array([1 / period])))[0])
    strength = _over_chance(final, len(onsets), tries)
    if strength < LEAST_STRENGTH:
        return None
    phase -= period * round(phase / period)
    return Pulse(period_s=period, phase_s=float(onsets[0]) + phase, strength=strength)


def _peaks(length: Times) -> npt.NDArray[np.int64]:
    padded = np.concatenate([[-1.0], length, [-1.0]])
    return np.flatnonzero((padded[1:-1] >= padded[:-2]) & (padded[1:-1] >= padded[2:]))


def _refined(onsets: Times, period: float, angle: float) -> tuple[float, float]:
    """Least squares of onset on beat number, twice, leaving out what falls between beats."""
    phase = angle / (2 * math.pi) * period
    for _ in range(2):
        beats = np.round((onsets - phase) / period)
        off = np.abs(onsets - phase - beats * period)
        near = off <= 0.25 * period
        if len(np.unique(beats[near])) < 2:
            break
        slope, start = np.polyfit(beats[near], onsets[near], 1)
        if not 0.9 * period < slope < 1.1 * period:
            break
        period, phase = float(slope), float(start)
    return period, phase


def _over_chance(length: float, count: int, tries: float) -> float:
    """A resultant's length over what chance gives in so many tries, 0 to 1."""
    chance = math.log(tries) + 2.0
    if count <= chance:
        return 0.0
    return math.sqrt(max(0.0, (count * length**2 - chance) / (count - chance)))


def find_trills(onsets_s: npt.ArrayLike) -> tuple[Trill, ...]:
    """Runs of at least `TRILL_LEAST` notes whose quick intervals stay alike."""
    onsets = np.asarray(onsets_s, np.float64)
    gaps = np.diff(onsets)
    found: list[Trill] = []
    first = 0
    for i in range(1, len(gaps) + 1):
        goes_on = i < len(gaps) and _alike(gaps[i - 1], gaps[i])
        if goes_on:
            continue
        median = float(np.median(gaps[first:i]))
        if i - first + 1 >= TRILL_LEAST and 0 < median <= 1 / TRILL_RATE_HZ:
            found.append(Trill(first, i, 1 / median))
        first = i
    return tuple(found)


def _alike(gap: float, following: float) -> bool:
    return abs(following - gap) <= TRILL_SPREAD * max(min(gap, following), 1e-6)


def pace_change(onsets_s: npt.ArrayLike) -> tuple[float, str]:
    """Rate at the end over rate at the start, and what that is called.

    Examples
    --------
    >>> import numpy as np
    >>> onsets = np.cumsum(np.geomspace(0.4, 0.1, 12))
    >>> factor, name = pace_change(onsets)
    >>> (round(factor, 1), name)
    (3.5, 'accelerando')
    """
    gaps = intervals_s(onsets_s)
    if len(gaps) < LEAST_ONSETS:
        return 1.0, ""
    # Over the number of the interval, since a factor a note is what hurrying birds keep to.
    order = np.arange(len(gaps), dtype=np.float64)
    log_rate = -np.log(gaps)
    a, b = np.triu_indices(len(gaps), 1)
    slopes = (log_rate[b] - log_rate[a]) / (order[b] - order[a])
    factor = math.exp(float(np.median(slopes)) * (len(gaps) - 1))
    concord = float(np.mean(np.sign(slopes)))
    if factor >= CHANGE and concord >= CONCORD:
        return factor, "accelerando"
    if factor <= 1 / CHANGE and concord <= -CONCORD:
        return factor, "ritardando"
    return factor, ""


def rhythm_of(onsets_s: npt.ArrayLike) -> Rhythm:
    """Everything that is said of the rhythm of one phrase."""
    onsets = np.unique(np.asarray(onsets_s, np.float64))
    gaps = np.diff(onsets)
    pace, change = pace_change(onsets)
    return Rhythm(
        onsets=len(onsets),
        median_s=float(np.median(gaps)) if len(gaps) else None,
        npvi=npvi(gaps),
        pulse=find_pulse(onsets),
        trills=find_trills(onsets),
        pace=pace,
        change=change,
    )


def phrase_rhythms(phrases: Iterable[Phrase]) -> list[tuple[Phrase, Rhythm]]:
    """The rhythm of every phrase, in their order."""
    return [(phrase, rhythm_of([note.onset_s for note in phrase.notes])) for phrase in phrases]


def voice_pulse(rhythms: Sequence[Rhythm]) -> Pulse | None:
    """The pulse that most of a voice's phrases share, or `None`.

    The period is the median of the phrases' periods, weighted by strength and
    length; its strength is their mean strength times the share of onsets in
    phrases within a tenth of it. Its phase is that of the strongest phrase.
    """
    found = [(r.pulse, float(r.onsets)) for r in rhythms if r.pulse is not None]
    if not found:
        return None
    pulses = sorted(found, key=lambda pair: pair[0].period_s)
    weights = np.array([pulse.strength * size for pulse, size in pulses])
    middle = int(np.searchsorted(np.cumsum(weights), weights.sum() / 2))
    period_s = pulses[min(middle, len(pulses) - 1)][0].period_s
    alike = [(p, n) for p, n in pulses if abs(math.log(p.period_s / period_s)) <= math.log(1.1)]
    everything = sum(r.onsets for r in rhythms)
    strength = sum(p.strength * n for p, n in alike) / everything
    strongest = max(alike, key=lambda pair: pair[0].strength * pair[1])[0]
    return Pulse(period_s=period_s, phase_s=strongest.phase_s, strength=min(1.0, strength))
