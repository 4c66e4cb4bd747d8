"""Two birds in turns are told apart by how alike their bouts are."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt
import pytest
from hypothesis import given
from hypothesis import strategies as st
from listen_helpers import row, table
from scipy.stats import entropy

from callresp.listen.notes import BANDS, PARTS, Rows
from callresp.listen.voices.assign import assign_voices, why
from callresp.listen.voices.bouts import (
    LEAST_BOUTS,
    Bouts,
    by_bouts,
    gained,
    nats_apart,
    nats_for_one,
    two_sets,
)
from callresp.listen.voices.clustering import join_again, settle
from callresp.listen.voices.looks import Ints, looks_of
from callresp.listen.voices.online_voices import HISTORY, VoiceTracker
from callresp.listen.voices.pair_evidence import Pairs, pairs_of
from callresp.listen.voices.recurrence import likeliest
from callresp.listen.voices.voice_model import gather, room_for_groups, terms

Floats = npt.NDArray[np.float64]
Bird = list[list[int]]

# Bands in which each syllable of a bird sounds. The third bird has one of the first one's.
FIRST: Bird = [[3, 4, 5], [9, 10], [14, 15, 16, 17], [6, 7]]
SECOND: Bird = [[1, 2], [11, 12, 13], [5, 18], [8, 9]]
NEIGHBOUR: Bird = [[3, 4, 5], [11, 12, 13], [1, 2, 11], [12, 18]]


def _sung(
    songs: list[Bird], seed: int = 1, notes: int = 16, rest_s: float = 1.5
) -> tuple[Rows, Rows]:
    """Bouts, one after another, of buzzes that differ in their spectrum."""
    rng = np.random.default_rng(seed)
    rows, at_s = [], 0.0
    for song in songs:
        for k in range(notes):
            bands = song[k % len(song)]
            note, features = row(at_s, 400.0 * 1.2 ** bands[0], knock=True)
            note["low_hz"], note["high_hz"], note["offset_s"] = 500.0, 12000.0, at_s + 0.06
            cells = np.full((PARTS, BANDS), -70.0)
            cells[:, bands] = -40.0
            features["spectrogram_db"] = cells + np.round(rng.normal(0, 1, cells.shape))
            rows.append((note, features))
            at_s += 0.06 + rng.uniform(0.03, 0.08)
        at_s += rest_s
    return table(rows)


def _pairs(notes: Rows, features: Rows) -> Pairs:
    return pairs_of(looks_of(notes, features), notes["onset_s"], notes["offset_s"])


def _parted(songs: list[Bird], notes: int = 16, most: int = 0, rest_s: float = 1.5) -> list[int]:
    """The singer of each bout, taken for one bird's before."""
    pairs = _pairs(*_sung(songs, notes=notes, rest_s=rest_s))
    owner = by_bouts(pairs, most)
    if owner is None:
        return [0] * len(songs)
    first = owner.reshape(len(songs), notes)
    assert np.all(first == first[:, :1])
    return [int(voice) for voice in first[:, 0]]


def _same(found: list[int], true: list[int]) -> bool:
    return len(set(zip(found, true, strict=True))) == len(set(true)) == len(set(found))


@pytest.mark.parametrize("other", [SECOND, NEIGHBOUR])
def test_two_birds_in_turns_are_two_though_they_share_a_syllable(other: Bird) -> None:
    assert _same(_parted([FIRST, other] * 3), [0, 1] * 3)


def test_three_birds_are_three_but_for_who_is_told_how_many_there_are() -> None:
    third: Bird = [[0], [7, 8], [13], [19]]
    songs = [FIRST, SECOND, third] * 2
    assert _same(_parted(songs), [0, 1, 2] * 2)
    assert len(set(_parted(songs, most=2))) == 2
    assert set(_parted(songs, most=1)) == {0}


def test_a_bird_that_changes_the_order_of_its_syllables_is_one() -> None:
    assert set(_parted([FIRST, FIRST[::-1]] * 3)) == {0}


def test_of_one_bout_nobody_knows_how_alike_its_singers_are() -> None:
    assert set(_parted([FIRST, FIRST, FIRST, FIRST, SECOND])) == {0}
    assert _same(_parted([FIRST, FIRST, FIRST, FIRST, SECOND, SECOND]), [0, 0, 0, 0, 1, 1])


def test_without_rests_there_are_no_bouts() -> None:
    assert set(_parted([FIRST, SECOND] * 3, rest_s=0.5)) == {0}


def _turns(songs: list[Bird], notes: int = 16, rest_s: float = 1.5) -> tuple[Pairs, Ints]:
    """Bouts, and the number of each note's."""
    pairs = _pairs(*_sung(songs, notes=notes, rest_s=rest_s))
    return pairs, np.repeat(np.arange(len(songs)), notes)


def test_bouts_are_believed_where_they_account_better_for_what_comes_back() -> None:
    pairs, bout = _turns([FIRST, NEIGHBOUR] * 3)
    two = bout % 2
    mixed = np.roll(two, 8)
    assert likeliest((mixed, two), pairs.timbre, pairs) is two
    # Of as good an account the one with fewer singers is believed, but not whatever it mixes.
    halves = two + 2 * (np.arange(len(two)) // 8 % 2)
    assert likeliest((halves, two, np.zeros_like(two)), pairs.timbre, pairs) is two


def test_of_ways_to_tell_a_chorus_that_is_believed_which_goes_over_seldom() -> None:
    pairs, bout = _turns([FIRST, SECOND] * 3)
    two = bout % 2
    syllables = two + 2 * (np.arange(len(two)) % 2)
    mixed = np.roll(two, 8)
    assert likeliest([syllables, two, mixed], pairs.like, pairs) is two


def test_to_go_over_while_another_sounds_tells_nothing_of_how_many_sing() -> None:
    third: Bird = [[0], [7, 8], [13], [19]]
    pairs, bout = _turns([FIRST, SECOND, third] * 24, notes=2, rest_s=0.0)
    three = bout % 3
    ways = [three, np.minimum(three, 1)]
    assert likeliest(ways, pairs.like, pairs) is ways[1]
    pairs.offset_s[:] = pairs.onset_s + 0.2
    assert likeliest(ways, pairs.like, pairs) is three


def test_singers_mixed_by_other_evidence_are_put_right_by_bouts(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    pairs, bout = _turns([FIRST, SECOND] * 3)
    nobody = np.full(len(bout), -1, np.int64)
    for mixed in (np.roll(bout % 2, 8), bout % 2 + 2 * (np.arange(len(bout)) // 8 % 2)):
        monkeypatch.setattr(
            "callresp.listen.voices.clustering.join_again", lambda *_, mixed=mixed: mixed
        )
        assert _same(settle(pairs, nobody).tolist(), (bout % 2).tolist())


def test_songs_of_three_notes_are_enough() -> None:
    assert _same(_parted([FIRST, SECOND] * 3, notes=3), [0, 1] * 3)


def test_two_calls_are_too_little_and_go_with_the_nearest_bout() -> None:
    songs = [FIRST, SECOND] * 3
    notes, features = _sung(songs)
    call, its = _sung([SECOND], notes=2)
    later_s = notes["offset_s"][15] + 1.5
    for name in ("onset_s", "offset_s"):
        notes[name][16:] += 3.0
        call[name] += later_s
    order = np.argsort(np.r_[notes["onset_s"], call["onset_s"]], kind="stable")
    pairs = _pairs(np.r_[notes, call][order], np.r_[features, its][order])
    owner = by_bouts(pairs)
    assert owner is not None
    assert owner[:18].tolist() == [owner[0]] * 18
    assert _same(owner[[0, 20, 40, 55, 70, 90]].tolist(), [0, 1] * 3)


def _bouts(own: float, its: float, both: float, bouts: int = 3) -> Bouts:
    """So many bouts of each of two birds, ten notes each; how alike their notes are in the mean."""
    count = 2 * bouts
    alike = np.full((count, count), both)
    alike[:bouts, :bouts], alike[bouts:, bouts:] = own, its
    nearest = np.repeat(np.arange(count), 10)
    worth = 10.0 * (1.0 - np.eye(count))
    return Bouts(
        weight=np.ones(len(nearest), np.float32),
        nearest=nearest,
        back=(worth * alike)[nearest].astype(np.float32),
        worth=worth.astype(np.float32),
        alike=np.where(np.eye(count) > 0, 1.0, alike).astype(np.float32),
        first=np.arange(count) * 10,
    )


@pytest.mark.parametrize("first", [8, 5])
def test_what_is_gained_is_what_the_set_tells_of_what_comes_back(first: int) -> None:
    # Outside: mutual information (Cover & Thomas 2006, chapter 2), here the entropy of the two
    # sets where one tells the other, as scipy has it, and 0 where they are independent.
    second = np.arange(16) >= first
    apart, could = gained(second[None], _split(first))
    assert could[0] == pytest.approx(entropy([first, 16 - first]))
    assert apart[0] == pytest.approx(could[0], rel=0.2)
    same, _ = gained(second[None], _bouts(0.5, 0.5, 0.5, bouts=8))
    assert same[0] == pytest.approx(0.0, abs=0.01)


def _split(first: int) -> Bouts:
    """Sixteen bouts, the first of which have nothing in common with the others."""
    bouts = _bouts(1.0, 1.0, 1.0, bouts=8)
    other = (bouts.nearest[:, None] < first) != (np.arange(16) < first)
    return bouts._replace(back=np.where(other, np.float32(0), bouts.back))


@given(st.integers(4, 8), st.integers(0, 10_000))
def test_no_other_two_sets_gain_more(count: int, seed: int) -> None:
    rng = np.random.default_rng(seed)
    true = rng.permutation(np.arange(count) % 2 == 0)
    alike = np.where(true[:, None] == true, 0.4, 0.1) * rng.uniform(0.7, 1.0, (count, count))
    bouts = _bouts(1.0, 1.0, 1.0, bouts=4).among(np.arange(count))
    back = (bouts.worth * alike).astype(np.float32)[bouts.nearest]
    bouts = bouts._replace(back=back, alike=np.sqrt(alike).astype(np.float32))
    ways = np.arange(1, 2 ** (count - 1))[:, None] >> np.arange(count) & 1 > 0
    second = two_sets(bouts)
    assert min(second.sum(), count - second.sum()) >= LEAST_BOUTS
    assert gained(second[None], bouts)[0][0] == pytest.approx(
        gained(ways, bouts)[0].max(), abs=1e-5
    )


def test_the_less_two_sets_have_in_common_beside_what_each_has_the_likelier_they_are_two() -> None:
    second = np.arange(6) >= 3
    told = [nats_for_one(second, _bouts(0.8, 0.6, both)) for both in (0.02, 0.2, 0.4, 0.6)]
    assert told == sorted(told)
    assert told[1] < 0 < told[3]
    # As much in common, of birds that are less like themselves from bout to bout.
    assert nats_for_one(second, _bouts(0.8, 0.25, 0.2)) > told[1] + 1.0
    # About the same share tells about the same.
    half = nats_for_one(second, _bouts(0.4, 0.3, 0.1))
    assert half == pytest.approx(told[1], abs=0.3)


def test_where_other_evidence_tells_two_bouts_need_to_say_less() -> None:
    second = np.arange(6) >= 3
    doubtful = next(
        both
        for both in np.linspace(0.1, 0.6, 200).tolist()
        if nats_for_one(second, _bouts(0.8, 0.6, both)) > 0.5
    )
    assert nats_for_one(second, _bouts(0.8, 0.6, doubtful), two_before=True) < 0.0
    assert nats_for_one(second, _bouts(0.7, 0.7, 0.7), two_before=True) > 0.0


def test_why_tells_what_bouts_say() -> None:
    notes, features = _sung([FIRST, NEIGHBOUR] * 3)
    notes = assign_voices(notes, features)
    assert len(set(notes["voice"].tolist())) == 2
    pairs = _pairs(notes, features)
    told = nats_apart(notes["voice"].astype(np.int64), 0, 1, pairs)
    assert told > 1.0
    for n in (3, 20):
        (other,) = [one for one in why(notes, features, n).against if one.instead >= 0]
        assert other.bouts == pytest.approx(told)
        assert other.nats > other.bouts + other.gap + other.overlap + other.level - 20
    nobody = [one for one in why(notes, features, 3).against if one.instead < 0]
    assert [one.bouts for one in nobody] == [0.0]


def _halves(songs: int) -> tuple[Pairs, Ints]:
    """Bouts of one bird, each begun by one voice and ended by another."""
    pairs = _pairs(*_sung([FIRST] * songs))
    return pairs, np.tile(np.repeat([0, 1], 8), songs)


def test_voices_that_share_what_they_sing_are_joined_within_a_few_bouts() -> None:
    assert set(join_again(*_halves(3)[::-1], 0.0).tolist()) == {0}
    # Of many bouts they may be neighbours who sing alike.
    assert set(join_again(*_halves(9)[::-1], 0.0).tolist()) == {0, 1}
    pairs, owner = _halves(4)
    assert set(join_again(owner, pairs, 1e6).tolist()) == {0, 1}


def test_a_part_of_a_song_is_joined_against_some_evidence() -> None:
    pairs, _ = _halves(2)
    begun = np.repeat([0, 1], [8, 24])
    against = 2.0  # nats that speak against it
    evidence = _nats_of(begun, pairs)
    assert set(join_again(begun, pairs, evidence + against).tolist()) == {0}
    assert set(join_again(begun, pairs, evidence + 4.0).tolist()) == {0, 1}
    # Nor if they take turns as birds do, or are whole voices.
    turns = np.repeat([0, 1, 0, 1], 8)
    assert set(join_again(turns, pairs, _nats_of(turns, pairs) + against).tolist()) == {0, 1}
    pairs, _ = _halves(6)
    owner = np.repeat([0, 1], [40, 56])
    assert set(join_again(owner, pairs, _nats_of(owner, pairs) + against).tolist()) == {0, 1}


def _nats_of(owner: Ints, pairs: Pairs) -> float:
    groups = room_for_groups(2)
    gather(owner, pairs, groups)
    return float(terms(0, 1, False, groups).sum())


def test_who_is_known_is_not_parted() -> None:
    pairs = _pairs(*_sung([FIRST, NEIGHBOUR] * 3))
    nobody = np.full(len(pairs.weight), -1, np.int64)
    assert settle(pairs, nobody).max() == 1
    known = nobody.copy()
    known[:32] = 0
    assert set(settle(pairs, known)[:32].tolist()) == {0}


@pytest.mark.parametrize("known_bouts", [1, 2])
def test_bouts_tell_a_second_bird_though_the_first_is_known(known_bouts: int) -> None:
    """It went to whoever was known, however long both sang: in a long recording, and live."""
    pairs, bout = _turns([FIRST, NEIGHBOUR] * 3)
    known = np.where(bout < known_bouts, bout % 2, -1)
    assert settle(pairs, known).tolist() == (bout % 2).tolist()


def test_online_two_birds_in_turns_stay_two_longer_than_its_history() -> None:
    notes, features = _sung([FIRST, SECOND] * 20)
    assert len(notes) > 1.5 * HISTORY
    tracker = VoiceTracker(regroup=False)
    voices: list[int] = []
    for n in range(len(notes)):
        voices.append(tracker.assign(notes[n : n + 1], features[n : n + 1]))
        if n % 16 == 15:
            for number, voice in tracker.regroup(frozenset(range(n + 1))).items():
                voices[number] = voice
    assert _same(voices, (np.arange(len(notes)) // 16 % 2).tolist())


def test_online_a_bird_is_known_again_after_longer_than_its_history() -> None:
    songs = [FIRST, SECOND] * 3 + [FIRST] * 24 + [SECOND, FIRST] * 3
    notes, features = _sung(songs)
    tracker = VoiceTracker(regroup=False)
    voices: list[int] = []
    for n in range(len(notes)):
        voices.append(tracker.assign(notes[n : n + 1], features[n : n + 1]))
        if n % 16 == 15:
            for number, voice in tracker.regroup(frozenset(range(n - 63, n + 1))).items():
                voices[number] = voice
    true = [int(song is SECOND) for song in songs for _ in range(16)]
    late = slice(-16 * 6, None)
    assert _same(voices[16 * 4 : 16 * 6] + voices[late], true[16 * 4 : 16 * 6] + true[late])


def test_online_a_voice_told_apart_once_more_has_its_old_name(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    """One after all at one grouping, two at the next: the name that fell out of use comes back."""
    notes, features = _sung([FIRST, SECOND] * 4)
    true = np.arange(len(notes)) // 16 % 2
    tracker = VoiceTracker(regroup=False)
    for n in range(len(notes)):
        tracker.assign(notes[n : n + 1], features[n : n + 1])
        if n % 16 == 15:
            tracker.regroup(frozenset(range(n + 1)))
    told: list[set[int]] = []
    for groups in (true, 0 * true, true, 0 * true, true):
        monkeypatch.setattr(
            "callresp.listen.voices.online_voices.settle", lambda *_, groups=groups: groups
        )
        tracker.regroup(frozenset(range(len(notes))))
        told.append(set(tracker._name[: len(notes)].tolist()))
    assert [len(names) for names in told] == [2, 1, 2, 1, 2]
    assert told[0] == told[2] == told[4]
