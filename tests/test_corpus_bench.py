"""The measures of the listening bench, on cases worked by hand or in print."""

from __future__ import annotations

from pathlib import Path

import bench_data
import bench_peers
import bench_scores
import bench_table
import numpy as np
import pytest

from callresp.errors import UserError
from callresp.io.score import Note


def note(
    onset_s: float, offset_s: float, pitch_hz: float | None, voice: str = "A", steps: int = 5
) -> Note:
    track: tuple[tuple[float, float], ...] = ()
    if pitch_hz:
        track = tuple((t, pitch_hz) for t in np.linspace(onset_s, offset_s, steps))
    return Note(
        id=0,
        onset_s=onset_s,
        offset_s=offset_s,
        pitch_hz=pitch_hz,
        level_db=-20.0,
        voice=voice,
        track=track,
    )


def test_pairwise_counts_are_those_of_the_textbook() -> None:
    """Manning, Raghavan & Schütze 2008, figure 16.4 and table 16.3: 20, 40 and 44 pairs."""
    clusters = {"1": "xxxxxo", "2": "xoooo+", "3": "xx+++"}
    truth = [label for members in clusters.values() for label in members]
    heard = [name for name, members in clusters.items() for _ in members]
    found = bench_scores.pairwise(truth, heard)
    assert (found.matched, found.heard, found.true) == (20, 40, 44)
    assert found.precision == pytest.approx(0.5)
    assert found.recall == pytest.approx(0.455, abs=0.001)
    assert found.f == pytest.approx(0.476, abs=0.001)


def test_onsets_count_at_each_window_and_once() -> None:
    tally = bench_scores.OnsetTally()
    tally.add(np.array([1.0, 2.0, 3.0]), np.array([1.005, 1.006, 2.02, 3.04, 9.0]))
    assert [tally.at[w].matched for w in (0.05, 0.025, 0.01)] == [3, 2, 1]
    assert tally.at[0.05].f == pytest.approx(2 * 3 / 8)


def test_spans_let_a_margin_in() -> None:
    inside = bench_scores.within(np.array([0.89, 0.91, 1.5, 2.09, 2.11]), [(1.0, 2.0)])
    assert inside.tolist() == [False, True, True, True, False]


def test_two_parts_at_once_are_one_onset() -> None:
    assert bench_scores.distinct(np.array([2.0, 1.0, 1.001])).tolist() == [1.0, 2.0]
    assert bench_scores.distinct(np.zeros(0)).tolist() == []


def test_offsets_are_counted_among_matched_notes() -> None:
    true = np.array([[1.0, 1.1], [2.0, 2.1], [3.0, 3.1]])
    heard = np.array([[1.01, 1.12], [2.0, 2.2], [5.0, 5.1]])
    assert bench_scores.offsets_within(true, heard) == (1, 2)


def test_notes_match_by_onset_pitch_and_offset() -> None:
    true = [note(1, 1.1, 2000), note(2, 2.1, 2000), note(3, 3.1, None), note(4, 4.5, 2000)]
    near = 2 ** (40 / 1200)
    heard = [
        note(1.04, 1.14, 2000 * near),
        note(2, 2.1, 2000 * 2 ** (60 / 1200)),
        note(3, 3.1, None),
        note(4, 4.35, 2000),
    ]
    assert bench_scores.match_notes(true, heard, offsets=False) == [(0, 0), (2, 2), (3, 3)]
    assert bench_scores.match_notes(true, heard, offsets=True) == [(0, 0), (2, 2)]
    assert bench_scores.match_notes(true, [], offsets=True) == []
    assert bench_scores.match_notes([note(3, 3.1, None)], [note(3, 3.1, 900)], offsets=False) == []


def test_pitch_errors_see_cents_and_octave_slips() -> None:
    errors = bench_scores.PitchErrors()
    true = [note(1, 1.1, 2000), note(2, 2.1, 3000)]
    errors.add(true, [note(1, 1.1, 2000 * 2 ** (10 / 1200)), note(2, 2.1, 6000)])
    found = errors.summary()
    assert errors.notes == 2
    assert found["octave_slips"] == 0.5
    assert found["within_50"] == pytest.approx(0.5)
    simultaneous = bench_scores.PitchErrors()
    simultaneous.add([note(1, 1.1, 2000), note(1, 1.1, 3000)], [note(1, 1.1, 3000)])
    assert simultaneous.notes == 1
    assert simultaneous.summary()["median_cents"] == pytest.approx(0.0, abs=1e-6)


def test_labelled_folder_is_read_with_its_spans(tmp_path: Path) -> None:
    (tmp_path / "1.wav").touch()
    (tmp_path / "2.wav").touch()
    (tmp_path / "1.csv").write_text("onset_s,offset_s,label\n0.5,0.6,a\n")
    (tmp_path / "1.span.csv").write_text("start_s,end_s\n0.4,0.9\n")
    (tmp_path / "2.csv").write_text("onset_s,offset_s,label\n1.5,1.6,a\n")
    first, second = bench_data.labelled(tmp_path)
    assert first.marks_s.tolist() == [[0.5, 0.6]]
    assert first.spans_s == [(0.4, 0.9)]
    assert second.spans_s == [(0.0, float("inf"))]
    (tmp_path / "2.csv").write_text("onset_s,label\n1.5,a\n")
    with pytest.raises(UserError, match=r"2\.csv"):
        bench_data.labelled(tmp_path)
    with pytest.raises(UserError, match="holds no recording"):
        bench_data.labelled(tmp_path / "nowhere")


def test_scenes_are_rendered_once(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(bench_data, "KEEP", tmp_path)
    first = bench_data.scene("score-solo", seconds=2)
    made = first.path.stat().st_mtime_ns
    assert bench_data.scene("score-solo", seconds=2).path.stat().st_mtime_ns == made
    assert bench_data.scene("score-solo", seconds=2, seed_step=1).path != first.path


@pytest.mark.parametrize("name", [peer.name for peer in bench_peers.peers()])
def test_every_peer_hears_three_loud_notes(name: str) -> None:
    (peer,) = bench_peers.peers((name,))
    if peer.missing:
        pytest.skip(f"{peer.name}: {peer.missing}")
    rate = peer.rate_hz or 48000
    time_s = np.arange(3 * rate) / rate
    since = (time_s - 0.5) % 0.8
    samples = np.sin(2 * np.pi * 1500 * time_s) * np.exp(-since / 0.1) * (time_s > 0.5)
    found = peer.prepare()(bench_peers.scaled(samples.astype(np.float32)), rate)
    for onset_s in (0.5, 1.3, 2.1):
        assert np.abs(found - onset_s).min() < 0.05


def test_tables_are_plain() -> None:
    table = bench_table.Table("Title", ("who", "F"), notes=["a note"])
    table.add("us", 0.5)
    table.add("them", None)
    assert table.text().splitlines() == [
        "",
        "Title",
        "who       F",
        "----  -----",
        "us    0.500",
        "them      -",
        "  a note",
    ]
    assert table.plain()["rows"] == [{"who": "us", "F": 0.5}, {"who": "them", "F": None}]
