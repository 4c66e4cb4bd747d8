"""Rain, surf and leaves: faint, brief sounds in plenty that no animal makes.

A drop on a leaf sounds above the noise floor as a distant call does. What tells it is the company:
such sounds come by the dozen a minute, near the threshold of hearing, without pitch and without
rhythm. One alone may be a call, a drum or a trill keeps time, and a song has many notes.
"""

from __future__ import annotations

import statistics
from collections import deque
from itertools import pairwise

from callresp.io.score import Phrase

# The median of what rain and surf bring lies 14 dB above the floor; that of songs of one bird
# near a microphone 20 dB and more.
FAINT_DB = 18.0
BRIEF_S = 0.1
# Of so short a sound a pitch says little.
TICK_S = 0.035
# Harsh calls keep to less than two octaves; a wave that breaks does not.
WIDE = 4.0
SONG_NOTES = 12
RHYTHM_NOTES = 4
RHYTHM_SPREAD = 0.35
ENOUGH = 4
WITHIN_S = 60.0


class Crackle:
    """Counts phrases that may be weather's over the last minute."""

    def __init__(self) -> None:
        self._ended_s: deque[float] = deque()

    def closed(self, phrase: Phrase) -> None:
        """Take note of a phrase that has closed."""
        if may_be_crackle(phrase):
            self._ended_s.append(phrase.offset_s)
        while self._ended_s and self._ended_s[0] <= phrase.offset_s - WITHIN_S:
            self._ended_s.popleft()

    def heard_as(self, phrase: Phrase) -> int:
        """How many such phrases a closed one belongs to; 0 if it stands out or they are few."""
        count = len(self._ended_s)
        return count if count >= ENOUGH and may_be_crackle(phrase) else 0


def may_be_crackle(phrase: Phrase) -> bool:
    """Whether a phrase is short, faint, out of rhythm, and of brief or wide-band sounds."""
    notes = phrase.notes
    if len(notes) > SONG_NOTES or _in_rhythm(phrase):
        return False
    # Of notes from elsewhere than the listener it is not known, and 0.
    if not 0 < statistics.median(note.snr_db for note in notes) < FAINT_DB:
        return False
    length_s = statistics.median(note.offset_s - note.onset_s for note in notes)
    if length_s < TICK_S:
        return True
    if 2 * sum(note.pitch_hz is None for note in notes) < len(notes):
        return False
    return length_s < BRIEF_S or _ratio(phrase) >= WIDE


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
