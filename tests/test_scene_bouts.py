"""Singers as birds are: their truth, the order of their syllables, gaps, levels and turns."""

from __future__ import annotations

from functools import cache
from itertools import pairwise
from typing import Any

import numpy as np
import pytest
from scene_helpers import recipe
from scipy import stats

from callresp.errors import UserError
from callresp.io.score import Note
from callresp.scene.bouts import bout, own_stream, repertoire, sequence
from callresp.scene.recipe import Recipe, load_recipe, vary
from callresp.scene.render import render
from callresp.scene.schedule import arrivals

BIRD: dict[str, Any] = {
    "voice": "A",
    "shapes": ["whistle", "sweep", "stack", "buzz", "click", "trill"],
    "band_hz": [900, 7200],
    "syllables": 8,
    "notes": [8, 24],
    "note_ms": [25, 140],
    "gap_ms": [20, 150],
    "rest_s": [1.0, 2.0],
    "per_s": [8, 16],
}
SCENES = ("soloist", "turns", "counter-singing", "crowd")
ALL_SCENES = (*SCENES, *(f"score-{name}" for name in SCENES))


@cache
def _scene(name: str) -> Recipe:
    return vary(load_recipe(name), seconds=30)


@cache
def _true(name: str) -> tuple[Note, ...]:
    return render(_scene(name)).truth.notes


def _by_voice(notes: tuple[Note, ...]) -> dict[str, list[Note]]:
    voices: dict[str, list[Note]] = {}
    for note in notes:
        voices.setdefault(note.voice, []).append(note)
    return voices


def test_syllables_follow_each_other_as_the_grammar_says() -> None:
    """Counted pairs against the stated probabilities (Pearson's chi-square, by scipy)."""
    known = repertoire(
        scene := recipe(BIRD), singer := scene.singer[0], rng := own_stream(scene, singer)
    )
    assert known.order.sum(axis=1) == pytest.approx(np.ones(8))
    found = sequence(known, 20000, rng)
    counts = np.zeros((8, 8))
    for here, after in pairwise(found):
        counts[here, after] += 1
    for row, order in zip(counts, known.order, strict=True):
        possible = order > 0
        assert row[~possible].sum() == 0
        assert row.sum() > 100  # every syllable is reached
        if possible.sum() > 1:
            expected = row.sum() * order[possible]
            assert stats.chisquare(row[possible], expected).pvalue > 1e-4
    # An order that is no order at all would pass the above: some successor must be the usual one.
    assert known.order.max(axis=1).mean() > 0.4


def test_a_bout_sings_its_sequence() -> None:
    """The notes of a bout are the syllables drawn, a trill being some notes of one syllable."""
    scene = recipe(BIRD)
    known = repertoire(scene, scene.singer[0], own_stream(scene, scene.singer[0]))
    song, ends_s = bout(known, scene.singer[0], 3.0, np.random.default_rng(5))
    again = np.random.default_rng(5)
    count = int(again.integers(8, 25))
    again.uniform(), again.normal()  # tempo and level of the bout
    pitches = [m.parts[0].middle_hz for m in known.syllables]
    sung = [int(np.argmin(np.abs(np.log2(np.array(pitches) / s.middle_hz)))) for s in song]
    drawn = sequence(known, count, again)
    expected = [n for n in drawn for _ in range(known.syllables[n].times)]
    assert sung == expected
    assert song[0].at_s == 3.0
    assert ends_s == pytest.approx(song[-1].at_s + song[-1].length_s)


@pytest.mark.parametrize("name", ALL_SCENES)
def test_truth_names_the_singer_of_every_note(name: str) -> None:
    """Each note that reaches the microphone has its own line of truth, with its singer."""
    scene = _scene(name)
    whole = [c for c in arrivals(scene) if c.at_s + c.sung.length_s < scene.seconds - 0.1]
    left = {voice: list(notes) for voice, notes in _by_voice(_true(name)).items()}
    assert set(left) == {singer.voice for singer in scene.singer}
    for one in whole:
        # The onset lies within the attack, and in the same phrase.
        note = left[one.singer.voice].pop(0)
        assert -1e-4 < note.onset_s - one.at_s < one.sung.length_s
        assert note.phrase == one.phrase
    assert sum(map(len, left.values())) <= len(scene.singer)


@pytest.mark.parametrize("name", ALL_SCENES)
def test_no_singer_sings_over_itself_and_gaps_keep_to_their_range(name: str) -> None:
    """Scheduled gaps are in the stated range; truth's are a little longer by the faint edges."""
    scene = _scene(name)
    songs: dict[tuple[str, int], list[Any]] = {}
    for arrival in arrivals(scene):
        songs.setdefault((arrival.singer.voice, arrival.phrase), []).append(arrival.sung)
    ranges_s = {s.voice: np.array(s.gap_ms) / 1000 for s in scene.singer}
    for (voice, _), song in songs.items():
        gaps_s = [b.at_s - (a.at_s + a.length_s) for a, b in pairwise(song)]
        if gaps_s:
            assert min(gaps_s) >= ranges_s[voice][0] - 1e-9
            assert max(gaps_s) <= ranges_s[voice][1] + 1e-9
    for voice, own in _by_voice(_true(name)).items():
        for before, after in pairwise(own):
            gap_s = after.onset_s - before.offset_s
            assert gap_s > 0.0
            if before.phrase == after.phrase:
                assert gap_s < ranges_s[voice][1] + 0.1


def test_unlike_syllables_over_octaves() -> None:
    """What old scenes lacked: one singer's notes span octaves, with pitch and without."""
    for name in ("soloist", "score-soloist"):
        (own,) = _by_voice(_true(name)).values()
        pitches = [note.pitch_hz for note in own if note.pitch_hz]
        assert np.log2(max(pitches) / min(pitches)) > 2.0
        assert {note.tonality for note in own} == {0.0, 1.0}
        assert len({note.phrase for note in own}) >= 3


def test_level_holds_through_a_bout() -> None:
    """The same syllable comes back at the same level; bouts differ by little."""
    known = repertoire(
        scene := recipe(BIRD), singer := scene.singer[0], rng := own_stream(scene, singer)
    )
    pitches = np.array([m.parts[0].middle_hz for m in known.syllables])
    usual_db = np.array([m.parts[0].level_db for m in known.syllables])
    bouts_db, within_db = [], []
    for _ in range(40):
        song, _ = bout(known, singer, 0.0, rng)
        kinds = [int(np.argmin(np.abs(np.log2(pitches / sung.middle_hz)))) for sung in song]
        away_db = np.array([sung.level_db for sung in song]) - usual_db[kinds]
        bouts_db.append(away_db.mean())
        within_db.extend(away_db - away_db.mean())
    assert 0.3 < np.std(within_db) < 0.7
    assert 0.5 < np.std(bouts_db) < 1.2


def test_turns_alternate_without_overlap_and_counter_singers_overlap() -> None:
    for name, share in (("turns", 0.0), ("score-turns", 0.0)):
        assert _overlapping(name) == share
    for name in ("counter-singing", "score-counter-singing"):
        assert _overlapping(name) > 0.5


def _overlapping(name: str) -> float:
    """Share of bouts that begin before the one before has ended, as the singers sing them."""
    bouts: dict[int, list[Any]] = {}
    for arrival in arrivals(load_recipe(name)):
        bouts.setdefault(arrival.phrase, []).append(arrival)
    spans = [
        (b[0].sung.at_s, b[-1].sung.at_s + b[-1].sung.length_s, b[0].singer.voice)
        for b in bouts.values()
    ]
    assert all(before[2] != after[2] for before, after in pairwise(spans))
    return float(np.mean([after[0] < before[1] for before, after in pairwise(spans)]))


def test_singers_of_one_kind_share_their_syllables() -> None:
    """Each in its own way: pitches near one another's, levels and order not the same."""
    kin = [BIRD | {"voice": voice, "kind": "reed", "turns": "row"} for voice in "AB"]
    scene = recipe(*kin, BIRD | {"voice": "C"})
    known = [repertoire(scene, s, own_stream(scene, s)) for s in scene.singer]
    pitch = [np.log2([m.parts[0].middle_hz for m in one.syllables]) for one in known]
    assert np.abs(pitch[0] - pitch[1]).max() < 0.25
    assert np.abs(pitch[0] - pitch[1]).max() > 0.01
    assert np.abs(pitch[0] - pitch[2]).max() > 0.5
    assert not np.allclose(known[0].order, known[1].order)


def test_a_further_bird_leaves_the_songs_of_the_others_as_they_were() -> None:
    other = BIRD | {"voice": "Z", "band_hz": [2000, 8000]}
    alone = [c.sung for c in arrivals(recipe(BIRD)) if c.singer.voice == "A"]
    with_other = [c.sung for c in arrivals(recipe(BIRD, other)) if c.singer.voice == "A"]
    assert alone == with_other


@pytest.mark.parametrize(
    ("singer", "says"),
    [
        (BIRD | {"syllables": None, "kind": "reed"}, "need a singer with 'syllables'"),
        (BIRD | {"syllables": None, "turns": "row"}, "need a singer with 'syllables'"),
        (BIRD | {"shapes": ["knock"]}, "neither 'double' nor 'knock'"),
        (BIRD | {"turns": "row"}, "'turns' needs two singers"),
        (BIRD | {"turns": "row", "turn_s": [1, -1]}, "'turn_s' runs from the lower"),
    ],
)
def test_what_can_not_be_sung_is_told(singer: dict[str, Any], says: str) -> None:
    with pytest.raises((ValueError, UserError), match=says):
        recipe(singer)
