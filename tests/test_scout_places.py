"""Which place and hour: put together, ranked with reasons and drawn, on a page that is whole."""

from __future__ import annotations

import base64
import csv
import json
import os
import xml.etree.ElementTree as ET
from pathlib import Path

import msgspec
import numpy as np
import pytest
from click.testing import CliRunner, Result
from test_scout_presence import RATE_HZ, drum, place, song, sought, survey

from callresp.cli import cli
from callresp.commands.places import draw
from callresp.errors import UserError
from callresp.io.audio import write_wav
from callresp.palette.files import load_palette
from callresp.scout.machine import Machine
from callresp.scout.places import load_places, sources
from callresp.scout.ranking import by_clock, from_sunrise, ranked, reach_db, worth
from callresp.scout.survey import HourRow, Tables, units

pytestmark = pytest.mark.usefixtures("coarse")

ROW = HourRow(
    place="carr", path="x", start=None, hour=4, from_sunrise_h=-0.6, listened_s=1800.0, calls=30,
    above_db=12.0, noise_db=-60.0, weather=0.1, rain=0.0, quiet=0.6, rests=20,
)  # fmt: skip


def row(**changed: object) -> HourRow:
    return msgspec.structs.replace(ROW, **changed)


def test_hours_of_several_days_are_put_together() -> None:
    (found,) = by_clock([ROW, row(listened_s=600.0, calls=0, quiet=0.2, above_db=None)])
    assert found.calls_per_h == pytest.approx(3600 * 30 / 2400)
    assert found.quiet == pytest.approx((0.6 * 1800 + 0.2 * 600) / 2400)
    assert found.above_db == 12.0
    assert found.rests_per_h == pytest.approx(3600 * 40 / 2400)
    assert found.answers_per_h is None


def test_how_long_a_place_was_listened_to_is_told_to_the_second() -> None:
    (found,) = by_clock([row(listened_s=23.5)])
    assert 3600 * found.listened_h == pytest.approx(23.5, abs=0.1)


@pytest.mark.skipif(os.name == "nt", reason="names are no bytes there")
@pytest.mark.parametrize("words", [("scout",), ("places",), ("season", "-o", "season")])
def test_a_name_in_another_encoding_is_told_before_any_work(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, words: tuple[str, ...]
) -> None:
    monkeypatch.chdir(tmp_path)
    Path("carr").mkdir()
    write_wav(Path("call.wav"), np.zeros(RATE_HZ), RATE_HZ)
    Path(os.fsdecode(b"carr/s\xfcd_20260512_041500.wav")).touch()
    result = CliRunner().invoke(cli, [words[0], "carr", "--like", "call.wav", *words[1:]])
    assert isinstance(result.exception, UserError)
    assert str(result.exception) == (
        "carr/s\\udcfcd_20260512_041500.wav: its name is not in UTF-8; rename it"
    )


def test_hours_from_sunrise_are_floored() -> None:
    found = from_sunrise([ROW, row(from_sunrise_h=0.4), row(from_sunrise_h=None)])
    assert [(one.hour, one.listened_h) for one in found] == [(-1, 0.5), (0, 0.5)]


@pytest.mark.parametrize("changed", [
    {"calls": 60}, {"quiet": 0.9}, {"weather": 0.0}, {"overlap": 0.0},
])  # fmt: skip
def test_more_calls_more_quiet_less_wind_and_less_overlap_are_worth_more(
    changed: dict[str, float],
) -> None:
    plain = row(overlap=0.2)
    hours = by_clock([plain, msgspec.structs.replace(plain, hour=5, **changed)])
    assert [one.hour for one in ranked(hours)] == [5, 4]
    assert worth(hours[1]) > worth(hours[0])


def test_an_hour_without_calls_is_worth_nothing_and_a_moment_is_not_ranked() -> None:
    assert worth(by_clock([row(calls=0)])[0]) == 0
    assert ranked(by_clock([row(listened_s=5.0)])) == []


def test_what_the_palette_reaches_falls_with_the_distance() -> None:
    """6 dB a doubling, for a source that is small against the distance (from memory)."""
    palette = load_palette("pocket")
    near = msgspec.structs.replace(palette, distance_m=2.0)
    far = msgspec.structs.replace(palette, distance_m=4.0)
    assert reach_db(near) - reach_db(far) == pytest.approx(6.02, abs=0.2)


@pytest.fixture(scope="module")
def field(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Ten minutes to five until five past, at two places; the sound is at carr, after five."""
    folder = tmp_path_factory.mktemp("places")
    for name in ("carr", "hill"):
        calls = {25.0: song(), 32.0: song()} if name == "carr" else {}
        samples = place(40, 8, calls, seed=len(calls) + 3)
        write_wav(folder / name / "a_20260512_045940.wav", samples, RATE_HZ)
    (folder / "places.toml").write_text(
        "".join(
            f'[[place]]\nname = "{name}"\nlatitude = 54.2\nlongitude = -2.8\n'
            'zone = "Europe/London"\n'
            for name in ("carr", "hill")
        )
    )
    write_wav(folder / "call.wav", song(), RATE_HZ)
    return folder


def day(field: Path, machine: Machine | None = None) -> Tables:
    one, folder = load_places(field)[0]
    (unit,) = units(sources(one, folder), machine)
    return survey(unit, [sought()])


def test_a_recording_is_split_at_the_hour_of_its_clock(field: Path) -> None:
    found = day(field)
    assert [(one.hour, one.listened_s, one.calls) for one in found.hours] == [
        (4, 20.0, 0), (5, 20.0, 2),
    ]  # fmt: skip
    # Sunrise there is at 5:13 that day.
    assert [one.from_sunrise_h for one in found.hours] == [
        pytest.approx(-0.22, abs=0.03), pytest.approx(-0.22, abs=0.03),
    ]  # fmt: skip
    assert (found.calls[0].at or "").startswith("2026-05-12T05:00:0")
    assert found.hours[1].above_db is not None
    assert found.hours[0].quiet > found.hours[1].quiet


def test_wind_is_told_from_a_steady_place_and_from_a_drum(tmp_path: Path) -> None:
    steady = place(40, 0, {}, seed=8)
    gusty = steady.copy()
    low = np.convolve(np.random.default_rng(1).normal(0, 1, len(steady)), np.ones(40) / 40, "same")
    gusty[12 * RATE_HZ : 32 * RATE_HZ] += 2 * low[12 * RATE_HZ : 32 * RATE_HZ].astype(np.float32)
    beats = np.tile(drum(60, 0.05, 1.0), 30)[: 20 * RATE_HZ]
    drummed = steady.copy()
    drummed[12 * RATE_HZ : 32 * RATE_HZ] += 0.5 * beats
    for name, samples in (("steady", steady), ("gusty", gusty), ("drummed", drummed)):
        write_wav(tmp_path / name / "a_20260512_040000.wav", 0.2 * samples, RATE_HZ)
    weather = {}
    for one, folder in load_places(tmp_path):
        (unit,) = units(sources(one, folder))
        weather[one.name] = survey(unit, [sought()]).hours[0].weather
    assert weather["steady"] < 0.05
    assert weather["drummed"] < 0.05
    assert weather["gusty"] == pytest.approx(0.5, abs=0.1)


def test_rain_is_told_from_wind_and_from_song_and_by_the_whole_day(tmp_path: Path) -> None:
    """Rain is broad and has no gaps (common practice, no source), here through one recording."""
    dry = place(20, 0, {}, seed=8) / 20
    drops = np.diff(np.random.default_rng(2).normal(0, 0.04, len(dry) + 1)).astype(np.float32)
    noisy = np.r_[np.zeros(len(dry) // 2), drops[len(dry) // 2 :]].astype(np.float32)
    crowd = dry + sum(np.roll(np.tile(song(), 20)[: len(dry)], 900 * n) for n in range(2)) / 40
    for name, samples in (
        ("a_20260512_040000", dry), ("b_20260512_050000", dry + noisy),
        ("c_20260512_060000", dry + drops), ("d_20260512_070000", crowd),
    ):  # fmt: skip
        write_wav(tmp_path / "carr" / f"{name}.wav", samples, RATE_HZ)
    (unit,) = units(sources(*load_places(tmp_path)[0]))
    found = survey(unit, [sought()]).hours
    assert [one.rain for one in found] == [0.0, pytest.approx(0.5, abs=0.1), 1.0, 0.0]
    assert [one.weather for one in found] == [0.0, pytest.approx(0.5, abs=0.1), 1.0, 0.0]
    assert "rain 50%" in by_clock(found)[1].why


def command(field: Path, *more: str) -> Result:
    words = ["places", str(field), "--like", str(field / "call.wav"), "--workers", "1", *more]
    return CliRunner().invoke(cli, words)


def test_the_command_ranks_draws_and_writes(field: Path, tmp_path: Path) -> None:
    page, picture, table = (tmp_path / f"p.{ending}" for ending in ("html", "png", "csv"))
    files = ["-o", str(page), "--picture", str(picture), "--csv", str(table)]
    done = command(field, *files, "--json")
    assert done.exit_code == 0, done.output
    told = json.loads(done.stdout)
    assert (told["ranked"][0]["place"], told["ranked"][0]["hour"]) == ("carr", 5)
    assert "360 calls an hour" in told["ranked"][0]["why"]
    assert picture.read_bytes().startswith(b"\x89PNG")
    with table.open(newline="") as source:
        rows = list(csv.DictReader(source))
    assert [(one["place"], one["hour"]) for one in rows] == [
        ("carr", "4"), ("carr", "5"), ("hill", "4"), ("hill", "5"),
    ]  # fmt: skip
    text = page.read_text()
    ET.fromstring(text.removeprefix("<!DOCTYPE html>"))
    assert "http" not in text.replace("http-equiv", "")
    assert "permits" in text
    assert "\u00a0s</td>" in text
    # The picture in the page leaves out the head that the page has; from the PNG's own header.
    shown = base64.b64decode(text.split("base64,")[1].split('"')[0])
    tall, low = (int.from_bytes(png[20:24], "big") for png in (picture.read_bytes(), shown))
    assert tall > low
    # It may be written again over itself, and over nothing else.
    again = command(field, "-o", str(page), "--csv", str(table))
    assert again.exit_code == 0
    assert f"wrote {page}, {table}\n" in again.stdout
    # With --json no page is written unasked, but the picture is.
    alone = tmp_path / "alone.png"
    assert command(field, "--picture", str(alone), "--json").exit_code == 0
    assert alone.read_bytes().startswith(b"\x89PNG")


@pytest.mark.parametrize(("clips", "told"), [(2, "like 0.wav, 1.wav"), (9, "like 9 clips")])
def test_many_clips_are_counted_where_a_few_are_named(
    tmp_path: Path, clips: int, told: str
) -> None:
    page, like = tmp_path / "p.html", [Path(f"{n}.wav") for n in range(clips)]
    draw(page, None, [], by_clock([ROW]), [], [], [], like)
    assert told in page.read_text()
