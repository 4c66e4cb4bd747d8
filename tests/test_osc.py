"""Open Sound Control: packets by the specification, what is told, and who may ask for what.

References: the examples of The Open Sound Control 1.0 Specification (Wright 2002,
bytes from memory), and liblo's oscsend and oscdump as clients that we did not write.
"""

from __future__ import annotations

import os
import queue
import random
import shutil
import socket
import struct
import subprocess
import threading
import time
from collections.abc import Callable, Iterator
from itertools import pairwise
from pathlib import Path

import msgspec
import numpy as np
import pytest
from click.testing import CliRunner, Result
from live_helpers import FETTLE, MORNING, RATE_HZ, Scripted, silence
from plan_helpers import reply_note
from test_live_engine import PROMPT, calls

from callresp.cli import cli
from callresp.commands.stream import write_log
from callresp.errors import UserError
from callresp.io.audio import write_wav
from callresp.io.kinds import kind_of
from callresp.io.score import ReplyHeader, ReplyScore
from callresp.link.port import Clock
from callresp.link.session import Report, SentCommand, Session
from callresp.live import setup
from callresp.live.actions import Record
from callresp.live.engine import Clocks, LiveEngine, LiveSettings
from callresp.live.links import NullLink
from callresp.live.log_thread import LogThread
from callresp.live.runner import Hooks, Runner
from callresp.midi.clock import ClockFollower
from callresp.osc.asked import (
    DEAF_S,
    Asked,
    Gate,
    MuteAsked,
    RefusedError,
    RulesAsked,
    SettingAsked,
    StopAsked,
    StrikerAsked,
)
from callresp.osc.codec import LARGEST, Message, OscFault, packet, read_packet, single
from callresp.osc.sessions import LiveOsc, StreamOsc
from callresp.osc.told import of_record
from callresp.osc.udp import NetAddress, OscReceiver, OscSender
from callresp.plan.checked_plan import check
from callresp.plan.files import read_plan, write_plan
from callresp.plan.planner import make_plan
from callresp.play.follow import FollowedPlan
from callresp.reply.rules import load_rules

# Both from the specification's own examples.
FREQUENCY = bytes.fromhex("2f6f7363696c6c61746f722f342f6672657175656e6379002c66000043dc0000")
FOO = bytes.fromhex(
    "2f666f6f000000002c69697366660000000003e8ffffffff68656c6c6f0000003f9df3b640b5b22d"
)
WAIT_S = 20.0


def test_the_examples_of_the_specification() -> None:
    assert read_packet(FREQUENCY) == [Message("/oscillator/4/frequency", (440.0,))]
    (foo,) = read_packet(FOO)
    assert foo.address == "/foo"
    assert foo.arguments[:3] == (1000, -1, "hello")
    assert foo.arguments[3:] == pytest.approx((1.234, 5.678), rel=1e-6)
    assert single(Message("/oscillator/4/frequency", (440.0,))) == FREQUENCY


def test_a_bundle_is_tagged_with_its_time() -> None:
    # NTP's seconds begin in 1900, 2,208,988,800 s before 1970 (RFC 5905).
    data = packet([Message("/a", (1,))], unix_s=1_000_000_000.5)
    assert struct.unpack(">II", data[8:16]) == (3_208_988_800, 1 << 31)
    assert struct.unpack(">Q", packet([Message("/a")])[8:16]) == (1,)
    nested = b"#bundle\0" + b"\0" * 7 + b"\1" + len(data).to_bytes(4, "big") + data
    assert read_packet(nested) == [Message("/a", (1,))]


def bundle(*elements: bytes, sizes: tuple[int, ...] = ()) -> bytes:
    told = sizes or tuple(len(element) for element in elements)
    parts = (n.to_bytes(4, "big", signed=True) + e for n, e in zip(told, elements, strict=True))
    return b"#bundle\0" + b"\0" * 8 + b"".join(parts)


def deep(levels: int) -> bytes:
    data = FOO
    for _ in range(levels):
        data = bundle(data)
    return data


@pytest.mark.parametrize(
    "data",
    [
        b"",
        b"abc",
        b"abcd",
        b"/foo",
        b"/foo\0\0\0\0iisf\0\0\0\0",
        b"/foo\0\0\0\0,i\0\0",
        b"/foo\0\0\0\0,x\0\0",
        b"#bundle\0\0\0\0\0",
        bundle(FOO, sizes=(-4,)),
        bundle(FOO, sizes=(0,)),
        bundle(FOO, sizes=(len(FOO) + 4,)),
        bundle(FOO + b"\0"),
        deep(5),
        b"/" * (LARGEST + 4),
    ],
)
def test_what_is_no_packet_is_refused(data: bytes) -> None:
    with pytest.raises(OscFault):
        read_packet(data)


def test_bundles_may_nest_a_little() -> None:
    assert len(read_packet(deep(3))) == 1


def test_damaged_packets_are_read_or_refused() -> None:
    rng = random.Random(6)
    refused = 0
    for _ in range(800):
        data = bytearray(rng.choice((FOO, deep(2), bundle(FOO, FREQUENCY))))
        for _ in range(rng.randrange(1, 6)):
            place = rng.randrange(len(data))
            if rng.random() < 0.8:
                data[place] = rng.randrange(256)
            else:
                del data[place:]
                data += b"/"
        try:
            read_packet(bytes(data))
        except OscFault:
            refused += 1
    assert refused > 200


def asked(gate: Gate, address: str, *given: int | float | str, now_s: float = 0.0) -> Asked:
    return gate.read(Message(address, given), now_s)


def test_what_holds_back_needs_no_word_and_what_moves_does() -> None:
    gate = Gate("wren")
    assert asked(gate, "/callresp/stop") == StopAsked()
    assert asked(gate, "/callresp/mute", 1) == MuteAsked(True)
    assert asked(gate, "/callresp/mute", 0, "wren") == MuteAsked(False)
    assert asked(gate, "/callresp/rules", "shadow", "wren") == RulesAsked("shadow")
    key = "manners.rest_s"
    assert asked(gate, "/callresp/set", key, 2, "wren") == SettingAsked(key, 2.0)
    one = "/callresp/mute-striker"
    assert asked(gate, one, "oak block", 1) == StrikerAsked("oak block", True)
    assert asked(gate, one, "oak block", 0, "wren") == StrikerAsked("oak block", False)
    moves = (
        ("/callresp/mute", 0),
        (one, "oak block", 0),
        ("/callresp/rules", "x"),
        ("/callresp/set", key, 1.5),
    )
    for address, *given in moves:
        with pytest.raises(RefusedError, match="the word is missing"):
            asked(Gate("wren"), address, *given)
        with pytest.raises(RefusedError, match="that is not the word"):
            asked(Gate("wren"), address, *given, "robin")
        with pytest.raises(RefusedError, match="without a word"):
            asked(Gate(None), address, *given, "")


def test_after_a_wrong_word_none_is_heard_for_a_while() -> None:
    gate = Gate("wren")
    with pytest.raises(RefusedError, match="not the word"):
        asked(gate, "/callresp/mute", 0, "robin")
    with pytest.raises(RefusedError, match="just before"):
        asked(gate, "/callresp/mute", 0, "wren", now_s=DEAF_S / 2)
    assert asked(gate, "/callresp/stop", now_s=DEAF_S / 2) == StopAsked()
    assert asked(gate, "/callresp/mute", 0, "wren", now_s=DEAF_S) == MuteAsked(False)


@pytest.mark.parametrize(
    ("address", "given", "told"),
    [
        ("/other", (), "no such address here"),
        ("/callresp/mute", ("on",), "its arguments are others"),
        ("/callresp/set", (1.0, "manners.rest_s", "wren"), "its arguments are others"),
        ("/callresp/set", ("manners.rest_s", float("nan"), "wren"), "no finite number"),
    ],
)
def test_other_requests_are_refused(
    address: str, given: tuple[int | float | str, ...], told: str
) -> None:
    with pytest.raises(RefusedError, match=told):
        asked(Gate("wren"), address, *given)


def test_a_place_is_this_computer_unless_it_says_otherwise() -> None:
    assert NetAddress.of("9000", "osc_in") == NetAddress("127.0.0.1", 9000)
    assert NetAddress.of("0.0.0.0:9000", "osc_in") == NetAddress("0.0.0.0", 9000)
    assert NetAddress.of("[::1]:9000", "osc_in") == NetAddress("::1", 9000)
    for text in ("", "here", "host:", "70000", "0"):
        with pytest.raises(UserError, match="is no address"):
            NetAddress.of(text, "osc_in")


def free_port() -> int:
    with socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as probe:
        probe.bind(("127.0.0.1", 0))
        return int(probe.getsockname()[1])


@pytest.fixture
def receiver() -> Iterator[tuple[int, queue.SimpleQueue[Asked]]]:
    came: queue.SimpleQueue[Asked] = queue.SimpleQueue()

    def grant(one: Asked) -> str:
        came.put(one)
        return "done"

    port = free_port()
    made = OscReceiver(NetAddress("127.0.0.1", port), Gate("wren"), grant)
    yield port, came
    made.close()


def test_a_request_is_answered_to_where_it_came_from(
    receiver: tuple[int, queue.SimpleQueue[Asked]],
) -> None:
    port, came = receiver
    with socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as client:
        client.settimeout(WAIT_S)
        client.sendto(b"nonsense", ("127.0.0.1", port))
        client.sendto(single(Message("/callresp/mute", (0,))), ("127.0.0.1", port))
        refused = read_packet(client.recv(4096))
        client.sendto(packet([Message("/callresp/mute", (1,))]), ("127.0.0.1", port))
        granted = read_packet(client.recv(4096))
    assert refused == [Message("/callresp/answer", ("/callresp/mute", 0, "the word is missing"))]
    assert granted == [Message("/callresp/answer", ("/callresp/mute", 1, "done"))]
    assert came.get(timeout=WAIT_S) == MuteAsked(True)


def test_a_taken_port_is_told(receiver: tuple[int, queue.SimpleQueue[Asked]]) -> None:
    with pytest.raises(UserError, match=r"can't listen on 127\.0\.0\.1"):
        OscReceiver(NetAddress("127.0.0.1", receiver[0]), Gate(None), str)


def tool(name: str) -> str:
    """A client of liblo's; skips where there is none, but not in CI."""
    found = shutil.which(name)
    if found is None:
        assert not os.environ.get("CI"), f"no {name}: .ci/run installs liblo-tools"
        pytest.skip(f"no {name} here: install liblo-tools")
    return found


def test_another_client_asks(receiver: tuple[int, queue.SimpleQueue[Asked]]) -> None:
    port, came = receiver
    words = [tool("oscsend"), "127.0.0.1", str(port)]
    for request in (
        ["/callresp/stop"],
        ["/callresp/mute", "i", "1"],
        ["/callresp/mute", "T"],
        ["/callresp/set", "sfs", "manners.rest_s", "2.5", "wren"],
        ["/callresp/rules", "ss", "shadow", "wren"],
    ):
        subprocess.run([*words, *request], check=True)
    got = [came.get(timeout=WAIT_S) for _ in range(5)]
    assert got == [
        StopAsked(), MuteAsked(True), MuteAsked(True), SettingAsked("manners.rest_s", 2.5),
        RulesAsked("shadow"),
    ]  # fmt: skip


def test_another_client_hears() -> None:
    port = free_port()
    words = ["stdbuf", "-oL", tool("oscdump"), str(port)]
    sender = OscSender([NetAddress("127.0.0.1", port)])
    with subprocess.Popen(words, stdout=subprocess.PIPE, text=True) as dump:
        assert dump.stdout is not None
        heard: queue.SimpleQueue[str] = queue.SimpleQueue()
        out = dump.stdout

        def read() -> None:
            for row in out:
                heard.put(row)

        threading.Thread(target=read, daemon=True).start()
        message = Message("/callresp/note", (17, "A", 3120.5, -30.25, 0.0625))
        until_s = time.monotonic() + WAIT_S
        row = ""
        while not row and time.monotonic() < until_s:
            # It may not listen yet.
            sender.send(message, unix_s=1_000_000_000.5)
            try:
                row = heard.get(timeout=0.2)
            except queue.Empty:
                continue
        dump.terminate()
    sender.close()
    # The time tag in hexadecimal: 3,208,988,800 s since 1900, and a half.
    assert row.split(None, 1)[0] == f"{3_208_988_800:08x}.80000000"
    assert row.split()[1:] == [
        "/callresp/note", "isfff", "17", '"A"', "3120.500000", "-30.250000", "0.062500"
    ]  # fmt: skip


Heard = Callable[[], list[tuple[float, Message]]]


@pytest.fixture
def listening() -> Iterator[tuple[int, Heard]]:
    """A port, and what has come in on it: time tags (seconds since 1970) and messages."""
    with socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as client:
        client.setsockopt(socket.SOL_SOCKET, socket.SO_RCVBUF, 1 << 22)
        client.bind(("127.0.0.1", 0))
        client.setblocking(False)

        def heard() -> list[tuple[float, Message]]:
            found: list[tuple[float, Message]] = []
            while True:
                try:
                    data = client.recv(LARGEST)
                except BlockingIOError:
                    return found
                seconds, part = struct.unpack(">II", data[8:16])
                (message,) = read_packet(data)
                found.append((seconds - 2_208_988_800 + part / 2**32, message))

        yield int(client.getsockname()[1]), heard


def live(tmp_path: Path, monkeypatch: pytest.MonkeyPatch, *words: str) -> Result:
    wave = np.random.default_rng(0).normal(0, 0.01, 30 * RATE_HZ).astype(np.float32)
    write_wav(tmp_path / "dawn.wav", wave, RATE_HZ)
    monkeypatch.setattr(setup, "listener_of", lambda rate, profile: Scripted(calls(4)))
    monkeypatch.chdir(tmp_path)
    file = ["--input", "dawn.wav", "--speed", "0", "--start", "2026-05-12T04:30:00+01:00"]
    return CliRunner().invoke(cli, ["live", *file, "--rules", "shadow", *words])


def test_a_day_is_told_with_the_times_at_which_it_was(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, listening: tuple[int, Heard]
) -> None:
    port, heard = listening
    done = live(tmp_path, monkeypatch, "--port", "simulated", "--osc-to", str(port))
    assert done.exit_code == 0, done.output
    rows = heard()
    addresses = {message.address.removeprefix("/callresp/") for _, message in rows}
    assert addresses >= {
        "start", "note", "phrase", "reply", "strike", "stroke", "status", "remark"
    }  # fmt: skip
    began_s = MORNING.timestamp() if MORNING.tzinfo else 1_778_556_600.0
    notes = [(at_s, m) for at_s, m in rows if m.address == "/callresp/note"]
    for (at_s, message), note in zip(notes, calls(4), strict=True):
        assert at_s == pytest.approx(began_s + note.onset_s, abs=1e-3)
        assert message.arguments[1] == note.voice
        assert message.arguments[2] == pytest.approx(note.pitch_hz, rel=1e-6)
    strokes = [m.arguments for _, m in rows if m.address == "/callresp/stroke"]
    strikes = [m.arguments for _, m in rows if m.address == "/callresp/strike"]
    executed = [row for row in strokes if row[1] == "strike" and row[3] == "executed"]
    assert [row[0] for row in executed] == [row[1] for row in strikes]
    # A strike is told with when it will be heard: its coil's latency after its stroke begins.
    told = {m.arguments[1]: at_s for at_s, m in rows if m.address == "/callresp/strike"}
    last = next((at_s, m) for at_s, m in reversed(rows) if m.arguments[1:2] == ("strike",))
    striker = FETTLE.striker_named(str(last[1].arguments[0]))
    assert striker is not None
    assert told[striker.name] - last[0] == pytest.approx(striker.latency_ms / 1000, abs=0.002)


def test_nothing_is_told_or_taken_unless_it_was_asked_for(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    def never(*given: object) -> None:
        raise AssertionError("a socket was opened")

    monkeypatch.setattr("callresp.osc.udp.socket.socket", never)
    assert live(tmp_path, monkeypatch).exit_code == 0
    asked_for = live(tmp_path, monkeypatch, "--osc-to", "9000")
    assert isinstance(asked_for.exception, AssertionError)


def test_a_clock_does_not_go_with_sound_at_another_pace(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    done = live(tmp_path, monkeypatch, "--clock-in", "Sequencer")
    assert isinstance(done.exception, UserError)
    assert "at another pace than its own" in str(done.exception)


def runner() -> Runner:
    clocks = Clocks(lambda: MORNING, lambda: 0.0)
    engine = LiveEngine(FETTLE, PROMPT, Scripted([]), RATE_HZ, clocks, LiveSettings())

    class NoSound:
        sample_rate_hz = RATE_HZ

        def blocks(self) -> Iterator[object]:
            return iter(())

        def close(self) -> None: ...

    return Runner(engine, NoSound(), NullLink(), LogThread(None), Hooks(), Clock())  # type: ignore[arg-type]


def test_requests_reach_the_engine() -> None:
    run = runner()
    osc = LiveOsc(run, [], None, "wren")

    def done() -> None:
        while not run.requests.empty():
            run.perform(run.requests.get()(run.engine))

    assert osc.grant(MuteAsked(True)) == "it plays nothing"
    done()
    assert run.engine.inhibited == "muted from outside: it listens on"
    osc.grant(MuteAsked(False))
    done()
    assert run.engine.inhibited is None
    assert osc.grant(RulesAsked("shadow")) == "it answers by 'shadow'"
    done()
    assert run.engine.rules == load_rules("shadow")
    assert osc.grant(StrikerAsked("lowest 2", True)) == "left out: tube 1, tube 2"
    done()
    assert run.engine.player.muted == {"tube 1", "tube 2"}
    osc.grant(SettingAsked("manners.rest_s", 7.5))
    done()
    assert run.engine.rules.manners.rest_s == 7.5
    assert run.engine._replier._turns.manners.rest_s == 7.5
    with pytest.raises(UserError, match=r"no setting 'manners\.nap_s'"):
        osc.grant(SettingAsked("manners.nap_s", 1.0))
    with pytest.raises(UserError, match="is not allowed"):
        osc.grant(SettingAsked("manners.share_max", 9.0))
    with pytest.raises(UserError, match="no-such"):
        osc.grant(RulesAsked("no-such"))
    assert not osc.stop.is_set()
    assert osc.grant(StopAsked()) == "it stops"
    assert osc.stop.is_set()
    osc.close()
    run.log.close()


def test_a_muted_engine_plays_nothing_and_listens_on() -> None:
    clocks = Clocks(lambda: MORNING, lambda: 0.0)
    engine = LiveEngine(FETTLE, PROMPT, Scripted(calls(4)), RATE_HZ, clocks, LiveSettings())
    out = engine.mute("quiet, please")
    for block in silence(30.0):
        out += engine.feed(block)
    names = [type(action).__name__ for action in out]
    assert "Send" not in names
    assert names.count("SoundHeard") > 4


def small_plan(tmp_path: Path) -> Path:
    notes = tuple(reply_note(n, 0.5 + n / 4, None, "oak block", 0.5) for n in range(4))
    plan = make_plan(ReplyScore(header=ReplyHeader(), notes=notes), FETTLE)
    write_plan(tmp_path / "x.plan.jsonl", plan.plan)
    return tmp_path / "x.plan.jsonl"


def test_a_stream_is_told(tmp_path: Path, listening: tuple[int, Heard]) -> None:
    port, heard = listening
    words = ["stream", str(small_plan(tmp_path)), "--port", "simulated", "--speed", "10"]
    began_s = time.time()
    done = CliRunner().invoke(cli, [*words, "--osc-to", str(port)])
    assert done.exit_code in (0, 1), done.output
    rows = heard()
    strokes = [(at_s, m) for at_s, m in rows if m.address == "/callresp/stroke"]
    assert [m.arguments[:2] for _, m in strokes] == [("oak block", "strike")] * 4
    assert all(began_s < at_s < time.time() for at_s, _ in strokes)
    assert {m.arguments[0] for _, m in rows if m.address == "/callresp/status"} >= {"streaming"}


def test_of_a_stream_strikers_are_left_out_and_played_again() -> None:
    class Muted:
        """A session that keeps what it is told to leave out."""

        ended: tuple[SentCommand, ...] = ()
        status = start_s = None
        report = Report(faults=("rain",))

        def __init__(self) -> None:
            self.muted: list[tuple[set[str], bool]] = []

        def mute(self, names: frozenset[str], now_s: float, release: bool) -> None:
            self.muted.append((set(names), release))

    osc, session = StreamOsc(FETTLE, [], None, "wren"), Muted()

    def done(asked: Asked) -> tuple[str, set[str], bool]:
        told = osc.grant(asked)
        osc.watch(session, 0.0)  # type: ignore[arg-type]
        return (told, *session.muted[-1])

    shaker = FETTLE.turner[0].name
    names = {item.name for item in FETTLE.striker} | {shaker}
    tubes = {f"tube {n}" for n in range(1, 6)}
    assert done(StrikerAsked("oak block", True))[1:] == ({"oak block"}, False)
    assert done(StrikerAsked("any tube", True))[1:] == ({"oak block", *tubes}, False)
    assert done(MuteAsked(True)) == ("it plays nothing", names, True)
    assert done(StrikerAsked("any tube", False))[1:] == (names, False)
    assert done(MuteAsked(False)) == ("it plays again", {"oak block"}, False)
    assert done(StrikerAsked(shaker, True))[1] == {"oak block", shaker}
    with pytest.raises(RefusedError, match="Fettle has no 'gong'"):
        osc.grant(StrikerAsked("gong", True))
    osc.close()


def test_a_stream_takes_a_stop_and_no_rules() -> None:
    osc = StreamOsc(FETTLE, [], None, "wren")
    for asked in (RulesAsked("shadow"), SettingAsked("manners.rest_s", 1.0)):
        with pytest.raises(RefusedError, match="a plan is finished"):
            osc.grant(asked)
    assert osc.grant(StopAsked()) == "it stops"
    assert osc.stop.is_set()
    osc.close()


def test_a_plan_that_follows_a_clock_is_told_and_logged(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, listening: tuple[int, Heard]
) -> None:
    class Sequencer:
        """Sends a start and 24 clocks a beat, 120 beats a minute, from its first moment on."""

        def __init__(self, take: Callable[[bytes], None]) -> None:
            self._ended = threading.Event()
            self._thread = threading.Thread(target=self._run, args=(take,))
            self._thread.start()

        def _run(self, take: Callable[[bytes], None]) -> None:
            take(b"\xfa")
            while not self._ended.wait(60 / 120 / 24):
                take(b"\xf8")

        def close(self) -> None:
            self._ended.set()
            self._thread.join()

    monkeypatch.setattr(
        "callresp.midi.ports.open_input", lambda name, take, virtual: Sequencer(take)
    )
    port, heard = listening
    plan, log = small_plan(tmp_path), tmp_path / "played.jsonl"
    words = ["stream", str(plan), "--port", "simulated", "--log", str(log), "--osc-to", str(port)]
    done = CliRunner().invoke(cli, [*words, "--clock-in", "Sequencer", "--tempo", "120"])
    assert done.exit_code in (0, 1), done.output
    rows = [msgspec.json.decode(line) for line in log.read_text().splitlines()]
    wanted = [command.at_s for command in read_plan(plan).commands]
    assert sorted(row["plan_s"] for row in rows) == pytest.approx(wanted, abs=1e-6)
    told = [m.arguments for _, m in heard() if m.address == "/callresp/stroke"]
    sent = [row for row in rows if row["asked_s"] is not None]
    assert sorted(row[3] for row in told) == sorted(row["fate"] for row in sent)
    # At which tempo is asked in test_midi_clock, of clocks that don't halt when a computer is busy.
    asked_s = [row["asked_s"] for row in sorted(sent, key=lambda row: row["plan_s"])]
    assert len(asked_s) > 1
    assert all(later > sooner for sooner, later in pairwise(asked_s))


def test_what_a_followed_clock_never_reached_is_in_the_log(tmp_path: Path) -> None:
    plan = check(read_plan(small_plan(tmp_path)), FETTLE)
    followed, log = FollowedPlan(plan, ClockFollower()), tmp_path / "played.jsonl"
    followed.dropped.append((plan.plan.commands[0], "restrike_ms"))
    write_log(log, Session(None), followed)
    rows = [msgspec.json.decode(line) for line in log.read_text().splitlines()]
    assert [row["fate"] for row in rows] == ["left out: restrike_ms"] + ["not reached"] * 4
    assert kind_of(log) == "log of commands"


def test_a_phrase_that_was_renamed_is_told() -> None:
    (told,) = of_record(Record(9.0, "voice", {"phrase": 3, "voice": "B"}), "listening")
    assert (told.at_s, told.message) == (9.0, Message("/callresp/voice", (3, "B")))
