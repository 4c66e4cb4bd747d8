"""Voices online: singers told apart as notes come in, without looking ahead.

Goal
----
The same model as offline (`callresp.listen.voices.voice_model`), over the latest
`HISTORY` notes. Each note goes at once to the singer whose it most likely is by what was
heard before. Every so often the latest notes are grouped anew as offline, so that what was
taken wrongly at first is put right. A group takes the name that most of its notes had.

What is not settled may be given to another voice, and `regroup` says so: notes of open phrases
each for itself, phrases that have ended as a whole. The rest keeps its name.

Conventions
-----------
Voices are numbered from 0; a number is never given to another singer. Notes are
numbered from 0 as they come, in order of onset.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable
from typing import cast

import numpy as np

from callresp.listen.kernels._jit import kernel
from callresp.listen.notes import FEATURES, Rows
from callresp.listen.voices.assign import DEFAULT_SETTINGS, SingerSettings, latest
from callresp.listen.voices.clustering import names_of, renumbered, settle
from callresp.listen.voices.looks import Floats, Ints, looks_of
from callresp.listen.voices.pair_evidence import Pairs, compare_last, pairs_of, room_for
from callresp.listen.voices.voice_model import FEATURES as EVIDENCE
from callresp.listen.voices.voice_model import add_up, empty_groups, log_odds

HISTORY = 320  # notes that are grouped anew
ROOM = 768
FIRST_AFTER = 12  # notes; from then on after a quarter more, up to every EVERY
EVERY = 24
LEAST = -1.3  # nats, below which a note opens a singer; together with others it is looked at anew


class VoiceTracker:
    """Gives each note its singer as it comes.

    Parameters
    ----------
    regroup
        Group anew by itself, which takes some tens of milliseconds in one call of
        `assign` out of `EVERY`. With `False` the caller does so when it has
        time, by calling `regroup`.
    settings
        What the user says about the singers.

    Examples
    --------
    >>> from callresp.listen.notes import NOTE
    >>> tracker = VoiceTracker()
    >>> def sung(at_s: float, hz: float) -> Rows:
    ...     row = np.zeros(1, NOTE)
    ...     row["onset_s"], row["offset_s"], row["pitch_hz"] = at_s, at_s + 0.1, hz
    ...     row["tonality"] = 1.0
    ...     return row
    >>> [tracker.assign(sung(at_s, hz)) for at_s, hz in ((0, 900), (0.2, 7000), (1, 910))]
    [0, 0, 0]
    """

    def __init__(
        self, *, regroup: bool = True, settings: SingerSettings = DEFAULT_SETTINGS
    ) -> None:
        self._settings = settings
        self._regroups = regroup
        self._heard = 0  # notes so far
        self._due = FIRST_AFTER
        self._names: list[int] = []  # public number of each group
        self._given = 0
        self._kept = 0  # notes laid out
        self._number = np.zeros(ROOM, np.int64)  # of each note laid out, as it came
        self._group = np.zeros(ROOM, np.int64)
        self._name = np.zeros(ROOM, np.int64)
        self._first_name = np.zeros(ROOM, np.int64)  # as it was first given
        self._pairs = room_for(ROOM)

    def assign(self, note: Rows, features: Rows | None = None) -> int:
        """The singer of one note: rows of `NOTE` and `FEATURES`, shape ``(1,)`` or ``()``.

        Notes come in order of onset, give or take some hundredths of a second.
        """
        note = np.atleast_1d(note)
        features = np.zeros(1, FEATURES) if features is None else np.atleast_1d(features)
        if self._settings.most == 1:
            return 0
        if self._kept == ROOM:
            self._make_room()
        at = self._kept
        p = self._pairs
        p.looks[at] = looks_of(note, features)[0]
        p.onset_s[at], p.offset_s[at] = float(note["onset_s"][0]), float(note["offset_s"][0])
        full = 0 < self._settings.most <= len(self._names)
        row = _chosen(at, self._group, len(self._names), full, self._settings.by_band, p)
        if row == len(self._names):
            self._names.append(self._new_name())
        self._group[at], self._name[at] = row, self._names[row]
        self._first_name[at], self._number[at] = self._names[row], self._heard
        self._kept += 1
        self._heard += 1
        if self._regroups and self._heard >= self._due:
            self.regroup(frozenset())
        return int(self._name[at])

    def due(self) -> bool:
        """Whether enough is new for the latest notes to be grouped anew."""
        return self._heard >= self._due

    def regroup(
        self, unsettled: frozenset[int], together: Iterable[tuple[int, ...]] = ()
    ) -> dict[int, int]:
        """Group the latest notes anew; later notes are held against that.

        Parameters
        ----------
        unsettled
            Notes whose voice may change, by number.
        together
            Others whose voice may change, by runs that keep one voice: that of most of the run.

        Returns
        -------
        dict of int to int
            Which of them have another voice now, and which.
        """
        self._due = self._heard + min(EVERY, max(FIRST_AFTER, self._heard // 4))
        if self._kept == 0:
            return {}
        end = self._kept
        start = max(0, end - HISTORY)
        held = latest(renumbered(self._group[:start]), start) if start else np.zeros(0, np.int64)
        at = np.concatenate([held, np.arange(start, end)])
        p = self._pairs
        part = pairs_of(p.looks[at], p.onset_s[at], p.offset_s[at])
        known = np.concatenate([self._name[held], np.full(end - start, -1, np.int64)])
        found = settle(part, known, self._settings.most, self._settings.by_band)
        names = self._matched(found, at)
        rows = np.array(names)[found]
        grouped = dict(zip(self._number[at].tolist(), rows.tolist(), strict=True))
        anew = {number: grouped[number] for number in unsettled & grouped.keys()}
        for run in together:
            votes = Counter(grouped[number] for number in run if number in grouped)
            if votes:
                anew |= dict.fromkeys(run, votes.most_common(1)[0][0])
        changed = {}
        for n in range(self._kept):
            number = int(self._number[n])
            name = anew.get(number, self._name[n])
            if self._name[n] != name:
                changed[number] = self._name[n] = name
        self._take_over(at, found, names)
        return changed

    def _take_over(self, at: Ints, found: Ints, names: list[int]) -> None:
        """Go on with the groups found; those that lie farther back keep theirs."""
        older = np.ones(self._kept, bool)
        older[at] = False
        rows = {name: row for row, name in enumerate(names)}
        for n in np.flatnonzero(older).tolist():
            name = int(self._names[self._group[n]])
            if name not in rows:
                rows[name] = len(names)
                names.append(name)
            self._group[n] = rows[name]
        self._group[at] = found
        self._names = names

    def _new_name(self) -> int:
        self._given += 1
        return self._given - 1

    def _make_room(self) -> None:
        """Keep the latest notes, and the latest of each singer from before."""
        start = self._kept - HISTORY
        held = latest(renumbered(self._group[:start]), start)
        at = np.concatenate([held, np.arange(start, self._kept)])
        old, kept = self._pairs, len(at)
        self._pairs = room_for(ROOM)
        arrays = (cast("tuple[Floats, ...]", pairs) for pairs in (old, self._pairs))
        for was, now in zip(*arrays, strict=True):
            if was.shape == (ROOM, ROOM):
                now[:kept, :kept] = was[np.ix_(at, at)]
            else:
                now[:kept] = was[at]
        for column in (self._number, self._group, self._name, self._first_name):
            column[:kept] = column[at]
        self._kept = kept

    def _matched(self, found: Ints, at: Ints) -> list[int]:
        """A name for each group: that which most of its notes have, else had at first."""
        names = names_of((found, self._name[at]), (found, self._first_name[at]))
        return [
            names[row] if row in names else self._new_name() for row in range(int(found.max()) + 1)
        ]


@kernel
def _chosen(at: int, group: Ints, groups: int, full: bool, by_band: bool, p: Pairs) -> int:
    """The group that note `at` is likeliest of: the next new one where it is of none."""
    compare_last(at, p)
    if groups == 0:
        return 0
    owner = np.empty(at + 1, np.int64)
    owner[:at] = group[:at]
    owner[at] = groups
    sums = empty_groups(groups + 1, groups + 1)
    add_up(owner, p, sums)
    odds = np.zeros(groups)
    log_odds(groups, groups, by_band, sums, np.zeros((EVIDENCE, groups)), odds)
    chosen = groups
    best = -1e300 if full else LEAST
    for g in range(groups):
        if sums.size[g] > 0.0 and odds[g] > best:
            best = odds[g]
            chosen = g
    return chosen
