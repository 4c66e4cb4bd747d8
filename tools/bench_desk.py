"""Measure the desk in a real browser: how soon one sees and hears, how smoothly it moves.

    python tools/bench_desk.py                     all rows; some ten minutes
    python tools/bench_desk.py --only sound memory some of them
    python tools/bench_desk.py --pictures DIR      draw the README's pictures instead

Needs Chromium from the system's packages, and playwright from the lock for developing. Beside the
time from a change to its sound stands what the same change takes by the commands: reply, check,
rehearse.
"""

from __future__ import annotations

import argparse
import json
import os
import statistics
import subprocess
import sys
import tempfile
import time
import urllib.request
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

import msgspec
import numpy as np

from callresp.io.audio import BLOCK, open_recording, write_wav
from callresp.io.score import HeardScore, Note
from callresp.io.score_files import write_heard

CHROMIUM = "/usr/bin/chromium"
ARGUMENTS = [
    "--headless",
    "--no-sandbox",
    "--disable-gpu",
    "--disable-quic",
    "--no-first-run",
    "--disable-background-networking",
    "--autoplay-policy=no-user-gesture-required",
]
ROWS = ("picture", "sound", "frames", "playhead", "strokes", "memory")
SCENE = "hollin-carr"
CHANGES = 1000
STARTS = 7
# A new window of the browser loads its own parts for a second: the user's is open already.
SETTLES_MS = 2000


def stretched(heard: HeardScore, seconds: float, count: int) -> HeardScore:
    """A score of that length and number of notes, made of copies of a short one."""
    own_s, own = heard.header.duration_s, heard.notes
    step_s = seconds * len(own) / count
    scale, phrases = step_s / own_s, max(note.phrase for note in own) + 1
    notes: list[Note] = []
    for number in range(count):
        copy, note = divmod(number, len(own))
        one = own[note]
        onset_s = round(copy * step_s + one.onset_s * scale, 6)
        notes.append(
            msgspec.structs.replace(
                one,
                id=number,
                onset_s=onset_s,
                offset_s=onset_s + 0.9 * min(scale, 1.0) * one.length_s,
                phrase=one.phrase + copy * phrases,
                track=(),
            )
        )
    notes.sort(key=lambda note: (note.onset_s, note.id))
    header = msgspec.structs.replace(heard.header, duration_s=seconds)
    return HeardScore(header=header, notes=tuple(notes))


JOBS = {
    "minute": (60.0, 280),
    "ten-minutes": (600.0, 2800),
    "hour": (3600.0, 20_000),
}
NEEDS = {"sound": set(JOBS), "frames": {"minute", "hour"}, "memory": {"minute", "hour"}}


def make_jobs(folder: Path, names: set[str]) -> dict[str, Path]:
    """Recordings of one minute, ten minutes and an hour, each with its heard score."""
    from callresp.listen.offline import transcribe
    from callresp.scene.recipe import load_recipe
    from callresp.scene.render import render_to

    scene = folder / "scene.wav"
    render_to(load_recipe(SCENE), scene, folder / "scene.truth.jsonl", lambda share: None)
    recording = open_recording(scene)
    heard = transcribe(recording)
    wave = np.concatenate(list(recording.blocks()))
    found = {}
    for name, (seconds, count) in JOBS.items():
        if name not in names:
            continue
        place = folder / name
        place.mkdir()
        path = place / f"{name}.wav"
        frames = round(seconds * recording.sample_rate_hz)
        write_wav(path, np.resize(wave, frames), recording.sample_rate_hz, "PCM_16")
        write_heard(place / f"{name}.heard.jsonl", stretched(heard, seconds, count))
        found[name] = path
    bare = folder / "bare"
    bare.mkdir()
    (bare / "minute.wav").write_bytes(found["minute"].read_bytes())
    found["bare"] = bare / "minute.wav"
    return found


@contextmanager
def desk_on(source: Path) -> Iterator[tuple[str, int]]:
    """A desk in a process of its own: its page's address, and its process."""
    words = [sys.executable, "-m", "callresp", "desk", str(source), "--port", "0", "--no-browser"]
    own = {name: value for name, value in os.environ.items() if name != "PYTHONDONTWRITEBYTECODE"}
    process = subprocess.Popen(
        words, stdout=subprocess.PIPE, stderr=subprocess.DEVNULL, text=True, env=own
    )
    assert process.stdout is not None
    try:
        yield process.stdout.readline().strip(), process.pid
    finally:
        process.terminate()
        process.wait(20)


def until(page: Any, script: str, seconds: float = 90.0) -> Any:
    """Wait until a script's value is true."""
    end = time.monotonic() + seconds
    while time.monotonic() < end:
        if value := page.evaluate(script):
            return value
        page.wait_for_timeout(10)
    raise SystemExit(f"never came: {script}")


@contextmanager
def page_on(browser: Any, source: Path, **context: Any) -> Iterator[tuple[Any, str]]:
    """A page on a desk, once all is drawn."""
    with desk_on(source) as (address, _):
        opened = browser.new_context(**({"viewport": {"width": 1280, "height": 800}} | context))
        page = opened.new_page()
        page.goto(address)
        until(page, "!!window.desk?.score?.answer && !!desk.measures.now && desk.state.whole")
        yield page, address
        opened.close()


# Waited for, not asked for again and again: to answer that takes the browser a tenth of the time.
PICTURED = """() => new Promise((found) => {
  const look = () => { const [mark] = performance.getEntriesByName("pictured");
    if (mark) found([performance.timeOrigin, performance.timeOrigin + mark.startTime]); };
  new PerformanceObserver(look).observe({ entryTypes: ["mark"] }); look(); })"""


def picture(browser: Any, jobs: dict[str, Path]) -> list[str]:
    """From the command typed to notes, strokes and spectrogram in sight; the browser is open.

    What the user waits for is counted whole: Python's start, the libraries, the browser's way to
    the page. Its modules are compiled and its kernels cached, as they are from the second start on.
    """
    told = []
    for name, said, bar in (
        ("minute", "heard score at hand", 1),
        ("bare", "from the recording", 3),
    ):
        whole, opened = [], []
        for _ in range(1 + STARTS):
            page = browser.new_page()
            page.goto("about:blank")
            page.wait_for_timeout(SETTLES_MS)
            typed_s = time.time()
            with desk_on(jobs[name]) as (address, _):
                page.goto(address, wait_until="commit")
                began, shown = (ms / 1000 for ms in page.evaluate(PICTURED))
                whole.append(shown - typed_s)
                opened.append(shown - began)
                page.close()
        middle = statistics.median(whole[1:])
        told.append(
            f"first picture, {said}: {middle:.2f} s from the command typed, median of {STARTS}"
            f" ({min(whole[1:]):.2f} to {max(whole[1:]):.2f}; bar {bar} s);"
            f" {statistics.median(opened[1:]):.2f} s from the address opened"
        )
    times = []
    for _ in range(STARTS):
        began = time.monotonic()
        subprocess.run([sys.executable, "-c", "import numpy"], check=True)
        times.append(time.monotonic() - began)
    told.append(f"  beside it: Python starts and loads numpy in {statistics.median(times):.2f} s")
    return told


CHANGE = """async (value) => { desk.sound.swapMs = null;
  await desk.change({ op: 'set', changes: [['rule.1.stretch', value]] });
  for (let n = 0; n < 2000 && desk.sound.swapMs === null; n++) {
    await new Promise((go) => setTimeout(go, 5)); }
  return desk.sound.swapMs; }"""


def sound(browser: Any, jobs: dict[str, Path]) -> list[str]:
    """From a change to its sound leaving the loudspeaker, the sound card's delay included."""
    told = []
    for name, bar in (("minute", 300), ("ten-minutes", 600), ("hour", 2000)):
        with page_on(browser, jobs[name]) as (page, _):
            middle = page.evaluate("desk.score.axis.whole / 2")
            page.evaluate("(at) => desk.playFrom(at)", middle)
            until(page, "desk.sound.last.playing && !desk.sound.last.starved")
            page.wait_for_timeout(500)
            times = [page.evaluate(CHANGE, 1.0 + 0.05 * n) for n in range(1, 12)]
            told.append(
                f"change to sound, {name}: median {statistics.median(times):.0f} ms,"
                f" worst {max(times):.0f} ms (bar {bar} ms)"
            )
    with tempfile.TemporaryDirectory() as folder:
        job = Path(folder) / "minute.heard.jsonl"
        job.write_bytes(jobs["minute"].with_name("minute.heard.jsonl").read_bytes())
        (Path(folder) / "minute.wav").write_bytes(jobs["minute"].read_bytes())
        began = time.monotonic()
        for words in (
            "reply minute.heard.jsonl",
            "check minute.reply.jsonl",
            "rehearse minute.plan.jsonl",
        ):
            command = [sys.executable, "-m", "callresp", *words.split()]
            subprocess.run(command, cwd=folder, check=False, capture_output=True)
        told.append(f"  the same by commands, minute: {1000 * (time.monotonic() - began):.0f} ms")
    return told


MOVE = """async (frames) => {
  const axis = desk.score.axis, gaps = [], whole = axis.whole;
  let before = await new Promise(requestAnimationFrame);
  for (let n = 0; n < frames; n++) {
    const turn = (2 * Math.PI * n) / frames;
    const span = whole * Math.pow(0.05 / whole, 0.5 - 0.5 * Math.cos(turn));
    const middle = whole * (0.5 + 0.3 * Math.sin(2 * turn));
    axis.show(middle - span / 2, middle + span / 2, true);
    const now = await new Promise(requestAnimationFrame);
    gaps.push(now - before);
    before = now;
  }
  gaps.sort((a, b) => a - b);
  return [gaps[gaps.length >> 1], gaps[Math.floor(gaps.length * 0.95)]];
}"""
DRAW = """() => {
  const axis = desk.score.axis, whole = axis.whole, took = [];
  for (let n = 0; n < 120; n++) {
    const span = whole * Math.pow(0.05 / whole, n / 120);
    axis.show(whole / 2 - span / 2, whole / 2 + span / 2, true);
    const at = performance.now();
    desk.score.draw();
    took.push(performance.now() - at);
  }
  took.sort((a, b) => a - b);
  return [took[60], took[114]];
}"""


def frames(browser: Any, jobs: dict[str, Path]) -> list[str]:
    """Frames a second while zooming and panning through an hour with 20,000 notes."""
    with page_on(browser, jobs["hour"]) as (page, _):
        page.wait_for_timeout(3000)
        page.evaluate(MOVE, 120)
        middle, slow = page.evaluate(MOVE, 600)
        draw, worst = page.evaluate(DRAW)
    return [
        f"zoom and pan, an hour with 20,000 notes: median {1000 / middle:.0f} frames a second,"
        f" slowest twentieth {1000 / slow:.0f} (bar 60)",
        f"  a frame is drawn in {draw:.1f} ms in the median, {worst:.1f} ms in all but few",
    ]


PLAYHEAD = """async () => {
  const off = [], s = desk.sound, rate = s.context.sampleRate;
  for (let n = 0; n < 200; n++) {
    await new Promise(requestAnimationFrame);
    const t = s.context.getOutputTimestamp();
    const heard = t.contextTime + (performance.now() - t.performanceTime) / 1000;
    off.push(1000 * Math.abs(s.seconds - (s.last.at / rate + heard - s.last.frame / rate)));
  }
  off.sort((a, b) => a - b);
  return [off[100], off[190], off[199]];
}"""


def playhead(browser: Any, jobs: dict[str, Path]) -> list[str]:
    """The playhead that is drawn, against the sample that the sound card says it gives out."""
    with page_on(browser, jobs["minute"]) as (page, _):
        page.evaluate("desk.playFrom(5)")
        until(page, "desk.sound.last.at > 6 * desk.sound.source.rate_hz")
        middle, most, worst = page.evaluate(PLAYHEAD)
    return [
        f"sound against playhead: {middle:.1f} ms in the median, {most:.1f} ms for 95 %,"
        f" {worst:.1f} ms at most (bar 20 ms)"
    ]


WATCH = """async () => { const seen = []; for (let n = 0; n < 200; n++) {
  await new Promise((go) => setTimeout(go, 100));
  seen.push([performance.now() / 1000 + desk.machine.ahead, desk.seconds]); }
  return { seen, strokes: desk.machine.state.strokes, state: desk.machine.state,
    reply: desk.score.answer.reply, at: desk.score.answer.at_s }; }"""


def strokes(browser: Any, jobs: dict[str, Path]) -> list[str]:
    """Strokes of the simulated board against the chorus that leaves the loudspeaker."""
    length_s = 8.0
    with page_on(browser, jobs["minute"]) as (page, _):
        page.evaluate("(to) => desk.setLoop({ from: 4, to: 4 + to })", length_s)
        page.click("#tab-machine")
        page.click("#clear")
        page.click("#start-machine")
        until(page, "desk.machine.state?.played > 0")
        told = page.evaluate(WATCH)
        page.keyboard.press(" ")
    phases = [(server - at) % length_s for server, at in told["seen"]]
    phase = statistics.median(phases)
    due = dict(zip(told["reply"], told["at"], strict=True))
    half = length_s / 2
    off = sorted(
        1000 * abs((at - due[reply] - phase + half) % length_s - half)
        for reply, at in told["strokes"]
        if reply in due
    )
    state = told["state"]
    return [
        f"sound against strokes on the simulated board: {statistics.median(off):.1f} ms in the"
        f" median, {off[-1]:.1f} ms at most of {len(off)} strokes (bar 5 ms);"
        f" {state['refused']} commands not played"
    ]


def rss_mb(pid: int) -> float:
    """Memory of a process that is its own, not a file's, in MB."""
    for line in Path(f"/proc/{pid}/status").read_text().splitlines():
        if line.startswith("RssAnon:"):
            return int(line.split()[1]) / 1024
    raise SystemExit("this system does not tell a process's memory")


def memory(jobs: dict[str, Path]) -> list[str]:
    """The server's memory over a day of use: changes, listening, looking, undoing."""
    rng = np.random.default_rng(1)
    with desk_on(jobs["hour"]) as (address, pid):
        base, token = address.split("/?token=")

        def ask(path: str, body: object = None) -> Any:
            data = None if body is None else json.dumps(body).encode()
            request = urllib.request.Request(
                base + path, data=data, headers={"Authorization": f"Bearer {token}"}
            )
            with urllib.request.urlopen(request, timeout=300) as answer:
                raw = answer.read()
            return json.loads(raw) if raw[:1] == b"{" else raw

        while not ask("/api/state")["source"]["ready"]:
            time.sleep(0.2)
        marks = {}
        for number in range(1, CHANGES + 1):
            at_s = float(rng.uniform(0, 3500))
            op: dict[str, object] = {
                "op": "set", "changes": [["rule.1.stretch", round(float(rng.uniform(0.5, 3)), 3)]]
            }  # fmt: skip
            if number % 7 == 0:
                op = {"op": "undo"}
            state = ask("/api/do", {**op, "around_s": at_s})
            chunk = int(at_s * state["source"]["rate_hz"]) // BLOCK
            ask(f"/api/machine/{state['sound']}/{chunk}")
            ask(f"/api/chorus/{chunk}")
            ask(f"/api/tile/{int(rng.integers(0, 9))}/{int(rng.integers(0, 20))}")
            ask(f"/api/answer/{state['answer']}")
            if number % 50 == 0:
                ask(f"/api/answer/{state['answer']}/whole")
                ask(f"/api/evidence/{int(rng.integers(0, 20_000))}")
            if number in (100, 250, 500, 750, CHANGES):
                marks[number] = rss_mb(pid)
    told = ", ".join(f"{mb:.0f} MB after {number}" for number, mb in marks.items())
    return [f"memory of the server, one hour: {told} changes (bar: flat)"]


ANSWERED = """() => { desk.seek(13.2);
  const { heard, threads } = desk.score, answered = new Set(threads.map(([id]) => id));
  const n = heard.onset_s.findIndex((at, n) => at > 16 && answered.has(heard.phrase[n]));
  return desk.choose({ kind: "note", id: heard.id[n] }); }"""


def pictures(browser: Any, jobs: dict[str, Path], folder: Path) -> None:
    """The README's pictures of the page."""
    from PIL import Image

    source = jobs["minute"].parent.parent / "scene" / f"{SCENE}.wav"
    source.parent.mkdir()
    (jobs["minute"].parent.parent / "scene.wav").rename(source)
    for name, scheme, view in (("desk", "light", "call"), ("desk-rules", "dark", "rules")):
        with page_on(browser, source, color_scheme=scheme, device_scale_factor=1.5) as (page, _):
            page.evaluate(
                "desk.score.axis.show(0, 39, true); desk.setLoop({ from: 9.4, to: 19.6 })"
            )
            page.evaluate(ANSWERED)
            until(page, "!!desk.score.evidence")
            page.click(f"#tab-{view}")
            if view == "rules":
                page.evaluate("desk.change({ op: 'set', changes: [['rule.1.stretch', 1.6]] })")
            page.evaluate("document.getElementById('said').classList.remove('shown')")
            page.wait_for_timeout(2500)
            page.mouse.move(0, 0)
            page.screenshot(path=folder / f"{name}.png")
            # By coverage: by their number the few dots of a rare singer become another's.
            drawn = Image.open(folder / f"{name}.png").convert("RGB")
            few = drawn.quantize(256, Image.Quantize.MAXCOVERAGE, kmeans=3)
            few.save(folder / f"{name}.png", optimize=True)
            print(f"drew {folder / f'{name}.png'}")


def main() -> None:
    """Print a line for each row asked for."""
    parser = argparse.ArgumentParser(description=__doc__.split("\n")[0])
    parser.add_argument("--only", nargs="*", choices=ROWS, default=ROWS)
    parser.add_argument("--pictures", type=Path)
    words = parser.parse_args()
    from playwright.sync_api import sync_playwright

    with tempfile.TemporaryDirectory() as folder, sync_playwright() as play:
        rows = () if words.pictures is not None else words.only
        names = set[str]().union(*(NEEDS.get(row, {"minute"}) for row in rows), {"minute"})
        jobs = make_jobs(Path(folder), names)
        browser = play.chromium.launch(executable_path=CHROMIUM, args=ARGUMENTS)
        if words.pictures is not None:
            pictures(browser, jobs, words.pictures)
            return
        for row in ROWS:
            if row in words.only:
                found = memory(jobs) if row == "memory" else globals()[row](browser, jobs)
                print("\n".join(found), flush=True)
        browser.close()


if __name__ == "__main__":
    main()
