"""``callresp wiring``: the page, and what else it says."""

from __future__ import annotations

import json
import shutil
from pathlib import Path
from xml.etree import ElementTree

import msgspec
import pytest
from bench_desk import ARGUMENTS, CHROMIUM
from click.testing import CliRunner, Result
from conftest import missing

from callresp.cli import cli
from callresp.errors import UserError
from callresp.io.resources import corpus
from callresp.palette.files import load_palette
from callresp.plan.electrical.wiring import wiring_of
from callresp.plots.wiring import wiring_page
from callresp.verbs import wiring

pytestmark = pytest.mark.usefixtures("coarse")


def run(*words: str) -> Result:
    return CliRunner().invoke(wiring.command, list(words))


def test_the_page_holds_every_row_and_needs_no_network(tmp_path: Path) -> None:
    page = tmp_path / "fettle.wiring.html"
    done = run("fettle", "-o", str(page))
    assert done.exit_code == 0, done.output
    assert "licensed practice" in done.stderr
    text = page.read_text()
    root = ElementTree.fromstring(text.removeprefix("<!DOCTYPE html>\n"))
    cells = ["".join(cell.itertext()) for cell in root.iter() if cell.tag in ("td", "th")]
    told = wiring_of(load_palette("fettle"))
    for one in told.channels:
        for part in (one.channel, one.name, one.pin, f"T {one.fuse_a:g} A", one.shorted):
            assert part in cells
    for check in told.checks:
        assert check.expect in cells
    for caution in told.cautions:
        assert caution in "".join(root.itertext())
    (drawn,) = (node for node in root.iter("figure") if node.get("role") == "img")
    assert "N-channel transistor" in drawn.get("aria-label", "")
    assert "star ground, supply −" in "".join(drawn.itertext())
    assert "http" not in text
    assert "<script" not in text


def test_a_laptop_shows_what_a_shorted_transistor_does(tmp_path: Path) -> None:
    """The last column, which lay beyond the edge of a window 1,200 pixels wide."""
    if shutil.which("chromium") is None:
        missing("chromium, from the system's packages")
    from playwright.sync_api import sync_playwright

    page = tmp_path / "fettle.wiring.html"
    page.write_text(wiring_page(wiring_of(load_palette("fettle"))))
    with sync_playwright() as play:
        browser = play.chromium.launch(executable_path=CHROMIUM, args=ARGUMENTS)
        shown = browser.new_page(viewport={"width": 1200, "height": 800})
        shown.goto(page.as_uri())
        beyond = shown.evaluate(
            "[...document.querySelectorAll('td')]"
            ".filter((one) => one.getBoundingClientRect().right > innerWidth).length"
        )
        browser.close()
    assert beyond == 0


def test_the_same_palette_gives_the_same_page() -> None:
    told = wiring_of(load_palette("pocket"))
    assert wiring_page(told) == wiring_page(told)


def test_names_of_a_palette_stay_text() -> None:
    palette = load_palette("pocket")
    palette = msgspec.structs.replace(palette, name="<script>alert(1)</script>")
    page = wiring_page(wiring_of(palette))
    assert "<script" not in page
    assert "&lt;script&gt;" in page


def test_a_page_is_no_picture(tmp_path: Path) -> None:
    assert isinstance(run("pocket", "-o", str(tmp_path / "p.pdf")).exception, UserError)
    assert list(tmp_path.iterdir()) == []


def test_json_has_the_table_and_writes_nothing(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.chdir(tmp_path)
    done = run("fettle", "--json", "--lead", "3", "--hottest", "35")
    told = json.loads(done.stdout)
    assert (told["lead_m"], told["hottest_c"], told["chip"]) == (3.0, 35.0, "STM32F405")
    assert told["channels"][0]["fuse_a"] == 1.0
    assert len(told["channels"]) == 14
    assert list(tmp_path.iterdir()) == []


def test_without_pins_it_works_and_asks_for_a_look(tmp_path: Path) -> None:
    text = (corpus() / "palettes" / "fettle.toml").read_text()
    before, _, after = text.partition('chip = "STM32F405"')
    path = tmp_path / "mine.toml"
    path.write_text(before + "\n# The battery." + after.partition("# The battery.")[2])
    done = CliRunner().invoke(cli, ["wiring", str(path)])
    assert done.exit_code == 1
    assert "the palette names no pins" in done.stderr
    assert (tmp_path / "mine.wiring.html").exists()


def test_nothing_else_is_written_over(tmp_path: Path) -> None:
    other = tmp_path / "page.html"
    other.write_text("x = 1\n")
    fault = run("fettle", "-o", str(other)).exception
    assert isinstance(fault, UserError)
    assert other.read_text() == "x = 1\n"


def test_a_rain_grid_is_wired_to_its_converter() -> None:
    """SBAS444: AIN0 to AIN3 are the ADS1115's inputs; its ADDR to ground makes it 0x48."""
    palette = load_palette("fettle")
    pins = palette.board.pins
    assert pins is not None
    assert pins.sensors is not None
    assert "rain grid" not in [what for what, _, _ in wiring_of(palette).others]
    sensors = msgspec.structs.replace(pins.sensors, parts=("ADS1115",))
    board = msgspec.structs.replace(
        palette.board, pins=msgspec.structs.replace(pins, sensors=sensors)
    )
    others = wiring_of(msgspec.structs.replace(palette, board=board)).others
    (row,) = [(at, how) for what, at, how in others if what == "rain grid"]
    assert row[0] == "AIN0 of the ADS1115"
    assert "ADDR to ground" in row[1]
