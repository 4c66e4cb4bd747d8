"""Voices: which singer sang each note.

Goal
----
Give every note of a recording to its singer, by timing, level and repertoire
(`callresp.listen.voices.voice_model`), and say for any note why it went to whom.

A recording of hours is taken some `AT_ONCE` notes at a time. The latest notes of each
singer go along into the next piece, so that it is known again; two who turn out to
be one are joined from their beginnings on. Time is in proportion to the notes.

Conventions
-----------
Rows of `NOTE` and `FEATURES` (`callresp.listen.notes`) in order of onset.
Singers are numbered from 0 in order of first appearance, and named A, B, ….

Two singers with one repertoire at one distance who never sing at once can't be told
apart by this, nor by ear.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from callresp.listen.notes import Rows
from callresp.listen.profile import Profile
from callresp.listen.voices.clustering import renumbered, settle
from callresp.listen.voices.looks import Material, Numbers, Values, looks_of, material_of
from callresp.listen.voices.voice_model import (
    GAP,
    MEMORY,
    OVERLAP,
    OWN_LEVEL,
    PRIOR,
    REPERTOIRE,
    Prior,
    prior_for,
    score_voice,
    scratch_for,
)

AT_ONCE = 448  # notes
SPLIT_BY = 384  # notes by which two singers in one voice are first told apart
KEPT_SINGERS = 16  # that are known again, the latest heard
KEPT_NOTES = 192  # of all of them together, and
KEPT_EACH = 24


@dataclass(frozen=True, slots=True)
class SingerSettings:
    """What the user says about the singers.

    Attributes
    ----------
    most
        There are at most so many; 0 for as many as are likely.
    by_band
        Each keeps to a band of its own.
    """

    most: int = 0
    by_band: bool = False


DEFAULT_SETTINGS = SingerSettings()


def singer_settings(profile: Profile) -> SingerSettings:
    """What a listening profile says about the singers."""
    most = 1 if profile.singers == "one" else profile.most_singers
    return SingerSettings(most, by_band=profile.singers == "by-band")


def assign_voices(notes: Rows, features: Rows, settings: SingerSettings = DEFAULT_SETTINGS) -> Rows:
    """Give every note its singer.

    Parameters
    ----------
    notes, features
        Rows of `NOTE` and `FEATURES` in order of onset, shape ``(n,)``.
    settings
        What the user says about the singers.

    Returns
    -------
    Rows
        A copy of the notes with `voice` filled in: 0 for the singer heard
        first, 1 for the next new one, and so on.
    """
    notes = notes.copy()
    if len(notes) == 0:
        return notes
    notes["voice"] = group(looks_of(notes, features), notes["onset_s"], notes["offset_s"], settings)
    return notes


def group(
    looks: Values, onset_s: Values, offset_s: Values, settings: SingerSettings = DEFAULT_SETTINGS
) -> Numbers:
    """The singer of every note, from 0 in order of first appearance."""
    if settings.most == 1 or len(looks) == 0:
        return np.zeros(len(looks), np.int64)
    owner = np.full(len(looks), -1, np.int64)
    same: list[int] = []  # what each number given has become
    pieces = -(-len(looks) // AT_ONCE)
    edges = np.linspace(0, len(looks), pieces + 1).astype(np.int64)
    for start, end in zip(edges[:-1].tolist(), edges[1:].tolist(), strict=True):
        held = latest(owner[:start], start)
        at = np.concatenate([held, np.arange(start, end)])
        known = np.concatenate([owner[held], np.full(end - start, -1, np.int64)])
        m = material_of(looks[at], onset_s[at], offset_s[at])
        prior = prior_for(len(at), settings.by_band)
        found = settle(m, known, prior, settings.most)
        names = _named(found, known, same)
        owner[at] = names[found]
        if start:
            owner[:start] = np.array(same)[owner[:start]]
    return renumbered(owner)


def latest(owner: Numbers, end: int) -> Numbers:
    """The latest notes of the singers heard last, in order of onset."""
    if end == 0:
        return np.zeros(0, np.int64)
    last = np.full(int(owner[:end].max()) + 1, -1, np.int64)
    np.maximum.at(last, owner[:end], np.arange(end))
    singers = np.argsort(-last, kind="stable")[:KEPT_SINGERS]
    singers = singers[last[singers] >= 0]
    each = max(4, min(KEPT_EACH, KEPT_NOTES // len(singers)))
    return np.sort(np.concatenate([np.flatnonzero(owner[:end] == v)[-each:] for v in singers]))


def _named(found: Numbers, known: Numbers, same: list[int]) -> Numbers:
    """A number for each group found: that of the first singer in it, or a new one.

    `same` is brought up to date: where several singers were found to be one, they are.
    """
    names = np.empty(int(found.max()) + 1, np.int64)
    for row in range(len(names)):
        singers = np.unique(known[(found == row) & (known >= 0)]).tolist()
        if not singers:
            names[row] = len(same)
            same.append(len(same))
            continue
        names[row] = singers[0]
        for number, now in enumerate(same):
            if now in singers:
                same[number] = singers[0]
    return names


def split(notes: Rows, features: Rows) -> Numbers:
    """The likeliest two singers of notes that were taken for one singer's.

    Parameters
    ----------
    notes, features
        Rows in order of onset, two at least.

    Returns
    -------
    Numbers
        0 or 1 for each note; note 0 has 0.
    """
    some = slice(0, SPLIT_BY)
    looks = looks_of(notes, features)
    m = material_of(looks[some], notes["onset_s"][some], notes["offset_s"][some])
    # By what they sing, not by when: that is how they came to be taken for one.
    prior = prior_for(len(m.looks), timed=0.0)
    free = np.full(len(m.looks), -1, np.int64)
    found = np.zeros(len(m.looks), np.int64)
    # The user knows that they are two: each singer more costs less and less, till there are.
    for cost in (8.0, 4.0, 2.0, 0.0, -4.0, -16.0, -64.0):
        found = settle(m, free, prior._replace(new=np.array([cost])), most=2)
        if found.max() > 0:
            break
    else:
        found[len(found) // 2 :] = 1
    if len(notes) <= SPLIT_BY:
        return renumbered(found)
    rest = np.full(len(notes) - SPLIT_BY, -1, np.int64)
    known = np.concatenate([found, rest])
    for start in range(SPLIT_BY, len(notes), AT_ONCE):
        end = min(start + AT_ONCE, len(notes))
        held = latest(known[:start], start)
        at = np.concatenate([held, np.arange(start, end)])
        m = material_of(looks[at], notes["onset_s"][at], notes["offset_s"][at])
        part = settle(m, known[at], prior_for(len(at), timed=0.0), most=2)
        first = {int(row): int(known[n]) for row, n in zip(part, at, strict=True) if n < start}
        known[at] = [first.get(int(row), 0) for row in part]
    return renumbered(known)


@dataclass(frozen=True, slots=True)
class Weighed:
    """Nats for a note's own singer, and not another one, by what they come from.

    `instead` is the other singer's number, -1 for one not heard otherwise.
    """

    instead: int
    gap: float
    overlap: float
    level: float
    repertoire: float
    prior: float

    @property
    def nats(self) -> float:
        """All together; the less, the nearer it was."""
        return self.gap + self.overlap + self.level + self.repertoire + self.prior


@dataclass(frozen=True, slots=True)
class Why:
    """Why a note went to its singer: held against every other, the likeliest first."""

    voice: int
    against: tuple[Weighed, ...]


def why(notes: Rows, features: Rows, n: int, settings: SingerSettings = DEFAULT_SETTINGS) -> Why:
    """Why note `n` went to its singer.

    What all notes about would be worth, were it another's, is compared with what they are.

    Parameters
    ----------
    notes, features
        Rows in order of onset, with `voice` filled in.
    n
        Number of the note.
    settings
        Those that the notes were given to their singers by.
    """
    voice = notes["voice"].astype(np.int64)
    about = np.concatenate([_about(np.flatnonzero(voice == v), n) for v in np.unique(voice)])
    about = np.sort(about)
    own = int(voice[n])
    m = material_of(
        looks_of(notes[about], features[about]), notes["onset_s"][about], notes["offset_s"][about]
    )
    owner, at = voice[about], int(np.searchsorted(about, n))
    alone = bool(np.sum(owner == own) == 1)
    others = [v for v in np.unique(owner).tolist() if v != own] + ([] if alone else [-1])
    prior = prior_for(min(len(owner), AT_ONCE), settings.by_band)
    weighed = [_weighed(m, owner, at, v, prior) for v in others]
    return Why(own, tuple(sorted(weighed, key=lambda one: one.nats)))


def _about(members: Numbers, n: int) -> Numbers:
    """The notes of a singer that bear on note `n`."""
    at = int(np.searchsorted(members, n))
    return members[max(0, at - MEMORY) : at + MEMORY]


def _weighed(m: Material, owner: Numbers, at: int, instead: int, prior: Prior) -> Weighed:
    moved = owner.copy()
    moved[at] = instead
    scratch = scratch_for(len(owner))
    gain = np.zeros_like(scratch.sums)
    for who in (int(owner[at]), instead):
        for grouping, sign in ((owner, 1), (moved, -1)):
            members = np.flatnonzero(grouping == who)
            score_voice(members, m, prior, scratch)
            gain += sign * scratch.sums
    return Weighed(
        instead,
        gap=float(gain[GAP]),
        overlap=float(gain[OVERLAP]),
        level=float(gain[OWN_LEVEL]),
        repertoire=float(gain[REPERTOIRE]),
        prior=float(gain[PRIOR]),
    )
