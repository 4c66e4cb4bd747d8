"""How likely the wanted sound is in a stretch of a recording, and at which places of it.

Each window of five seconds is held against an example by several kinds of evidence, less what
strangers reach, which are weighed into the logarithm of odds. Where the odds are for it, the
places at which the example fits best may be its calls.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from functools import cache

import numpy as np
import numpy.typing as npt

from callresp.errors import UserError
from callresp.scout.evidence import CELL, KINDS, Likeness
from callresp.scout.examples import Example
from callresp.scout.pieces import PACES, SLACK
from callresp.scout.spectra import FRAMES_PER_S, analysis
from callresp.scout.strangers import strangers
from callresp.scout.stretches import Stretch, Values, whole

WEIGHTS = dict(zip(KINDS, (0.8, 0.5, 0.4, 1.5), strict=True))
OFFSET = -2.65
# No one kind decides alone: evidence in spreads of what strangers reach.
LEAST_EVIDENCE, MOST_EVIDENCE = -6.0, 10.0
SPREAD_LEAST = 0.05
DOUBT = 1.5
# Calls begin no closer to each other than this share of the example.
APART = 0.9
# What begins so soon after a call and has less of its odds is a likeness of some of its notes.
CLOSE, BESIDE = 0.25, 0.7
LOUD = FRAMES_PER_S // 10
LEAST_REACHED = 0.5  # of an example's power, in bands that a sample rate reaches
CONSIDERED = 0.0  # odds below which no place is looked for


@dataclass(frozen=True, slots=True)
class Wanted:
    """An example, and what strangers reach of each kind of evidence."""

    example: Example
    mean: Values
    spread: Values

    def odds(self, evidence: Values) -> Values:
        """Logarithm of the odds for each row of evidence ``(n, len(KINDS))``."""
        own = (evidence - self.mean) / (self.spread + SPREAD_LEAST)
        own = np.clip(own, LEAST_EVIDENCE, MOST_EVIDENCE)
        return np.asarray(own @ np.array(list(WEIGHTS.values())) + OFFSET)


def wanted(example: Example) -> Wanted:
    """Hold an example against strangers; takes about a second."""
    reached = [
        Likeness(example, whole(samples, rate_hz)).windows().max(axis=0)
        for samples, rate_hz in strangers(example.band_hz)
    ]
    return Wanted(example, np.mean(reached, axis=0), np.std(reached, axis=0))


@dataclass(frozen=True, slots=True)
class Candidate:
    """Where an example may be.

    Attributes
    ----------
    first, last : int
        Frames of the recording.
    odds : float
        Logarithm of them.
    example : int
        Which one.
    above_db : float
        Power of its loudest tenth of a second over that of the noise of the place, in the
        bands of the example.
    """

    first: int
    last: int
    odds: float
    example: int = 0
    above_db: float = 0.0


def within_reach(sought: Sequence[Wanted], rate_hz: int, where: str) -> dict[int, Wanted]:
    """Examples of which a sample rate holds half of the power or more, by their numbers.

    What little lies in its bands of the others is found in almost anything.

    Parameters
    ----------
    sought
        All examples.
    rate_hz
        Samples a second.
    where
        What is listened to, for the error.

    Raises
    ------
    UserError
        When it holds none.
    """
    heard = analysis(rate_hz).heard
    found = {}
    for number, one in enumerate(sought):
        power = one.example.powers[1.0].sum(axis=0)
        if power[heard].sum() >= LEAST_REACHED * power.sum():
            found[number] = one
    if not found:
        low_hz, high_hz = min(one.example.band_hz for one in sought)
        raise UserError(
            f"at {rate_hz} samples a second it holds nothing above {0.49 * rate_hz:.0f} Hz, and the"
            f" wanted sound is mostly higher ({low_hz:.0f} to {high_hz:.0f} Hz)",
            where=where,
            remedy="record at a higher rate",
        )
    return found


def judged(
    sought: Mapping[int, Wanted], stretch: Stretch, at: int
) -> tuple[Values, list[Candidate]]:
    """Odds in each cell of a stretch, by the example that fits best there, and candidates.

    Parameters
    ----------
    sought
        The examples, by their numbers.
    stretch
        What is judged.
    at
        Frame of the recording that the stretch's `first` is.

    Returns
    -------
    odds, candidates
        Logarithms of odds, shape ``(cells,)``; candidates may overlap each other.
    """
    best: Values | None = None
    found: list[Candidate] = []
    for number, one in sought.items():
        likeness = Likeness(one.example, stretch)
        odds = one.odds(likeness.windows())
        best = odds if best is None else np.maximum(best, odds)
        likely = np.flatnonzero(odds > CONSIDERED)
        for first, last, value in _placed(one, likeness, likely):
            above_db = _above_db(one.example, stretch, first, last)
            found.append(Candidate(at + first, at + last, value, number, above_db))
    assert best is not None
    return best, found


def _placed(
    one: Wanted, likeness: Likeness, likely: npt.NDArray[np.intp]
) -> Iterator[tuple[int, int, float]]:
    """Places where the example fits best within each likely window, frames from its stretch."""
    length = one.example.frames
    track = likeness.song.max(axis=0)
    apart = max(1, round(APART * length / SLACK))

    @cache
    def odds_at(step: int) -> float:
        # Windows overlap: most places are looked at twice.
        return float(one.odds(likeness.near(step)[None])[0])

    for cell in likely:
        begin = (likeness.lead + CELL * int(cell) - length // 2) // SLACK
        window = slice(max(0, begin), max(1, begin + 2 * CELL // SLACK))
        own = track[window].copy()
        for number in range(len(own) // apart + 1 if len(own) else 0):
            peak = int(own.argmax())
            step = window.start + peak
            odds = odds_at(step)
            # The window was found by its best place: that one is reported whatever its own odds.
            if number and (own[peak] <= 0 or odds <= CONSIDERED):
                break
            pace = PACES[int(likeness.song[:, step].argmax())]
            first = step * SLACK - likeness.lead
            yield first, first + max(1, round(length * pace)), odds
            own[max(0, peak - apart) : peak + apart + 1] = 0


def _above_db(example: Example, stretch: Stretch, first: int, last: int) -> float:
    begin = max(0, stretch.first + first)
    powers = stretch.powers[begin : max(begin, stretch.first + last) + LOUD, example.active]
    summed = np.cumsum(np.r_[0.0, powers.sum(axis=1, dtype=np.float64)])
    loudest = float((summed[LOUD:] - summed[:-LOUD]).max(initial=0.0)) / LOUD
    times = loudest / float(stretch.noise.floor[example.active].sum())
    return round(10 * math.log10(max(times - 1, 1e-3)), 1)


def apart(candidates: Iterable[Candidate]) -> list[Candidate]:
    """The likeliest of candidates that lie together, in order of time.

    A strong call is found faintly beside itself, too, where some of its notes fit others.
    """
    kept: list[Candidate] = []
    for one in sorted(candidates, key=lambda item: -item.odds):
        if not any(_same(one, other) for other in kept):
            kept.append(one)
    return sorted(kept, key=lambda item: item.first)


def _same(weaker: Candidate, stronger: Candidate) -> bool:
    shared = min(weaker.last, stronger.last) - max(weaker.first, stronger.first)
    length = min(weaker.last - weaker.first, stronger.last - stronger.first)
    beside = shared > -CLOSE * length and weaker.odds < BESIDE * stronger.odds
    return shared > (1 - APART) * length or beside


def probability(odds: float) -> float:
    """Of the logarithm of odds."""
    return 1 / (1 + math.exp(-min(max(odds, -30.0), 30.0)))


def doubt(cells: int) -> float:
    """What is taken off the odds of a recording of so many cells."""
    return DOUBT * math.log(max(1.0, cells / 2))
