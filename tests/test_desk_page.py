"""The page in a real browser: what is drawn, heard, pressed, and whether everybody can use it."""

from __future__ import annotations

import re
import shutil
import time
from collections.abc import Iterator
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np
import pytest
from bench_desk import ARGUMENTS, CHROMIUM
from conftest import missing
from desk_helpers import RATE_HZ, STARTS_S, Served, job, served

from callresp.io.audio import BLOCK

if TYPE_CHECKING:
    from playwright.sync_api import Browser, Page

# The browser of the bench.
VIEWS = ("call", "rules", "palette", "mix", "machine")
FADE = 1024


@pytest.fixture(scope="module")
def browser() -> Iterator[Browser]:
    if shutil.which("chromium") is None:
        missing("chromium, from the system's packages")
    from playwright.sync_api import sync_playwright

    with sync_playwright() as play:
        one = play.chromium.launch(executable_path=CHROMIUM, args=ARGUMENTS)
        yield one
        one.close()


@pytest.fixture(scope="module")
def desk(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Served]:
    with served(job(tmp_path_factory.mktemp("page"))) as one:
        yield one


def until(page: Page, script: str, seconds: float = 30.0) -> Any:
    """Wait for a script's value to be true; the page's policy lets nothing else wait for it."""
    end = time.monotonic() + seconds
    while time.monotonic() < end:
        if value := page.evaluate(script):
            return value
        page.wait_for_timeout(20)
    raise AssertionError(f"never came: {script}")


OPEN = "!!window.desk?.score?.answer && !!desk.measures.now"
AS_OPENED = """async () => { desk.sound.pause(); desk.setLoop(null); desk.seek(0);
  desk.sound.setGains({ master: 0.8 }); desk.score.axis.show(0, desk.score.axis.whole, true);
  desk.score.selected = desk.score.selectedPhrase = null; document.activeElement?.blur();
  desk.showView("call"); desk.details.empty();
  while (desk.state.rules.undo) await desk.change({ op: "undo" }); }"""


@pytest.fixture(scope="module")
def shared(browser: Browser, desk: Served) -> Iterator[tuple[Page, list[str]]]:
    """One page for all tests that leave it as they found it, and what its console complains of."""
    context = browser.new_context(viewport={"width": 1280, "height": 800})
    one = context.new_page()
    faults: list[str] = []
    one.on("pageerror", lambda fault: faults.append(str(fault)))
    one.on("console", lambda m: faults.append(m.text) if m.type == "error" else None)
    one.goto(desk.address)
    until(one, OPEN)
    yield one, faults
    context.close()


@pytest.fixture
def page(shared: tuple[Page, list[str]]) -> Iterator[Page]:
    one, faults = shared
    one.evaluate(AS_OPENED)
    yield one
    # Taken out before they are judged, so that one test's fault fails no other.
    complained = faults.copy()
    faults.clear()
    assert complained == []


def test_the_score_is_drawn(page: Page) -> None:
    assert page.inner_text("h1") == "Dawn"
    assert page.is_visible("#drawing")
    assert "15 notes in 5 calls of 2 singers" in page.inner_text("#facts")
    # The ink of singer A stands where its first whistle is.
    found = page.evaluate(
        """([at, hz]) => { const s = desk.score; s.draw();
          const x = s.left + s.axis.x(at), y = s.yOf(Math.log2(hz));
          const [l, t, n] = [x - 4, y - 4, 9].map((v) => v * s.scale);
          const d = s.context.getImageData(l, t, n, n).data;
          for (let k = 0; k < d.length; k += 4) if (d[k] < 40 && d[k + 2] > 100) return true;
          return false; }""",
        [STARTS_S[0] + 0.05, 1800.0],
    )
    assert found


def test_no_frame_is_black_while_the_window_changes_its_size(page: Page) -> None:
    """A canvas loses its picture with its size (HTML Standard, 4.12.5); what is shown of a frame is
    what stands there once its sizes are known."""
    red, *_ = page.evaluate(
        """() => new Promise((done) => {
          const box = document.getElementById("canvases"), { context } = desk.score;
          requestAnimationFrame(() => {
            box.style.width = "500px";
            new ResizeObserver((_, own) => { own.disconnect(); box.style.width = "";
              done([...context.getImageData(4, 4, 1, 1).data]); }).observe(box);
          }); })"""
    )
    assert red > 200


def test_all_lanes_of_a_large_machine_are_in_sight(page: Page) -> None:
    ends, height, spectrum = page.evaluate(
        """() => { const { score } = desk, { palette } = score.state, own = palette.lanes;
          try { palette.lanes = Array.from({ length: 60 }, () => own[0]); score.lay();
            const { lanes, axis, spectrum } = score.parts;
            return [axis.top + axis.height, score.height, spectrum.height]; }
          finally { palette.lanes = own; score.lay(); } }"""
    )
    assert ends <= height + 0.5
    assert spectrum >= 60


def test_nothing_that_the_first_picture_can_do_without_goes_before_it(page: Page) -> None:
    """Tiles are asked for before a frame is drawn; the rest of the page once they are there."""
    asked = page.evaluate(
        """() => { const { tiles } = desk.score, { ask } = tiles, asked = [];
          tiles.ask = (level, number) => { asked.push(number); };
          const { state, heard, answer } = desk.score;
          desk.score.state = null; desk.score.take({ state, heard, answer }); tiles.ask = ask;
          return asked; }"""
    )
    assert asked == list(range(len(asked)))
    assert asked
    tiles, rest = page.evaluate(
        """() => { const all = performance.getEntriesByType("resource");
          const of = (part) => all.filter(({ name }) => name.includes(part));
          return [of("/api/tile/")[0].responseEnd, of("/page/main.js")[0].startTime]; }"""
    )
    assert tiles <= rest


def test_the_page_names_what_its_first_picture_needs_and_no_more() -> None:
    # Each is asked for as the page is read: files found one through the other come one by one.
    page = Path(__file__).parent.parent / "callresp" / "desk" / "page"
    named = re.findall('="/page/(.*?\\.js)"', (page / "index.html").read_text(encoding="utf-8"))
    needed, found = set[str](), {"opening.js", "picture.js"}
    while found:
        needed |= found
        texts = [(page / name).read_text(encoding="utf-8") for name in found]
        found = {name for text in texts for name in re.findall('from "./(.*?)"', text)} - needed
    assert sorted(named) == sorted(needed)


def test_zoom_goes_from_the_whole_to_50_ms(page: Page) -> None:
    page.hover("#overlay", position={"x": 400, "y": 200})
    for _ in range(8):
        page.mouse.wheel(0, -2000)
    until(page, "Math.abs(desk.score.axis.end().to - desk.score.axis.end().from - 0.05) < 1e-6")
    about = page.evaluate("desk.score.axis.from")
    page.keyboard.press("f")
    until(page, "desk.score.axis.span > 14.9")
    assert about > 1.0


def test_what_flies_past_is_not_fetched(page: Page) -> None:
    said = page.evaluate(
        """() => { const axis = new desk.score.axis.constructor(() => {}), said = [];
          axis.setWhole(3600);
          for (const [ms, from] of [[0, 0], [100, 1000], [200, 1000], [300, 1004], [400, 1010]]) {
            axis.show(from, from + 10, true); said.push(axis.calm(ms)); }
          return said; }"""
    )
    # A jump, a rest, a step of less than half of what is shown, a step of more.
    assert said == [True, False, True, True, False]


def test_a_dragged_stretch_loops(page: Page) -> None:
    box = page.locator("#overlay").bounding_box()
    assert box is not None
    page.mouse.move(box["x"] + 300, box["y"] + 200)
    page.mouse.down()
    page.mouse.move(box["x"] + 420, box["y"] + 210, steps=4)
    page.mouse.up()
    loop = until(page, "desk.sound.loop && desk.score.loop")
    assert loop["to"] - loop["from"] == pytest.approx(
        120 * page.evaluate("desk.score.axis.span / desk.score.axis.width"), rel=0.05
    )
    page.keyboard.press("l")
    until(page, "desk.sound.loop === null")


def samples(desk: Served, path: str, last: int) -> Any:
    chunks = [np.frombuffer(desk.ask(f"{path}/{n}")[1], "<f4") for n in range(1 + last // BLOCK)]
    return np.concatenate(chunks).astype(np.float64)


RECORD = """async (frames) => { const told = await desk.sound.record(frames);
  return { samples: Array.from(told.tape), at: told.from.at, swap: desk.swapAt ?? null }; }"""


def test_what_is_heard_is_chorus_and_machine_to_the_sample(page: Page, desk: Served) -> None:
    page.evaluate("desk.playFrom(0.5)")
    until(page, "desk.sound.last.playing && desk.sound.last.at > desk.sound.source.rate_hz")
    told = page.evaluate(RECORD, RATE_HZ)
    at, sound = told["at"], page.evaluate("desk.sound.sound")
    wanted = samples(desk, "/api/chorus", at + RATE_HZ)
    wanted += samples(desk, f"/api/machine/{sound}", at + RATE_HZ)
    got = np.array(told["samples"])
    master = page.evaluate("desk.sound.gains.master")
    assert np.abs(got - master * wanted[at : at + RATE_HZ]).max() < 1e-6
    assert np.abs(got).max() > 0.01


def test_a_change_is_heard_without_gap_or_click(page: Page, desk: Served) -> None:
    """Before the exchange the old machine to the sample, after it the new one, between a fade."""
    page.evaluate("desk.sound.setGains({ master: 1 }); desk.playFrom(0.2)")
    until(page, "desk.sound.last.playing && desk.sound.last.at > 0.5 * desk.sound.source.rate_hz")
    page.evaluate(
        """() => { const take = desk.sound.take.bind(desk.sound);
          desk.sound.node.port.onmessage = ({ data }) => {
            if (data.swapped) desk.swapAt = data.swapAt;
            take(data); };
          desk.old = desk.sound.sound; }"""
    )
    frames = 3 * RATE_HZ
    page.evaluate("(frames) => { desk.taped = desk.sound.record(frames); }", frames)
    page.evaluate("desk.change({ op: 'set', changes: [['rule.1.transpose_cents', 700]] })")
    told = page.evaluate(
        """async () => { const t = await desk.taped;
          return { samples: Array.from(t.tape), at: t.from.at }; }"""
    )
    swap, old, new = page.evaluate("[desk.swapAt, desk.old, desk.sound.sound]")
    at, got = told["at"], np.array(told["samples"])
    assert old != new
    assert at < swap < at + frames - FADE
    last = at + frames
    chorus = samples(desk, "/api/chorus", last)
    machines = [samples(desk, f"/api/machine/{n}", last) for n in (old, new)]
    share = np.clip((np.arange(last) - swap) / FADE, 0.0, 1.0)
    wanted = chorus[:last] + (1 - share) * machines[0][:last] + share * machines[1][:last]
    assert np.abs(got - wanted[at:last]).max() < 1e-6
    assert np.abs(machines[0] - machines[1]).max() > 1e-3, "the two sound different"


def test_a_call_left_alone_is_explained_and_answered(page: Page) -> None:
    page.evaluate(
        "desk.change({ op: 'set', changes: [['manners.rest_s', 30], ['manners.patience_s', 0]] })"
    )
    until(page, "desk.score.silent.size > 0")
    page.keyboard.press("o")
    page.wait_for_selector(".answered.alone")
    silent = page.evaluate("desk.score.selectedPhrase")
    page.click("text=Answer it")
    until(page, f"!desk.score.silent.has({silent})")
    page.wait_for_selector("text=Answered by")
    page.click("text=Show the rule")
    assert page.evaluate("desk.shown") == "rules"


@pytest.mark.parametrize(("before", "told"), [(7, "as many as now."), (6, "not 6.")])
def test_a_remedy_tells_what_else_it_changes(page: Page, before: int, told: str) -> None:
    counts = {"calls": 32, "answered_before": before, "answered_after": 7}
    remedy = {"changes": [["manners.rest_s", 0]], "said": "manners.rest_s = 0", **counts}
    page.route("**/remedy/*", lambda route: route.fulfill(json={"remedy": remedy}))
    page.evaluate("desk.change({ op: 'set', changes: [['manners.rest_s', 30]] })")
    until(page, "desk.score.silent.size > 0")
    page.keyboard.press("o")
    page.wait_for_selector(f"text=Of 32 calls about here 7 would be answered, {told}")


def test_all_is_done_by_keyboard(page: Page) -> None:
    page.focus("#overlay")
    page.keyboard.press("]")
    page.wait_for_selector("#view-call h2")
    until(page, "desk.score.selected?.kind === 'note'")
    page.keyboard.press(" ")
    until(page, "desk.sound.playing")
    page.keyboard.press(" ")
    until(page, "!desk.sound.playing")
    note = page.evaluate("desk.score.selected.id")
    page.keyboard.press(".")
    until(page, f"document.getElementById('told').textContent.startsWith('Note {note + 1} at')")
    page.keyboard.press(",")
    until(page, f"desk.score.selected.id === {note}")
    page.evaluate("desk.seek(4)")
    page.keyboard.press("Shift+ArrowLeft")
    until(page, "Math.abs(desk.seconds - 3) < 0.01")
    page.keyboard.press("?")
    assert "the next call left alone" in page.inner_text("dialog")
    page.keyboard.press("Escape")
    until(page, "!document.querySelector('dialog')")
    page.focus("#tab-call")
    page.keyboard.press("ArrowRight")
    assert page.evaluate("document.activeElement.id") == "tab-rules"
    rest = page.locator("[data-key='manners.rest_s'] input[type=number]")
    rest.focus()
    page.keyboard.press("ArrowUp")
    until(page, "desk.state.rules.values.manners.rest_s === 1.1")
    assert (
        page.evaluate("document.activeElement.closest('.field')?.dataset.key") == "manners.rest_s"
    )
    # Keys that no number takes still work while its field has the focus.
    page.keyboard.press("Control+z")
    until(page, "desk.state.rules.values.manners.rest_s === 1")
    page.evaluate("desk.showView('palette')")
    mute = page.locator("button[aria-label='Mute tube 2']")
    for pressed in ("true", "false"):
        mute.press("Enter")
        page.wait_for_selector(f"button[aria-label='Mute tube 2'][aria-pressed={pressed}]")
        assert page.evaluate("document.activeElement.ariaLabel") == "Mute tube 2"
    page.evaluate("desk.showView('rules')")
    page.locator("[data-key='manners.rest_s'] input[type=range]").focus()
    page.keyboard.press("b")
    until(page, "desk.state.rules.slot === 'b'")
    page.keyboard.press("a")
    until(page, "desk.state.rules.slot === 'a'")


def test_what_another_tab_changed_is_there_when_this_one_is_turned_to(
    page: Page, desk: Served
) -> None:
    """What it undid was the other tab's change, which it did not show."""
    other = page.context.new_page()
    other.goto(desk.address)
    until(other, OPEN)
    other.evaluate("desk.change({ op: 'set', changes: [['manners.rest_s', 7]] })")
    until(other, "desk.state.rules.values.manners.rest_s === 7")
    other.close()
    page.evaluate("dispatchEvent(new Event('focus'))")
    until(page, "desk.state.rules.values.manners.rest_s === 7")
    until(page, "desk.score.answer.number === desk.state.answer")


def test_letters_are_as_large_as_the_browser_is_told(browser: Browser, desk: Served) -> None:
    context = browser.new_context(viewport={"width": 1280, "height": 800})
    page = context.new_page()
    page.goto(desk.address)
    until(page, OPEN)
    # Sliders and boxes have no letters, and the options of a closed list are not shown.
    sizes = """() => [...document.querySelectorAll("body *")]
      .filter((one) => one.checkVisibility() && !one.matches("option, input:not([type=number])"))
      .map((one) => parseFloat(getComputedStyle(one).fontSize))"""
    page.evaluate("desk.showView('rules')")
    before = page.evaluate(sizes)
    # As a preference of 24 px does where 16 are usual.
    page.evaluate("document.documentElement.style.fontSize = '150%'")
    assert page.evaluate(sizes) == pytest.approx([1.5 * size for size in before], rel=0.01)
    assert page.evaluate("document.documentElement.scrollWidth <= innerWidth")
    context.close()


def test_axe_finds_no_fault_in_any_view(browser: Browser, desk: Served) -> None:
    from axe_playwright_python.sync_playwright import Axe

    context = browser.new_context(
        viewport={"width": 1280, "height": 800},
        bypass_csp=True,
        # A line that is half faded has no contrast to be judged by.
        reduced_motion="reduce",
    )
    page = context.new_page()
    page.goto(desk.address)
    until(page, OPEN)
    page.keyboard.press("o")
    # What is not of colour is the same in the dark.
    every = ["wcag2a", "wcag2aa", "wcag21aa", "wcag22aa", "best-practice"]
    schemes: Any = {"light": every, "dark": ["color-contrast", "link-in-text-block"]}
    for view in VIEWS:
        page.click(f"#tab-{view}")
        if view == "rules":
            page.evaluate(
                "document.querySelectorAll('details').forEach((one) => { one.open = true; })"
            )
        if view == "machine":
            page.wait_for_selector("#clear")
        for scheme, rules in schemes.items():
            page.emulate_media(color_scheme=scheme)
            # What was found to be right need not be told node by node.
            found = Axe().run(page, options={"runOnly": rules, "resultTypes": ["violations"]})
            told = [
                (fault["id"], [node["html"][:120] for node in fault["nodes"][:3]])
                for fault in found.response["violations"]
            ]
            assert told == [], (view, scheme)
    context.close()


def test_a_slider_says_what_it_stands_at(page: Page) -> None:
    # WAI-ARIA 1.2, aria-valuetext: what a slider stands at where its number alone does not say it.
    for view in ("rules", "palette", "mix"):
        page.click(f"#tab-{view}")
        texts = page.evaluate(
            """(view) => [...document.querySelectorAll(`#view-${view} input[type=range]`)]
            .map((one) => one.getAttribute("aria-valuetext"))""",
            view,
        )
        assert texts
        assert all(re.search("[0-9]", text or "") for text in texts), (view, texts)
    fader = page.get_by_role("slider", name="Machine", exact=True)
    fader.focus()
    page.keyboard.press("Home")
    assert fader.get_attribute("aria-valuetext") == "silent"
    # Half the way up is a gain of one.
    for _ in range(50):
        page.keyboard.press("ArrowRight")
    assert fader.get_attribute("aria-valuetext") == "0 dB"


def test_while_it_is_heard_nobody_is_told_that_every_call_is_answered(page: Page) -> None:
    said = page.evaluate("""() => { const { heard } = desk.score; desk.score.heard = null;
        desk.nextSilent(); desk.score.heard = heard;
        return document.getElementById("said").textContent; }""")
    assert said == "it is still being heard"


def test_a_pass_that_comes_after_the_stop_is_no_fault(page: Page) -> None:
    # The loop's next pass may be on its way while somebody stops the machine: it is refused.
    said = page.evaluate("""async () => { const { machine } = desk; await machine.poll();
        const { sendPasses, state } = machine;
        document.getElementById("said").textContent = "";
        machine.state = { running: true };
        machine.sendPasses = async () => {
          machine.state = { running: false }; throw new Error("refused"); };
        await machine.keepGoing();
        Object.assign(machine, { sendPasses, state });
        return document.getElementById("said").textContent; }""")
    assert said == ""


def test_a_number_that_is_not_taken_does_not_stay_as_if_it_were(page: Page) -> None:
    page.click("#tab-rules")
    field = page.locator("[data-key='manners.rest_s'] input[type=number]")
    before, told = field.input_value(), page.evaluate("desk.state.rules.values.manners.rest_s")
    field.fill("-5")
    field.press("Enter")
    assert field.input_value() == before
    said = page.inner_text("#said")
    assert "-5" in said
    assert "from 0 to 3600 s" in said
    assert page.evaluate("desk.state.rules.values.manners.rest_s") == told


def test_slider_and_number_stand_at_the_same_whatever_is_refused(page: Page) -> None:
    page.click("#tab-rules")
    row = page.locator("[data-key='manners.rest_s']")
    number, slider = row.locator("input[type=number]"), row.locator("input[type=range]")

    def stands() -> tuple[str, str, str | None]:
        return number.input_value(), slider.input_value(), slider.get_attribute("aria-valuetext")

    slider.press("ArrowRight")
    slid = stands()
    number.fill("-5")
    number.press("Enter")
    assert stands() == slid
    number.press("ArrowUp")
    assert number.input_value() != slid[0]
    assert (slider.get_attribute("aria-valuetext") or "").split()[0] == number.input_value()


def test_what_the_desk_refuses_does_not_stay_as_if_it_were(
    page: Page, shared: tuple[Page, list[str]]
) -> None:
    page.click("#tab-rules")
    page.evaluate("desk.rules.reveal('rule.1.name')")
    before = page.evaluate("desk.state.rules.values.rule[0].name")
    field = page.locator("[data-key='rule.1.name'] input")
    assert field.input_value() == before
    field.fill("")
    field.press("Enter")
    until(page, """document.querySelector("[data-key='rule.1.name'] input").value !== ''""")
    assert field.input_value() == before
    assert "allowed: 1 to 40 characters" in page.inner_text("#said")
    # The browser's own complaint of a refusal, which it is.
    complained = shared[1].copy()
    shared[1].clear()
    assert ["422" in text for text in complained] == [True]


def test_a_rule_set_is_saved_under_the_name_that_one_would_give(page: Page, desk: Served) -> None:
    page.click("#tab-rules")
    page.click("#view-rules button.main")
    page.fill("dialog input[type=text]", "my dawn")
    page.click("dialog button.main")
    until(page, "desk.state.rules.file === 'my dawn.toml'")
    assert (desk.desk.session.source.folder / "my dawn.toml").is_file()


def test_a_single_change_goes_out_at_once_and_those_of_a_moving_hand_are_gathered(
    page: Page,
) -> None:
    held = page.evaluate("""async () => {
        const own = window.setTimeout, found = [];
        for (const [sentMs, value] of [[-1e9, 1.3], [1e9, 1.4]]) {
          let held = false;
          window.setTimeout = (act, ms) => { held ||= ms === 60; return own(act, ms); };
          desk.sentMs = sentMs;
          const sent = desk.change({ op: "set", changes: [["rule.1.stretch", value]] });
          window.setTimeout = own;
          await sent;
          found.push([held, desk.state.rules.values.rule[0].stretch]);
        }
        return found; }""")
    assert held == [[False, 1.3], [True, 1.4]]


def test_words_that_stand_apart_are_read_apart(page: Page) -> None:
    page.click("#tab-rules")
    for small in page.locator("#view-rules small").all():
        before = small.evaluate("(one) => one.previousSibling?.textContent ?? ' '")
        assert before.endswith(" "), small.inner_text()


def test_names_of_strikers_do_not_touch_each_other(page: Page) -> None:
    """Six on the same place: five rows, and no room for the last; then one that has room above."""
    labels = [[100 + n, 30] for n in range(6)] + [[150, 30]]
    rows = page.evaluate(
        """async (labels) => (await import("/page/palette.js")).labelRows(labels)""", labels
    )
    assert rows == [0, 1, 2, 3, 4, 5, 0]


def test_measures_wait_until_the_hand_rests(page: Page) -> None:
    asked: list[str] = []
    page.on("request", lambda request: asked.append(request.url))
    # On a busy machine three changes take longer than the hand's rest: its timers are held.
    resting = page.evaluate(
        """async () => { const { setTimeout, clearTimeout } = window, held = new Map();
          let last = 0;
          window.setTimeout = (then, ms) => ms === 250 ? (held.set(--last, then), last)
            : setTimeout(then, ms);
          window.clearTimeout = (id) => held.delete(id) || clearTimeout(id);
          try { for (const value of [1.5, 1.6, 1.7]) {
            await desk.change({ op: "set", changes: [["rule.1.stretch", value]] }); } }
          finally { Object.assign(window, { setTimeout, clearTimeout }); }
          held.forEach((then) => then()); return held.size; }"""
    )
    assert resting == 1
    until(page, "desk.measures.number === desk.state.answer")
    assert sum("/measures" in url for url in asked) == 1


def test_what_is_heard_now_is_fetched_before_what_will_be(page: Page) -> None:
    asked = page.evaluate(
        """async () => { const { sound } = desk, asked = []; await sound.wake();
          const { fetch, fetched } = sound, name = (which) => (which ? "machine" : "chorus");
          sound.fetch = (which, number) => asked.push(`${name(which)} ${number}`);
          const feed = () => { asked.length = 0; sound.feed(); return asked.join(); };
          sound.fetched = new Map(); const found = [feed()];
          sound.fetched.set("0/0", true); found.push(feed());
          sound.fetched.set(`${sound.sound}/0`, true); found.push(feed());
          Object.assign(sound, { fetch, fetched }); return found; }"""
    )
    here = "machine 0,chorus 0"
    assert asked == [here, here, f"{here},machine 1,chorus 1"]


def test_a_phone_holds_it_without_scrolling_sideways(browser: Browser, desk: Served) -> None:
    context = browser.new_context(
        viewport={"width": 360, "height": 740}, has_touch=True, is_mobile=True
    )
    page = context.new_page()
    # Where the score lies as it is first drawn, and once the rest of the page is there.
    page.add_init_script(
        """addEventListener("DOMContentLoaded", () => { const told = window.places = [];
        const look = () => { const { top, height } = document.getElementById("canvases")
          .getBoundingClientRect(); if (!document.getElementById("drawing").hidden)
          told.push(`${top} ${height}`); requestAnimationFrame(look); }; look(); })"""
    )
    page.goto(desk.address)
    until(page, OPEN)
    assert len(page.evaluate("[...new Set(places)]")) == 1
    # Who has no keyboard is not told of keys.
    begin = page.inner_text("#view-call ol.begin")
    assert "Touch a note" in begin
    assert "Ctrl" not in begin
    # As of a folder that holds a recording with a long name.
    page.evaluate(
        """() => { const list = document.createElement("select");
          list.add(new Option("dawn by the river ".repeat(9)));
          document.getElementById("tools").prepend(list); }"""
    )
    for view in VIEWS:
        page.click(f"#tab-{view}")
        page.wait_for_timeout(50)
        assert page.evaluate("document.documentElement.scrollWidth") <= 360, view
        assert page.evaluate("document.querySelector('#tools select').offsetWidth") <= 360
    context.close()


def test_a_desk_that_has_gone_is_told_and_asked_seldom(browser: Browser, desk: Served) -> None:
    context = browser.new_context()
    page = context.new_page()
    page.goto(desk.address)
    until(page, OPEN)
    asked: list[str] = []
    context.set_offline(True)
    page.on("request", lambda request: asked.append(request.url))
    page.evaluate("desk.score.tiles.forget(); desk.score.wake(); desk.playFrom(8)")
    until(page, "!document.getElementById('lost').hidden")
    assert "start it again" in page.inner_text("#lost")
    del asked[:]
    page.wait_for_timeout(1000)
    # Every tile and every piece of sound that is wanted was asked for again three times a second.
    assert len(asked) <= 12
    context.set_offline(False)
    until(page, "document.getElementById('lost').hidden")
    until(page, "desk.score.tiles.known.size > 0")
    context.close()


def test_the_page_asks_no_other_place() -> None:
    page = Path(__file__).parent.parent / "callresp" / "desk" / "page"
    index = (page / "index.html").read_text(encoding="utf-8")
    for path in page.glob("*.js"):
        text = path.read_text(encoding="utf-8")
        assert "http://" not in text.replace("http://www.w3.org", ""), "no other place is asked"
        assert "https://" not in text
        assert "eval(" not in text
    assert "//" not in index.replace("<!doctype html>", "")
