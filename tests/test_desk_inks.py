"""The page's inks: those of the pictures on light ground, and as far apart on dark."""

from __future__ import annotations

import re
from itertools import combinations
from pathlib import Path

import numpy as np
import pytest
from test_rehearse_look import SIGHT, contrast, lab, linear

from callresp.desk.states import DARK_COLOURS, DARK_OTHERS
from callresp.plots import style

PAGE = Path(__file__).parent.parent / "callresp" / "desk" / "page"
CSS = (PAGE / "desk.css").read_text(encoding="utf-8")


def variables(block: str) -> dict[str, str]:
    """The inks that a block of the stylesheet gives."""
    body = CSS.split(block, 1)[1].split("}", 1)[0]
    return dict(re.findall(r"--(\w+): (#[0-9a-f]{6})", body))


LIGHT, DARK = variables(":root {"), variables(':root[data-theme="dark"] {')


def test_light_inks_are_the_pictures() -> None:
    own = {
        "ground": style.BACKGROUND, "dark": style.DARK, "grid": style.GRID, "shade": style.SHADE,
        "changed": style.CHANGED, "other": style.OTHER_VOICES,
    }  # fmt: skip
    assert {name: LIGHT[name] for name in own} == {k: v.lower() for k, v in own.items()}
    greys = (PAGE / "inks.js").read_text(encoding="utf-8")
    for stop in ("#fbf9f3", "#cfcfcc", "#4b535c"):
        assert stop in greys


def test_both_ways_of_asking_for_the_dark_give_the_same() -> None:
    assert variables(':root:not([data-theme="light"]) {') == DARK


@pytest.mark.parametrize("ground", [LIGHT, DARK], ids=["light", "dark"])
def test_text_and_lines_are_seen_on_the_ground(ground: dict[str, str]) -> None:
    # WCAG 2.2, 1.4.3: 4.5 : 1 for text; 1.4.11: 3 : 1 for what a control is told by.
    for name in ("dark", "muted", "changed", "better"):
        assert contrast(ground[name], ground["ground"]) >= 4.5, name
        assert contrast(ground[name], ground["shade"]) >= 4.5, name
    for name in ("line", "other"):
        assert contrast(ground[name], ground["ground"]) >= 3.0, name
    assert contrast("#ffffff", ground["stop"]) >= 4.5


@pytest.mark.parametrize("ink", [*DARK_COLOURS, DARK_OTHERS])
def test_singers_are_seen_in_the_dark(ink: str) -> None:
    assert contrast(ink, DARK["ground"]) >= 4.5


@pytest.mark.parametrize("kind", list(SIGHT))
def test_singers_stay_apart_in_the_dark_for_all_sight(kind: str) -> None:
    seen = {ink: lab(linear(ink) @ SIGHT[kind].T) for ink in DARK_COLOURS}
    nearest = min(float(np.linalg.norm(seen[a] - seen[b])) for a, b in combinations(seen, 2))
    # As on light ground: about nine times what is just noticeable in CIELAB (from memory).
    assert nearest > 20


def test_letters_and_the_room_for_the_stop_below_them_grow_with_the_browsers_text_size() -> None:
    assert re.findall(r"font(?:-size)?:[^;}]*\dpx", CSS) == []
    room = re.search(r"\.live main \{[^}]*padding: [^;}]* [\d.]+(\w+);", CSS)
    assert room is not None
    assert room[1] == "rem"
