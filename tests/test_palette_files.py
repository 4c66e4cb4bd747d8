"""Palettes: the shipped ones load, and a mistake is told with file, line and key."""

from __future__ import annotations

from pathlib import Path

import pytest

from callresp.errors import UserError
from callresp.palette import fingerprint, load_palette
from callresp.resources import corpus, shipped


@pytest.mark.parametrize("name", shipped("palettes"))
def test_shipped_palettes_are_sound(name: str) -> None:
    palette = load_palette(name)
    assert palette.description
    assert len(fingerprint(palette)) == 64


def test_the_shipped_palettes_differ_much() -> None:
    counts = {name: len(load_palette(name).striker) for name in shipped("palettes")}
    assert counts == {"fettle": 7, "ladder": 9, "pocket": 2}


def test_the_demo_tubes_follow_the_free_free_bar() -> None:
    """Fletcher & Rossing, The Physics of Musical Instruments, ch. 2: 1 : 2.756 : 5.404 : 8.933."""
    for striker in load_palette("fettle").striker[:5]:
        assert [partial.ratio for partial in striker.partials] == [1.0, 2.756, 5.404, 8.933]


@pytest.mark.parametrize(
    ("old", "new", "told"),
    [
        ("restrike_ms = 110", "restrike_ms = 1", ["restrike_ms", "allowed: 10.0 to 10000.0"]),
        ('name = "tube 2"', 'name = "tube 1"', ["'tube 1' is named twice", "striker[2].name"]),
        ("channel = 3\n", "channel = 2\n", ["channel 2 drives tube 3 already"]),
        ("channel = 12\n", "channel = 13\n", ["channel 13 is not on the board", "0 to 12"]),
        ("channels = [10, 11]", "channels = [10]", ["no driver has channel 11"]),
        ("channels = [10, 11]", "channels = [10, 11, 4]", ["channel 4 is on driver tubes too"]),
        ("resistance_ohm = 8.0", "resistance_ohm = 1.0", ["12.00 A alone", "allowed: from"]),
        ("start_current_a = 0.8", "start_current_a = 9", ["allowed: up to 7"]),
        ("damped_t60_s = 0.12", "damped = 0.12", ["no such key", "did you mean"]),
        ("base_hz = 820 ", "# base_hz = 820 ", ["give pitch_hz, or base_hz"]),
        ("pulse_ms = 14.0", "pulse_ms = 9.0", ["force must rise"]),
        ("pulse_ms = 14.0", "pulse_ms = 50.0", ["over its coil's on_max_ms"]),
    ],
)
def test_a_mistake_is_told(tmp_path: Path, old: str, new: str, told: list[str]) -> None:
    text = (corpus() / "palettes" / "fettle.toml").read_text()
    assert old in text
    path = tmp_path / "mine.toml"
    path.write_text(text.replace(old, new, 1))
    with pytest.raises(UserError) as fault:
        load_palette(path)
    for part in ["mine.toml, ", *told]:
        assert part in str(fault.value)
    assert "\n" not in str(fault.value)
