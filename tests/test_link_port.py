"""Where the link meets ports, processes and clocks: each fault of theirs, none of them real."""

from __future__ import annotations

import errno
import io
import os
import signal
import socket
import sys
import threading
from collections.abc import Callable
from contextlib import nullcontext
from pathlib import Path
from types import SimpleNamespace
from typing import Any
from unittest.mock import Mock

import msgspec
import pytest
import serial
from board_on_pty import wait_until
from link_helpers import FETTLE, messages_in, plan_of

from callresp.errors import UserError
from callresp.link import port, simulator, stop_request
from callresp.link import stream as streams
from callresp.link.board import SimulatedBoard, SwitchRow
from callresp.link.framing import frame
from callresp.link.messages import (
    FAULTS,
    VERSION,
    Hello,
    HelloAck,
    Sensed,
    Status,
    Stop,
    TimeRequest,
)
from callresp.link.port import BoardConnection, Clock, PortInUseError, open_port
from callresp.link.session import Session
from callresp.link.signals import ENDING, Deferred, StoppedBySignal, deferred
from callresp.link.simulator import POWERED_FOR_S

STATUS = Status(12000, 20, 20, 0, 0, 0)


@pytest.mark.parametrize(
    ("number", "kind", "what", "remedy"),
    [
        (errno.EBUSY, PortInUseError, "in use by another program", "end that one first"),
        (errno.EAGAIN, PortInUseError, "in use by another program", "end that one first"),
        (
            errno.EACCES,
            UserError,
            "can't open this port (Permission denied)",
            "join the group that owns it, often dialout",
        ),
        (errno.ENOENT, UserError, "(No such file or directory)", "check the cable and the name"),
        (None, UserError, "(odd)", "check the cable and the name"),
    ],
)
def test_a_port_that_does_not_open_says_why(
    number: int | None, kind: type, what: str, remedy: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    fault = serial.SerialException("odd") if number is None else OSError(number, "")
    monkeypatch.setattr(serial, "serial_for_url", Mock(side_effect=fault))
    with pytest.raises(UserError) as refused:
        open_port("/dev/ttyX")
    assert type(refused.value) is kind
    assert what in refused.value.what
    assert remedy == refused.value.remedy
    assert refused.value.where == "/dev/ttyX"


def test_a_port_is_one_program_s_own_and_never_waits(monkeypatch: pytest.MonkeyPatch) -> None:
    opened = Mock()
    monkeypatch.setattr(serial, "serial_for_url", opened)
    assert open_port("/dev/ttyX") is opened.return_value
    wanted = {"baudrate": 115_200, "timeout": 0, "write_timeout": 5}
    opened.assert_called_once_with("/dev/ttyX", **wanted, exclusive=True)
    # A socket can't be held so.
    line = Mock()
    opened.side_effect = [ValueError("unsupported: exclusive"), line]
    assert open_port("socket://x") is line
    assert opened.call_args.kwargs == wanted
    opened.side_effect = ValueError("invalid URL")
    with pytest.raises(UserError, match=r"^what://x: invalid URL; see callresp ports$"):
        open_port("what://x")


class Passing:
    """Time that passes only where somebody sleeps or looks."""

    def __init__(self) -> None:
        self.s = 100.0
        self.slept_s: set[float] = set()

    def sleep(self, seconds: float) -> None:
        self.slept_s.add(seconds)
        self.s += seconds

    def monotonic(self) -> float:
        return self.s

    def time(self) -> float:
        return 70_000.0 + self.s


@pytest.fixture
def passing(monkeypatch: pytest.MonkeyPatch) -> Passing:
    clock = Passing()
    for module in (port, streams):
        monkeypatch.setattr(module, "time", clock)
    return clock


def connected(monkeypatch: pytest.MonkeyPatch, *said: bytes) -> tuple[BoardConnection, Mock]:
    parts = iter(said)
    line = Mock(read=Mock(side_effect=lambda size: next(parts, b"")))
    monkeypatch.setattr(port, "open_port", lambda url: line)
    return BoardConnection("/dev/ttyX"), line


def test_who_waits_asks_again_and_keeps_the_board_awake(
    passing: Passing, monkeypatch: pytest.MonkeyPatch
) -> None:
    board, line = connected(monkeypatch)
    asked_s: list[float] = []
    beats_s: list[float] = []

    def write(data: bytes) -> None:
        # A zero first, which ends whatever stood on the line.
        assert data[0] == 0
        (message,) = messages_in(data)[-1:]
        (asked_s if isinstance(message, Hello) else beats_s).append(passing.s - 100.0)

    line.write.side_effect = write
    with pytest.raises(UserError, match=r"^/dev/ttyX: no board answers here; check the port"):
        board.wait_for(Status, 1.0, heartbeat=True, asking=Hello(VERSION, 3))
    assert passing.s - 100.0 == pytest.approx(1.0, abs=0.01)
    assert asked_s == pytest.approx([0, 0.25, 0.5, 0.75], abs=0.01)
    # Well within the quarter of a second after which a board lets go.
    assert beats_s == pytest.approx([0.06 * n for n in range(17)], abs=0.01)
    with board:
        pass
    line.close.assert_called_once()


def test_a_board_is_greeted_in_a_session_of_its_own_and_heard_in_order(
    passing: Passing, monkeypatch: pytest.MonkeyPatch
) -> None:
    answer = HelloAck(VERSION, 4, 5, 13, 1, 64, 250, 0, 1, 0)
    said = frame(STATUS.pack()) + frame(answer.pack()) + frame(Sensed(7, 100, 50, 1).pack())
    board, line = connected(monkeypatch, b"", said)
    assert board.hello() == answer
    (hello,) = messages_in(line.write.call_args.args[0])[-1:]
    # The milliseconds of the clock, within what the line takes, and never 0.
    assert hello == Hello(VERSION, 70_100_000 % 65535 + 1)
    assert list(board.messages()) == [Sensed(7, 100, 50, 1)]
    assert board.sensed.lux == 7
    board.heartbeat()
    assert messages_in(line.write.call_args.args[0])[-1:] == [TimeRequest(0)]


class Feed:
    """A port by script: bytes, or faults that reading raises."""

    def __init__(self, *parts: bytes | OSError) -> None:
        self.parts = list(parts)
        self.written: list[bytes] = []
        self.closed = False

    def read(self, size: int) -> bytes:
        part = self.parts.pop(0) if self.parts else b""
        if isinstance(part, OSError):
            raise part
        return part

    def write(self, data: bytes) -> None:
        self.written.append(data)

    def flush(self) -> None: ...

    def close(self) -> None:
        self.closed = True


def streamed(
    passing: Passing,
    monkeypatch: pytest.MonkeyPatch,
    *ports: Any,
    ending: Callable[[], bool] = lambda: False,
    zero_s: float | None = None,
) -> Session:
    waiting = iter(ports)

    def opened(url: str) -> Any:
        found = next(waiting)
        if isinstance(found, UserError):
            raise found
        return found

    monkeypatch.setattr(streams, "open_port", opened)
    session = Session(plan_of(3), 7, zero_s=zero_s)
    clock = SimpleNamespace(now_s=lambda: passing.s, speed=1.0)
    streams.stream_session(session, "/dev/ttyX", clock, ending)  # type: ignore[arg-type]
    return session


HELLO = frame(HelloAck(VERSION, 7, 5, 13, 1, 64, 250, 0, 1, 0).pack())


def test_a_board_that_never_answers_and_one_that_goes_are_told_apart(
    passing: Passing, monkeypatch: pytest.MonkeyPatch
) -> None:
    nobody = Feed()
    with pytest.raises(UserError, match=r"^/dev/ttyX: no board answers here; check the port"):
        streamed(passing, monkeypatch, nobody)
    assert passing.s - 100.0 == pytest.approx(5.0, abs=0.01)
    gone, from_s = Feed(HELLO), passing.s
    with pytest.raises(UserError, match=r"^/dev/ttyX: the board has gone; check its power"):
        streamed(passing, monkeypatch, gone)
    assert passing.s - from_s == pytest.approx(10.0, abs=0.01)
    for one in (nobody, gone):
        # Whatever happened, it is told to stop.
        assert messages_in(one.written[-1]) == [Stop(0)]
        assert one.closed


def test_noise_on_the_line_is_no_board(passing: Passing, monkeypatch: pytest.MonkeyPatch) -> None:
    # As at a wrong baud rate, or from a device of another kind; every other read is empty.
    noise = [b"\x13noise\0", b""] * 9999
    with pytest.raises(UserError, match="no board answers here"):
        streamed(passing, monkeypatch, Feed(*noise))
    assert passing.s - 100.0 == pytest.approx(5.0, abs=0.01)
    from_s = passing.s
    with pytest.raises(UserError, match="the board has gone"):
        streamed(passing, monkeypatch, Feed(HELLO, *noise))
    assert passing.s - from_s == pytest.approx(10.0, abs=0.01)
    # What comes back by a cable that joins both lines are the host's own words.
    with pytest.raises(UserError, match="no board answers here"):
        streamed(passing, monkeypatch, Feed(*[frame(Hello(VERSION, 7).pack()), b""] * 9999))


def test_a_cable_pulled_out_of_a_conversation_is_told(
    passing: Passing, monkeypatch: pytest.MonkeyPatch
) -> None:
    board, line = connected(monkeypatch)
    line.read.side_effect = serial.SerialException("device disconnected")
    with pytest.raises(UserError, match=r"^/dev/ttyX: the line broke \(device .*\); check"):
        board.hello()
    line.write.side_effect = OSError(errno.EIO, "Input/output error")
    with pytest.raises(UserError, match="the line broke"):
        board.heartbeat()


@pytest.mark.parametrize(("speed", "pause_s"), [(0.5, 0.001), (1.0, 0.001), (4.0, 0.00025)])
def test_a_port_is_looked_at_each_millisecond_of_the_streams_time(
    speed: float, pause_s: float, passing: Passing, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(streams, "open_port", lambda url: Feed(HELLO))
    session, seen_s = Session(plan_of(3), 7), list[float]()

    def watch(watched: Session, now_s: float) -> None:
        assert watched is session
        seen_s.append(now_s)

    clock: Any = SimpleNamespace(now_s=lambda: passing.s, speed=speed)
    streams.stream_session(session, "/dev/ttyX", clock, lambda: len(seen_s) > 9, watch)
    assert passing.slept_s == {pause_s}
    assert seen_s == pytest.approx([100.0 + pause_s * n for n in (0, *range(9))])


def test_a_plan_is_streamed_at_the_walls_speed_until_somebody_ends_it(
    passing: Passing, monkeypatch: pytest.MonkeyPatch
) -> None:
    checked = plan_of(2)

    def streams_it(
        session: Session, url: str, clock: Clock, ending: Callable[[], bool], watch: Any
    ) -> None:
        assert (url, clock.speed, watch(session, 1.0)) == ("/dev/ttyY", 1.0, None)
        assert session.report.commands == len(checked.plan.commands)
        (greeting,) = messages_in(session.poll(0.0))
        assert greeting == Hello(VERSION, 70_100_000 % 65535 + 1)
        assert not ending()
        # From another terminal, which is answered when all has been released.
        asks = threading.Thread(target=stop_request.request_stop, args=(url,))
        asks.start()
        wait_until(ending)
        threads.append(asks)

    threads: list[threading.Thread] = []
    monkeypatch.setattr(streams, "stream_session", streams_it)
    streams.stream(checked, "/dev/ttyY")
    threads[0].join()

    def ended(session: Session, url: str, clock: Clock, ending: Any, watch: Any) -> None:
        assert ending()

    monkeypatch.setattr(streams, "stream_session", ended)
    streams.stream(checked, "/dev/ttyY", ended=lambda: True)


def test_a_cable_that_was_out_is_taken_up_again(
    passing: Passing, monkeypatch: pytest.MonkeyPatch
) -> None:
    broken, back = Feed(HELLO, OSError("unplugged")), Feed(HELLO)
    away = UserError("can't open this port")
    end_s = passing.s + 3.0
    streamed(passing, monkeypatch, broken, away, away, back, ending=lambda: passing.s > end_s)
    assert broken.closed
    assert messages_in(back.written[-1]) == [Stop(0)]


def test_a_cable_that_stays_out_is_told_and_one_may_end_meanwhile(
    passing: Passing, monkeypatch: pytest.MonkeyPatch
) -> None:
    away = UserError("can't open this port")
    told = r"^/dev/ttyX: the line broke \(unplugged\) and did not come back in 10 s; check"
    with pytest.raises(UserError, match=told):
        streamed(passing, monkeypatch, Feed(OSError("unplugged")), *[away] * 99)
    assert passing.s - 100.0 == pytest.approx(10.0, abs=0.3)
    from_s = passing.s
    session = streamed(
        passing,
        monkeypatch,
        Feed(OSError("unplugged")),
        *[away] * 99,
        ending=lambda: passing.s > from_s + 1.0,
        zero_s=1e6,
    )
    assert passing.s - from_s == pytest.approx(1.0, abs=0.3)
    assert set(session.report.outcomes) == {"stopped by the host"}


def test_the_simulators_sensors_and_its_stop_are_pressed_by_letters(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    ours, boards = socket.socketpair()
    read_end, write_end = os.pipe()
    with ours, boards, os.fdopen(read_end, "rb") as stdin:
        monkeypatch.setattr(sys, "stdin", stdin)
        board, moments = SimulatedBoard(FETTLE), iter(n * 1.5 for n in range(99))
        ours.sendall(frame(Hello(VERSION, 9).pack()))
        os.write(write_end, b"rxds")
        os.close(write_end)
        clock: Any = SimpleNamespace(now_s=lambda: next(moments))
        ends = boards.fileno(), lambda: boards.recv(4096), boards.sendall
        seen: list[bool] = []
        sense = board.sense_rain

        def sensed(rains: bool) -> None:
            seen.append(rains)
            sense(rains)

        monkeypatch.setattr(board, "sense_rain", sensed)
        simulator._serve(board, clock, ends)
        said = messages_in(ours.recv(65536))
    assert isinstance(said[0], HelloAck)
    assert seen == [True, False]
    faults = [one.faults for one in said if isinstance(one, Status)]
    assert faults[-1] & 1 << FAULTS.index("stop pressed")
    assert any(one & 1 << FAULTS.index("rain") for one in faults)


@pytest.mark.usefixtures("own_signals")
def test_the_simulator_by_itself_runs_as_fast_as_the_wall_and_does_not_drift(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    monkeypatch.setattr(sys, "argv", ["simulator"])
    stdin = SimpleNamespace(buffer=io.BytesIO(msgspec.json.encode(FETTLE) + b"\n"))
    monkeypatch.setattr(sys, "stdin", stdin)
    monkeypatch.setattr(simulator, "_line", lambda: nullcontext(("pts", lambda: "ends")))

    def serve(board: SimulatedBoard, clock: Clock, ends: str) -> None:
        assert clock.speed == 1.0
        assert board.clock_s(1000.0) == POWERED_FOR_S + 1000.0

    monkeypatch.setattr(simulator, "_serve", serve)
    simulator.main()


@pytest.mark.usefixtures("own_signals")
def test_the_simulator_is_the_board_that_it_is_told_to_be(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    log = tmp_path / "board.jsonl"
    words = ["simulator", "--log", str(log), "--speed", "2", "--drift", "50", "--dry-run"]
    monkeypatch.setattr(sys, "argv", words)
    stdin = SimpleNamespace(buffer=io.BytesIO(msgspec.json.encode(FETTLE) + b"\n"))
    monkeypatch.setattr(sys, "stdin", stdin)
    monkeypatch.setattr(simulator, "_line", lambda: nullcontext(("pts", lambda: "ends")))
    row = SwitchRow(board_s=1.5, channel=0, output="coil", did="on")

    def serve(board: SimulatedBoard, clock: Clock, ends: str) -> None:
        assert (clock.speed, ends, board.palette) == (2.0, "ends", FETTLE)
        assert board.clock_s(1000.0) == pytest.approx(POWERED_FOR_S + 1000.05)
        hello = messages_in(board.receive(frame(Hello(VERSION, 9).pack()), 0.0))[0]
        assert isinstance(hello, HelloAck)
        assert hello.mode == 1
        # Ctrl-C in the terminal is the host's to answer, and so is its end.
        assert {signal.getsignal(number) for number in ENDING} == {signal.SIG_IGN}
        board.log.append(row)

    monkeypatch.setattr(simulator, "_serve", serve)
    simulator.main()
    assert msgspec.json.decode(log.read_bytes(), type=SwitchRow) == row


def test_the_simulator_is_started_with_what_it_is_to_be(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    started = Mock()
    started.return_value.stdout.readline.return_value = b"/dev/pts/7\n"
    started.return_value.returncode = 0
    monkeypatch.setattr("subprocess.Popen", started)
    log = tmp_path / "x.jsonl"
    with simulator.simulated_board(FETTLE, log, 3.0, 20.0, dry_run=True) as url:
        assert url == "/dev/pts/7"
    words = ["--speed=3.0", "--drift=20.0", "--dry-run", f"--log={log}"]
    assert started.call_args.args[0] == [sys.executable, "-m", "callresp.link.simulator", *words]
    sent = started.return_value.stdin.write.call_args.args[0]
    assert msgspec.json.decode(sent, type=type(FETTLE)) == FETTLE
    started.return_value.stdin.close.assert_called_once()
    with simulator.simulated_board(FETTLE):
        assert started.call_args.args[0][3:] == ["--speed=1.0", "--drift=37.0"]
    started.return_value.stdout.readline.return_value = b""
    not_started = "^the simulated board did not start; see its error above$"
    with pytest.raises(UserError, match=not_started), simulator.simulated_board(FETTLE):
        pass


@pytest.mark.usefixtures("own_signals")
def test_the_first_signal_is_noted_and_the_others_change_nothing() -> None:
    with deferred() as noted:
        assert noted.words is None
        noted.raise_if_any()
        for number in (signal.SIGTERM, signal.SIGINT):
            handler = signal.getsignal(number)
            assert callable(handler)
            handler(number, None)
    assert noted.number == signal.SIGTERM
    assert noted.words == "stopped by SIGTERM"
    with pytest.raises(StoppedBySignal) as raised:
        noted.raise_if_any()
    assert raised.value.number == signal.SIGTERM
    interrupted = Deferred()
    interrupted.note(signal.SIGINT)
    assert interrupted.words == "stopped with Ctrl-C"
    assert signal.getsignal(signal.SIGINT) is signal.default_int_handler


def test_addresses_of_a_stop_follow_from_the_port_alone(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    here = list(stop_request._addresses("/dev/ttyX"))
    assert len({address for _, address in here}) == stop_request.ADDRESSES == 8
    assert here == list(stop_request._addresses("/dev/ttyX"))
    assert not set(here) & set(stop_request._addresses("/dev/ttyY"))
    monkeypatch.setattr(sys, "platform", "darwin")
    elsewhere = [address for _, address in stop_request._addresses("/dev/ttyX")]
    # The dynamic ports (RFC 6335, section 6), on this computer only.
    first = int(elsewhere[0][1])
    assert elsewhere == [("127.0.0.1", first + number) for number in range(8)]
    assert 49152 <= first <= 65535 - 7


def test_a_session_that_does_not_finish_its_stop_is_told(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(stop_request, "ANSWER_S", 0.02)
    # However busy this machine is.
    monkeypatch.setattr(stop_request, "GREETING_S", 120.0)
    with stop_request.StopListener("/dev/ttySLOW") as listener:
        told = "^/dev/ttySLOW: the running session .* not finish within 0.02 s; end that program"
        with pytest.raises(UserError, match=told):
            stop_request.request_stop("/dev/ttySLOW")
        assert listener.requested.is_set()
    assert not stop_request.StopListener(None).reachable
