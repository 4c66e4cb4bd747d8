"""The day's page and picture: whole, self-contained, readable, and true to the log."""

from __future__ import annotations

import base64
import json
import math
import re
from datetime import datetime, timedelta
from pathlib import Path
from xml.etree import ElementTree

import pytest
from click.testing import CliRunner
from field_helpers import START, Writer, whole_day
from hypothesis import given
from hypothesis import strategies as st
from PIL import Image

from callresp.commands.report import print_summary
from callresp.field import timeline
from callresp.field.day_reader import read_day
from callresp.field.log import FieldLog
from callresp.field.statistics import counts_per, statistics_of
from callresp.plots import charts, dial_picture
from callresp.plots import report as pages
from callresp.plots.dial import dial_for
from callresp.scout.sun import Site
from callresp.verbs.report import command


def report(log: Path, *words: str) -> tuple[int, str]:
    done = CliRunner().invoke(command, [str(log), *words], standalone_mode=False)
    assert done.exception is None, done.output
    assert isinstance(done.return_value, int)
    return done.return_value, done.output


def parsed(html: str) -> ElementTree.Element:
    """The page's tree: it is written so that any XML reader takes it, too."""
    return ElementTree.fromstring(html.removeprefix("<!DOCTYPE html>\n"))


@pytest.fixture(scope="module")
def told(tmp_path_factory: pytest.TempPathFactory) -> tuple[Path, ElementTree.Element, str]:
    log = whole_day(tmp_path_factory.mktemp("told") / "carr.log", hours=5.0)
    status, _ = report(log, "--title", "Carr & <Moor>", "--site", "54.2,-2.8")
    assert status == 1, "a fault is in the log"
    html = log.with_name("carr.report.html").read_text(encoding="utf-8")
    return log, parsed(html), html


def test_the_page_fetches_nothing(told: tuple[Path, ElementTree.Element, str]) -> None:
    _, tree, html = told
    assert "http" not in html
    assert "url(" not in html
    assert "@import" not in html
    names = {node.tag for node in tree.iter()}
    assert not names & {"script", "link", "iframe", "object", "embed", "base", "form"}
    for node in tree.iter():
        for key, value in node.attrib.items():
            assert not key.startswith("on"), f"{node.tag} has {key}"
            assert key != "href"
            assert key != "src" or value.startswith("data:image/png;base64,")


def test_the_page_tells_those_who_can_t_see_it(
    told: tuple[Path, ElementTree.Element, str],
) -> None:
    """WCAG 2.1: 1.1.1 text alternatives, 1.3.1 headers of tables, 3.1.1 language."""
    tree = told[1]
    assert tree.attrib["lang"] == "en"
    images = list(tree.iter("img"))
    assert images
    assert all(len(image.attrib["alt"]) > 40 for image in images)
    plots = [node for node in tree.iter("div") if node.attrib.get("class") == "chart"]
    assert len(plots) == 4
    assert all(node.attrib["role"] == "img" and node.attrib["aria-label"] for node in plots)
    for table in tree.iter("table"):
        assert table.find("caption") is not None
        heads = table.findall("./thead/tr/th")
        assert heads
        assert all(head.attrib["scope"] == "col" for head in heads)
        for row in table.findall("./tbody/tr"):
            assert row[0].tag == "th"
            assert row[0].attrib["scope"] == "row"
    order = [int(node.tag[1]) for node in tree.iter() if node.tag in ("h1", "h2", "h3")]
    assert order[0] == 1
    assert set(order[1:]) == {2}


def luminance(ink: str) -> float:
    """Relative luminance (WCAG 2.1, definitions)."""
    shares = [int(ink[n : n + 2], 16) / 255 for n in (1, 3, 5)]
    linear = [s / 12.92 if s <= 0.03928 else ((s + 0.055) / 1.055) ** 2.4 for s in shares]
    return 0.2126 * linear[0] + 0.7152 * linear[1] + 0.0722 * linear[2]


def contrast(one: str, other: str) -> float:
    """Contrast ratio (WCAG 2.1, definitions)."""
    light, dark = sorted((luminance(one), luminance(other)), reverse=True)
    return (light + 0.05) / (dark + 0.05)


def test_inks_stand_out_by_day_and_by_night() -> None:
    # The definition's own ends: black on white is 21 : 1; #767676 is the lightest grey at 4.5.
    assert contrast("#000000", "#ffffff") == pytest.approx(21.0)
    assert contrast("#767676", "#ffffff") > 4.5 > contrast("#777777", "#ffffff")
    for inks in (pages.LIGHT, pages.DARK):
        for name in ("ink", "soft", "call", "answer", "third"):
            assert contrast(inks[name], inks["paper"]) >= 4.5, name


def test_its_figures_are_the_logs(told: tuple[Path, ElementTree.Element, str]) -> None:
    log, tree, _ = told
    figures = statistics_of(read_day(log))
    facts = {
        (row.findtext("dt") or ""): (row.findtext("dd") or "").strip()
        for row in tree.findall(".//dl/div")
    }
    assert facts["calls heard"] == f"{figures.calls:,}"
    assert facts["strokes"] == f"{figures.strokes:,}"
    assert tree.findtext(".//h1") == "Carr & <Moor>"
    bars = [node for node in tree.iter("rect") if node.attrib["class"] == "call"]
    tall = [float(bar.attrib["height"]) for bar in bars]
    calls = [hour.calls for hour in figures.hours if hour.calls]
    # All bars are on one scale.
    assert [a / b for a, b in zip(tall, calls, strict=True)] == pytest.approx(
        [tall[0] / calls[0]] * len(calls), rel=0.02
    )


def test_the_pictures(told: tuple[Path, ElementTree.Element, str], tmp_path: Path) -> None:
    log, tree, _ = told
    with Image.open(log.with_name("carr.report.png")) as stacked:
        assert stacked.size == (2200, 2200)
        assert len(stacked.resize((220, 220)).getcolors(100_000) or ()) > 50
    (image,) = tree.iter("img")
    dial = tmp_path / "dial.png"
    dial.write_bytes(base64.b64decode(image.attrib["src"].split(",")[1]))
    with Image.open(dial) as picture:
        assert picture.size == (2200, 2200)


def test_figures_for_machines(told: tuple[Path, ElementTree.Element, str]) -> None:
    status, out = report(told[0], "--json")
    found = json.loads(out)
    assert status == 1
    assert found["calls"] == sum(hour["calls"] for hour in found["hours"])
    assert found["faults"] == {"the microphone went away": 1}


@pytest.mark.usefixtures("coarse")
def test_a_still_day(tmp_path: Path) -> None:
    with FieldLog(tmp_path / "still.log") as log:
        Writer(log, START)
    assert report(tmp_path / "still.log")[0] == 0
    page = parsed((tmp_path / "still.report.html").read_text())
    assert "No call was heard." in "".join(page.itertext())


def test_a_day_of_forty_hours_has_two_dials(tmp_path: Path) -> None:
    with FieldLog(tmp_path / "long.log") as log:
        writer = Writer(log, START)
        for hour in range(40):
            writer.reply(writer.phrase(3600.0 * hour + 5))
    day = read_day(tmp_path / "long.log")
    stretches = dial_picture.dials(day)
    assert stretches[0] == (0.0, 86400.0)
    assert stretches[1] == (86400.0, day.duration_s)
    Image.new("RGB", (8, 8)).save(tmp_path / "dial.png")
    dial_picture.stack(tmp_path / "both.png", [tmp_path / "dial.png"] * 2)
    with Image.open(tmp_path / "both.png") as both:
        assert both.size == (8, 16)
    made = pages.report_page(day, statistics_of(day), [tmp_path / "dial.png"] * 2, "Carr", None)
    alts = [image.attrib["alt"] for image in parsed(made).iter("img")]
    assert ["dial 1 of 2" in alts[0], "dial 2 of 2" in alts[1]] == [True, True]


def test_faults_that_repeat_are_one_row(tmp_path: Path) -> None:
    with FieldLog(tmp_path / "day.log") as log:
        writer = Writer(log, START)
        for number in range(30):
            writer.add(10.0 * number, "fault", {"what": "no link", "where": "/dev/ttyACM0"})
        writer.add(5000.0, "fault", {"what": "no link", "where": "/dev/ttyACM0"})
    rows = timeline.timeline(read_day(tmp_path / "day.log"))
    assert [(row.kind, row.count) for row in rows] == [("start", 1), ("fault", 30), ("fault", 1)]


def test_notes_left_out_are_counted_and_no_rows(tmp_path: Path) -> None:
    with FieldLog(tmp_path / "day.log") as log:
        writer = Writer(log, START)
        for number in range(30):
            writer.add(number, "remark", {"text": f"not struck: tube 1 rests for {number} ms"})
        writer.add(40.0, "remark", {"text": "not struck: the battery is empty"})
    day = read_day(tmp_path / "day.log")
    assert statistics_of(day).not_struck == {
        "tube … rests for … ms": 30,
        "the battery is empty": 1,
    }
    assert [row.kind for row in timeline.timeline(day)] == ["start"]


def test_mistakes_are_told(tmp_path: Path) -> None:
    log = whole_day(tmp_path / "carr.log", hours=0.1)
    for words, text in (
        (["--site", "north"], "are no coordinates"),
        (["--picture", "carr.jpg"], "the picture is a PNG"),
        (["-o", str(log)], "would write over"),
        (["--palette", "nobody"], "nobody"),
    ):
        done = CliRunner().invoke(command, [str(log), *words])
        assert text in str(done.exception)


@given(st.lists(st.floats(-1e4, 1e4), min_size=1, max_size=30))
def test_an_axis_holds_its_values(values: list[float]) -> None:
    ticks = charts.axis_ticks(min(values), max(values))
    slack = 1e-6 * max(1.0, *map(abs, values))
    assert ticks[0] - slack <= min(values) <= max(values) <= ticks[-1] + slack
    assert 2 <= len(ticks) <= 8
    assert ticks[0] < ticks[-1]


@given(st.integers(0, 10**6), st.integers(0, 10**6))
def test_an_axis_of_counts_has_whole_values_and_few(above: int, below: int) -> None:
    ticks = charts.axis_ticks(-max(below, 1), max(above, 1), whole=True)
    step = ticks[1] - ticks[0]
    assert all(float(tick).is_integer() for tick in ticks)
    assert re.fullmatch(r"[125]0*", str(round(step)))
    assert ticks[0] <= -below <= above <= ticks[-1]
    assert len(ticks) <= 7


@given(st.lists(st.floats(0, 100), max_size=3000))
def test_thinning_loses_no_peak(values: list[float]) -> None:
    points = [(float(n), value) for n, value in enumerate(values)]
    kept = charts.thinned(points)
    assert len(kept) <= charts.POINTS_MAX or len(kept) == len(points)
    assert set(kept) <= set(points)
    if values:
        assert max(v for _, v in kept) == max(values)
        assert min(v for _, v in kept) == min(values)


def test_thinning_keeps_gaps() -> None:
    points = [(float(n), math.nan if n == 5000 else 1.0) for n in range(9000)]
    assert sum(math.isnan(value) for _, value in charts.thinned(points)) == 1


def test_the_night_is_shaded_on_a_second_dial_too(tmp_path: Path) -> None:
    with FieldLog(tmp_path / "long.log") as log:
        writer = Writer(log, START)
        for hour in range(40):
            writer.phrase(3600.0 * hour + 5)
    day = read_day(tmp_path / "long.log")
    _, second = dial_picture.dials(day)
    dial_picture.draw_dial(tmp_path / "dial.png", day, second, None, "", Site(54.2, -2.8))
    with Image.open(tmp_path / "dial.png") as picture:
        drawn = picture.convert("RGB")

    def ground(left: int, top: int) -> object:
        """The commonest colour of a patch."""
        counts = drawn.crop((left, top, left + 90, top + 90)).getcolors(8100) or []
        return max(counts)[1]

    # Straight down is midnight and straight up is noon, by the picture's own convention.
    assert ground(1120, 1650) == (0xE4, 0xE1, 0xD6)
    assert ground(1140, 560) == (251, 249, 243)


@pytest.mark.usefixtures("coarse")
def test_each_run_goes_by_its_own_zone(tmp_path: Path) -> None:
    """The clocks were put back at 3 by Central European Summer Time (Directive 2000/84/EC)."""
    log = tmp_path / "autumn.log"
    starts = [datetime.fromisoformat(f"2026-10-25T{at}") for at in ("00:10+02:00", "02:20+01:00")]
    with FieldLog(log) as rows:
        for start in starts:
            Writer(rows, start).spell(1.0, 2.4 * 3600, 600.0)
    day = read_day(log)
    counts = counts_per(day, 3600.0)
    assert [f"{one.start:%H%z}" for one in counts] == [
        "00+0200", "01+0200", "02+0200", "02+0100", "03+0100", "04+0100",
    ]  # fmt: skip
    assert [f"{row.at:%H:%M}" for row in timeline.timeline(day) if row.kind == "start"] == [
        "00:10",
        "02:20",
    ]
    dial_picture.draw_dial(tmp_path / "dial.svg", day, (0.0, day.duration_s), None, "", None)
    marks = [e.text or "" for e in parsed((tmp_path / "dial.svg").read_text()).iter()]
    last = day.moment(day.duration_s)
    assert f"2026, 00:10 to {last:%H:%M}" in marks
    assert f"{last:%H}" == "04"
    assert marks.count("03:00") == 2


@pytest.mark.usefixtures("coarse")
def test_a_short_day_fills_its_dial_and_its_bars(tmp_path: Path) -> None:
    with FieldLog(tmp_path / "short.log") as log:
        writer = Writer(log, START)
        writer.spell(1.0, 500.0, 10.0)
    day = read_day(tmp_path / "short.log")
    assert dial_for(day.start, day.duration_s).turn_h == 0.25
    status, told = report(tmp_path / "short.log")
    assert status == 0
    page = parsed((tmp_path / "short.report.html").read_text())
    heads = [node.text for node in page.iter("h2")]
    assert "Calls and answers for each minute" in heads
    bars = [node for node in page.iter("rect") if node.attrib["class"] == "call"]
    assert len(bars) > 4
    # Words at an axis keep to one line: else they run into the key above.
    assert ".up span{" in (tmp_path / "short.report.html").read_text()
    style = re.search(r"\.chart \.up span\{[^}]*\}", page.findtext(".//style") or "")
    assert style is not None
    assert "white-space:nowrap" in style[0]
    assert "calls," in told


def test_one_is_not_told_as_many(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    with FieldLog(tmp_path / "one.log") as log:
        writer = Writer(log, START)
        writer.add(5.0, "reply", {"phrase": writer.phrase(1.0).id, "unanswered": "no rule fits"})
    print_summary(statistics_of(read_day(tmp_path / "one.log", tracks=False)))
    told = capsys.readouterr().out
    assert "1 call, 0 answered, 0 strokes" in told
    assert "1 call not answered: no rule fits" in told


@pytest.mark.usefixtures("coarse")
def test_a_damaged_log_is_told_and_its_clock(tmp_path: Path) -> None:
    path = tmp_path / "day.log"
    with FieldLog(path) as log:
        Writer(log, START - timedelta(days=400)).status(5.0)
        writer = Writer(log, START)
        for number in range(300):
            writer.phrase(5.0 + number)
    whole = path.read_bytes()
    middle = len(whole) // 2 // 4096 * 4096
    path.write_bytes(whole[:middle] + bytes(4096) + whole[middle + 4096 :])
    done = CliRunner().invoke(command, [str(path)], standalone_mode=False)
    assert done.exception is None
    assert "of it can't be read" in done.stderr
    assert "400 days without a run" in done.stderr
    page = parsed((tmp_path / "day.report.html").read_text())
    assert "The log is damaged:" in "".join(page.itertext())
