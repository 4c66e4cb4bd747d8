"""Rain, surf and leaves: many brief or harsh sounds a minute that no animal makes.

A drop on a leaf stands above the noise floor as a distant call does. Weather is recognised by its
number: dozens of such sounds a minute, faint, without pitch and without rhythm, and little else.
Drops near by are louder, but so brief and in so many bands at once as hardly a call is. A single
one may be a call; a drum or a trill keeps time; a song has many notes, and pitches among them; in a
chorus what is faint and brief is one call in four.
"""

from __future__ import annotations

import statistics
from collections import deque
from itertools import pairwise

from callresp.io.score import Phrase

# Above the noise floor. Most of what rain and surf bring is fainter; songs of one bird near a
# microphone are louder, and rarely as brief or as wide.
FAINT_DB = 20.0
NEAR_DB = 30.0  # drops near by are no louder
BRIEF_S = 0.1
# A pitch found in so short a sound may be chance, and does not count against weather.
TICK_S = 0.035
# Highest over lowest frequency, two octaves: harsh calls are narrower, breaking waves are not.
WIDE = 4.0
# So many notes are a song, unless hardly one has a pitch: drops on a tent come by the dozen.
SONG_NOTES = 12
SONG_PITCHED = 0.2
RHYTHM_NOTES = 5  # of four at random 15 % have gaps so alike, of five 7 %
RHYTHM_SPREAD = 0.35  # standard deviation of the gaps, of their mean
ENOUGH = 4
SHARE = 0.4  # of all phrases: three in five are in weather alone, one in four in a dawn chorus
WITHIN_S = 60.0


class Crackle:
    """Counts the phrases of the last minute that may be weather, and those that are none."""

    def __init__(self) -> None:
        self._closed: deque[tuple[float, bool]] = deque()  # when each ended, and if it may be

    def closed(self, phrase: Phrase) -> None:
        """Take note of a phrase that has closed."""
        self._closed.append((phrase.offset_s, may_be_crackle(phrase)))
        while self._closed[0][0] <= phrase.offset_s - WITHIN_S:
            self._closed.popleft()

    def count_with(self, phrase: Phrase) -> int:
        """How many such phrases there were, a closed one included; 0 if it is none, or few were."""
        count = sum(may_be for _, may_be in self._closed)
        enough = count >= ENOUGH and count >= SHARE * len(self._closed)
        return count if enough and may_be_crackle(phrase) else 0


def may_be_crackle(phrase: Phrase) -> bool:
    """Whether a phrase is no song, out of rhythm, and of faint sounds, brief or wide, or drops."""
    notes = phrase.notes
    pitched = sum(note.pitch_hz is not None for note in notes)
    many = len(notes) > SONG_NOTES
    if (many and pitched > SONG_PITCHED * len(notes)) or _in_rhythm(phrase):
        return False
    length_s = statistics.median(note.offset_s - note.onset_s for note in notes)
    tick, harsh, wide = length_s < TICK_S, 2 * pitched <= len(notes), _ratio(phrase) >= WIDE
    # Louder and longer bursts may hold a song that is drowned in them.
    most_db = NEAR_DB if tick and harsh and wide and not many else FAINT_DB
    # Notes that the listener did not make have no signal-to-noise ratio: it is 0.
    if not 0 < statistics.median(note.snr_db for note in notes) < most_db:
        return False
    return tick or (harsh and (wide or length_s < BRIEF_S))


def _ratio(phrase: Phrase) -> float:
    """From the lowest to the highest that sounds in a note."""
    bands = [(note.low_hz, note.high_hz) for note in phrase.notes]
    return statistics.median(high / low if low and high else 1.0 for low, high in bands)


def _in_rhythm(phrase: Phrase) -> bool:
    """Whether gaps from onset to onset are alike: those of chance spread as far as their mean."""
    if len(phrase.notes) < RHYTHM_NOTES:
        return False
    gaps = [after.onset_s - before.onset_s for before, after in pairwise(phrase.notes)]
    return statistics.pstdev(gaps) < RHYTHM_SPREAD * statistics.fmean(gaps)
