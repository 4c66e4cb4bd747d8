"""Is the wanted sound in a recording, when, and how sure is that?

Method
------
A recording is taken in chunks of some minutes, so that memory does not grow with it. Each
chunk's noise is learnt anew. It is there if it is in the likeliest window
(`callresp.scout.odds`); then the places at which the example fits best are its calls.

Conventions
-----------
- Confidence is the probability that the sound is there, for a recording that is as likely to
  hold it as not. The longer it is, the more windows may be mistaken: for each doubling,
  `callresp.scout.odds.DOUBT` times the logarithm of 2 is taken off the odds.
- The score of a call is its own probability. A recording without the sound has no calls.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass
from datetime import datetime

import msgspec
import numpy as np

from callresp.io.audio import Progress, Recording, Waveform
from callresp.listen.one_thread import one_thread
from callresp.scout.evidence import CELL
from callresp.scout.examples import make_example
from callresp.scout.odds import (
    OFFSET,
    Candidate,
    Wanted,
    apart,
    doubt,
    judged,
    probability,
    wanted,
    within_reach,
)
from callresp.scout.spectra import FRAMES_PER_S, Grid, analysis, powers_of
from callresp.scout.strangers import in_noise
from callresp.scout.stretches import Stretch, Values, stretches

CHUNK = 70 * CELL  # frames, just under three minutes
# A call in a recording that holds some is doubted less: at most so much.
CALL_DOUBT = 2.3
LEAST_SCORE = 0.5
# Two sides of an example that find each other with less confidence are two sounds.
UNLIKE = 0.1
SIDE_SNR_DB, AROUND_S = 5.0, 0.5  # in which they are looked for


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
