"""Host and board together: every fault of the line, and none of it dangerous."""

from __future__ import annotations

import json
import os
import random
import time
from collections import Counter
from pathlib import Path
from typing import Any
from unittest.mock import MagicMock, Mock

import pytest
from hypothesis import Phase, given, settings
from hypothesis import strategies as st
from link_helpers import FETTLE, Line, longest_on_s, plan_of, true_errors_ms

from callresp.errors import UserError
from callresp.link.board import SimulatedBoard
from callresp.link.board_clock import BoardClock, RoundTrip
from callresp.link.framing import Deframer, frame
from callresp.link.messages import VERSION, Hello, HoldAt, StrikeAt, TurnAt, parse
from callresp.link.session import Session
from callresp.link.simulator import _line, board_in_step, simulated_board
from callresp.link.stream import stream


def played_once(line: Line) -> bool:
    executed = [row.planned_s for row in line.board.log if row.did == "on"]
    return len(executed) == line.session.report.outcomes["executed"]


def no_channel_over_its_limit(board: SimulatedBoard) -> bool:
    limits = {channel: coil.on_max_ms / 1000 for channel, coil in FETTLE.coils().items()}
    return all(
        longest <= limits[channel] + 0.0003
        for (output, channel), longest in longest_on_s(board).items()
        if output == "coil"
    )


# Each example is a simulated minute: shrinking would take longer than it is worth.
@settings(max_examples=8, phases=[Phase.generate])
@given(st.floats(-100, 100), st.floats(0, 5e4), st.integers(0, 99))
def test_a_good_line_plays_everything_on_time(ppm: float, ahead_s: float, seed: int) -> None:
    line = Line(
        Session(plan_of(60, seed=seed)),
        SimulatedBoard(FETTLE, drift_ppm=ppm, ahead_s=ahead_s),
        seed=seed,
    )
    line.run()
    assert set(line.session.report.outcomes) == {"executed"}
    assert max(map(abs, true_errors_ms(line))) < 1.5
    assert no_channel_over_its_limit(line.board)


@pytest.mark.parametrize("ppm", [-9500.0, -5000.0, -2000.0, 500.0, 2000.0, 5000.0, 9500.0])
def test_a_clock_that_is_no_crystal_is_followed(ppm: float) -> None:
    """Ceramic resonators are off by up to 5,000 ppm; the first seconds tell that one is."""
    board = SimulatedBoard(FETTLE, drift_ppm=ppm, ahead_s=17.0)
    line = Line(Session(plan_of(120, 0.25)), board, seed=3)
    line.run()
    assert line.session.report.outcomes["executed"] == line.session.report.commands
    errors = list(map(abs, true_errors_ms(line)))
    assert max(errors) < 4.0
    # One of 500 ppm is told from a crystal after some ten seconds, poorer ones sooner.
    assert max(errors[60:]) < 1.5
    assert line.session.report.drift_ppm == pytest.approx(ppm, abs=100)


def test_a_poor_clock_behind_a_poor_line_is_followed() -> None:
    board = SimulatedBoard(FETTLE, drift_ppm=5000.0, ahead_s=17.0)
    line = Line(Session(plan_of(200, 0.25)), board, to_board_s=(0, 0.02), to_host_s=(0, 0.014))
    line.run()
    errors = sorted(map(abs, true_errors_ms(line)[60:]))
    assert errors[int(0.99 * len(errors))] < 3.0


@pytest.mark.parametrize(("ppm", "told"), [(20_000.0, "2.0% too fast"), (-30_000.0, "too slow")])
def test_a_clock_beyond_one_percent_is_refused_in_one_line(ppm: float, told: str) -> None:
    board = SimulatedBoard(FETTLE, drift_ppm=ppm, ahead_s=17.0)
    line = Line(Session(plan_of(60)), board)
    with pytest.raises(UserError, match=f"^the board's clock runs .*{told}; it needs a crystal"):
        line.run()
    assert line.now_s < 2.5


def test_a_clock_that_was_set_is_not_taken_for_a_poor_one() -> None:
    clock = BoardClock()
    for n in range(200):
        at_s = n * 0.06
        clock.learn(RoundTrip(at_s, at_s + (100.0 if n >= 100 else 0.0), 0.002))
        assert clock.too_far_off is None
    assert clock.steps == 1


def test_jitter_and_asymmetry_do_not_reach_the_strikers() -> None:
    """20 ms of jitter, more one way than the other, at 100 ppm."""
    board = SimulatedBoard(FETTLE, drift_ppm=100, ahead_s=17.0)
    line = Line(Session(plan_of(400, 0.5)), board, to_board_s=(0, 0.02), to_host_s=(0, 0.014))
    line.run()
    assert line.session.report.outcomes["executed"] == line.session.report.commands
    # Half a minute tells the drift well enough through such a line.
    errors = sorted(map(abs, true_errors_ms(line)[100:]))
    assert errors[int(0.99 * len(errors))] < 1.5
    assert abs(line.session.report.drift_ppm - 100) < 25


@pytest.mark.parametrize("fault", ["flip", "lose", "double", "reorder"])
def test_a_bad_line_loses_and_doubles_nothing(fault: str) -> None:
    rng = random.Random(5)

    def spoil(data: bytes, now_s: float) -> list[bytes]:
        if rng.random() > 0.1:
            return [data]
        if fault == "flip":
            place = rng.randrange(len(data))
            return [
                data[:place] + bytes([data[place] ^ (1 << rng.randrange(8))]) + data[place + 1 :]
            ]
        return {"lose": [], "double": [data, data], "reorder": [data]}[fault]

    delays = (0.0, 0.08) if fault == "reorder" else (0.001, 0.003)
    line = Line(
        Session(plan_of(150)),
        SimulatedBoard(FETTLE),
        to_board_s=delays,
        to_host_s=delays,
        spoil=spoil,
    )
    line.run()
    report = line.session.report
    # A outcome may be lost on the way back; the stroke itself is neither lost nor doubled. When
    # three heartbeats in a row are spoilt the board lets go, and reports what it cancelled.
    cancelled = report.outcomes["cancelled"]
    assert (
        report.outcomes["executed"] + report.outcomes["fate unknown"] + cancelled == report.commands
    )
    strokes = Counter((row.channel, row.planned_s) for row in line.board.log if row.did == "on")
    assert sum(strokes.values()) == report.commands - cancelled
    assert max(strokes.values()) == 1
    assert cancelled <= 0.02 * report.commands
    assert no_channel_over_its_limit(line.board)
    if fault in ("flip", "lose"):
        assert report.resent > 0


def test_a_dead_host_means_silence_within_a_quarter_second() -> None:
    line = Line(Session(plan_of(300, 0.1)), SimulatedBoard(FETTLE))
    while line.session.report.outcomes["executed"] < 100:
        line.step()
    died_s = line.now_s
    while line.now_s < died_s + 30:
        line.step(host_alive=False)
    assert line.board.on_channels == []
    assert max(row.board_s for row in line.board.log) <= died_s + 0.25
    assert no_channel_over_its_limit(line.board)


def test_a_cable_out_and_in_is_taken_up_again() -> None:
    def spoil(data: bytes, now_s: float) -> list[bytes]:
        return [] if 12.0 < now_s < 14.0 else [data]

    line = Line(Session(plan_of(200, 0.2)), SimulatedBoard(FETTLE), spoil=spoil)
    line.run()
    report = line.session.report
    assert report.outcomes["executed"] > 150
    assert sum(report.outcomes.values()) == report.commands
    assert "silence from the host" in report.faults
    out = [row for row in line.board.log if 12.3 < row.board_s < 13.9 and row.did == "on"]
    assert out == []
    assert no_channel_over_its_limit(line.board)


def test_a_short_cut_of_the_cable_loses_little_more_than_itself() -> None:
    """The board's word of what it cancelled in the silence is lost in the cut as well."""
    cuts = [(8.0 + 6 * number, 8.5 + 6 * number) for number in range(5)]

    def spoil(data: bytes, now_s: float) -> list[bytes]:
        return [] if any(out_s < now_s < in_s for out_s, in_s in cuts) else [data]

    line = Line(Session(plan_of(200, 0.2)), SimulatedBoard(FETTLE), spoil=spoil)
    line.run()
    start_s = line.session.start_s
    assert start_s is not None
    strokes = Counter((row.channel, row.planned_s) for row in line.board.log if row.did == "on")
    assert max(strokes.values()) == 1
    # What is due within a cut, less than the board's silence before it, or a moment after it.
    due_s = [start_s + command.at_s for command in plan_of(200, 0.2).plan.commands]
    left = sum(any(out - 0.2 < at_s < back + 0.15 for out, back in cuts) for at_s in due_s)
    assert len(strokes) >= len(due_s) - left
    assert sum(line.session.report.outcomes.values()) == line.session.report.commands
    assert no_channel_over_its_limit(line.board)


def test_a_board_reset_mid_phrase_is_taken_up_again() -> None:
    line = Line(Session(plan_of(200, 0.2)), SimulatedBoard(FETTLE))
    while line.session.report.outcomes["executed"] < 60:
        line.step()
    line.board.reset(line.now_s)
    line.run()
    report = line.session.report
    assert report.resets == 1
    assert report.outcomes["executed"] > 150
    assert sum(report.outcomes.values()) == report.commands
    assert no_channel_over_its_limit(line.board)


def test_a_loss_of_power_that_no_count_tells_is_taken_up_again() -> None:
    """A chip without a backup register counts every start as its first."""
    line = Line(Session(plan_of(60, 0.2)), SimulatedBoard(FETTLE))
    while line.session.report.outcomes["executed"] < 20:
        line.step()
    line.board.reset(line.now_s)
    line.board.restarts = 0
    line.run()
    report = line.session.report
    assert report.resets == 1
    assert report.outcomes["executed"] > 60
    assert sum(report.outcomes.values()) == report.commands
    assert report.outcomes["fate unknown"] <= 2
    assert played_once(line)


def test_a_small_buffer_is_never_overrun() -> None:
    import msgspec

    small = msgspec.structs.replace(FETTLE, board=msgspec.structs.replace(FETTLE.board, buffer=4))
    line = Line(Session(plan_of(120, 0.15)), SimulatedBoard(small))
    line.run()
    assert line.session.report.outcomes == {"executed": line.session.report.commands}


def test_a_wrapping_clock_changes_nothing() -> None:
    """The board's 32-bit ticks wrap mid-plan, as after almost five days."""
    ahead_s = 2**32 / 10_000 - 20.0
    line = Line(Session(plan_of(120, 0.3)), SimulatedBoard(FETTLE, ahead_s=ahead_s))
    line.run()
    assert line.session.report.outcomes == {"executed": line.session.report.commands}
    assert max(map(abs, true_errors_ms(line))) < 1.0


def test_a_minute_of_garbage_moves_nothing() -> None:
    board, rng = SimulatedBoard(FETTLE), random.Random(8)
    for tick in range(6000):
        board.receive(rng.randbytes(rng.randrange(40)), tick / 100)
    assert board.log == []


@settings(max_examples=100, phases=[Phase.generate])
@given(
    st.lists(
        st.one_of(
            st.builds(
                StrikeAt,
                st.just(0),
                st.integers(0, 20),
                st.integers(0, 60000),
                st.integers(0, 65535),
            ),
            st.builds(
                HoldAt,
                st.just(0),
                st.integers(0, 20),
                st.integers(0, 60000),
                st.integers(0, 10**6),
                st.integers(0, 65535),
                st.integers(0, 255),
            ),
            st.builds(
                TurnAt,
                st.just(0),
                st.integers(0, 3),
                st.integers(0, 60000),
                st.integers(0, 10**7),
                st.integers(0, 65535),
            ),
        ),
        max_size=60,
    )
)
def test_the_board_trusts_nobody(wild: list[StrikeAt | HoldAt | TurnAt]) -> None:
    """100 rounds: whatever arrives, no coil is on past its limit, no current over the supply's."""
    import msgspec

    board = SimulatedBoard(FETTLE)
    board.receive(frame(Hello(VERSION, 7).pack()), 0.0)
    for number, message in enumerate(wild):
        board.receive(frame(msgspec.structs.replace(message, sequence=number).pack()), 0.0)
    for tick in range(0, 8000, 20):
        board.receive(b"\0" + frame(b"\x02\0\0\0\0"), tick / 1000)
        amps = sum(item.amps for item in board.on_channels)
        assert amps <= FETTLE.supply.current_max_a + 1e-6
    board.advance(1000.0)
    assert no_channel_over_its_limit(board)


def test_the_clock_shrugs_off_wild_trips() -> None:
    rng, clock = random.Random(3), BoardClock()
    for number in range(600):
        host_s = number * 0.1
        took_s = 0.002 + (rng.random() ** 2) * 0.02
        skew_s = rng.uniform(-0.5, 0.5) * (took_s - 0.002)
        if rng.random() < 0.05:
            took_s, skew_s = 0.5, 0.2
        clock.learn(RoundTrip(host_s, 100 + host_s * (1 + 80e-6) + skew_s, took_s))
    assert clock.board_s(60.0) == pytest.approx(100 + 60.0 * (1 + 80e-6), abs=0.001)
    assert clock.drift_ppm == pytest.approx(80, abs=20)
    assert clock.host_s(clock.board_s(33.0)) == pytest.approx(33.0, abs=1e-6)


def test_a_host_clock_that_jumps_plays_nothing_late() -> None:
    """As when a laptop slept: the host's steady clock stood still, the board's went on."""
    session, board = Session(plan_of(150, 0.2)), SimulatedBoard(FETTLE)
    line = Line(session, board)
    while session.report.outcomes["executed"] < 50:
        line.step()
    before = {row.sequence for row in board.log}
    slept_s = 4.0

    class Slept:
        """The board, whose true time has run ahead of the host's."""

        def __getattr__(self, name: str) -> Any:
            return getattr(board, name)

        def receive(self, data: bytes, now_s: float) -> bytes:
            return board.receive(data, now_s + slept_s)

        def advance(self, now_s: float) -> bytes:
            return board.advance(now_s + slept_s)

    line.board = Slept()  # type: ignore[assignment]
    line.run(until_s=120)
    report = session.report
    assert session.clock.steps == 1
    assert sum(report.outcomes.values()) == report.commands
    assert report.outcomes["executed"] > 60
    assert before
    assert no_channel_over_its_limit(board)


def test_a_stuck_board_is_only_greeted() -> None:
    session = Session(plan_of(60, 0.2))
    line = Line(session, SimulatedBoard(FETTLE))
    while session.report.outcomes["executed"] < 20:
        line.step()
    deaf_s = line.now_s + 1.5
    sent = b""
    for tick in range(1000):
        sent = session.poll(deaf_s + tick / 100) or sent
    assert session.lost(deaf_s)
    (payload,) = Deframer().feed(sent)
    assert isinstance(parse(payload), Hello)


def test_a_muted_striker_is_left_out_until_it_may_sound_again() -> None:
    line = Line(Session(plan_of(150, 0.1, seed=4)), SimulatedBoard(FETTLE))
    line.run(until_s=4.0)
    line.session.mute({"oak block"}, line.now_s)
    line.run(until_s=9.0)
    line.session.mute((), line.now_s)
    line.run()
    oak = FETTLE.striker_named("oak block")
    assert oak is not None
    on = [r.board_s for r in line.board.log if r.did == "on" and r.channel == oak.coil.channel]
    assert len([at_s for at_s in on if at_s < 4.0]) > 2
    assert [at_s for at_s in on if 4.02 < at_s < 9.0] == []
    # Commands go out three seconds ahead: what was left off by then stays so.
    assert len([at_s for at_s in on if at_s > 9.0]) > 1
    outcomes = {(s.command.instrument, s.outcome) for s in line.session.ended}
    assert {name for name, outcome in outcomes if outcome == "left off"} == {"oak block"}
    # Cancelling empties the board: what is due before it is sent anew may be lost, and is told.
    assert line.session.report.outcomes["cancelled"] <= 2
    assert sum(line.session.report.outcomes.values()) == line.session.report.commands


def test_muting_all_releases_at_once_what_sounds() -> None:
    line = Line(Session(plan_of(150, 0.1, seed=4)), SimulatedBoard(FETTLE))
    line.run(until_s=4.0)
    line.session.mute([item.name for item in FETTLE.striker], line.now_s, release=True)
    line.run(until_s=8.0)
    longest_on_s(line.board)
    assert max(row.board_s for row in line.board.log) < 4.1
    line.session.mute((), line.now_s)
    line.run()
    assert max(row.board_s for row in line.board.log) > 11.0
    assert no_channel_over_its_limit(line.board)


def test_only_a_checked_plan_can_be_streamed() -> None:
    with pytest.raises(TypeError, match="CheckedPlan"):
        Session(plan_of(1).plan)  # type: ignore[arg-type]


def test_over_a_real_pseudo_terminal(tmp_path: Path) -> None:
    """A board in step with its host is never lost, however long the computer is busy elsewhere."""
    checked, log = plan_of(25, 0.2), tmp_path / "board.jsonl"
    stalls = iter([0.0, *[0.03] * 12])

    def busy(session: Session, now_s: float) -> None:
        if len(session.ended) % 2:
            time.sleep(next(stalls, 0.0))

    with board_in_step(FETTLE, log, speed=20.0) as (port, clock):
        session = stream(checked, port, clock=clock, watch=busy)
    # At 20 times the wall's speed the board would have let go after 10 ms without a word.
    assert session.report.outcomes == {"executed": len(checked.plan.commands)}
    assert next(stalls, None) is None
    assert max(abs(error) for error in session.report.errors_ms) < 5.0
    did = [json.loads(row)["did"] for row in log.read_text().splitlines()]
    assert did.count("on") == did.count("off") == len(checked.plan.commands)


def test_a_board_in_step_hears_that_it_is_to_stop(tmp_path: Path) -> None:
    log = tmp_path / "board.jsonl"
    with board_in_step(FETTLE, log, speed=20.0) as (port, clock):
        begun: list[Session] = []
        stream(
            plan_of(25, 0.2),
            port,
            clock=clock,
            watch=lambda session, now_s: begun.append(session),
            ended=lambda: bool(begun) and begun[-1].report.outcomes["executed"] > 3,
        )
    did = [json.loads(row)["did"] for row in log.read_text().splitlines()]
    assert did.count("on") < 25
    assert did[-1] in ("off", "off: stop")
    assert did.count("on") * 2 == len(did)


def test_no_board_is_a_users_mistake(tmp_path: Path) -> None:
    with pytest.raises(UserError, match="can't open this port"):
        stream(plan_of(1), str(tmp_path / "tty"))


def test_a_board_log_that_can_not_be_written_is_told(tmp_path: Path) -> None:
    (tmp_path / "file").touch()
    lost = tmp_path / "file" / "board.jsonl"
    with (
        pytest.raises(UserError, match=r"board\.jsonl: could not write .*; free some space"),
        simulated_board(FETTLE, lost) as port,
    ):
        assert port


def test_without_pseudo_terminals_the_board_stands_behind_a_socket(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    # What a container without a devpts file system says.
    monkeypatch.setattr("os.openpty", Mock(side_effect=OSError(19, "No such device")))
    line_end = Mock()
    accepted = Mock(return_value=(line_end, None))
    server = MagicMock()
    listens = server.return_value.__enter__.return_value
    listens.accept, listens.getsockname.return_value = accepted, ("127.0.0.1", 4)
    monkeypatch.setattr("socket.create_server", server)
    with _line() as (name, connect):
        # On this computer only, at a port that is free; nobody has called yet.
        server.assert_called_once_with(("127.0.0.1", 0))
        accepted.assert_not_called()
        assert name == "socket://127.0.0.1:4"
        handle, read, write = connect()
    accepted.assert_called_once()
    assert (handle, read()) == (line_end.fileno.return_value, line_end.recv.return_value)
    write(b"x")
    line_end.sendall.assert_called_once_with(b"x")


def test_a_pseudo_terminal_carries_every_byte_both_ways() -> None:
    with _line() as (name, connect):
        _, read, write = connect()
        other = os.open(name, os.O_RDWR | os.O_NOCTTY)
        # Ends of line, Ctrl-C, Ctrl-D, Ctrl-Q and Ctrl-S among them: nothing is translated or
        # echoed.
        every = bytes(range(256))
        os.write(other, every)
        assert read() == every
        write(every)
        assert os.read(other, 4096) == every
        os.close(other)


def test_answers_that_a_busy_host_reads_late_cancel_nothing() -> None:
    """Greeted, asked and sent in time: the board was never silent, only the host's ears were."""
    line = Line(Session(plan_of(100, 0.2)), SimulatedBoard(FETTLE), to_host_s=(0.001, 0.002))
    while line.session.report.outcomes["executed"] < 30:
        line.step()
    line.to_host_s = (0.21, 0.22)
    line.run()
    assert line.session.report.outcomes == {"executed": line.session.report.commands}
