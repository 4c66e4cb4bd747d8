"""The audition picture: whose lanes, in whose colours, at which pitches, to the last stroke."""

from __future__ import annotations

from pathlib import Path

import msgspec
import pytest
from matplotlib.figure import Figure
from rehearse_helpers import bar, damper, machine, plan, strike
from test_rehearse_passage import heard, reply
from test_rehearse_picture import texts, tone

from callresp.io.audio import open_recording
from callresp.palette.model import Board, Driver
from callresp.plan.checked_plan import check
from callresp.plots.auditions import AuditionRow, draw_auditions
from callresp.plots.excerpt_lanes import draw_key
from callresp.plots.excerpt_picture import WITHIN_IN

pytestmark = pytest.mark.usefixtures("coarse")


@pytest.fixture
def row() -> AuditionRow:
    """Two bars, struck at 2, 2.5 and 5 s and, after the recording's 6 s, at 9 s."""
    palette = machine(
        bar(880.0, name="bar", damper=damper()), bar(1760.0, name="high bar", channel=1)
    )
    times = (1.99, 2.49, 4.99, 8.99)
    score = plan(*(strike(at_s, reply=n) for n, at_s in enumerate(times)), duration_s=6.0)
    return AuditionRow("answer: half of them", reply(), check(score, palette))


def test_lanes_voices_and_frequencies_are_named(tmp_path: Path, row: AuditionRow) -> None:
    draw_auditions(tmp_path / "x.svg", heard(), [row, row])
    shown = texts(tmp_path / "x.svg")
    for text in ("X", "bar", "high bar", "A5", "A6", "2 kHz", "A", "answer: half of them"):
        assert text in shown, text
    assert shown.count("high bar") == 3, "a lane in each of two sets, and its pitch at the edge"
    assert "Colour: voice heard or answered" in shown


@pytest.mark.parametrize(("voices", "least"), [(10, 10), (70, 20)])
def test_the_key_names_the_voices_that_fit_and_counts_the_others(voices: int, least: int) -> None:
    axes = Figure((WITHIN_IN, 0.5)).add_axes((0, 0, 1, 1))
    names = [f"{number:02}" for number in range(voices)]
    draw_key(axes, WITHIN_IN, dict.fromkeys(names, "black"), walls=True)
    shown = [text.get_text() for text in axes.texts]
    named = [text for text in shown if text in names]
    assert named == names[: len(named)]
    assert len(named) >= least
    assert [text for text in shown if text.startswith("+")] == (
        [] if len(named) == voices else [f"+{voices - len(named)}"]
    )
    inches = axes.transData.inverted()
    ends = [inches.transform(text.get_window_extent())[1][0] for text in axes.texts]
    assert max(ends) <= WITHIN_IN


def test_of_many_strikers_those_have_lanes_that_some_set_plays(tmp_path: Path) -> None:
    bars = [bar(500.0 + 50 * n, name=f"bar {n}", channel=n) for n in range(30)]
    palette = msgspec.structs.replace(
        machine(*bars[:2]),
        board=Board(name="board", coil_channels=30, motor_channels=0),
        driver=(Driver(name="all", channels=tuple(range(30)), current_max_a=50.0),),
        striker=tuple(bars),
    )
    rows = [
        AuditionRow(f"set {n}", reply(), check(plan(strike(1.99, channel=n, reply=0)), palette))
        for n in (3, 7)
    ]
    draw_auditions(tmp_path / "x.svg", heard(), rows)
    shown = texts(tmp_path / "x.svg")
    assert (shown.count("bar 3"), shown.count("bar 7")) == (3, 3)
    assert {text for text in shown if text.startswith("bar ")} == {"bar 3", "bar 7"}


def test_strokes_after_the_recordings_end_are_drawn(tmp_path: Path, row: AuditionRow) -> None:
    path = tmp_path / "x.svg"
    draw_auditions(path, heard(), [row])
    assert "4" in texts(path), "all four strokes are counted at the end of their lane"
    assert "0:09" in texts(path), "the time axis goes on beyond 6 s"


def test_a_long_recording_has_the_whole_in_small(tmp_path: Path, row: AuditionRow) -> None:
    recording = open_recording(tone(tmp_path / "long.wav", 2000.0, 90.0, 1.0, 1.5))
    draw_auditions(tmp_path / "x.svg", heard(), [row], recording)
    assert any(text.startswith("40 s of 1:30") for text in texts(tmp_path / "x.svg"))
