"""Singers of a chorus: many kinds that seldom sing at once, and what is no chorus."""

from __future__ import annotations

from itertools import combinations, pairwise

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from listen_helpers import pairwise_f, row, table
from scipy.cluster.hierarchy import fcluster, linkage
from scipy.spatial.distance import squareform

from callresp.listen.notes import BANDS, BANDS_FROM_HZ, BANDS_TO_HZ, FEATURES, PARTS, Rows
from callresp.listen.voices import choruses, clustering
from callresp.listen.voices.assign import SingerSettings, assign_voices, why
from callresp.listen.voices.choruses import (
    ALIKE,
    compared_notes,
    hardly_pauses,
    is_chorus,
    joined,
    pair_nats,
)
from callresp.listen.voices.clustering import settle, several_at_once
from callresp.listen.voices.linkage import FEW
from callresp.listen.voices.looks import Floats, Ints, looks_of
from callresp.listen.voices.pair_evidence import Pairs, pairs_of

_KINDS = (("thrush", 2300.0), ("robin", 2900.0), ("wren", 3700.0), ("tit", 6000.0))
_EDGES_HZ = np.geomspace(BANDS_FROM_HZ, BANDS_TO_HZ, BANDS + 1)


def _sung(
    at_s: float, low_hz: float, shape: Floats, level_db: float, rng: np.random.Generator
) -> tuple[Rows, Rows]:
    """A note over half an octave, with the spectrogram of its kind, a little astray."""
    note, features = row(at_s, 1.2 * low_hz, level_db, length_s=0.12)
    note["low_hz"], note["high_hz"] = low_hz, 1.45 * low_hz
    inside = (_EDGES_HZ[1:] > low_hz) & (_EDGES_HZ[:-1] < 1.45 * low_hz)
    db = np.full((PARTS, BANDS), level_db - 40.0)
    db[:, inside] = level_db - 20.0 * shape[:, : inside.sum()]
    features["spectrogram_db"] = db + rng.normal(0, 1.0, db.shape)
    return note, features


def _chorus(rng: np.random.Generator, rest_s: float = 0.0) -> tuple[Rows, Rows, list[str]]:
    """Four kinds, each for itself: phrases of four notes, and rests of two seconds or so."""
    rows, who = [], []
    for name, low_hz in _KINDS:
        shapes = rng.uniform(0, 1, (2, PARTS, BANDS))
        at_s = rng.uniform(0, 1)
        while at_s < 40.0:
            for k in range(4):
                rows.append(
                    _sung(at_s + 0.2 * k, low_hz, shapes[k % 2], rng.uniform(-36, -24), rng)
                )
                who.append(name)
            at_s += 0.8 + rng.uniform(0.2, 1.6) + rest_s
    order = np.argsort([float(note["onset_s"][0]) for note, _ in rows], kind="stable")
    return *table(rows), [who[i] for i in order]


def _pairs(notes: Rows, features: Rows) -> Pairs:
    return pairs_of(looks_of(notes, features), notes["onset_s"], notes["offset_s"])


@pytest.mark.parametrize("seed", [1, 3, 4])
def test_kinds_that_sing_among_each_other_are_told_apart(
    seed: int, monkeypatch: pytest.MonkeyPatch
) -> None:
    notes, features, who = _chorus(np.random.default_rng(seed))
    assert is_chorus(_pairs(notes, features), len(notes))
    as_chorus = pairwise_f(who, assign_voices(notes, features)["voice"].tolist())
    assert as_chorus > 0.95
    monkeypatch.setattr(choruses, "is_chorus", lambda *_: False)
    assert pairwise_f(who, assign_voices(notes, features)["voice"].tolist()) < as_chorus


def test_where_all_fall_silent_now_and_then_other_evidence_may_stand() -> None:
    notes, features, who = _chorus(np.random.default_rng(4))
    kinds = np.unique(who, return_inverse=True)[1]
    pairs = _pairs(notes, features)
    # Nobody overlaps itself, and yet: without a pause nobody else is asked.
    assert hardly_pauses(pairs, len(notes))
    assert several_at_once(kinds, None, pairs)
    late = notes["onset_s"] > 20.0
    notes["onset_s"][late] += 10.0
    notes["offset_s"][late] += 10.0
    pairs = _pairs(notes, features)
    assert not hardly_pauses(pairs, len(notes))
    assert not several_at_once(kinds, None, pairs)
    one = np.zeros_like(kinds)
    assert several_at_once(one, None, pairs)
    assert several_at_once(one, one, pairs)
    assert not several_at_once(one, late.astype(np.int64), pairs)


@pytest.mark.parametrize("seed", [4, 5])
def test_kinds_that_rest_now_and_then_are_told_apart(
    seed: int, monkeypatch: pytest.MonkeyPatch
) -> None:
    notes, features, who = _chorus(np.random.default_rng(seed), rest_s=0.6)
    pairs = _pairs(notes, features)
    assert is_chorus(pairs, len(notes))
    assert not hardly_pauses(pairs, len(notes))
    assert pairwise_f(who, assign_voices(notes, features)["voice"].tolist()) > 0.95
    monkeypatch.setattr(choruses, "accounts_for", lambda *_: True)
    assert pairwise_f(who, assign_voices(notes, features)["voice"].tolist()) < 0.9


def test_how_many_sing_is_told_by_what_comes_back_only_where_all_rest(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    monkeypatch.setattr(clustering, "likeliest", lambda ways, *_: ways[-1])
    for rest_s, singers in ((0.0, 4), (0.6, 2)):
        notes, features, _ = _chorus(np.random.default_rng(4), rest_s)
        assert len(set(assign_voices(notes, features)["voice"].tolist())) == singers


@pytest.mark.parametrize("held", [0, 3])
def test_each_way_to_tell_a_chorus_joins_singers_of_the_one_before(held: int) -> None:
    notes, features, who = _chorus(np.random.default_rng(4), rest_s=0.6)
    kinds = np.unique(who, return_inverse=True)[1]
    known, pairs = np.where(kinds < held, kinds, -1), _pairs(notes, features)
    ways = joined(kinds, known, pairs)
    assert np.array_equal(joined(kinds, known, pairs, further=False), ways[:1])
    assert [len(set(way.tolist())) for way in ways] == list(range(4, max(2, held) - 1, -1))
    for finer, coarser in pairwise(ways):
        both = set(zip(finer.tolist(), coarser.tolist(), strict=True))
        assert len(both) == len(set(finer.tolist()))
    for one, other in combinations(range(held), 2):
        assert all(way[kinds == one][0] != way[kinds == other][0] for way in ways)


def test_parts_of_one_sound_make_no_chorus() -> None:
    # A stack of harmonics, heard as two notes that begin and end together.
    rng = np.random.default_rng(5)
    shape = rng.uniform(0, 1, (PARTS, BANDS))
    rows = [
        _sung(0.25 * k + shift_s, low_hz, shape, -30.0, rng)
        for k in range(60)
        for low_hz, shift_s in ((1900.0, 0.0), (3900.0, 0.004))
    ]
    assert not is_chorus(_pairs(*table(rows)), len(rows))
    # Begun for itself, it may be another bird's.
    rows = [
        _sung(0.25 * k + shift_s, low_hz, shape, -30.0, rng)
        for k in range(60)
        for low_hz, shift_s in ((1900.0, 0.0), (3900.0, 0.06))
    ]
    assert is_chorus(_pairs(*table(rows)), len(rows))


def test_birds_far_off_are_a_chorus_between_the_songs_of_one_near_by() -> None:
    rng = np.random.default_rng(5)
    shape = rng.uniform(0, 1, (PARTS, BANDS))
    far = [
        _sung(8.0 * song + 2.0 + 0.25 * k + shift_s, low_hz, shape, -78.0, rng)
        for song in range(4)
        for k in range(16)
        for low_hz, shift_s in ((1900.0, 0.0), (3900.0, 0.06))
    ]
    near = [
        _sung(8.0 * song + 0.2 * k, 2600.0, shape, -24.0, rng)
        for song in range(4)
        for k in range(4)
    ]
    for rows in (far, far + near):
        assert is_chorus(_pairs(*table(rows)), len(rows))


def test_a_few_notes_and_notes_without_spectrograms_are_no_chorus() -> None:
    notes, features, _ = _chorus(np.random.default_rng(6))
    few = slice(0, choruses.LEAST_NOTES - 1)
    assert not is_chorus(_pairs(notes[few], features[few]), choruses.LEAST_NOTES - 1)
    bare = features.copy()
    bare["spectrogram_db"] = np.zeros(1, FEATURES)["spectrogram_db"]
    assert not is_chorus(_pairs(notes, bare), len(notes))


@settings(max_examples=25, deadline=None)
@given(st.integers(0, 1000))
def test_plainly_alike_notes_are_joined_by_average_linkage(seed: int) -> None:
    # Outside: scipy's average linkage on the same nats, where no group is too small for a singer.
    notes, features, _ = _chorus(np.random.default_rng(seed))
    some = slice(0, 60)
    p = _pairs(notes[some], features[some])
    p.weight[:60] = FEW
    # Too far apart for one to follow another closely.
    p.onset_s[:60] = 10.0 * np.arange(60)
    p.offset_s[:60] = p.onset_s[:60] + 0.1
    held = compared_notes(p, 60)
    nats = ALIKE[0] + sum(pair_nats(held, held))
    nats = np.clip(nats, -choruses.MOST_NATS, choruses.MOST_NATS).astype(np.float64)
    away = choruses.MOST_NATS - nats
    np.fill_diagonal(away, 0.0)
    tree = linkage(squareform(away, checks=False), "average")
    theirs = fcluster(tree, choruses.MOST_NATS - choruses.PLAINLY, "distance")
    ours = joined(np.arange(60), np.full(60, -1), p, least=1e6)[0]
    assert pairwise_f([str(one) for one in theirs], ours.tolist()) == 1.0


def _two_kinds(first_s: Floats, second_s: Floats) -> tuple[Pairs, Ints]:
    """Notes of two kinds, somewhat unlike, at some times; and which of the two each is."""
    rng = np.random.default_rng(11)
    shape = rng.uniform(0, 1, (PARTS, BANDS))
    times = [(t, 2300.0, 0) for t in first_s] + [(t, 2600.0, 1) for t in second_s]
    rows = [_sung(t, low_hz, shape, -30.0, rng) for t, low_hz, _ in sorted(times)]
    return _pairs(*table(rows)), np.array([kind for *_, kind in sorted(times)])


@pytest.mark.parametrize(
    ("later_s", "every_s", "singers"),
    [
        (0.2, 3.0, 1),  # right after the first, each time
        (1.2, 3.0, 2),
        (0.05, 0.6, 2),  # so often that it follows anything
    ],
)
def test_what_follows_closely_more_often_than_by_chance_is_one_singers(
    later_s: float, every_s: float, singers: int
) -> None:
    p, kind = _two_kinds(np.arange(0.0, 60.0, 3.0), np.arange(later_s, 60.0, every_s))
    held = compared_notes(p, len(kind))
    nats = ALIKE[0] + np.sum(pair_nats(held, held), axis=0)
    # Unlike enough for two by likeness and gaps alone.
    assert -0.7 < nats[np.ix_(kind == 0, kind == 1)].mean() < -0.3
    assert len(set(joined(kind, np.full(len(kind), -1), p)[0].tolist())) == singers


def test_the_fewer_notes_the_likelier_they_are_a_part_of_anothers_song() -> None:
    p, kind = _two_kinds(np.arange(0.0, 60.0, 3.0), np.arange(1.2, 9.0, 3.0))
    assert set(joined(kind, np.full(len(kind), -1), p)[0].tolist()) == {0}
    p, kind = _two_kinds(np.arange(0.0, 60.0, 3.0), np.arange(1.2, 60.0, 3.0))
    assert set(joined(kind, np.full(len(kind), -1), p)[0].tolist()) == {0, 1}


def test_who_is_known_stays_apart_and_the_user_may_cap_the_singers() -> None:
    notes, features, who = _chorus(np.random.default_rng(7))
    p = _pairs(notes, features)
    known = np.full(len(notes), -1)
    wrens = np.flatnonzero(np.array(who) == "wren")
    known[wrens[:10]], known[wrens[10:20]] = 0, 1
    found = settle(p, known)
    assert len(set(found[wrens[:10]].tolist())) == len(set(found[wrens[10:20]].tolist())) == 1
    assert found[wrens[0]] != found[wrens[10]]
    assert set(assign_voices(notes, features, SingerSettings(most=2))["voice"].tolist()) == {0, 1}


def test_a_note_or_two_are_no_singer() -> None:
    notes, features, who = _chorus(np.random.default_rng(8))
    rng = np.random.default_rng(9)
    stray = _sung(15.0, 2700.0, rng.uniform(0, 1, (PARTS, BANDS)), -30.0, rng)
    notes, features = table([(notes, features), stray])
    voices = assign_voices(notes, features)["voice"]
    assert np.bincount(voices).min() > 2
    assert len(set(voices.tolist())) == len(set(who))


def test_why_a_note_of_a_chorus_went_to_its_singer_is_told_by_likeness_and_gap() -> None:
    notes, features, _ = _chorus(np.random.default_rng(10))
    notes = assign_voices(notes, features)
    for n in (5, 60, 120):
        found = why(notes, features, n)
        assert found.voice == notes["voice"][n]
        assert found.against[0].nats > 0
        assert all(one.overlap == one.level == one.bouts == 0.0 for one in found.against)
        assert max(one.repertoire for one in found.against) > 1.0
