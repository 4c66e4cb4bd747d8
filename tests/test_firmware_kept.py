"""What no restart may forget: heat, on-time, a motor's rest, a flat battery.

The same tests against the simulated board and the core in C, some on emulated chips. A monitor
that shares nothing with either watches on-times in true time over restarts of every kind.
"""

# The fixtures of `board_talk` are named as parameters.
# ruff: noqa: F811
from __future__ import annotations

import math
import random
from collections.abc import Iterator
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import msgspec
import pytest
from board_talk import MakeBoard, Talk, make_board, program, pytest_generate_tests, talk  # noqa: F401
from core_board import CoreBoard
from hypothesis import given, settings
from hypothesis import strategies as st
from link_helpers import FETTLE, Line, plan_of

from callresp.commands.stream import rest_told
from callresp.link.board import SimulatedBoard
from callresp.link.framing import frame
from callresp.link.messages import (
    FAULTS,
    TICKS_PER_S,
    VERSION,
    Hello,
    HoldAt,
    LightAt,
    Status,
    StrikeAt,
    TimeRequest,
    TurnAt,
)
from callresp.link.session import Session
from callresp.palette.model import Palette

RESTING, LOW_VOLTAGE = (1 << FAULTS.index(name) for name in ("coils resting", "low voltage"))
# Of the tubes; of the slowest coil that may not be on all the time, a damper.
CYCLE_S, LONGEST_CYCLE_S = 10.0, 30.0


def restart(talk: Talk, **how: Any) -> None:
    """A reset, and a host that greets at once."""
    talk.board.reset(talk.now_s, **how)
    talk.heard.clear()
    talk.greet(session=8)


def outcome_of(talk: Talk, message: StrikeAt | HoldAt | TurnAt, sequence: int = 0) -> str:
    """What becomes of a command half a tenth of a second from now."""
    talk.heard = [m for m in talk.heard if isinstance(m, Status)]
    at = talk.now() + 500
    talk.say(msgspec.structs.replace(message, at=at, sequence=sequence))
    talk.pass_s(0.1)
    return talk.outcomes[-1]


STROKE = StrikeAt(0, 0, 0, 4000)


def all_of_its_cycle(talk: Talk) -> float:
    """Tube 1 may be on for 12 % of 10 s: 30 pulses of 40 ms; when the last of them was over."""
    at = talk.now() + 600
    for first in range(0, 30, 10):
        talk.say(*(StrikeAt(n, 0, at + n * 600, 4000) for n in range(first, first + 10)))
        talk.pass_s(0.6)
    last_s = talk.now_s
    talk.pass_s(0.1)
    assert talk.outcomes == ["executed"] * 30
    return last_s


def faults(talk: Talk) -> int:
    return int(talk.all(Status)[-1].faults)


def test_a_reset_makes_no_coil_forget_what_it_had(talk: Talk) -> None:
    last_s = all_of_its_cycle(talk)
    talk.pass_s(1.1)
    hottest_c = talk.all(Status)[-1].hottest_c
    assert hottest_c > FETTLE.ambient_c
    restart(talk)
    # Told before anything else is: who has a plan waits.
    assert faults(talk) & RESTING
    assert outcome_of(talk, STROKE) == "over a limit"
    restart(talk)
    assert abs(talk.all(Status)[-1].hottest_c - hottest_c) <= 1
    # Other coils have had nothing.
    assert outcome_of(talk, StrikeAt(0, 1, 0, 4000)) == "executed"
    talk.pass_s(last_s + CYCLE_S - 0.4 - talk.now_s)
    assert outcome_of(talk, STROKE, 1) == "over a limit"
    talk.pass_s(0.5)
    # Within that last half second the host was told that it may go on.
    assert not faults(talk) & RESTING
    assert outcome_of(talk, STROKE, 2) == "executed"


def test_a_board_that_knows_nothing_lets_all_its_coils_rest_for_a_cycle(talk: Talk) -> None:
    restart(talk, power_lost=True)
    assert faults(talk) & RESTING
    # What is only assumed is not told as if it were known.
    assert talk.all(Status)[-1].hottest_c == round(FETTLE.ambient_c)
    assert outcome_of(talk, STROKE) == "over a limit"
    assert outcome_of(talk, TurnAt(0, 0, 0, 3000, 200), 1) == "over a limit"
    # The next start knows it still, and how long ago that was.
    talk.pass_s(4.0)
    restart(talk)
    assert faults(talk) & RESTING
    talk.pass_s(5.4)
    assert outcome_of(talk, STROKE) == "over a limit"
    talk.pass_s(0.5)
    # A coil that is taken for hot may strike, as long as it grows no hotter.
    assert outcome_of(talk, STROKE, 1) == "executed"
    assert outcome_of(talk, TurnAt(0, 0, 0, 3000, 200), 2) == "executed"
    assert faults(talk) & RESTING
    talk.pass_s(LONGEST_CYCLE_S - CYCLE_S)
    assert not faults(talk) & RESTING
    assert talk.all(Status)[-1].hottest_c <= FETTLE.ambient_c + 1


def test_a_stroke_that_a_reset_cuts_off_counts_whole(talk: Talk) -> None:
    """29 pulses of 40 ms, and a reset within the 30th: 12 % are used."""
    at = talk.now() + 600
    talk.say(*(StrikeAt(n, 0, at + n * 600, 4000) for n in range(20)))
    talk.pass_s(0.8)
    talk.say(*(StrikeAt(n, 0, at + n * 600, 4000) for n in range(20, 30)))
    talk.pass_s((at + 29 * 600 + 100) / TICKS_PER_S - talk.board.clock_s(talk.now_s))
    assert talk.board.on_channels
    restart(talk)
    assert not talk.board.on_channels
    assert outcome_of(talk, STROKE) == "over a limit"


def test_a_jammed_motor_rests_over_a_reset(talk: Talk) -> None:
    talk.board.stuck = {0}
    talk.say(TurnAt(0, 0, talk.now() + 500, 100_000, 200))
    talk.pass_s(2.0)
    assert not talk.board.on_channels
    restart(talk)
    talk.board.stuck = set()
    assert outcome_of(talk, TurnAt(0, 0, 0, 3000, 200)) == "over a limit"
    talk.pass_s(8.5)
    assert outcome_of(talk, TurnAt(0, 0, 0, 3000, 200), 1) == "over a limit"
    talk.pass_s(0.9)
    assert outcome_of(talk, TurnAt(0, 0, 0, 3000, 200), 2) == "executed"


@pytest.mark.parametrize(("ran_s", "rest_s"), [(0.02, 10.0), (0.3, 10.0), (2.0, 0.0)])
def test_a_motor_that_was_not_seen_to_turn_may_be_jammed(
    make_board: MakeBoard, ran_s: float, rest_s: float
) -> None:
    """As a motor whose inrush pulls the board's own supply down, start after start."""
    (turner,) = FETTLE.turner
    rest_s = max(rest_s, turner.slow_down_s)
    talk = Talk(make_board())
    talk.greet()
    talk.say(TurnAt(0, 0, talk.now() + 500, 100_000, 200))
    talk.pass_s(0.05 + ran_s)
    assert talk.board.on_channels
    restart(talk)
    talk.pass_s(rest_s - 0.4, heartbeat=False)
    talk.greet(session=9)
    assert outcome_of(talk, TurnAt(0, 0, 0, 1000, 200)) == "over a limit"
    talk.pass_s(0.4)
    assert outcome_of(talk, TurnAt(0, 0, 0, 1000, 200), 1) == "executed"


def test_a_flat_battery_is_flat_after_a_reset_too(talk: Talk) -> None:
    talk.board.volts = 10.5
    talk.pass_s(4.2)
    assert faults(talk) & LOW_VOLTAGE
    talk.board.volts = 12.0
    restart(talk)
    assert outcome_of(talk, STROKE) == "over a limit"
    talk.pass_s(1.1)
    assert faults(talk) & LOW_VOLTAGE
    talk.pass_s(30.0)
    assert not faults(talk) & LOW_VOLTAGE
    restart(talk)
    assert outcome_of(talk, STROKE) == "executed"


def test_a_plan_waits_for_coils_that_rest(make_board: MakeBoard) -> None:
    """A plan that goes on over a reset is not held up by it; one that begins is."""
    board = make_board()
    board.reset(0.0, power_lost=True)
    line = Line(Session(plan_of(10, 0.3)), board)
    line.run()
    report = line.session.report
    assert report.outcomes == {"executed": report.commands}
    first_s = min(row.board_s for row in board.log if row.did == "on")
    assert 0.0 <= first_s - board.clock_s(LONGEST_CYCLE_S) <= 1.6


def test_who_streams_a_plan_is_told_once_that_coils_rest(
    capsys: pytest.CaptureFixture[str],
) -> None:
    session, watch = Session(plan_of(1)), rest_told()
    watch(session, 0.0)
    assert capsys.readouterr().err == ""
    session.report.faults = ("coils resting",)
    for now_s in (1.0, 2.0):
        watch(session, now_s)
    assert capsys.readouterr().err.count("they rest first") == 1


# The core in C alone: what is in its memory, and when.

ROW, COIL_0 = 24, 1


def with_duty(*duties: float) -> Palette:
    """Fettle, its first strikers with these shares of their cycle."""
    strikers = list(FETTLE.striker)
    for n, duty in enumerate(duties):
        coil = msgspec.structs.replace(strikers[n].coil, duty_max=duty)
        strikers[n] = msgspec.structs.replace(strikers[n], coil=coil)
    return msgspec.structs.replace(FETTLE, striker=tuple(strikers))


# One stroke of 40 ms a cycle, and no more.
ONE_EACH = with_duty(0.0041, 0.0041)


@pytest.fixture
def core(program: Path) -> Iterator[CoreBoard]:
    board = CoreBoard(program, ONE_EACH, ahead_s=50.0)
    yield board
    board.close()


def fresh(core: CoreBoard) -> Talk:
    """A talk with a board all of whose coils have rested."""
    talk = Talk(core)
    talk.now_s = core._ticks / TICKS_PER_S - core.ahead_s
    talk.pass_s(CYCLE_S + 0.1, heartbeat=False)
    talk.greet(session=1 + round(talk.now_s * 10) % 60_000)
    return talk


def ticks_on(talk: Talk, ticks: int, how: str = "pass") -> None:
    """Exactly so many ticks, by a step of ``step_board.c``."""
    talk.now_s += ticks / TICKS_PER_S
    talk.take(talk.board.step(f"{how} {ticks}"))


def test_time_off_counts_as_none_whatever_the_clock_says(core: CoreBoard) -> None:
    talk = fresh(core)
    assert outcome_of(talk, STROKE) == "executed"
    core.ahead_s += 3600.0
    core._ticks += 3600 * TICKS_PER_S
    restart(talk)
    assert outcome_of(talk, STROKE) == "over a limit"


@pytest.mark.parametrize("bit", range(0, 8 * ROW, 13))
def test_a_bit_that_has_flipped_is_noticed(core: CoreBoard, bit: int) -> None:
    talk = fresh(core)
    core.step(f"flip {8 * ROW * COIL_0 + bit}")
    restart(talk)
    assert faults(talk) & RESTING
    assert outcome_of(talk, STROKE) == "over a limit"
    # Each row stands by itself.
    assert outcome_of(talk, StrikeAt(0, 1, 0, 4000), 1) == "executed"


@pytest.mark.parametrize("whole", range(4, ROW, 4))
def test_a_row_that_is_half_written_is_noticed(core: CoreBoard, whole: int) -> None:
    """It is judged, and so kept, 30 ms before its time."""
    talk = fresh(core)
    talk.say(StrikeAt(0, 0, talk.now() + 303, 4000))
    ticks_on(talk, 4)
    core.step(f"tear {COIL_0} {whole}")
    restart(talk)
    assert faults(talk) & RESTING


def test_what_was_kept_of_other_limits_is_not_believed(core: CoreBoard) -> None:
    talk = fresh(core)
    core.step("other 10900")
    restart(talk)
    assert outcome_of(talk, StrikeAt(0, 2, 0, 4000)) == "over a limit"


@pytest.mark.parametrize("after", [0, 1, 200, 399, 400, 401, 600])
def test_nothing_begins_that_is_not_kept_before(core: CoreBoard, after: int) -> None:
    """A reset at a stroke's first tick, within it, as it ends, and soon after."""
    talk = fresh(core)
    talk.say(StrikeAt(0, 0, talk.now() + 500, 4000))
    ticks_on(talk, 500 + after)
    assert bool(core.on_channels) == (after < 400)
    restart(talk)
    assert outcome_of(talk, STROKE) == "over a limit"


def test_what_is_on_and_what_is_judged_meanwhile_both_count(program: Path) -> None:
    """Two strokes of 40 ms are what it may have; the second is judged while the first is on."""
    core = CoreBoard(program, with_duty(0.0081), ahead_s=50.0)
    talk = fresh(core)
    at = talk.now() + 500
    talk.say(StrikeAt(0, 0, at, 4000), StrikeAt(1, 0, at + 410, 3900))
    ticks_on(talk, 890)
    assert core.on_channels
    restart(talk)
    assert outcome_of(talk, STROKE) == "over a limit"
    core.close()


@pytest.mark.parametrize(("hung_s", "outcome"), [(0.0, "executed"), (1.0, "over a limit")])
def test_a_coil_may_have_been_on_until_the_watchdog_bit(
    core: CoreBoard, hung_s: float, outcome: str
) -> None:
    talk = fresh(core)
    talk.say(StrikeAt(0, 3, talk.now() + 500, 4000))
    ticks_on(talk, 700)
    restart(talk, hung_s=hung_s)
    # Another coil, that may have 1.2 s of its cycle: six strokes, and one that was cut off.
    assert outcome_of(talk, StrikeAt(0, 4, 0, 4000)) == "executed"
    for n in range(1, 6):
        assert outcome_of(talk, StrikeAt(0, 3, 0, 4000), n) == (outcome if n == 5 else "executed")


def test_what_may_begin_is_not_taken_back_before_its_time(core: CoreBoard) -> None:
    """The main loop stands still for 20 ms, beginning at any tick: the stroke comes in time."""
    talk = fresh(core)
    for phase in range(135):
        at = talk.now() + 500
        talk.say(StrikeAt(phase, 3, at, 100))
        ticks_on(talk, 260 + phase)
        ticks_on(talk, 250 - phase, "hang")
        begun = [row.board_s for row in core.log if row.did == "on"][-1]
        assert round(begun * TICKS_PER_S) == at
        ticks_on(talk, 20)


@pytest.mark.parametrize("phase", range(0, 200, 25))
def test_a_run_is_kept_as_one_that_jams_before_it_begins(core: CoreBoard, phase: int) -> None:
    """Asked for 5 ms before, anywhere between two looks at the motor, and a reset as it begins."""
    talk = fresh(core)
    ticks_on(talk, phase)
    talk.say(TurnAt(0, 0, talk.now() + 50, 10_000, 200))
    ticks_on(talk, 51)
    assert talk.outcomes == ["executed"]
    restart(talk)
    talk.pass_s(1.0)
    assert outcome_of(talk, TurnAt(0, 0, 0, 1000, 200)) == "over a limit"


def test_a_motor_that_slows_down_for_longer_than_a_jam_rests_is_kept_so(program: Path) -> None:
    """A reset as a run begins: it is on, so it comes to rest only after all of its slowing down."""
    (turner,) = FETTLE.turner
    heavy = msgspec.structs.replace(turner, slow_down_s=12.0)
    core = CoreBoard(program, msgspec.structs.replace(FETTLE, turner=(heavy,)), ahead_s=50.0)
    talk = fresh(core)
    talk.say(TurnAt(0, 0, talk.now() + 50, 10_000, 200))
    ticks_on(talk, 51)
    assert talk.outcomes == ["executed"]
    restart(talk)
    talk.pass_s(10.5)
    assert outcome_of(talk, TurnAt(0, 0, 0, 1000, 200)) == "over a limit"
    talk.pass_s(1.5)
    assert outcome_of(talk, TurnAt(0, 0, 0, 1000, 200), 1) == "executed"
    core.close()


def test_a_run_that_was_taken_back_does_not_begin(core: CoreBoard) -> None:
    """As below, of a motor: three lights first, and the run is left for a tick that comes late."""
    talk = fresh(core)
    at = talk.now() + 500
    talk.say(*(LightAt(n, 0, at, n) for n in range(3)), TurnAt(3, 0, at, 10_000, 200))
    ticks_on(talk, 300)
    ticks_on(talk, 300, "leap")
    ticks_on(talk, 1, "hang")
    ticks_on(talk, 10)
    assert talk.outcomes[-1] == "late"


def test_what_was_taken_back_does_not_begin(core: CoreBoard) -> None:
    """Ticks that were missed: three lights of the same moment go first, and the stroke is left for
    the next tick, before which the main loop may have written its coil's row anew."""
    for phase in range(0, 140, 7):
        talk = fresh(core)
        at = talk.now() + 500
        talk.say(*(LightAt(n, 0, at, n) for n in range(3)), StrikeAt(3, 0, at, 4000))
        ticks_on(talk, 300 + phase)
        ticks_on(talk, 300, "leap")
        ticks_on(talk, 1, "hang")
        begun = bool(core.on_channels)
        restart(talk)
        assert outcome_of(talk, STROKE) == ("over a limit" if begun else "executed")


# Any restarts at all, and a monitor of its own.


@dataclass
class Monitor:
    """On-times in true time, over restarts; what the palette says of the coils, by hand."""

    palette: Palette
    on_since: dict[int, float] = field(default_factory=dict)
    spans: dict[int, list[tuple[float, float]]] = field(default_factory=dict)

    def judge(self, log: list[Any], end_s: float) -> None:
        for row in log:
            if row.output != "coil":
                continue
            if row.did == "on":
                assert row.channel not in self.on_since
                self.on_since[row.channel] = row.board_s
            elif row.channel in self.on_since:
                since_s = self.on_since.pop(row.channel)
                self.spans.setdefault(row.channel, []).append((since_s, row.board_s))
        for channel, since_s in self.on_since.items():
            self.spans.setdefault(channel, []).append((since_s, end_s))
        for channel, spans in self.spans.items():
            coil = self.palette.coils()[channel]
            # A tick each way, a span.
            tick_s = 0.0002
            for _, until_s in spans:
                inside = [
                    min(e, until_s) - max(s, until_s - coil.cycle_s)
                    for s, e in spans
                    if e > until_s - coil.cycle_s and s < until_s
                ]
                allowed_s = coil.duty_max * coil.cycle_s + tick_s * len(inside)
                assert sum(inside) <= allowed_s, (channel, until_s, sum(inside))
            assert self.hottest_c(channel, spans) <= 130.0 + 0.5

    def hottest_c(self, channel: int, spans: list[tuple[float, float]]) -> float:
        """Of a coil that is fully on, by Euler's steps of 1 ms; insulation of class B."""
        coil = self.palette.coils()[channel]
        assert coil.insulation == "B"
        volts = self.palette.supply.highest_v
        air_c = hottest_c = now_c = self.palette.ambient_c
        at_s = 0.0
        for since_s, until_s in spans:
            now_c = air_c + (now_c - air_c) * math.exp(-(since_s - at_s) / coil.thermal_time_s)
            steps = math.ceil((until_s - since_s) / 0.001)
            for _ in range(steps):
                watts = volts**2 / (coil.resistance_ohm * (1 + 0.00393 * (now_c - 20.0)))
                goal_c = air_c + watts * coil.thermal_k_per_w
                now_c += (goal_c - now_c) * (until_s - since_s) / steps / coil.thermal_time_s
            at_s, hottest_c = until_s, max(hottest_c, now_c)
        return hottest_c


def binding() -> Palette:
    """One striker that its duty binds, and one that its heat does: a second on, and it is hot."""
    palette = with_duty(0.06, 0.9)
    strikers = list(palette.striker)
    coil = msgspec.structs.replace(
        strikers[1].coil, thermal_k_per_w=40.0, thermal_time_s=8.0, on_max_ms=60.0
    )
    strikers[1] = msgspec.structs.replace(strikers[1], coil=coil)
    return msgspec.structs.replace(palette, striker=tuple(strikers))


BINDING = binding()
RESTARTS = st.lists(
    st.tuples(
        st.integers(0, 30_000),
        st.sampled_from(["reset", "reset", "reset", "lose", "flip", "flip 2", "tear"]),
        st.integers(0, 8 * 25 * ROW - 1),
        st.integers(4, ROW - 1),
    ),
    min_size=1,
    max_size=6,
)


def hammered(board: Any, restarts: list[tuple[int, str, int, int]]) -> None:
    """Strikes without end, through restarts after so many ticks each, and five seconds more."""
    now_s, rng = 0.0, random.Random(repr(restarts))
    due = [ticks / TICKS_PER_S for ticks, *_ in restarts]
    for (_, how, place, whole), gap_s in zip([*restarts, (0, "", 0, 0)], [*due, 5.0], strict=True):
        board.receive(frame(Hello(VERSION, rng.randrange(1, 60_000)).pack()), now_s)
        until_s, sequence = now_s + gap_s, 0
        while now_s < until_s:
            at = round(board.clock_s(now_s) * TICKS_PER_S) + 300
            data = frame(TimeRequest(1).pack())
            for channel, pulse in ((0, 3900), (1, 5900)):
                data += frame(StrikeAt(sequence % 256, channel, at % 2**32, pulse).pack())
                sequence += 1
            board.receive(data, now_s)
            now_s = min(now_s + 0.06, until_s)
            board.advance(now_s)
        if how in ("reset", "lose") or isinstance(board, SimulatedBoard):
            board.reset(now_s, power_lost=how not in ("reset", ""))
        elif how:
            step = f"tear {place % 25} {whole}" if how == "tear" else f"flip {place}"
            board.step(step)
            if how == "flip 2":
                board.step(f"flip {rng.randrange(8 * 25 * ROW)}")
            board.reset(now_s)
    monitor = Monitor(BINDING)
    monitor.judge(board.log, board.clock_s(now_s))
    # There was something to watch.
    assert set(monitor.spans) == {0, 1} or any(how != "reset" for _, how, *_ in restarts)


@settings(max_examples=25, deadline=None)
@given(restarts=RESTARTS)
@pytest.mark.parametrize("kind", ["firmware", "simulated"])
def test_no_restarts_at_all_break_a_limit(
    program: Path, kind: str, restarts: list[tuple[int, str, int, int]]
) -> None:
    if kind == "simulated":
        hammered(SimulatedBoard(BINDING), restarts)
        return
    board = CoreBoard(program, BINDING)
    try:
        hammered(board, restarts)
    finally:
        board.close()
