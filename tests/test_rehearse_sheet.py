"""The workshop sheet says every measured value of its palette."""

from __future__ import annotations

import json
import xml.etree.ElementTree as ElementTree
from pathlib import Path

import msgspec
import pytest
from click.testing import CliRunner

from callresp.errors import UserError
from callresp.palette.files import load_palette
from callresp.plots.sheet import draw_sheet
from callresp.plots.style import pitch_name
from callresp.verbs.palette import sheet_command


def texts(path: Path) -> str:
    found = (e.text or "" for e in ElementTree.parse(path).iter() if e.tag.endswith("}text"))
    return "\n".join(found)


@pytest.mark.parametrize("name", ["fettle", "ladder", "pocket"])
def test_every_instrument_is_there_with_its_figures(tmp_path: Path, name: str) -> None:
    palette = load_palette(name)
    draw_sheet(tmp_path / "x.svg", palette)
    said = texts(tmp_path / "x.svg")
    for striker in palette.striker:
        assert striker.name in said
        assert f"{striker.restrike_ms:g} ms, " in said
        assert f"{striker.latency_ms:g} ± {striker.latency_spread_ms:g} ms" in said
        assert f"{striker.t60_s:.2g} s" in said
        if striker.damper is not None:
            assert f"damped {striker.damper.damped_t60_s:.2g} s" in said
        if striker.pitch_hz is not None:
            assert pitch_name(striker.pitch_hz) in said
    for turner in palette.turner:
        assert turner.name in said
        assert f"{turner.slowest_rps:g} to {turner.fastest_rps:g} turns a second" in said
    assert "Coils get hot" in said


def test_the_page_lies_in_iso_proportions(tmp_path: Path) -> None:
    # ISO 216: the sides are as 1 to the root of 2.
    draw_sheet(tmp_path / "x.svg", load_palette("pocket"))
    root = ElementTree.parse(tmp_path / "x.svg").getroot()
    _, _, wide, high = (float(word) for word in root.attrib["viewBox"].split())
    assert wide / high == pytest.approx(2**0.5, abs=1e-3)


def test_a_large_machine_takes_several_blocks(tmp_path: Path) -> None:
    pocket = load_palette("pocket")
    first, *_ = pocket.striker
    coils = [msgspec.structs.replace(first.coil, channel=n) for n in range(25)]
    many = tuple(
        msgspec.structs.replace(first, name=f"bell {n}", coil=coil) for n, coil in enumerate(coils)
    )
    draw_sheet(tmp_path / "x.svg", msgspec.structs.replace(pocket, striker=many, turner=()))
    root = ElementTree.parse(tmp_path / "x.svg").getroot()
    _, _, wide, high = (float(word) for word in root.attrib["viewBox"].split())
    assert high > 1.9 * wide
    said = texts(tmp_path / "x.svg").splitlines()
    assert {f"bell {n}" for n in range(25)} <= set(said)
    assert said.count("struck again") == 3


def test_the_command_writes_beside_the_palette(tmp_path: Path) -> None:
    own = tmp_path / "mine.toml"
    own.write_text((Path(__file__).parents[1] / "corpus/palettes/pocket.toml").read_text())
    done = CliRunner().invoke(sheet_command, [str(own), "--json"], catch_exceptions=False)
    assert json.loads(done.stdout) == {
        "path": str(tmp_path / "mine.sheet.png"),
        "palette": "Pocket",
        "instruments": 3,
    }
    assert (tmp_path / "mine.sheet.png").read_bytes().startswith(b"\x89PNG")


def test_an_unknown_ending_is_refused(tmp_path: Path) -> None:
    with pytest.raises(UserError, match=r"\.png, \.svg, \.pdf"):
        draw_sheet(tmp_path / "x.jpeg", load_palette("pocket"))
