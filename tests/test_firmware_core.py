"""The very code that runs on hardware, built here with sanitizers, beside the simulated board.

The same conformance tests run against both, in simulated time; one over a real pseudo-terminal.
"""

# The fixtures of `board_talk` are named as parameters.
# ruff: noqa: F811
from __future__ import annotations

import json
import random
import subprocess
from pathlib import Path

import pytest
from board_talk import MakeBoard, Talk, make_board, program, pytest_generate_tests, talk  # noqa: F401
from firmware_helpers import CORE, FIRMWARE, FLAGS, SOURCES, built, compiler, lines
from link_helpers import FETTLE, Line, longest_on_s, plan_of

from callresp.firmware.limits import header, limits_source
from callresp.link import stream as link_stream
from callresp.link.framing import cobs_encode, crc16, frame
from callresp.link.messages import (
    DRY_RUN,
    FAULTS,
    OUTCOMES,
    TICKS_PER_S,
    VERSION,
    Acknowledge,
    Done,
    Hello,
    HelloAck,
    HoldAt,
    LightAt,
    Sensed,
    SensorReadings,
    SleepFor,
    Sleeping,
    Status,
    Stop,
    StrikeAt,
    TimeReply,
    TimeRequest,
    TurnAt,
)
from callresp.link.session import Session

FUZZ_ROUNDS = 500_000


def test_the_board_introduces_itself(talk: Talk) -> None:
    ack = talk.all(HelloAck)[0]
    assert (ack.version, ack.session) == (VERSION, 7)
    assert (ack.coils, ack.motors) == (13, 1)
    assert ack.buffer == 64
    assert ack.silence_ms == 200


def test_each_limit_is_kept_by_the_board_itself(talk: Talk) -> None:
    at = talk.now() + 500
    talk.say(
        StrikeAt(0, 0, at, 1000),
        StrikeAt(1, 0, at + 50, 1000),
        StrikeAt(2, 1, at, 4100),
        StrikeAt(3, 19, at, 500),
        HoldAt(4, 5, at, 200_100, 300, 76),
        TurnAt(5, 0, at, 10_000, 500),
        StrikeAt(6, 2, at - 5000, 500),
    )
    talk.pass_s(0.2)
    assert talk.outcomes == [
        "executed",
        "over a limit",
        "over a limit",
        "no such channel",
        "over a limit",
        "over a limit",
        "late",
    ]


def test_too_much_current_at_once_is_refused(talk: Talk) -> None:
    """12.8 V: two tubes of 6 ohms draw 4.3 A of their driver's 5, a third has no room.

    Then block and box of 8 and 7 ohms: 1.6 and 1.8 A, 7.7 in all where the supply gives 6.9.
    """
    at = talk.now() + 500
    talk.say(*(StrikeAt(n, channel, at, 1000) for n, channel in enumerate((0, 1, 2, 10, 11))))
    talk.pass_s(0.2)
    assert talk.outcomes == ["executed", "executed", "over a limit", "executed", "over a limit"]


def test_a_channel_keeps_its_share_of_the_cycle(talk: Talk) -> None:
    """Tube 1 may be on for 12 % of 10 s: 30 pulses of 40 ms, and no more."""
    at = talk.now() + 600
    for first in range(0, 40, 10):
        talk.say(*(StrikeAt(n, 0, at + n * 600, 4000) for n in range(first, first + 10)))
        talk.pass_s(0.6)
    assert talk.outcomes == ["executed"] * 30 + ["over a limit"] * 10


def test_a_doubled_command_is_played_once(talk: Talk) -> None:
    talk.say(*[StrikeAt(0, 0, talk.now() + 500, 800)] * 3)
    talk.pass_s(0.5)
    assert talk.outcomes == ["executed"]


def test_stop_releases_at_once(talk: Talk) -> None:
    at = talk.now() + 200
    talk.say(HoldAt(0, 5, at, 100_000, 300, 76), StrikeAt(1, 0, at + 50_000, 800))
    talk.pass_s(1.0)
    assert talk.board.on_channels
    statuses = len(talk.all(Status))
    talk.say(Stop(0))
    assert not talk.board.on_channels
    assert talk.outcomes == ["executed", "cancelled"]
    assert len(talk.all(Status)) == statuses + 1


def test_silence_releases_within_a_quarter_second(talk: Talk) -> None:
    talk.say(HoldAt(0, 5, talk.now() + 200, 150_000, 300, 76))
    talk.pass_s(1.0)
    silent_s = talk.now_s
    # Nothing more, as from a host that was killed; the board's own status goes on.
    talk.pass_s(2.0, heartbeat=False)
    assert not talk.board.on_channels
    assert talk.board.log[-1].board_s <= talk.board.clock_s(silent_s) + 0.25
    assert talk.all(Status)[-1].faults & 2


def test_lights_go_dark_at_their_time_and_stay_so(talk: Talk) -> None:
    at = talk.now() + 500
    talk.say(LightAt(0, 0, at, 0), LightAt(1, 1, at, 0), LightAt(2, 0, at + 300, 40))
    talk.pass_s(0.5)
    assert talk.outcomes == ["executed", "no such channel", "executed"]
    times = {message.sequence: message.at for message in talk.all(Done)}
    assert 0 <= times[0] - at <= 1
    assert 0 <= times[2] - at - 300 <= 1


def test_a_host_of_another_version_is_answered_but_not_obeyed(talk: Talk) -> None:
    """So that it can tell its user which firmware to load, and nothing moves meanwhile."""
    talk.say(Hello(VERSION - 1, 9))
    ack = talk.all(HelloAck)[-1]
    assert (ack.version, ack.session) == (VERSION, 9)
    talk.say(StrikeAt(0, 0, talk.now() + 200, 800))
    assert talk.all(TimeReply)[-1].session == 0
    talk.pass_s(1.0)
    assert not talk.all(Done)


def test_a_dry_run_lights_a_lamp_and_moves_nothing(make_board: MakeBoard) -> None:
    talk = Talk(make_board(dry_run=True))
    talk.greet()
    assert talk.all(HelloAck)[0].mode == DRY_RUN
    at = talk.now() + 500
    # Over a limit stays over a limit: a dry run tells what the machine would do.
    talk.say(LightAt(0, 0, at, 0), StrikeAt(1, 3, at + 100, 1000), StrikeAt(2, 1, at, 4100))
    talk.pass_s(0.3)
    assert talk.outcomes == ["executed", "executed", "over a limit"]
    assert {row.output for row in talk.board.log} <= {"lamp", "light"}
    assert [row.did for row in talk.board.log] == ["off", "on", "off"]


def test_garbage_moves_nothing_and_is_shrugged_off(talk: Talk) -> None:
    talk.say_bytes(bytes((n * 37 + n // 7) % 256 for n in range(4000)) + b"\0")
    talk.pass_s(1.0)
    assert talk.now() > 0
    assert not talk.all(Done)


def test_a_minute_of_garbage_breaks_no_limit_and_is_shrugged_off(make_board: MakeBoard) -> None:
    """At the line's full rate, half noise and half well-framed messages of any content; what is on
    is watched from outside, by the palette's own figures."""
    talk, rng = Talk(make_board(ahead_s=1234.5)), random.Random(8)
    talk.greet()
    kinds = {0x10: 8, 0x11: 13, 0x12: 12, 0x13: 7, 0x02: 4}
    for _ in range(60 * 4):
        data = b""
        while len(data) < 11_520 // 4:
            data += rng.randbytes(rng.randrange(40)) + b"\0"
            kind = rng.choice(list(kinds))
            body = bytearray(rng.randbytes(kinds[kind]))
            if len(body) > 6:
                # Soon, on a channel that there may be, of a length that may be allowed.
                at = round(talk.board.clock_s(talk.now_s) * TICKS_PER_S) + rng.randrange(4000)
                body[1:6] = bytes([rng.randrange(15)]) + (at % 2**32).to_bytes(4, "little")
                body[7:8] = bytes([rng.randrange(20)])
                body[8:10] = bytes(len(body[8:10]))
            data += frame(bytes([kind]) + bytes(body))
        talk.say_bytes(data)
        talk.pass_s(0.25, heartbeat=False)
        talk.heard = [m for m in talk.heard if isinstance(m, Done)][-1000:]
    assert any(OUTCOMES[m.outcome] == "executed" for m in talk.all(Done))
    talk.pass_s(130.0, heartbeat=False)
    assert not talk.board.on_channels
    limits = {channel: coil.on_max_ms / 1000 for channel, coil in FETTLE.coils().items()}
    longest = longest_on_s(talk.board)
    assert any(output == "coil" for output, _ in longest)
    for (output, channel), on_s in longest.items():
        assert output != "coil" or on_s <= limits[channel] + 0.0003
    plays_a_phrase(talk, session=9, faults=2 | DAMAGED)


def test_the_board_obeys_its_own_stop_and_reports_rain(talk: Talk) -> None:
    talk.say(HoldAt(0, 5, talk.now() + 500, 50_000, 300, 76))
    talk.pass_s(0.5)
    for rains in (True, False):
        talk.board.sense_rain(rains)
        talk.pass_s(1.1)
        assert bool(talk.all(Status)[-1].faults & RAIN) == rains
    assert talk.board.on_channels
    talk.take(talk.board.press_stop(talk.now_s))
    assert talk.all(Status)[-1].faults & STOPPED
    assert not talk.board.on_channels
    talk.say(HoldAt(1, 6, talk.now() + 500, 20_000, 300, 76))
    talk.pass_s(0.5)
    assert talk.outcomes == ["executed", "over a limit"]
    talk.greet(session=9)
    talk.pass_s(1.1)
    assert talk.all(Status)[-1].faults & STOPPED


RAIN, STOPPED, DAMAGED = (
    1 << FAULTS.index(fault) for fault in ("rain", "stop pressed", "line damaged")
)
HALF_TURN_S = 2**31 / TICKS_PER_S


@pytest.mark.parametrize("ahead_s", [0.0, HALF_TURN_S - 5, 2 * HALF_TURN_S - 5])
@pytest.mark.parametrize("idle_s", [60 * 3600.0, HALF_TURN_S + 1, 2 * HALF_TURN_S + 1])
def test_after_days_of_power_it_still_answers(
    make_board: MakeBoard, ahead_s: float, idle_s: float
) -> None:
    """Its clock passes 2^31 and 2^32 ticks while nobody is there; then a phrase comes."""
    talk = Talk(make_board(ahead_s=ahead_s))
    talk.idle(idle_s)
    plays_a_phrase(talk, session=7)


@pytest.mark.parametrize("turns", [1, 2])
def test_busy_for_days_it_still_answers(make_board: MakeBoard, turns: int) -> None:
    """A session every few hours, and each timer renewed or idle for half a turn of the clock."""
    talk = Talk(make_board())
    for session, hours in enumerate([1, 5, 17, 20, 16, 30, 29] * turns, start=1):
        plays_a_phrase(talk, session)
        talk.idle(hours * 3600.0)
    plays_a_phrase(talk, session=99)


def test_what_the_sensors_read_is_told_at_a_greeting_and_every_five_seconds(
    make_board: MakeBoard,
) -> None:
    talk = Talk(make_board())
    talk.greet()
    talk.pass_s(6.0)
    assert not talk.all(Sensed)
    read = SensorReadings(lux=41_000, air_c=-7.25, humidity_pct=93, rain=False)
    talk.board.sensed = read
    talk.greet()
    talk.pass_s(10.2)
    told = [message.known for message in talk.all(Sensed)]
    assert set(told) == {read}
    assert len(told) in (3, 4)
    talk.board.sensed = SensorReadings(rain=True)
    talk.pass_s(5.0)
    assert talk.all(Sensed)[-1].known == SensorReadings(rain=True)


def plays_a_phrase(talk: Talk, session: int, faults: int = 2) -> None:
    talk.heard.clear()
    talk.greet(session)
    at = talk.now() + 500
    talk.say(
        StrikeAt(0, 0, at, 800),
        HoldAt(1, 5, at, 2000, 300, 76),
        TurnAt(2, 0, at, 8000, 200),
        StrikeAt(3, 0, at + 3000, 800),
    )
    talk.pass_s(2.0)
    assert talk.outcomes == ["executed"] * 4
    assert talk.all(Acknowledge)[-1].expected == 4
    assert not talk.board.on_channels
    assert len(talk.all(Status)) in (1, 2, 3)
    assert talk.all(Status)[-1].faults & ~faults == 0


def asleep(talk: Talk) -> bool:
    """Whether it says nothing for three seconds, in which an awake board tells its status."""
    before = len(talk.heard)
    talk.pass_s(3.0, heartbeat=False)
    return len(talk.heard) == before


def test_told_to_sleep_it_lets_go_sleeps_and_wakes_by_itself(talk: Talk) -> None:
    at = talk.now() + 200
    talk.say(HoldAt(0, 5, at, 100_000, 300, 76), StrikeAt(1, 0, at + 50_000, 800))
    talk.pass_s(0.2)
    assert talk.board.on_channels
    talk.say(SleepFor(60, 4))
    assert talk.all(Sleeping) == [Sleeping(60, 4)]
    assert not talk.board.on_channels
    assert talk.outcomes == ["executed", "cancelled"]
    # The session is over, whatever comes in the seconds before.
    talk.say(StrikeAt(2, 0, talk.now() + 200, 800), TimeRequest(1))
    assert talk.all(TimeReply)[-1].session == 0
    talk.pass_s(3.5)
    assert len(talk.all(Done)) == 2
    assert talk.all(Status)[-1].faults == 0
    talk.pass_s(0.8, heartbeat=False)
    assert asleep(talk)
    talk.idle(56.0)
    talk.heard.clear()
    talk.pass_s(1.5, heartbeat=False)
    # Nobody was silent that had not said so.
    assert talk.all(Status)[0].faults == 0
    assert talk.now() == pytest.approx(round(talk.board.clock_s(talk.now_s) * 1e4), abs=5)
    assert talk.all(TimeReply)[-1].session == 0
    plays_a_phrase(talk, session=9)


def test_a_byte_wakes_it_and_a_greeting_keeps_it_awake(talk: Talk) -> None:
    talk.say(SleepFor(3600, 0))
    talk.pass_s(0.5, heartbeat=False)
    assert asleep(talk)
    # Noise on the line: it waits for two seconds, and sleeps on.
    talk.say_bytes(b"\x55")
    talk.pass_s(1.0, heartbeat=False)
    assert talk.all(Status)
    talk.pass_s(1.5, heartbeat=False)
    assert asleep(talk)
    plays_a_phrase(talk, session=8)
    talk.pass_s(5.0, heartbeat=False)
    assert not asleep(talk)


def test_a_greeting_before_it_sleeps_calls_it_off(talk: Talk) -> None:
    talk.say(SleepFor(3600, 5))
    talk.pass_s(2.0, heartbeat=False)
    plays_a_phrase(talk, session=8)
    talk.pass_s(6.0, heartbeat=False)
    assert not asleep(talk)


def test_only_one_who_has_greeted_sends_it_to_sleep(make_board: MakeBoard) -> None:
    talk = Talk(make_board())
    talk.say(SleepFor(3600, 0))
    talk.pass_s(1.0, heartbeat=False)
    assert not asleep(talk)
    assert not talk.all(Sleeping)


def test_no_sleep_is_longer_than_two_days(talk: Talk) -> None:
    talk.say(SleepFor(0xFFFFFFFF, 0xFFFF))
    assert talk.all(Sleeping) == [Sleeping(172_800, 600)]
    talk.say(SleepFor(0, 0))
    assert talk.all(Sleeping)[-1] == Sleeping(0, 0)


def test_without_a_host_for_ten_minutes_it_sleeps_until_it_is_called(talk: Talk) -> None:
    talk.idle(590.0)
    assert not asleep(talk)
    talk.idle(20.0)
    assert asleep(talk)
    talk.idle(30 * 3600.0)
    assert asleep(talk)
    talk.say(Hello(VERSION, 8))
    assert len(talk.all(HelloAck)) == 1
    plays_a_phrase(talk, session=8)


def test_no_sleep_makes_a_coil_forget_what_it_had(talk: Talk) -> None:
    """Tube 1 may be on for 12 % of 10 s: 30 pulses of 40 ms."""
    at = talk.now() + 600
    for first in range(0, 30, 10):
        talk.say(*(StrikeAt(n, 0, at + n * 600, 4000) for n in range(first, first + 10)))
        talk.pass_s(0.6)
    talk.pass_s(0.1)
    assert talk.outcomes == ["executed"] * 30
    hottest_c = talk.all(Status)[-1].hottest_c
    assert hottest_c > FETTLE.ambient_c
    for sleep_s, outcome in ((2, "over a limit"), (12, "executed")):
        talk.say(SleepFor(sleep_s, 0))
        talk.pass_s(sleep_s + 0.3, heartbeat=False)
        talk.heard.clear()
        talk.greet(session=10 + sleep_s)
        talk.say(StrikeAt(0, 0, talk.now() + 500, 4000))
        talk.pass_s(0.3)
        talk.pass_s(1.1)
        assert talk.outcomes == [outcome]
        # Not as cold as after a start; it cools by a tenth, and one stroke more warms it.
        assert abs(talk.all(Status)[-1].hottest_c - hottest_c) <= 1


LOW_VOLTAGE = 1 << FAULTS.index("low voltage")


def flat(talk: Talk) -> bool:
    return bool(talk.all(Status)[-1].faults & LOW_VOLTAGE)


def test_one_low_reading_is_no_flat_battery(talk: Talk) -> None:
    """As one that lasts less than three seconds: the host's own rule waits as long."""
    talk.board.volts = 10.0
    talk.pass_s(1.2)
    talk.board.volts = 12.0
    talk.pass_s(8.0)
    assert not flat(talk)
    talk.say(StrikeAt(0, 0, talk.now() + 500, 800))
    talk.pass_s(0.2)
    assert talk.outcomes == ["executed"]


def test_the_sag_under_a_stroke_is_no_flat_battery(talk: Talk) -> None:
    """A tired battery: 12 V at rest, 10.5 while anything is on and for 20 ms after it."""
    talk.pass_s(0.1)
    for number in range(60):
        talk.say(StrikeAt(number, number % 5, talk.now() + 500, 3000))
        talk.pass_s(0.05)
        talk.board.volts = 10.5
        talk.pass_s(0.05)
        talk.board.volts = 12.0
        talk.pass_s(0.1)
        assert talk.all(Status)[-1:] == [] or talk.all(Status)[-1].millivolts == 12_000
    assert talk.outcomes == ["executed"] * 60
    assert not flat(talk)


def test_a_flat_battery_is_spared_and_told_and_may_play_again_when_it_is_good(
    talk: Talk,
) -> None:
    talk.say(HoldAt(0, 5, talk.now() + 200, 100_000, 300, 76))
    talk.say(StrikeAt(1, 0, talk.now() + 90_000, 800))
    talk.pass_s(1.0)
    assert talk.board.on_channels
    # Under a load that lasts a reading counts, too: the hold must not hide it.
    talk.board.volts = 10.9
    talk.pass_s(6.5)
    assert flat(talk)
    assert not talk.board.on_channels
    assert talk.outcomes == ["executed", "cancelled"]
    talk.say(StrikeAt(2, 0, talk.now() + 500, 800))
    talk.pass_s(0.5)
    assert talk.outcomes[-1] == "over a limit"
    # At rest it comes back to its cut-off, and is as flat as before; a new session or not.
    talk.board.volts = 11.05
    talk.pass_s(60.0)
    talk.greet(session=8)
    talk.pass_s(1.0)
    assert flat(talk)
    # Charged, or in the sun again.
    talk.board.volts = 12.2
    talk.pass_s(20.0)
    talk.board.volts = 11.0
    talk.pass_s(1.0)
    talk.board.volts = 12.2
    talk.pass_s(29.0)
    assert flat(talk)
    talk.pass_s(3.0)
    assert not flat(talk)
    talk.heard.clear()
    talk.say(StrikeAt(0, 0, talk.now() + 500, 800))
    talk.pass_s(0.5)
    assert talk.outcomes == ["executed"]


JAMMED = 1 << FAULTS.index("motor jammed")


@pytest.mark.parametrize("ahead_s", [0.0, 2 * HALF_TURN_S - 5])
def test_a_jammed_motor_is_switched_off_told_and_may_try_again(
    make_board: MakeBoard, ahead_s: float
) -> None:
    talk = Talk(make_board(ahead_s=ahead_s))
    talk.greet()
    talk.board.stuck = {0}
    talk.say(TurnAt(0, 0, talk.now() + 500, 100_000, 200))
    talk.pass_s(0.4)
    assert talk.board.on_channels
    # 0.3 s to start, half a second to be looked at, and the loop's own 20 ms.
    talk.pass_s(0.6)
    assert not talk.board.on_channels
    assert talk.all(Status)[-1].faults & JAMMED
    talk.say(TurnAt(1, 0, talk.now() + 500, 10_000, 200))
    talk.pass_s(0.2)
    assert talk.outcomes == ["executed", "over a limit"]
    # Coils go on playing.
    talk.say(StrikeAt(2, 0, talk.now() + 500, 800))
    talk.pass_s(10.5)
    assert talk.outcomes[-1] == "executed"
    assert talk.all(Status)[-1].faults & JAMMED
    # Freed: it turns to the end of its run, and the fault is over.
    talk.board.stuck = set()
    at = talk.now() + 500
    talk.say(TurnAt(3, 0, at, 30_000, 200))
    talk.pass_s(2.0)
    assert talk.board.on_channels
    assert not talk.all(Status)[-1].faults & JAMMED
    talk.pass_s(1.5)
    ended = [row.board_s for row in talk.board.log if row.output == "motor"][-1]
    assert ended == pytest.approx(talk.board.clock_s(talk.now_s) - 0.45, abs=0.01)


def test_a_motor_that_jams_as_it_runs_is_noticed(talk: Talk) -> None:
    talk.say(TurnAt(0, 0, talk.now() + 500, 200_000, 80))
    talk.pass_s(5.0)
    assert talk.board.on_channels
    talk.board.stuck = {0}
    talk.pass_s(1.1)
    assert not talk.board.on_channels
    assert talk.all(Status)[-1].faults & JAMMED


@pytest.mark.parametrize("ahead_s", [33.0, 2 * HALF_TURN_S - 8.0])
def test_a_plan_is_played_as_streamed(make_board: MakeBoard, ahead_s: float) -> None:
    """Also across the wrap of the board's clock."""
    board = make_board(drift_ppm=80.0, ahead_s=ahead_s)
    line = Line(Session(plan_of(30, 0.3)), board)
    line.run()
    assert line.session.report.outcomes == {"executed": line.session.report.commands}
    assert max(map(abs, line.session.report.errors_ms)) < 1.5
    limits = {channel: coil.on_max_ms / 1000 for channel, coil in FETTLE.coils().items()}
    for (output, channel), longest in longest_on_s(board).items():
        assert output != "coil" or longest <= limits[channel] + 0.0003


def test_a_dead_host_means_silence(make_board: MakeBoard) -> None:
    line = Line(Session(plan_of(120, 0.1)), make_board())
    while line.session.report.outcomes["executed"] < 40:
        line.step()
    died_s = line.now_s
    while line.now_s < died_s + 3:
        line.step(host_alive=False)
    assert not line.board.on_channels
    assert max(row.board_s for row in line.board.log) <= died_s + 0.25


def test_a_plan_streams_to_the_firmware_over_a_pseudo_terminal(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """The very program that runs on hardware, on a real port. A busy computer may be late with
    some, so that only what must hold whatever the moment is asked."""
    monkeypatch.setattr(link_stream, "ANSWER_S", 120.0)
    monkeypatch.setattr(link_stream, "GONE_S", 120.0)
    checked, log = plan_of(20, 0.15), tmp_path / "board.jsonl"
    words = [str(built(tmp_path, "host_board.c")), "--log", str(log), "--drift", "80"]
    board = subprocess.Popen(words, stdin=subprocess.PIPE, stdout=subprocess.PIPE)
    assert board.stdin is not None
    assert board.stdout is not None
    board.stdin.write(lines(FETTLE).encode())
    board.stdin.flush()
    session = link_stream.stream(checked, board.stdout.readline().decode().strip())
    board.stdin.close()
    # A sanitizer's finding is a status other than 0.
    assert board.wait() == 0
    board.stdout.close()
    outcomes = session.report.outcomes
    assert sum(outcomes.values()) == len(checked.plan.commands)
    did = [json.loads(line)["did"] for line in log.read_text().splitlines()]
    assert outcomes["executed"] <= did.count("on")
    assert did.count("on") <= outcomes["executed"] + outcomes["fate unknown"]
    assert did.count("on") * 2 == len(did)


def test_half_a_million_rounds_of_fuzzing_find_nothing(tmp_path: Path) -> None:
    """500,000 rounds, half noise and half well-framed messages; limits asserted after each."""
    program = built(tmp_path, "fuzz_core.c")
    done = subprocess.run(
        [str(program), str(FUZZ_ROUNDS)], capture_output=True, text=True, check=False
    )
    assert done.returncode == 0, done.stderr
    assert f"{FUZZ_ROUNDS} rounds" in done.stdout


def test_framing_in_c_is_framing_in_python(tmp_path: Path) -> None:
    program = tmp_path / "frames"
    source = tmp_path / "frames.c"
    source.write_text(
        '#include <stdio.h>\n#include "core.h"\n'
        "int main(void) { static uint8_t in[800], out[900], back[900]; int n, b, i = 0;\n"
        'while (scanf("%d", &n) == 1) { for (i = 0; i < n; i++) {\n'
        'if (scanf("%d", &b) != 1) { return 1; }\nin[i] = (uint8_t)b; }\n'
        "uint16_t m = cr_cobs_encode(in, (uint16_t)n, out);\n"
        'printf("%u", cr_crc(in, (uint16_t)n));\n'
        'for (i = 0; i < m; i++) printf(" %u", out[i]);\n'
        'printf(" %d\\n", cr_cobs_decode(out, m, back) == n); } return 0; }\n'
    )
    words = [compiler(), *FLAGS, f"-I{FIRMWARE}", f"-I{CORE}", str(source), str(CORE / "framing.c")]
    subprocess.run([*words, "-o", str(program)], check=True)
    rng = random.Random(2)
    payloads = [
        bytes(rng.choice([0, 0, 1, 255, rng.randrange(256)]) for _ in range(n))
        for n in range(1, 60)
    ]
    payloads.append(b"123456789")
    payloads += [bytes([7]) * n for n in (253, 254, 255, 508, 509, 762)]
    payloads += [bytes([7]) * 254 + b"\0", b"\0" + bytes([7]) * 254 + bytes([8])]
    text = "\n".join(f"{len(p)} {' '.join(map(str, p))}" for p in payloads)
    out = subprocess.run([str(program)], input=text, capture_output=True, text=True, check=True)
    for payload, line in zip(payloads, out.stdout.splitlines(), strict=True):
        crc, *stuffed, whole = map(int, line.split())
        assert crc == crc16(payload)
        assert bytes(stuffed) == cobs_encode(payload)
        assert whole == 1


def test_a_palettes_headers_build_the_core(tmp_path: Path) -> None:
    for dry_run in (False, True):
        config = header(FETTLE, dry_run)
        assert "#define CR_COILS 13\n" in config
        assert "/* coil  0: tube 1 */" in config
        assert "/* light 0: status */" in config
        (tmp_path / "cr_config.h").write_text(config)
        limits = tmp_path / "cr_limits.c"
        limits.write_text(limits_source(FETTLE, dry_run))
        assert f"1, {int(dry_run)}, {{5000010, " in limits.read_text()
        sources = [*SOURCES, limits]
        words = [compiler(), *FLAGS[:7], f"-I{tmp_path}", f"-I{CORE}", "-c", *map(str, sources)]
        done = subprocess.run(words, cwd=tmp_path, capture_output=True, text=True, check=False)
        assert done.returncode == 0, done.stderr
