"""Scenes: the same bytes, whatever the block, and each singer for itself."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest
from hypothesis import given
from hypothesis import settings as example_settings
from hypothesis import strategies as st
from scene_helpers import ANOTHER, DRUMMER, ONE_SINGER, recipe

from callresp.errors import UserError
from callresp.io.audio import open_recording
from callresp.io.resources import shipped
from callresp.io.score import Note
from callresp.io.score_files import read_heard
from callresp.scene.recipe import load_recipe, vary
from callresp.scene.render import PreparedScene, render, render_to
from callresp.scene.schedule import arrivals


def test_same_recipe_same_bytes() -> None:
    scene = recipe(ONE_SINGER, ANOTHER, noise=("wind", "water", "rain", "traffic"))
    first, second = render(scene), render(scene)
    assert first.samples.tobytes() == second.samples.tobytes()
    assert first.truth == second.truth
    assert not np.array_equal(first.samples, render(vary(scene, seed=2)).samples)


@given(block=st.integers(100, 200_000))
@example_settings(max_examples=8)
def test_block_size_does_not_matter(block: int) -> None:
    prepared = PreparedScene(recipe(ONE_SINGER, noise=("rain",), seconds=2.3))
    blocks = list(prepared.blocks(block))
    assert max(map(len, blocks)) <= block
    assert np.array_equal(np.concatenate(blocks), np.concatenate(list(prepared.blocks())))
    assert sum(map(len, blocks)) == prepared.frames


def test_a_further_singer_leaves_the_others_as_they_were() -> None:
    alone, joined = render(recipe(ONE_SINGER)), render(recipe(ONE_SINGER, DRUMMER))
    theirs = [note for note in joined.truth.notes if note.voice == "A"]
    assert len(theirs) == len(alone.truth.notes) > 5
    for before, after in zip(alone.truth.notes, theirs, strict=True):
        assert (after.onset_s, after.offset_s, after.track) == (
            before.onset_s,
            before.offset_s,
            before.track,
        )
    moved = [b.level_db - a.level_db for a, b in zip(alone.truth.notes, theirs, strict=True)]
    assert max(moved) - min(moved) < 0.01, "the scale moves all by the same"


def test_files_hold_what_memory_holds(tmp_path: Path) -> None:
    scene = recipe(ONE_SINGER, ANOTHER, seconds=4.2)
    told: list[float] = []
    wav, truth = tmp_path / "a.wav", tmp_path / "a.heard.jsonl"
    count = render_to(scene, wav, truth, told.append)
    whole = render(scene)
    assert read_heard(truth) == whole.truth
    assert count == len(whole.truth.notes) > 0
    recording = open_recording(wav)
    assert recording.sample_rate_hz == 48000
    written = np.concatenate(list(recording.blocks()))
    assert np.abs(written - whole.samples).max() <= 2**-23
    assert told == sorted(told)
    assert told[-1] == pytest.approx(1.0)
    assert recording.warnings == []


def test_no_file_is_left_where_rendering_stops(tmp_path: Path) -> None:
    def stop(share: float) -> None:
        raise KeyboardInterrupt

    with pytest.raises(KeyboardInterrupt):
        render_to(recipe(ONE_SINGER), tmp_path / "a.wav", tmp_path / "a.jsonl", stop)
    assert list(tmp_path.iterdir()) == []


@pytest.mark.parametrize("name", shipped("scenes"))
def test_every_shipped_scene_renders(name: str) -> None:
    scene = load_recipe(name)
    assert scene.name == name
    notes: list[Note] = []
    prepared = PreparedScene(vary(scene, seconds=6))
    samples = np.concatenate(list(prepared.blocks(hear=notes.append)))
    assert 0.02 < np.abs(samples).max() < 1.0
    assert {note.voice for note in notes} <= {singer.voice for singer in scene.singer}
    assert bool(notes) == bool(scene.singer)


def test_scoring_scenes_share_nothing_with_tuning_scenes() -> None:
    scenes = [load_recipe(name) for name in shipped("scenes")]
    tuning = [scene for scene in scenes if scene.use != "scoring"]
    scoring = [scene for scene in scenes if scene.use == "scoring"]
    assert {scene.seed for scene in tuning}.isdisjoint(scene.seed for scene in scoring)
    for ours in (singer for scene in tuning for singer in scene.singer):
        for theirs in (singer for scene in scoring for singer in scene.singer):
            assert (ours.shapes, ours.band_hz) != (theirs.shapes, theirs.band_hz)


def test_dawn_thins_out() -> None:
    thin = [singer | {"thin_out": True} for singer in (ONE_SINGER, ANOTHER)]
    times = np.array([arrival.at_s for arrival in arrivals(recipe(*thin, noise=(), seconds=600))])
    assert np.all(np.diff(times) >= 0)
    assert np.sum(times > 400) < np.sum(times < 200) / 2


def test_a_note_past_the_end_is_not_true() -> None:
    scene = render(recipe(ONE_SINGER | {"distance_m": 340}, noise=(), seconds=6))
    assert all(note.offset_s < 6 for note in scene.truth.notes)


def test_unknown_scene_and_wrong_values_are_told_in_a_line(tmp_path: Path) -> None:
    with pytest.raises(UserError, match="no file and no shipped name"):
        load_recipe("no-such-place")
    with pytest.raises(UserError, match="snr_db"):
        vary(recipe(ONE_SINGER), snr_db=200)
    path = tmp_path / "mine.toml"
    path.write_text('name = "m"\nseconds = 5\nseed = 1\n\n[[noise]]\nkind = "sea"\n')
    with pytest.raises(UserError, match=r"mine\.toml, line 6, noise\[1\]\.kind.*wind"):
        load_recipe(path)


def test_a_recipe_may_build_on_another(tmp_path: Path) -> None:
    (tmp_path / "mine.toml").write_text('base = "solo"\nname = "mine"\nsnr_db = 3\n')
    mine, solo = load_recipe(tmp_path / "mine.toml"), load_recipe("solo")
    assert mine.singer == solo.singer
    assert (mine.name, mine.snr_db) == ("mine", 3)
    (tmp_path / "ring.toml").write_text('base = "ring"\n')
    with pytest.raises(UserError, match="builds on itself"):
        load_recipe(tmp_path / "ring.toml")
