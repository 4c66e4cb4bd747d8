"""Pictures as files: whole, of the right kind, saying what they should."""

from __future__ import annotations

import xml.etree.ElementTree as ElementTree
from pathlib import Path

import numpy as np
import numpy.typing as npt
import pytest
from matplotlib.font_manager import findfont as find_font
from PIL import ImageFont
from rehearse_helpers import bar, damper, hold, machine, plan, shaker, strike, turn
from test_rehearse_passage import heard, reply

from callresp.errors import UserError
from callresp.io.audio import open_recording, write_wav
from callresp.plots.excerpt_picture import draw_excerpt, readable
from callresp.plots.spectrogram import Spectrogram, log_spectrogram

RATE = 22050


def tone(path: Path, hz: float, seconds: float, from_s: float = 0.0, until_s: float = 1e9) -> Path:
    time_s = np.arange(int(seconds * RATE)) / RATE
    rng = np.random.default_rng(1)
    wave = 0.3 * np.sin(2 * np.pi * hz * time_s) * ((time_s >= from_s) & (time_s < until_s))
    write_wav(path, wave + 1e-4 * rng.standard_normal(len(wave)), RATE)
    return path


def texts(path: Path) -> list[str]:
    return [e.text or "" for e in ElementTree.parse(path).iter() if e.tag.endswith("}text")]


def loudest(made: Spectrogram) -> tuple[float, float, npt.NDArray[np.intp]]:
    """Frequency of the loudest row, and where its columns stand out."""
    row = int(np.argmax(made.above_db.max(axis=1)))
    rows = len(made.above_db)
    hz = made.low_hz * (made.high_hz / made.low_hz) ** ((row + 0.5) / rows)
    return hz, float(made.above_db.max()), np.flatnonzero(made.above_db[row] > 40)


@pytest.mark.parametrize("hz", [400.0, 1000.0, 5000.0])
def test_the_wash_puts_a_tone_where_it_is(tmp_path: Path, hz: float) -> None:
    recording = open_recording(tone(tmp_path / "x.wav", hz, 4.0, 1.0, 2.0))
    made = log_spectrogram(recording, 0.0, 4.0, 200.0, 9000.0, columns=400, rows=200)
    found, above_db, columns = loudest(made)
    assert found == pytest.approx(hz, rel=0.06)
    assert above_db > 40
    assert columns.min() / 100 == pytest.approx(1.0, abs=0.04)
    assert columns.max() / 100 == pytest.approx(2.0, abs=0.04)


def test_a_stretch_is_the_same_in_a_short_and_a_long_recording(tmp_path: Path) -> None:
    long = open_recording(tone(tmp_path / "x.wav", 1000.0, 12.0, 6.0, 6.5))
    made = log_spectrogram(long, 5.0, 8.0, 200.0, 9000.0, columns=300, rows=100)
    _, _, columns = loudest(made)
    assert columns.min() / 100 == pytest.approx(1.0, abs=0.04)
    assert columns.max() / 100 == pytest.approx(1.5, abs=0.04)


def test_a_click_does_not_vanish_in_a_long_stretch(tmp_path: Path) -> None:
    path = tmp_path / "x.wav"
    wave = 1e-4 * np.random.default_rng(1).standard_normal(60 * RATE)
    wave[30 * RATE : 30 * RATE + 40] = 0.5
    write_wav(path, wave, RATE)
    made = log_spectrogram(open_recording(path), 0.0, 60.0, 200.0, 9000.0, columns=120, rows=60)
    assert int(np.argmax(made.above_db.mean(axis=0))) in (59, 60)


@pytest.mark.parametrize("count", [1, 100, 463, 5000])
def test_the_shortest_recordings_have_a_wash(tmp_path: Path, count: int) -> None:
    write_wav(tmp_path / "x.wav", 0.1 * np.ones(count), RATE)
    made = log_spectrogram(
        open_recording(tmp_path / "x.wav"), 0.0, max(count / RATE, 0.05), 200.0, 9000.0
    )
    assert np.isfinite(made.above_db).all()


def test_digital_silence_is_no_floor(tmp_path: Path) -> None:
    path = tmp_path / "x.wav"
    wave = 0.01 * np.random.default_rng(1).standard_normal(4 * RATE)
    wave[: 2 * RATE] = 0.0
    write_wav(path, wave, RATE)
    made = log_spectrogram(open_recording(path), 0.0, 4.0, 200.0, 9000.0, columns=100, rows=60)
    assert made.above_db.max() <= 80.0
    assert made.above_db[:, :45].max() == 0.0


def test_after_the_recording_nothing_is_drawn_and_before_it_the_same(tmp_path: Path) -> None:
    # A tone in its last second: held on to the picture's end, it was taken for the noise floor.
    recording = open_recording(tone(tmp_path / "x.wav", 1000.0, 2.0, 1.0))
    made = log_spectrogram(recording, 0.0, 6.0, 200.0, 9000.0, columns=600, rows=100)
    _, above_db, columns = loudest(made)
    assert above_db > 40
    assert columns.min() / 100 == pytest.approx(1.0, abs=0.04)
    assert columns.max() / 100 == pytest.approx(2.0, abs=0.04)
    assert made.above_db[:, 205:].max() == 0.0


def test_of_many_strikers_those_are_drawn_that_play(tmp_path: Path) -> None:
    names = [f"a bar with quite a long name {n}" for n in range(30)]
    bars = [bar(500.0 + 50 * n, name=names[n], channel=n) for n in range(30)]
    score = plan(strike(1.99, channel=3, reply=0))
    draw_excerpt(tmp_path / "x.svg", None, heard(), None, score, machine(*bars))
    shown = texts(tmp_path / "x.svg")
    assert any("29 strikers not struck here" in text for text in shown)
    # 1.22 in beside the lanes, and 0.16 in from there to the name: 76 points.
    lanes = [text for text in shown if text.startswith("a bar")]
    font = ImageFont.truetype(find_font("DejaVu Sans"), 85)
    assert lanes
    assert all(font.getlength(text) / 10 < 76 for text in lanes)
    assert all(text.endswith("3") and "…" in text for text in lanes)


def test_the_picture_names_every_lane_and_counts(tmp_path: Path) -> None:
    palette = machine(
        bar(880.0, name="low bar", damper=damper()),
        bar(1760.0, name="high bar", channel=1),
        turner=shaker(),
    )
    score = plan(strike(1.99, reply=0), strike(2.49, reply=1), hold(1.0, 3.0), turn(4.0, 5.0, 2.0))
    path = tmp_path / "x.svg"
    recording = tone(tmp_path / "at-the-carr.wav", 2000.0, 6.0, 1.0, 1.5)
    done = draw_excerpt(path, recording, heard(), reply(), score, palette)
    assert (done.heard_notes, done.strokes) == (3, 2)
    shown = texts(path)
    for text in ("At The Carr", "low bar", "high bar", "shaker", "A5", "A6", "2 kHz", "A", "calls"):
        assert text in shown
    facts = next(text for text in shown if "notes heard" in text)
    assert "3 notes heard of 1 voice" in facts
    assert "2 strokes on Test" in facts


@pytest.mark.parametrize(
    ("ending", "magic"),
    [(".png", b"\x89PNG"), (".svg", b"<?xml"), (".pdf", b"%PDF"), (".PNG", b"\x89PNG")],
)
def test_the_ending_chooses_the_format(tmp_path: Path, ending: str, magic: bytes) -> None:
    path = tmp_path / f"x{ending}"
    draw_excerpt(path, heard=heard())
    assert path.read_bytes().startswith(magic)


def test_the_same_picture_has_the_same_bytes(tmp_path: Path) -> None:
    for ending in ("png", "svg", "pdf"):
        one, two = tmp_path / f"1.{ending}", tmp_path / f"2.{ending}"
        draw_excerpt(one, heard=heard())
        draw_excerpt(two, heard=heard())
        assert one.read_bytes() == two.read_bytes()


def test_an_unknown_ending_is_refused_before_any_work(tmp_path: Path) -> None:
    path = tmp_path / "x.gif"
    with pytest.raises(UserError, match=r"\.png, \.svg, \.pdf"):
        draw_excerpt(path, heard=heard())
    assert list(tmp_path.iterdir()) == []


def test_a_stretch_has_the_whole_in_small(tmp_path: Path) -> None:
    path = tmp_path / "x.svg"
    palette = machine(bar(880.0))
    done = draw_excerpt(
        path, None, heard(), reply(), plan(strike(1.99)), palette, from_s=1.5, to_s=3.0
    )
    assert (done.from_s, done.to_s) == (1.5, 3.0)
    assert any(text.startswith("2 s of 0:06") for text in texts(path))


def test_stems_become_titles() -> None:
    assert readable("dawn_at_carr") == "Dawn At Carr"
    assert readable("REC-0012") == "REC 0012"
    assert readable("-") == "-"
