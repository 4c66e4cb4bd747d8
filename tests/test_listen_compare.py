"""Several detectors on one recording: counts, the picture, and the command."""

from __future__ import annotations

import json
from pathlib import Path

import numpy as np
import pytest
from click.testing import CliRunner
from listen_helpers import RATE_HZ, calls, recorded

from callresp.errors import UserError
from callresp.evaluate import compare as comparing
from callresp.evaluate.annotations import Mark
from callresp.evaluate.scoring import backing
from callresp.io.audio import open_recording, stretch_of
from callresp.io.score import HeardHeader, HeardScore, Note
from callresp.plots.compare import draw_comparison
from callresp.plots.spectrogram import log_spectrogram
from callresp.verbs.compare import command

pytestmark = pytest.mark.usefixtures("coarse")

ONSETS_S = (0.6, 1.1, 1.35, 1.6, 2.4, 2.6, 3.0)


@pytest.fixture(scope="module")
def path(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return recorded(tmp_path_factory.mktemp("compare"), calls(ONSETS_S, 4.0))


@pytest.fixture(scope="module")
def found(path: Path) -> comparing.Comparison:
    marks = tuple(Mark(onset_s, onset_s + 0.08) for onset_s in ONSETS_S)
    return comparing.compare(
        open_recording(path), ["native", "librosa"], marks=marks, spans=(Mark(0.5, 3.2),)
    )


def _heard(name: str, onsets_s: list[float]) -> comparing.DetectorResult:
    notes = tuple(
        Note(id=i, onset_s=t, offset_s=t + 0.05, pitch_hz=None, level_db=-20, voice="A")
        for i, t in enumerate(onsets_s)
    )
    return comparing.DetectorResult(name, HeardScore(header=HeardHeader(), notes=notes), 1.0)


def test_a_detector_agrees_with_itself_and_is_scored_within_the_spans(
    found: comparing.Comparison,
) -> None:
    native, librosa = found.heard
    assert native.against is not None
    assert native.against.onsets[1].f == 1.0
    assert np.allclose(np.diag(found.pairwise[0]), 1)
    assert librosa.against is not None
    assert librosa.against.onsets[0].recall == 1.0
    assert librosa.against.onsets[0].estimated < len(librosa.score.notes)


def test_alone_counts_what_no_other_has(found: comparing.Comparison) -> None:
    backed = backing([own.onsets_s for own in found.heard])
    assert found.alone == tuple(int(np.sum(counts == 0)) for counts in backed)


def test_an_unknown_detector_is_refused_before_any_is_run(path: Path) -> None:
    with pytest.raises(UserError, match="no detector 'owl'"):
        comparing.compare(open_recording(path), ["native", "owl"])


def test_the_stretch_shown_is_where_they_differ() -> None:
    same = [float(t) for t in range(0, 100, 2)]
    both = (_heard("a", same), _heard("b", [*same, 151.0, 152.0, 153.0, 154.0]))
    pair = comparing.Comparison(both, (), (0, 4))
    start_s, end_s = comparing.telling_stretch(pair, 10.0, 200.0)
    assert (start_s, end_s) == (151.0, 161.0)
    assert comparing.telling_stretch(pair, 30.0, 20.0) == (0.0, 20.0)
    nothing = comparing.Comparison((_heard("a", []),), (), (0,))
    assert comparing.telling_stretch(nothing, 10.0, 200.0) == (0.0, 10.0)


def test_a_stretch_is_read_sample_by_sample(path: Path) -> None:
    whole = np.concatenate(list(open_recording(path).blocks()))
    part = stretch_of(open_recording(path), 1.25, 2.5)
    assert np.array_equal(part, whole[int(1.25 * RATE_HZ) : int(2.5 * RATE_HZ)])


def test_the_spectrogram_peaks_at_the_call(path: Path) -> None:
    drawn = log_spectrogram(open_recording(path), 0.0, 2.0, 200.0, 12000.0)
    hertz = np.geomspace(drawn.low_hz, drawn.high_hz, len(drawn.above_db))
    assert hertz[drawn.above_db.max(axis=1).argmax()] == pytest.approx(3000, abs=60)


@pytest.mark.parametrize(
    ("ending", "magic"), [("png", b"\x89PNG"), ("pdf", b"%PDF"), ("svg", b"<?xml")]
)
def test_pictures_of_each_kind(
    tmp_path: Path, path: Path, found: comparing.Comparison, ending: str, magic: bytes
) -> None:
    out = tmp_path / f"picture.{ending}"
    draw_comparison(out, open_recording(path), found, (0.0, 4.0))
    assert out.read_bytes().startswith(magic)


def test_the_picture_shows_notes_where_they_are(
    tmp_path: Path, path: Path, found: comparing.Comparison
) -> None:
    import matplotlib.image

    out = tmp_path / "picture.png"
    # Blue (an onset that both have) stands only where the calls are.
    draw_comparison(out, open_recording(path), found, (0.0, 4.0))
    pixels = matplotlib.image.imread(out)[..., :3]
    blue = pixels[..., 2] - pixels[..., 0] > 0.3
    columns = np.flatnonzero(blue[int(0.15 * len(blue)) : int(0.85 * len(blue))].any(axis=0))
    last_s = max(note.offset_s for note in found.heard[0].score.notes)
    per_s = (columns[-1] - columns[0]) / (last_s - ONSETS_S[0])

    def is_blue(at_s: float) -> bool:
        return bool(np.isin(columns, round(columns[0] + (at_s - ONSETS_S[0]) * per_s)).any())

    assert all(is_blue(onset_s + 0.02) for onset_s in ONSETS_S)
    assert not any(is_blue(at_s) for at_s in (0.9, 1.9, 2.1, 2.85))


def test_the_command_tells_draws_and_scores(tmp_path: Path, path: Path) -> None:
    marks = tmp_path / "marks.csv"
    marks.write_text("onset_s,offset_s\n" + "".join(f"{t},{t + 0.08}\n" for t in ONSETS_S))
    out = tmp_path / "x.png"
    asked = [str(path), "--detector", "native", "--detector", "librosa", "--labels", str(marks)]
    told = CliRunner().invoke(command, [*asked, "-o", str(out)])
    assert told.exit_code == 0, told.output
    assert out.stat().st_size > 10_000
    assert "native and librosa" in told.stdout
    assert "against 7 marks" in told.stdout
    emitted = json.loads(CliRunner().invoke(command, [*asked, "--json"]).stdout)
    rows = {row["detector"]: row for row in emitted["detectors"]}
    assert rows["native"]["against_marks"]["50ms"]["f"] == 1.0
    assert set(emitted["agreement"][0]) == {"a", "b", "f_50ms", "f_25ms", "f_10ms"}


def test_the_command_lists_every_detector() -> None:
    listed = CliRunner().invoke(command, ["--list"]).stdout
    for name in ("native", "superflux", "cnn", "rnn", "rnn-online", "librosa", "pyin"):
        assert f"\n{name}" in "\n" + listed
    assert "CC BY-NC-SA" in listed


@pytest.mark.parametrize(
    ("extra", "fault"),
    [
        (["-o", "x.gif"], "can't draw a '.gif' picture"),
        (["--span", "s.csv"], "--span without --labels"),
        (["--from", "9"], "nothing to draw"),
    ],
)
def test_a_mistake_is_told_in_one_line(path: Path, extra: list[str], fault: str) -> None:
    result = CliRunner().invoke(command, [str(path), "--detector", "native", *extra])
    assert isinstance(result.exception, UserError)
    assert fault in str(result.exception)
    assert isinstance(CliRunner().invoke(command, []).exception, UserError)


def test_a_long_file_is_drawn_whole_in_small(
    tmp_path: Path, path: Path, found: comparing.Comparison
) -> None:
    out = tmp_path / "picture.svg"
    draw_comparison(out, open_recording(path), found, (1.0, 2.0))
    text = out.read_text()
    whole_s = open_recording(path).duration_s
    assert f"1.0 to 2.0 s of 0:{round(whole_s):02d}" in text
    # Each detector has a row in small and one in full.
    assert all(text.count(f">{own.name}<") == 2 for own in found.heard)
