"""Voices online: singers told apart as notes come in, without looking ahead.

Goal
----
Each note goes at once to the singer it fits best (`callresp.listen.voices.voice_model`).
Every so many notes the latest ones are grouped anew as offline
(`callresp.listen.voices.assign`), so that what was taken wrongly at first is put
right for later notes. Names once given stay: a group takes the name that most
of its notes had.

Conventions
-----------
Voices are numbered from 0; a number is never given to another singer.
"""

from __future__ import annotations

from collections import Counter

import numpy as np

from callresp.listen.kernels._jit import kernel
from callresp.listen.notes import FEATURES, Rows
from callresp.listen.voices import assign, voice_model
from callresp.listen.voices.assign import Numbers, Values
from callresp.listen.voices.voice_model import LOOKS, MOST, Singers

HISTORY = 400  # notes that are grouped anew
FIRST_AFTER = 12  # notes; from then on after a quarter more, up to every EVERY
EVERY = 60


class VoiceTracker:
    """Gives each note its singer as it comes.

    Parameters
    ----------
    regroup
        Group anew by itself, which takes some milliseconds in one call of
        `assign` out of `EVERY`. With `False` the caller does so when it has
        time, by calling `regroup`.

    Examples
    --------
    >>> from callresp.listen.notes import NOTE
    >>> tracker = VoiceTracker()
    >>> def sung(at_s: float, hz: float) -> Rows:
    ...     row = np.zeros(1, NOTE)
    ...     row["onset_s"], row["offset_s"], row["pitch_hz"] = at_s, at_s + 0.1, hz
    ...     row["tonality"] = 1.0
    ...     return row
    >>> [tracker.assign(sung(at_s, hz)) for at_s, hz in ((0, 900), (1, 7000), (2, 910))]
    [0, 1, 0]
    """

    def __init__(self, *, regroup: bool = True) -> None:
        self._known = voice_model.nobody()
        self._names: list[int] = []  # public number of each singer in `_known`
        self._given = 0
        self._heard = 0
        self._due = FIRST_AFTER if regroup else -1
        self._looks = np.zeros((2 * HISTORY, LOOKS))
        self._times = np.zeros((2 * HISTORY, 2))
        self._voice = np.zeros(2 * HISTORY, np.int64)
        self._kept = 0

    def assign(self, note: Rows, features: Rows | None = None) -> int:
        """The singer of one note: rows of `NOTE` and `FEATURES`, shape ``(1,)`` or ``()``.

        Notes come in order of onset.
        """
        note = np.atleast_1d(note)
        features = np.zeros(1, FEATURES) if features is None else np.atleast_1d(features)
        look = assign.looks_of(note, features)[0]
        onset_s, offset_s = float(note["onset_s"][0]), float(note["offset_s"][0])
        row = _take(look, self._heard, onset_s, offset_s, self._known)
        if row == len(self._names):
            self._names.append(self._new_name())
        voice = self._names[row]
        self._keep(look, onset_s, offset_s, voice)
        self._heard += 1
        if self._heard == self._due:
            self.regroup()
            self._due += min(EVERY, max(FIRST_AFTER, self._heard // 4))
        return voice

    def regroup(self) -> None:
        """Group the latest notes anew; later notes are held against that."""
        latest = slice(max(0, self._kept - HISTORY), self._kept)
        looks, times, named = self._looks[latest], self._times[latest], self._voice[latest]
        if len(looks) == 0:
            return
        onset_s, offset_s = (np.ascontiguousarray(column) for column in times.T)
        found = assign.group(looks, onset_s, offset_s)
        names = self._matched(found, named)
        known = voice_model.nobody()
        known.used[0] = len(names)
        _learn_all(looks, onset_s, offset_s, found, known)
        self._carry_over(known, names)
        self._known, self._names = known, names
        self._voice[latest] = np.array(names)[found]
        self._heard = max(self._heard, len(looks))

    def _new_name(self) -> int:
        self._given += 1
        return self._given - 1

    def _keep(self, look: Values, onset_s: float, offset_s: float, voice: int) -> None:
        if self._kept == len(self._looks):
            for kept in (self._looks, self._times, self._voice):
                kept[:HISTORY] = kept[HISTORY:].copy()
            self._kept = HISTORY
        at = self._kept
        self._looks[at], self._times[at], self._voice[at] = look, (onset_s, offset_s), voice
        self._kept += 1

    def _matched(self, found: Numbers, named: Numbers) -> list[int]:
        """A name for each group: the one that most of its notes had, each name once."""
        pairs = Counter(zip(found.tolist(), named.tolist(), strict=True))
        names: dict[int, int] = {}
        for (row, name), _ in pairs.most_common():
            if row not in names and name not in names.values():
                names[row] = name
        return [
            names[row] if row in names else self._new_name() for row in range(int(found.max()) + 1)
        ]

    def _carry_over(self, known: Singers, names: list[int]) -> None:
        """Keep singers that fell silent, as far as there is room."""
        recent = set(self._voice[max(0, self._kept - HISTORY) : self._kept].tolist())
        for row, name in enumerate(self._names):
            used = int(known.used[0])
            if name in names or name in recent or used >= MOST - 8:
                continue
            for new, old in zip(known[:-1], self._known[:-1], strict=True):
                new[used] = old[row]
            known.used[0] += 1
            names.append(name)


@kernel
def _take(look: Values, note: int, onset_s: float, offset_s: float, known: Singers) -> int:
    voice = voice_model.choose(look, note, onset_s, offset_s, known)
    if voice == known.used[0]:
        known.used[0] += 1
    voice_model.learn(look, note, onset_s, offset_s, voice, known)
    return voice


@kernel
def _learn_all(
    looks: Values, onset_s: Values, offset_s: Values, voice: Numbers, known: Singers
) -> None:
    for i in range(len(looks)):
        voice_model.learn(looks[i], -2, onset_s[i], offset_s[i], voice[i], known)
