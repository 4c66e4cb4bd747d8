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
from callresp.listen.voices import choruses
from callresp.listen.voices.bouts import by_bouts, nats_apart
from callresp.listen.voices.clustering import renumbered, settle, several_at_once
from callresp.listen.voices.looks import Floats, Ints, looks_of
from callresp.listen.voices.pair_evidence import Pairs, pairs_of
from callresp.listen.voices.voice_model import (
    GAP,
    OVERLAP,
    OWN_LEVEL,
    PRIOR,
    REPERTOIRE,
    TERMS,
    gather,
    room_for_groups,
    terms,
)

AT_ONCE = 1000  # notes
SPLIT_BY = 384  # notes by which two singers in one voice are first told apart
SPLIT_NATS = (0.0, 1.0, 2.0, 4.0, 8.0, 16.0, 1e6)
KEPT_SINGERS = 16  # that are known again, the latest heard
KEPT_NOTES = 192  # of all of them together, and
KEPT_EACH = 24
ABOUT = 64  # of a singer's notes before and after one tell why it is that singer's


@dataclass(frozen=True, slots=True)
class SingerSettings:
    """What the user says about the singers.

    There are at `most` so many; 0 for as many as are likely. Kept apart `by_band`, each keeps to
    a band of its own.
    """

    most: int = 0
    by_band: bool = False


DEFAULT_SETTINGS = SingerSettings()


def singer_settings(profile: Profile) -> SingerSettings:
    """What a listening profile says about the singers."""
    most = 1 if profile.singers == "one" else profile.most_singers
    return SingerSettings(most, by_band=profile.singers == "by-band")


def assign_voices(notes: Rows, features: Rows, settings: SingerSettings = DEFAULT_SETTINGS) -> Rows:
    """A copy of `notes` with `voice` filled in, from 0 as they are first heard.

    Rows of `NOTE` and of `FEATURES` come in order of onset, shape ``(n,)`` each.
    """
    notes = notes.copy()
    if len(notes) == 0:
        return notes
    notes["voice"] = _group(notes, features, settings)
    return notes


def _group(notes: Rows, features: Rows, settings: SingerSettings) -> Ints:
    """The singer of every note, from 0 in order of first appearance."""
    if settings.most == 1:
        return np.zeros(len(notes), np.int64)
    owner = np.full(len(notes), -1, np.int64)
    same: list[int] = []  # what each number given has become
    pieces = -(-len(notes) // AT_ONCE)
    edges = np.linspace(0, len(notes), pieces + 1).astype(np.int64)
    for start, end in zip(edges[:-1].tolist(), edges[1:].tolist(), strict=True):
        held = latest(owner[:start], start)
        at = np.concatenate([held, np.arange(start, end)])
        known = np.concatenate([owner[held], np.full(end - start, -1, np.int64)])
        pairs = _pairs(notes[at], features[at])
        found = settle(pairs, known, settings.most, settings.by_band)
        names = _named(found, known, same)
        owner[at] = names[found]
        if start:
            owner[:start] = np.array(same)[owner[:start]]
    return renumbered(owner)


def _pairs(notes: Rows, features: Rows) -> Pairs:
    # Looks take far more room than notes do: never those of all notes of a day at once.
    return pairs_of(looks_of(notes, features), notes["onset_s"], notes["offset_s"])


def latest(owner: Ints, end: int) -> Ints:
    """The latest notes of the singers heard last, in order of onset."""
    if end == 0:
        return np.zeros(0, np.int64)
    last = np.full(int(owner[:end].max()) + 1, -1, np.int64)
    np.maximum.at(last, owner[:end], np.arange(end))
    singers = np.argsort(-last, kind="stable")[:KEPT_SINGERS]
    singers = singers[last[singers] >= 0]
    each = max(4, min(KEPT_EACH, KEPT_NOTES // len(singers)))
    return np.sort(np.concatenate([np.flatnonzero(owner[:end] == v)[-each:] for v in singers]))


def _named(found: Ints, known: Ints, same: list[int]) -> Ints:
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


def split(notes: Rows, features: Rows) -> Ints:
    """The likeliest two singers, 0 and 1, of notes that were taken for one singer's; note 0 has 0.

    There must be two notes at least.
    """
    known = np.full(len(notes), -1, np.int64)
    some = np.arange(min(SPLIT_BY, len(notes)))
    pairs = _untimed(_pairs(notes[some], features[some]))
    # The user knows that they are two: the evidence for one counts less and less, till they are.
    for least in SPLIT_NATS:
        known[some] = settle(pairs, known[some], most=2, least=least)
        if known[some].max() > 0:
            break
        known[some] = -1
    else:
        known[some] = some >= len(some) // 2
    for start in range(SPLIT_BY, len(notes), AT_ONCE):
        at = np.concatenate([latest(known, start), np.arange(start, len(notes))[:AT_ONCE]])
        pairs = _untimed(_pairs(notes[at], features[at]))
        part = settle(pairs, known[at], most=2, least=least)
        first = {int(row): int(known[n]) for row, n in zip(part, at, strict=True) if n < start}
        known[at] = [
            known[n] if n < start else first.get(int(row), 0)
            for row, n in zip(part, at, strict=True)
        ]
    return renumbered(known)


def _untimed(pairs: Pairs) -> Pairs:
    """Without what notes tell by when they follow one another: by that they were taken for one."""
    pairs.link[:] = -np.inf
    pairs.adjacent[:] = 0.0
    return pairs


@dataclass(frozen=True, slots=True)
class VoiceEvidence:
    """Nats for a note's own singer, and not another one, by what they come from.

    `instead` is the other singer's number, -1 for one not heard otherwise.
    """

    instead: int
    gap: float
    overlap: float
    level: float
    repertoire: float
    prior: float
    bouts: float

    @property
    def nats(self) -> float:
        """All together; the less, the nearer it was."""
        return self.gap + self.overlap + self.level + self.repertoire + self.prior + self.bouts


@dataclass(frozen=True, slots=True)
class VoiceReasons:
    """Why a note went to its singer: held against every other, the likeliest first."""

    voice: int
    against: tuple[VoiceEvidence, ...]


def why(
    notes: Rows, features: Rows, n: int, settings: SingerSettings = DEFAULT_SETTINGS
) -> VoiceReasons:
    """Why note `n` went to its singer.

    The evidence that it is one singer's with the other notes of its own is compared with that
    for each other singer's.

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
    pairs = _pairs(notes[about], features[about])
    owner, at = voice[about].copy(), int(np.searchsorted(about, n))
    alone = bool(np.sum(owner == own) == 1)
    owner[at] = -1
    singers = np.unique(owner)[1:].tolist()
    chorus = not settings.by_band and several_at_once(
        voice[about], by_bouts(pairs, settings.most, two_before=len(singers) > 1), pairs
    )
    told = (
        choruses.note_nats(at, [owner == v for v in singers], pairs, len(about))
        if chorus
        else _nats(pairs, owner, settings.by_band)
    )
    nats = dict(zip(singers, told, strict=True))
    # As a singer by itself it has nothing to do with anyone.
    mine = np.zeros(TERMS) if alone else nats[own]
    others = [v for v in singers if v != own] + ([] if alone else [-1])
    weighed = [
        _weighed(
            v,
            mine - nats.get(v, 0.0),
            0.0 if chorus else nats_apart(voice[about], own, v, pairs),
        )
        for v in others
    ]
    return VoiceReasons(own, tuple(sorted(weighed, key=lambda one: one.nats)))


def _about(members: Ints, n: int) -> Ints:
    """The notes of a singer that bear on note `n`."""
    at = int(np.searchsorted(members, n))
    return members[max(0, at - ABOUT) : at + ABOUT]


def _nats(pairs: Pairs, owner: Ints, by_band: bool) -> list[Floats]:
    """Nats for each singer of the one note that has none, in order of their numbers."""
    rows = np.unique(owner, return_inverse=True)[1].reshape(-1)
    groups = room_for_groups(int(rows.max()) + 1)
    gather(rows, pairs, groups)
    return [terms(0, row, by_band, groups) for row in range(1, len(groups.size))]


def _weighed(instead: int, nats: Floats, bouts: float) -> VoiceEvidence:
    return VoiceEvidence(
        instead,
        gap=float(nats[GAP]),
        overlap=float(nats[OVERLAP]),
        level=float(nats[OWN_LEVEL]),
        repertoire=float(nats[REPERTOIRE]),
        prior=float(nats[PRIOR]),
        bouts=bouts,
    )
