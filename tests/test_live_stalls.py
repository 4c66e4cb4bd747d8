"""Sound that stalls, comes late or too fast; a disk that fills; a clock that is set right."""

from __future__ import annotations

import os
import shutil
import threading
from collections.abc import Iterator
from dataclasses import replace
from datetime import datetime, timedelta
from pathlib import Path
from typing import Any, BinaryIO

import msgspec
import numpy as np
import pytest
from live_helpers import MORNING, RATE_HZ, day_of, silence
from test_live_engine import PROMPT, calls
from test_live_runner import Played, SteppedClock, engine_for, runner_for

from callresp.errors import UserError
from callresp.link.port import Clock
from callresp.live.actions import CommandOutcome, LinkUpdate, Notice
from callresp.live.engine import LATE_SOUND_S, STATUS_EVERY_S
from callresp.live.links import SimulatedLink
from callresp.live.log_thread import Snippet, SnippetFolder
from callresp.live.runner import Hooks
from callresp.live.sources import BLOCK_S, PACE, PACE_AHEAD_S, Block, PipeSource
from callresp.plan.model import Strike
from callresp.reply.rules import Manners, Rule, When

RATE = 8000
BLOCK = round(BLOCK_S * RATE)


class Pipe:
    """A pipe, and a clock that goes by as the test says."""

    def __init__(self, **more: Any) -> None:
        own, self.other = os.pipe()
        self.now_s = 0.0
        self.told: list[Notice] = []
        self.file: BinaryIO = os.fdopen(own, "rb", buffering=0)
        self.source = PipeSource(
            RATE,
            stream=self.file,
            clock=lambda: self.now_s,
            wait=self.wait,
            report=self.told.append,
            **more,
        )
        self.blocks: Iterator[Block] = self.source.blocks()
        self.stall_s = 0.0
        ready = self.source._ready

        def waited(seconds: float) -> bool:
            self.now_s += self.stall_s
            self.stall_s = 0.0
            return ready(seconds)

        self.source._ready = waited  # type: ignore[method-assign]

    def wait(self, seconds: float) -> None:
        self.now_s += seconds

    def write(self, *samples: int) -> None:
        os.write(self.other, np.asarray(samples, dtype="<i2").tobytes())

    def close(self) -> None:
        self.blocks.close()  # type: ignore[attr-defined]
        self.file.close()
        os.close(self.other)


@pytest.fixture
def pipe() -> Iterator[Pipe]:
    made = Pipe()
    yield made
    made.close()


def test_a_stalled_writer_is_reported_and_its_time_counts_as_lost(pipe: Pipe) -> None:
    pipe.write(*range(BLOCK))
    first = next(pipe.blocks)
    assert (first.at_s, first.lost, len(first.samples)) == (0.0, 0, BLOCK)
    # Held up for 4 s; then all that waited comes at once, and is old.
    pipe.stall_s = 4.0
    pipe.write(*[1000] * (3 * BLOCK))
    back = next(pipe.blocks)
    assert back.lost == 4 * RATE
    assert back.at_s == pytest.approx(BLOCK_S + 4.0)
    assert len(back.samples) == 0
    assert pipe.told == [Notice("standard input stalled for 4.0 s")]
    pipe.write(*range(BLOCK))
    fresh = next(pipe.blocks)
    assert fresh.at_s == back.at_s
    np.testing.assert_allclose(fresh.samples, np.arange(BLOCK) / 32768, atol=1e-6)


def test_a_short_hiccup_loses_nothing(pipe: Pipe) -> None:
    for number in range(3):
        pipe.write(*[number] * BLOCK)
        block = next(pipe.blocks)
        assert (block.lost, len(block.samples)) == (0, BLOCK)
        pipe.stall_s = 0.4
    assert pipe.told == []


def test_frames_stay_whole_through_a_stall(pipe: Pipe) -> None:
    """The stall ends in the middle of a sample."""
    pipe.write(*[5] * BLOCK)
    next(pipe.blocks)
    pipe.stall_s = 2.0
    os.write(pipe.other, np.full(10, 7, dtype="<i2").tobytes() + b"\x34")
    assert len(next(pipe.blocks).samples) == 0
    os.write(pipe.other, b"\x12" + np.full(9, 0x1234, dtype="<i2").tobytes())
    np.testing.assert_allclose(next(pipe.blocks).samples, np.full(10, 0x1234 / 32768), atol=1e-6)


def test_a_silent_writer_is_reported_while_it_is_silent(pipe: Pipe) -> None:
    clock = iter([0.0, *[9.0] * 100])
    pipe.source._clock = lambda: next(clock)

    def told(notice: Notice) -> None:
        pipe.told.append(notice)
        pipe.source.close()

    pipe.source.report = told
    assert list(pipe.blocks) == []
    assert pipe.told == [Notice("no sound from standard input; waiting for it")]


def test_a_writer_faster_than_real_time_is_made_to_wait() -> None:
    pipe = Pipe(paced=True)
    for _ in range(400):
        pipe.write(*[0] * BLOCK)
        block = next(pipe.blocks)
    next_s = block.at_s + BLOCK_S
    pipe.write(*[0] * BLOCK)
    next(pipe.blocks)
    assert pipe.now_s == pytest.approx(next_s / PACE - PACE_AHEAD_S, abs=1e-6)
    pipe.close()


class Stalled(Played):
    """Sound for a while, and then none until it is closed; the host's clock goes on."""

    def __init__(self, seconds: float, clock: Clock) -> None:
        super().__init__(seconds, clock)
        self.stalls = threading.Event()

    def blocks(self) -> Iterator[Block]:
        yield from silence(self._seconds)
        self.stalls.set()
        self.closed.wait()


class Ticking(SteppedClock):
    """Each look at it is half a second later, once the sound has stalled."""

    ticks = False

    def now_s(self) -> float:
        self.at_s += 0.5 * self.ticks
        return self.at_s


def test_while_sound_stalls_the_clock_goes_on_and_the_strikes_are_held(tmp_path: Path) -> None:
    """The rule of the longest time fires, the state is logged, and nothing is played."""
    clock, said = Ticking(), list[str]()
    engine = engine_for(calls(1), clock)
    link = SimulatedLink(engine.player.palette)
    rows: list[Any] = []

    def why() -> str | None:
        # All that there was has been heard.
        clock.ticks = source.stalls.is_set() and runner._blocks.empty()
        return "as long as was allowed" if engine.now_s >= 60.0 else None

    hooks = Hooks(notify=said.append, record=rows.append, stop=why)
    source = Stalled(3.2, clock)
    runner = runner_for(engine, source, link, clock, hooks=hooks, real_time=True, lossless=True)
    assert runner.run() == "as long as was allowed"
    assert "no sound comes: it waits for it" in said
    statuses = [row.at_s for row in rows if row.kind == "status"]
    assert len([at_s for at_s in statuses if at_s > 5.0]) >= 60 / STATUS_EVERY_S - 2
    assert not [row for row in link.board.log if row.did == "on"]


def test_late_sound_holds_the_strikes_until_it_is_prompt() -> None:
    day = day_of(calls(4), PROMPT)
    for block in silence(30):
        late = 6.0 < block.at_s < 14.0
        day.perform(day.engine.feed(block, LATE_SOUND_S + 0.2 if late else 0.01))
        day.link.advance(day.engine.now_s)
        update = day.link.take_update()
        day.outcomes += update.outcomes
        day.perform(day.engine.link_update(update))
    assert "the sound comes 0.6 s late: it waits" in day.said
    assert "the sound is back: it plays" in day.said
    assert [s for s in day.strikes_s if s < 6.0]
    assert not [s for s in day.strikes_s if 6.2 < s < 14.0]
    assert [s for s in day.strikes_s if s > 14.0]


def test_commands_that_were_not_played_are_a_fault() -> None:
    day = day_of([], PROMPT)
    strike = Strike(at_s=1.0, channel=0, pulse_ms=5.0)
    for how in ("late", "late", "over a limit", "left off", "executed"):
        update = LinkUpdate(True, (CommandOutcome(strike, how),))
        day.perform(day.engine.link_update(update))
    day.perform(day.engine.ended("enough"))
    (fault,) = day.of("fault")
    assert fault["what"] == "commands that were not played: 2 late, 1 over a limit"  # type: ignore[index]


def test_the_clock_never_runs_backwards() -> None:
    day = day_of([], PROMPT)
    day.perform(day.engine.idle(10.0))
    day.perform(day.engine.feed(replace(next(silence(1)), at_s=9.9)))
    assert day.engine.now_s == 10.0


def test_a_clock_set_right_moves_the_hours_of_the_rules() -> None:
    """It woke in 1970 at noon; after 5 s it learns that it is early in the morning."""
    rules = msgspec.structs.replace(
        PROMPT,
        rule=(Rule(name="d", damping="short", when=When(clock=("04:00", "05:00"))),),
        manners=Manners(wait_s=(0.6, 0.6), share_max=1.0, quiet_share=0.0, return_s=0.0),
    )
    passed = [0.0]

    def wall() -> datetime:
        born = MORNING if passed[0] >= 5.0 else datetime(1970, 1, 1, 12, 0)
        return born + timedelta(seconds=passed[0])

    day = day_of(calls(4), rules, wall=wall)
    for block in silence(30):
        passed[0] = block.at_s
        day.run(iter([block]))
    assert day.strikes_s
    assert min(day.strikes_s) > 6.0


def snippet(name: str) -> Snippet:
    return Snippet(name, np.random.default_rng(0).normal(0, 0.1, RATE_HZ).astype(np.float32), 8000)


def test_snippets_stop_at_their_cap_and_say_so_once(tmp_path: Path) -> None:
    folder = SnippetFolder(tmp_path, max_bytes=40_000, min_free_bytes=0)
    told = [folder.write(snippet(f"s{n}")) for n in range(6)]
    files = list(tmp_path.glob("*.flac"))
    assert 1 <= len(files) < 6
    assert sum(file.stat().st_size for file in files) <= 40_000
    assert [notice.fault for notice in told if notice is not None] == [True]
    # What a day before has left counts, too.
    again = SnippetFolder(tmp_path, max_bytes=40_000, min_free_bytes=0)
    assert again.write(snippet("t")) is not None
    assert len(list(tmp_path.glob("*.flac"))) == len(files)


def test_a_folder_that_takes_no_snippets_is_refused_before_the_day(tmp_path: Path) -> None:
    # Not by its permissions: who runs the tests as root may write anywhere.
    (tmp_path / "file").touch(mode=0o644)
    with pytest.raises(UserError, match="can't write here"):
        SnippetFolder(tmp_path / "file" / "kept", max_bytes=40_000, min_free_bytes=0)


def test_snippets_leave_the_log_its_room(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    free = [200_000_000]
    monkeypatch.setattr(
        shutil,
        "disk_usage",
        lambda path: shutil._ntuple_diskusage(10**9, 0, free[0]),
    )
    folder = SnippetFolder(tmp_path / "kept", max_bytes=10**9, min_free_bytes=500_000_000)
    told = folder.write(snippet("a"))
    assert told is not None
    assert "200 MB are free" in told.text
    assert not (tmp_path / "kept").exists()
    free[0] = 600_000_000
    assert folder.write(snippet("b")) == Notice("snippets are kept again", fault=False)
    assert len(list((tmp_path / "kept").glob("*.flac"))) == 1
