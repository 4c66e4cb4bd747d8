"""Is the wanted sound in a recording, when, and how sure is that?

Method
------
A recording is taken in chunks of some minutes, so that memory does not grow with it. Each
chunk's noise is learnt anew; each window of five seconds is held against each example by
several kinds of evidence, which are weighed into the logarithm of odds. Where the odds are
for it, the places at which the example fits best are its calls.

Conventions
-----------
- Confidence is the probability that the sound is there, for a recording that is as likely to
  hold it as not. The longer it is, the more windows may be mistaken: for each doubling,
  `DOUBT` times the logarithm of 2 is taken off the odds.
- The score of a call is its own probability. A recording without the sound has no calls.
"""

from __future__ import annotations

import itertools
import math
from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime
from functools import cache, cached_property

import msgspec
import numpy as np
import numpy.typing as npt

from callresp.errors import UserError
from callresp.io.audio import Progress, Recording, Waveform
from callresp.listen.one_thread import one_thread
from callresp.scout.evidence import CELL, KINDS, Likeness, Tracks, Values
from callresp.scout.examples import Example, make_example
from callresp.scout.pieces import PACES, SLACK
from callresp.scout.spectra import (
    BANDS,
    FRAMES_PER_S,
    Grid,
    NoiseModel,
    analysis,
    noise_model,
    powers_of,
)
from callresp.scout.strangers import in_noise, strangers

CHUNK = 70 * CELL  # frames, just under three minutes
# Learning a noise takes some seconds: a rest that is shorter is judged by the noise before it.
LEARN = 20 * FRAMES_PER_S
WEIGHTS = dict(zip(KINDS, (0.6, 0.2, 0.5, 0.4, 1.5), strict=True))
OFFSET = -2.65
# No one kind decides alone: evidence in spreads of what strangers reach.
LEAST_EVIDENCE, MOST_EVIDENCE = -6.0, 10.0
SPREAD_LEAST = 0.05
DOUBT = 1.5
# A call in a recording that holds some is doubted less: at most so much.
CALL_DOUBT = 2.3
# Calls begin no closer to each other than this share of the example.
APART = 0.9
# What begins so soon after a call and has less of its odds is a likeness of some of its notes.
CLOSE, BESIDE = 0.25, 0.7
LEAST_SCORE = 0.5
LOUD = FRAMES_PER_S // 10
# Two sides of an example that find each other with less confidence are two sounds.
UNLIKE = 0.1
SIDE_SNR_DB, AROUND_S = 5.0, 0.5  # in which they are looked for
LEAST_REACHED = 0.5  # of an example's power, in bands that a sample rate reaches
CONSIDERED = 0.0  # odds below which no place is looked for


class Call(msgspec.Struct, frozen=True, kw_only=True):
    """One call: seconds from the start of the recording, and its probability."""

    onset_s: float
    offset_s: float
    score: float


class Presence(msgspec.Struct, frozen=True, kw_only=True):
    """What one recording holds of the wanted sound."""

    path: str
    place: str | None = None
    start: str | None = None
    duration_s: float
    present: bool
    confidence: float
    calls: tuple[Call, ...] = ()


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
    reached = []
    for samples, rate_hz in strangers(example.band_hz):
        (powers,) = powers_of([samples], rate_hz, CHUNK)
        noise = noise_model(powers, analysis(rate_hz).degrees)
        stretch = Stretch(powers, 0, len(powers), noise)
        reached.append(_Judge(example, noise).evidence(stretch).max(axis=0))
    return Wanted(example, np.mean(reached, axis=0), np.std(reached, axis=0))


@dataclass(frozen=True)
class Stretch:
    """Frames of a recording: those from `first` to `last` are judged, the others are around."""

    powers: Grid
    first: int
    last: int
    noise: NoiseModel

    @cached_property
    def above(self) -> Grid:
        """How far its frames stand above the noise."""
        return self.noise.above(self.powers)


class _Judge:
    """One example over one noise."""

    def __init__(self, example: Example, noise: NoiseModel) -> None:
        self.example = example
        self.likeness = Likeness(example, noise)
        self.lead = 0
        self.tracks: Tracks | None = None

    def evidence(self, stretch: Stretch) -> Values:
        """Evidence in each cell of a stretch; keeps what it was found by."""
        length = self.example.frames
        # Calls that have begun before the first frame are looked for, too.
        ahead = -(-max(0, length - stretch.first) // SLACK) * SLACK
        ahead += -(stretch.first + ahead) % SLACK
        rim = np.zeros((ahead, BANDS), np.float32)
        above = np.concatenate([rim, stretch.above])
        self.lead = ahead + stretch.first
        self.tracks = self.likeness.tracks(self.likeness.heard(above))
        cells = max(1, -(-(stretch.last - stretch.first) // CELL))
        return self.likeness.windows(self.tracks, cells, self.lead)


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


@dataclass(frozen=True, slots=True)
class Search:
    """What was found in a recording; `by` and `above_db` have a value for each call.

    Attributes
    ----------
    presence : Presence
    by : tuple of int
        Number of the example that fits best.
    above_db : tuple of float
        Level over the noise of the place.
    """

    presence: Presence
    by: tuple[int, ...]
    above_db: tuple[float, ...]


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
        judge = _Judge(one.example, stretch.noise)
        evidence = judge.evidence(stretch)
        odds = one.odds(evidence)
        best = odds if best is None else np.maximum(best, odds)
        likely = np.flatnonzero(odds > CONSIDERED)
        for first, last, value in _placed(one, judge, likely):
            above_db = _above_db(one.example, stretch, first, last)
            found.append(Candidate(at + first, at + last, value, number, above_db))
    assert best is not None
    return best, found


def _placed(
    one: Wanted, judge: _Judge, likely: npt.NDArray[np.intp]
) -> Iterator[tuple[int, int, float]]:
    """Places where the example fits best within each likely window, frames from its stretch."""
    tracks, length = judge.tracks, one.example.frames
    assert tracks is not None
    track = tracks.song.max(axis=0)
    apart = max(1, round(APART * length / SLACK))

    @cache
    def odds_at(step: int) -> float:
        # Windows overlap: most places are looked at twice.
        near = judge.likeness.near(tracks, step)
        return float(one.odds(near[None])[0])

    for cell in likely:
        begin = (judge.lead + CELL * int(cell) - length // 2) // SLACK
        window = slice(max(0, begin), max(1, begin + 2 * CELL // SLACK))
        own = track[window].copy()
        for number in range(len(own) // apart + 1 if len(own) else 0):
            peak = int(own.argmax())
            step = window.start + peak
            odds = odds_at(step)
            # The window was found by its best place: that one is reported whatever its own odds.
            if number and (own[peak] <= 0 or odds <= CONSIDERED):
                break
            pace = PACES[int(tracks.song[:, step].argmax())]
            first = step * SLACK - judge.lead
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


def scan(recording: Recording, sought: Sequence[Wanted]) -> Presence:
    """Whether a recording holds the wanted sound, and when: `search` without its particulars.

    Parameters
    ----------
    recording, sought
        As for `search`.

    Returns
    -------
    Presence
        What is told of one recording.
    """
    return search(recording, sought).presence


def search(
    recording: Recording,
    sought: Sequence[Wanted],
    *,
    place: str | None = None,
    start: datetime | None = None,
    progress: Progress | None = None,
    look: Callable[[Stretch], None] | None = None,
) -> Search:
    """Look for the wanted sound in a recording.

    Parameters
    ----------
    recording
        Any length and rate; read once, block by block.
    sought
        Examples of one sound, from `wanted`.
    place, start
        Where and when it was recorded, if known.
    progress
        Called with the share done.
    look
        Given each stretch that is judged, in order.

    Returns
    -------
    Search
        Whether and when, how loud, and by which example.

    Raises
    ------
    UserError
        When the recording can't be read, or its sample rate holds none of the wanted sound.
    """
    rate_hz = recording.sample_rate_hz
    reached = within_reach(sought, rate_hz, str(recording.path))
    around = CELL + max(one.example.frames for one in sought) * 2 + 64
    powers = powers_of(_told(recording, progress), rate_hz, CHUNK)
    odds: list[Values] = []
    found: list[Candidate] = []
    with one_thread():
        for at, stretch in stretches(powers, analysis(rate_hz).degrees, around):
            of_cells, candidates = judged(reached, stretch, at)
            odds.append(of_cells)
            if look is not None:
                look(stretch)
            found += candidates
    duration_s = recording.health.samples / rate_hz
    every = np.concatenate(odds) if odds else np.full(1, OFFSET)
    off = doubt(len(every))
    confidence = probability(float(every.max()) - off)
    present = confidence >= LEAST_SCORE
    off = min(off, CALL_DOUBT)
    places = [one for one in apart(found) if present and one.first / FRAMES_PER_S < duration_s]
    kept = [one for one in places if probability(one.odds - off) >= LEAST_SCORE]
    # In a continuous trill no single place may be sure: the likeliest is then reported as a call.
    kept = kept or sorted(places, key=lambda one: -one.odds)[:1]
    presence = Presence(
        path=str(recording.path),
        place=place,
        start=None if start is None else start.isoformat(),
        duration_s=round(duration_s, 3),
        present=present,
        confidence=round(confidence, 4),
        calls=tuple(
            Call(
                onset_s=round(max(0.0, one.first / FRAMES_PER_S), 2),
                offset_s=round(min(duration_s, one.last / FRAMES_PER_S), 2),
                score=round(probability(one.odds - off), 4),
            )
            for one in kept
        ),
    )
    return Search(presence, tuple(one.example for one in kept), tuple(one.above_db for one in kept))


def two_sounds(samples: Grid, rate_hz: int, rest_s: float) -> bool:
    """Whether what an example holds before a rest is unlike what it holds after it.

    Such an example finds mostly the louder of two. Takes about two seconds.

    Parameters
    ----------
    samples, rate_hz
        The clip, shape ``(n,)``.
    rest_s
        `Example.rest_s`.

    Returns
    -------
    bool
        Whether neither side is found by the other.
    """
    at = round(rest_s * rate_hz)
    sides = samples[:at], samples[at:]
    for one, other in (sides, sides[::-1]):
        around = np.pad(other, round(AROUND_S * rate_hz))
        heard = Waveform(in_noise(around, rate_hz, SIDE_SNR_DB, seed=1), rate_hz)
        if scan(heard, [wanted(make_example(one, rate_hz))]).confidence >= UNLIKE:
            return False
    return True


def _told(recording: Recording, progress: Progress | None) -> Iterator[Grid]:
    taken = 0
    for block in recording.blocks():
        yield block
        taken += len(block)
        if progress is not None:
            progress(min(1.0, taken / max(1, recording.frames)))


def stretches(
    powers: Iterable[Grid], degrees: Values, around: int
) -> Iterator[tuple[int, Stretch]]:
    """Chunks of frames with what lies around them, each with the number of its first frame.

    Parameters
    ----------
    powers
        Band powers, chunk by chunk.
    degrees
        Of the noise in each band.
    around
        Frames that are wanted before and after each chunk.
    """
    before = np.zeros((0, BANDS), np.float32)
    waiting = np.zeros((0, BANDS), np.float32)
    noise: NoiseModel | None = None
    at = 0
    for following in itertools.chain(powers, [before]):
        if len(waiting):
            if noise is None or len(waiting) >= LEARN:
                noise = noise_model(waiting, degrees)
            joined = np.concatenate([before, waiting, following[:around]])
            yield at, Stretch(joined, len(before), len(before) + len(waiting), noise)
            at += len(waiting)
            before = np.concatenate([before, waiting])[-around:]
        waiting = following
