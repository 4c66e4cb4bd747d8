"""The picture of `explain`: every note numbered, the strongest that were left out lettered."""

from __future__ import annotations

import xml.etree.ElementTree as ElementTree
from itertools import combinations
from pathlib import Path

import numpy as np
import pytest
from matplotlib.figure import Figure
from matplotlib.text import Text

from callresp.listen.diagnostics import Evidence, LeftOut
from callresp.listen.notes import NOTE
from callresp.plots import diagnostics
from callresp.plots.diagnostics import LETTERED_MOST, caption, draw_diagnostics, lettered
from callresp.plots.excerpt_heard import spread_out
from callresp.plots.spectrogram import grey_range, share_below
from callresp.plots.style import voice_colours

pytestmark = pytest.mark.usefixtures("coarse")


def evidence(notes: int, left_out: int) -> Evidence:
    rows = np.zeros(notes, NOTE)
    rows["onset_s"] = np.linspace(0.0, 3.9, notes)
    rows["offset_s"] = rows["onset_s"] + 0.05
    rows["low_hz"], rows["high_hz"] = 1900.0, 2100.0
    others = tuple(
        LeftOut(n * 0.02, n * 0.02 + 0.01, 3000.0, 3100.0, float(n % 41), "faint", None)
        for n in range(left_out)
    )
    grid = np.zeros((20, 30))
    return Evidence(
        at_s=np.linspace(0, 4, 20), hertz=np.linspace(100, 12000, 30), power_db=grid + 5,
        floor_db=grid, asked_db=6.0, points=np.zeros((0, 3)), rising=np.zeros(20),
        rising_asked=5, notes=rows, left_out=others, remarks={},
    )  # fmt: skip


def test_beyond_sixty_all_notes_are_numbered_and_the_strongest_lettered(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    # An outlined text is drawn as a path; without its outline its words can be read.
    monkeypatch.setattr("callresp.plots.style.outline", lambda *given: None)
    found = evidence(80, 90)
    draw_diagnostics(tmp_path / "x.svg", found, "x", (400.0, 12000.0))
    root = ElementTree.parse(tmp_path / "x.svg")
    texts = {node.text for node in root.iter("{http://www.w3.org/2000/svg}text")}
    assert {str(n) for n in range(1, 81)} <= texts
    named = {diagnostics.letter(n) for n in lettered(found)}
    assert len(named) == LETTERED_MOST
    assert named <= texts
    told = caption(found)
    assert told in texts
    assert f"the {LETTERED_MOST} strongest lettered" in told


def names_in(
    found: Evidence, monkeypatch: pytest.MonkeyPatch, voices: dict[int, str] | None = None
) -> tuple[dict[str, Text], tuple[float, float, float, float]]:
    """The names of boxes as they are set, and the edges of the axes that they belong in."""
    drawn: list[Figure] = []
    monkeypatch.setattr("callresp.plots.style.save", lambda figure, *given: drawn.append(figure))
    draw_diagnostics(Path("x.png"), found, "x", (400.0, 12000.0), voices, (voices or {}).values())
    main = drawn[0].axes[0]
    return {text.get_text(): text for text in main.texts}, main.bbox.extents


def test_names_at_the_right_edge_and_at_the_top_are_whole(monkeypatch: pytest.MonkeyPatch) -> None:
    found = evidence(1, 0)
    found.notes["onset_s"], found.notes["offset_s"] = 3.98, 3.999
    found.notes["high_hz"] = 13_000.0
    texts, (left, bottom, right, top) = names_in(found, monkeypatch, {0: "A"})
    # How far a text goes is matplotlib's to say.
    box = texts["1A"].get_window_extent()
    assert left <= box.x0 < box.x1 <= right + 1
    assert bottom <= box.y0 < box.y1 <= top + 1


def test_names_of_notes_side_by_side_do_not_cover_each_other(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    found = evidence(4, 0)
    found.notes["onset_s"] = 1.0 + 0.025 * np.arange(4)
    found.notes["offset_s"] = found.notes["onset_s"] + 0.02
    texts, _ = names_in(found, monkeypatch)
    boxes = [texts[str(n)].get_window_extent() for n in (1, 2, 3, 4)]
    assert not any(one.overlaps(other) for one, other in combinations(boxes, 2))


def test_a_notes_name_tells_its_singer_by_letter_and_colour(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    texts, _ = names_in(evidence(3, 1), monkeypatch, {0: "A", 2: "B"})
    colours = voice_colours("AB")
    assert texts["1A"].get_color() == colours["A"] != texts["3B"].get_color() == colours["B"]
    assert "2" in texts
    assert texts["a"].get_color() not in colours.values()


@pytest.mark.parametrize("share", [0.0, 0.1, 0.5, 0.997, 1.0])
def test_a_quantile_is_one_of_the_values(share: float) -> None:
    # numpy's "lower" quantile, which takes the lower of two values where the place is between them.
    values = np.random.default_rng(2).normal(0, 9, (7, 30)).astype(np.float32)
    for axis in (0, 1):
        found = share_below(values, share, axis)
        assert found.dtype == np.float32
        assert (found == np.quantile(values, share, axis, method="lower")).all()


def test_a_faint_recording_is_not_drawn_white() -> None:
    rng = np.random.default_rng(1)
    faint = np.abs(rng.normal(0, 1.5, (200, 200)))
    faint[50:60, 50:80] = 15.0
    low_db, high_db = grey_range(faint, 45.0)
    assert (15.0 - low_db) / (high_db - low_db) > 0.9, "nearly as dark as it gets"
    loud = faint * 5
    assert grey_range(loud, 45.0)[1] == 45.0
    assert grey_range(np.zeros((5, 5)), 45.0) == (2.5, 12.0)


def test_names_of_strikers_close_in_pitch_are_set_about_their_pitches() -> None:
    # Three at one place: one above, one there, one below. Those far apart stay where they are.
    assert spread_out([1.0, 1.0, 1.0, 8.0], 0.5) == [0.5, 1.0, 1.5, 8.0]
    assert spread_out([], 0.5) == []
