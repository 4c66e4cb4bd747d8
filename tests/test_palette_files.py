"""Palettes: the shipped ones load, and a mistake is told with file, line and key."""

from __future__ import annotations

import math
import re
from pathlib import Path

import pytest

from callresp.errors import UserError
from callresp.io.resources import corpus, shipped
from callresp.palette.files import faults_in, fingerprint, load_palette


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


def test_the_demo_tubes_have_the_lengths_that_their_file_tells() -> None:
    """Olson, Music, Physics and Engineering (1967): f = 1.133 pi K v / L², K of a hollow tube.

    Steel's v = 5030 m/s, as quoted in Schmidt, Musical Chimes (2002).
    """
    gyration_m = 0.5 * math.hypot(0.0125, 0.011)
    tubes = load_palette("fettle").striker[:5]
    for striker, length_m in zip(tubes, (0.377, 0.356, 0.327, 0.308, 0.291), strict=True):
        expected_hz = 1.133 * math.pi * gyration_m * 5030 / length_m**2
        assert striker.pitch_hz == pytest.approx(expected_hz, rel=0.004)


def test_the_pocket_bell_has_the_partials_of_a_tuned_bell() -> None:
    """Fletcher & Rossing, ch. 21: hum, prime, tierce, quint, nominal at 0.5 : 1 : 1.2 : 1.5 : 2."""
    bell = load_palette("pocket").striker[0]
    assert [2 * partial.ratio for partial in bell.partials] == [0.5, 1.0, 1.2, 1.5, 2.0]


def numbers_of(name: str) -> list[tuple[int, str]]:
    """Line and key of every plain number of a palette file."""
    found = []
    rows = (corpus() / "palettes" / f"{name}.toml").read_text().splitlines()
    for number, row in enumerate(rows, start=1):
        if told := re.match(r"(\w+) = (-?[\d.]+)\s*(#.*)?$", row):
            found.append((number, told[1]))
    return found


@pytest.mark.parametrize(("number", "key"), numbers_of("fettle"))
def test_any_number_out_of_range_is_told_with_its_line_and_range(
    tmp_path: Path, number: int, key: str
) -> None:
    rows = (corpus() / "palettes" / "fettle.toml").read_text().splitlines()
    rows[number - 1] = f"{key} = -1000"
    path = tmp_path / "mine.toml"
    path.write_text("\n".join(rows))
    with pytest.raises(UserError) as fault:
        load_palette(path)
    assert f"mine.toml, line {number}, " in str(fault.value)
    assert f".{key}: " in str(fault.value) or f" {key}: " in str(fault.value)
    assert re.search(r"allowed: (above )?-?\d[\d.]* ?(to [\d.]+)?", str(fault.value))


def test_all_faults_are_told_at_once(tmp_path: Path) -> None:
    text = (corpus() / "palettes" / "fettle.toml").read_text()
    path = tmp_path / "mine.toml"
    text = text.replace("channel = 3\n", "channel = 2\n").replace("cutoff_v = 11", "cutoff_v = 13")
    path.write_text(text)
    told = [str(fault) for fault in faults_in(path)]
    assert len(told) == 2
    assert "free: 3" in told[0]
    assert "supply.cutoff_v" in told[1]
    assert faults_in("fettle") == []
    assert len(faults_in(tmp_path / "none.toml")) == 1


@pytest.mark.parametrize(
    ("old", "new", "told"),
    [
        ("restrike_ms = 110", "restrike_ms = 1", ["restrike_ms", "allowed: 10.0 to 10000.0"]),
        ('name = "tube 2"', 'name = "tube 1"', ["'tube 1' is named twice", "striker[2].name"]),
        ("channel = 3\n", "channel = 2\n", ["channel 2 drives tube 3 already"]),
        ("channel = 12\n", "channel = 13\n", ["channel 13 is not on the board", "0 to 12"]),
        ("channels = [10, 11]", "channels = [10]", ["no driver has channel 11"]),
        ("channels = [10, 11]", "channels = [10, 11, 4]", ["channel 4 is on driver tubes too"]),
        (
            "resistance_ohm = 8.0",
            "resistance_ohm = 1.0",
            ["14.19 A alone at 12.8 V and -5 °C", "allowed: from 3.55; or give"],
        ),
        ("coldest_c = -5 ", "coldest_c = 13 ", ["coldest_c", "allowed: up to 12"]),
        ("start_current_a = 0.8", "start_current_a = 9", ["allowed: up to 6.92"]),
        ("start_current_a = 0.8", "start_current_a = 0.1", ["allowed: from current_a, 0.25"]),
        ("cutoff_v = 11.0", "cutoff_v = 12.5", ["allowed: below nominal_v, 12"]),
        ("capacity_ah = 7.0", "# ", ["supply.capacity_ah", "missing: how long the battery lasts"]),
        ("cutoff_v = 11.0", "# ", ["supply.cutoff_v", "missing: emptied below it, a battery"]),
        ("# full_v = 14.4", "full_v = 24", ["supply.full_v", "allowed: 12 to 18"]),
        ("idle_current_a = 0.08", "idle_current_a = 8", ["allowed: below 7"]),
        ('name = "dampers"', 'name = "tubes"', ["driver[2].name", "named twice"]),
        ("band_hz = [600, 4500]", "band_hz = [4500, 600]", ["put the lower edge first"]),
        ("band_hz = [2500, 9500]", "band_hz = [9500, 2500]", ["turner[1].band_hz"]),
        ("ratio = 1.47", "ratio = 1.0", ["a ratio stands twice"]),
        ("ratio = 8.933", "ratio = 89.33", ["beyond any recording", "allowed: up to 45.75"]),
        ("base_hz = 820 ", "pitch_hz = 820\nbase_hz = 820 ", ["partials count from one of them"]),
        ("restrike_ms = 110 ", "restrike_ms = 12 ", ["allowed: from 14"]),
        ("duty_max = 0.12 ", "duty_max = 0.0001 ", ["not even the softest", "from 0.0005"]),
        ("damped_t60_s = 0.22", "damped_t60_s = 22", ["ring longer than free", "up to 5.2"]),
        ("lift_ms = 20\n", "lift_ms = 20\npull_ms = 9000\n", ["allowed: up to 8000"]),
        ("level_max_db = 62", "level_max_db = 40", ["allowed: from 46"]),
        ("spin_up_s = 0.35", "spin_up_s = 120", ["allowed: below 120"]),
        ('kind = "shaker"', 'kind = "wound"', ["how many turns it has in store"]),
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
