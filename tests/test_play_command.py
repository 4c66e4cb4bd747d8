"""The player run for real: the runner with its output, the command with raw MIDI on its input."""

from __future__ import annotations

import builtins
import queue
import subprocess
import sys
from pathlib import Path
from typing import Any

import msgspec
import numpy as np
import pytest

from callresp.errors import UserError
from callresp.io.score_files import read_reply
from callresp.link.port import Clock
from callresp.link.simulator import simulated_board
from callresp.live.sources import SoundCard
from callresp.palette.files import load_palette
from callresp.plan.checked_plan import CheckedPlan
from callresp.play.hand import HandPlayer
from callresp.play.inputs import Ended, Event, Midi, Typed, key_table
from callresp.play.outputs import BoardOutput, NullOutput, Unplayed
from callresp.play.runner import PlayRunner
from callresp.play.sound import SoundOutput

FETTLE = load_palette("fettle")


class StepClock(Clock):
    """A millisecond passes each time that it is asked."""

    def __init__(self) -> None:
        super().__init__()
        self._now_s = 0.0

    def now_s(self) -> float:
        self._now_s += 0.001
        return self._now_s


class Kept(NullOutput):
    """Keeps what it is sent; says of one note that it did not sound."""

    def __init__(self, silent: int | None = None) -> None:
        self.sent: list[CheckedPlan] = []
        self.closed = False
        self._silent = silent

    def send(self, checked: CheckedPlan) -> None:
        self.sent.append(checked)

    def exchange(self, now_s: float) -> list[Unplayed]:
        struck = {strike.reply for checked in self.sent for strike in checked.plan.strikes}
        if self._silent in struck:
            lost, self._silent = self._silent, None
            return [Unplayed(lost, "it was not struck: late")]
        return []

    def close(self) -> None:
        self.closed = True


def run(events: list[Event], output: Kept) -> tuple[PlayRunner, list[str]]:
    inbox: queue.SimpleQueue[Event] = queue.SimpleQueue()
    for event in events:
        inbox.put(event)
    inbox.put(Ended())
    said: list[str] = []
    runner = PlayRunner(HandPlayer(FETTLE), inbox, output, StepClock(), said.append)
    assert runner.run() == "nothing more comes in"
    return runner, said


def test_keys_of_the_computer_go_from_low_to_high() -> None:
    table = key_table(FETTLE)
    assert [table[key] for key in "asdfg"] == [f"tube {n}" for n in range(1, 6)]
    assert (table["h"], table["j"], table["z"]) == ("oak block", "tin box", "bead shaker")


def test_what_is_typed_is_struck_as_hard_as_was_said() -> None:
    output = Kept()
    events: list[Event] = [Typed(key, 0.0) for key in "9s1h"]
    runner, _ = run(events, output)
    strikes = [strike for checked in output.sent for strike in checked.plan.strikes]
    assert [strike.instrument for strike in strikes] == ["tube 2", "oak block"]
    forces = {note.instrument: note.force for note in runner.player.score().notes}
    assert forces == pytest.approx({"tube 2": 0.9, "oak block": 0.1})
    assert output.closed


def test_a_turners_key_starts_and_stops_it_and_space_lets_go_of_all() -> None:
    runner, _ = run([Typed("z", 0.0), Typed("a", 0.0), Typed(" ", 0.0)], Kept())
    ends = {note.instrument: note.offset_s for note in runner.player.score().notes}
    assert set(ends) == {"bead shaker", "tube 1"}
    assert all(end is not None and end < 0.1 for end in ends.values())
    twice, _ = run([Typed("z", 0.0), Typed("z", 0.0)], Kept())
    assert [note.offset_s is not None for note in twice.player.score().notes] == [True]


def test_the_end_key_ends_it() -> None:
    inbox: queue.SimpleQueue[Event] = queue.SimpleQueue()
    inbox.put(Typed("\x1b", 0.0))
    runner = PlayRunner(HandPlayer(FETTLE), inbox, Kept(), StepClock())
    assert runner.run() == "ended from the keyboard"


def test_what_did_not_sound_is_said_and_not_kept() -> None:
    events: list[Event] = [Midi(b"\x90\x54\x64", 0.0), Midi(b"\x90\x56\x64", 0.0)]
    runner, said = run(events, Kept(silent=0))
    assert said[0] == "it was not struck: late"
    assert [note.instrument for note in runner.player.score().notes] == ["tube 2"]


def test_all_is_one_plan_that_can_be_rehearsed() -> None:
    runner, _ = run([Midi(b"\x90\x54\x64", 0.0)], Kept())
    plan = runner.plan("x").plan
    assert [strike.instrument for strike in plan.strikes] == ["tube 1"]
    assert plan.holds


def test_on_a_board_every_command_has_its_outcome() -> None:
    clock, inbox = Clock(), queue.SimpleQueue[Event]()
    player = HandPlayer(FETTLE)
    with simulated_board(FETTLE) as url:
        output = BoardOutput(url, clock)
        keys = iter([84, 86, 88])
        next_s = clock.now_s() + 0.5

        def stop() -> str | None:
            nonlocal next_s
            if clock.now_s() >= next_s:
                next_s += 0.2
                key = next(keys, None)
                if key is None:
                    return "done"
                inbox.put(Midi(bytes((0x90, key, 100)), clock.now_s()))
            return None

        runner = PlayRunner(player, inbox, output, clock, stop=stop)
        assert runner.run() == "done"
    # A busy computer may be too late for a stroke: then that is what became of it.
    assert sum(output.outcomes.values()) == len(runner.commands)
    assert set(output.outcomes) <= {"executed", "late", "not sent: too late", "left off"}
    lost = player.changed["dropped", "late"] + player.changed["late", "latency"]
    assert player.struck + lost == 3
    # One may play for days: what has ended is let go.
    assert output._session.ended == []


class FakeCard:
    """A sound card whose callback the test calls."""

    class PortAudioError(Exception):
        """As of sounddevice."""

    def __init__(self, fails: bool = False) -> None:
        self.calls: list[str] = []
        self._fails = fails
        self.fill: Any = None

    def OutputStream(self, *, callback: Any, channels: int, **given: object) -> FakeCard:  # noqa: N802
        if self._fails:
            raise self.PortAudioError("no device")
        assert channels == 1
        self.fill = callback
        return self

    def start(self) -> None:
        self.calls.append("start")

    def stop(self) -> None:
        self.calls.append("stop")

    def close(self) -> None:
        self.calls.append("close")


def test_without_a_board_the_sound_card_sounds(monkeypatch: pytest.MonkeyPatch) -> None:
    card = FakeCard()
    monkeypatch.setitem(sys.modules, "sounddevice", card)
    clock = StepClock()
    output = SoundOutput(FETTLE, clock, None, 48_000)
    block = np.zeros((480, 1))
    card.fill(block, 480, None, None)
    assert not block.any()
    player = HandPlayer(FETTLE)
    for checked in player.take(clock.now_s(), b"\x90\x54\x7f").checked:
        output.send(checked)
    heard = []
    for _ in range(10):
        card.fill(block, 480, None, None)
        heard.append(block.copy())
    assert output.exchange(0.0) == []
    # 79 dB where 94 dB are full scale: near 0.18 at its peak, and never beyond full scale.
    assert 0.05 < np.abs(np.concatenate(heard)).max() < 1.0
    output.close()
    assert card.calls == ["start", "stop", "close"]


def test_no_sound_card_is_told(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setitem(sys.modules, "sounddevice", FakeCard(fails=True))
    with pytest.raises(UserError, match="can't open the sound card"):
        SoundOutput(FETTLE, Clock(), None, 48_000)


@pytest.mark.parametrize(
    ("fault", "lacks", "remedy"),
    [
        (OSError("PortAudio library not found"), "PortAudio is missing", "libportaudio2"),
        (ImportError("No module named 'sounddevice'"), "sounddevice is missing", "pip install"),
    ],
)
def test_a_system_without_its_sound_library_is_told_what_to_install(
    fault: Exception, lacks: str, remedy: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    """The package is there, and on Linux finds no library: OSError, as its own source raises."""

    def missing(name: str, *given: Any, **more: Any) -> Any:
        if name == "sounddevice":
            raise fault
        return real(name, *given, **more)

    real = builtins.__import__
    monkeypatch.setattr(builtins, "__import__", missing)
    for without, make in (
        ("pipe raw PCM", lambda: SoundCard()),
        ("into a file", lambda: SoundOutput(FETTLE, Clock(), None, 48_000)),
    ):
        with pytest.raises(UserError, match=lacks) as told:
            make()
        assert remedy in str(told.value)
        assert without in str(told.value)


def test_no_board_is_told() -> None:
    with pytest.raises(UserError, match="can't open this port"):
        BoardOutput("/dev/no-such-port", Clock())


def test_the_command_plays_what_comes_in_and_keeps_it(tmp_path: Path) -> None:
    kept, sound = tmp_path / "x.reply.jsonl", tmp_path / "x.wav"
    words = [sys.executable, "-m", "callresp", "play", "--midi-in", "-", "--json"]
    words += ["-o", str(kept), "--sound", str(sound)]
    with subprocess.Popen(
        words, stdin=subprocess.PIPE, stdout=subprocess.PIPE, stderr=subprocess.PIPE
    ) as played:
        assert played.stdin is not None
        assert played.stderr is not None
        assert b"playing" in played.stderr.readline()
        for _ in range(20):
            played.stdin.write(b"\x90\x54\x64")
            played.stdin.flush()
        out, _ = played.communicate(timeout=60)
    told = msgspec.json.decode(out)
    assert played.returncode == 0
    # Twenty keys at once: one is struck, if it was read in time, the others are refused.
    assert told["struck"] + sum(told["changed"].values()) == 20
    assert told["ended"] == "nothing more comes in"
    assert len(read_reply(kept).notes) == told["struck"]
    assert sound.exists() == (told["struck"] > 0)


def test_a_board_and_a_sound_card_at_once_are_refused() -> None:
    words = [sys.executable, "-m", "callresp", "play", "--port", "simulated", "--sound", "device"]
    done = subprocess.run(words, capture_output=True, text=True, check=False)
    assert done.returncode == 2
    assert done.stderr == (
        "callresp: --sound: a board and the sound card at once; give one of the two\n"
    )
