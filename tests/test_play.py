"""Playing by hand: what is struck, when, and that no limit is ever broken.

The judges are the plan's own check, the tests' oracle (which shares no code with
the package), the simulated board, and the firmware's core.
"""

from __future__ import annotations

import random
from itertools import pairwise
from pathlib import Path

import msgspec
import numpy as np
import pytest
from firmware_helpers import built, messages_of, outcomes_in_c, outcomes_in_python
from link_helpers import Line
from plan_helpers import random_palette
from plan_oracle import broken_limits
from rehearse_helpers import render

from callresp.link.board import SimulatedBoard
from callresp.link.session import Session
from callresp.midi.tuning import key_of
from callresp.palette.files import load_palette
from callresp.palette.model import Coil, Palette
from callresp.plan.checked_plan import check
from callresp.plan.model import Command, Hold, Plan, PlanHeader, Strike, Turn
from callresp.plan.planner import make_plan
from callresp.play.hand import (
    LEAD_MAX_S,
    LEAD_S,
    MOVE_MAX_S,
    PIECE_S,
    PROMPT_STROKES,
    RENEW_S,
    STALE_S,
    HandPlayer,
    HandSettings,
)
from callresp.play.outputs import DueCommands
from callresp.play.sound import LiveSound
from callresp.synthesis.levels import ListeningPoint

FETTLE = load_palette("fettle")
TUBE_1, TUBE_2 = (round(key_of(item.pitch_hz or 0)) for item in FETTLE.striker[:2])
STEP_S = 0.004


class Hand:
    """A player, and all that it sent."""

    def __init__(self, palette: Palette = FETTLE, settings: HandSettings | None = None) -> None:
        self.player = HandPlayer(palette, settings)
        self.commands: list[Command] = []
        self.said: list[str] = []
        self.now_s = 0.0

    def took(self, out: DueCommands) -> list[Command]:
        fresh = [command for checked in out.checked for command in checked.plan.commands]
        self.commands += fresh
        self.said += out.said
        return fresh

    def midi(self, *data: int) -> list[Command]:
        return self.took(self.player.take(self.now_s, bytes(data)))

    def until(self, until_s: float) -> None:
        while self.now_s < until_s:
            self.now_s += STEP_S
            self.took(self.player.tick(self.now_s))

    @property
    def strikes(self) -> list[Strike]:
        return [command for command in self.commands if isinstance(command, Strike)]

    @property
    def holds(self) -> list[Hold]:
        return [command for command in self.commands if isinstance(command, Hold)]

    @property
    def plan(self) -> Plan:
        ordered = sorted(self.commands, key=lambda one: (one.at_s, one.channel))
        return Plan(header=PlanHeader(), commands=tuple(ordered))


def joined(commands: list[Command], within_s: float) -> list[float]:
    """How long an output was on at a time, pauses of up to `within_s` counted in."""
    spans: list[list[float]] = []
    for command in sorted(commands, key=lambda one: one.at_s):
        end_s = command.at_s + command.length_ms / 1000
        if spans and command.at_s - spans[-1][1] <= within_s:
            spans[-1][1] = end_s
        else:
            spans.append([command.at_s, end_s])
    return [end_s - start_s for start_s, end_s in spans]


def test_a_key_strikes_its_coil_at_once_as_hard_as_its_velocity_asks() -> None:
    hand = Hand()
    hand.until(1.0)
    at_s = hand.now_s
    commands = hand.midi(0x90, TUBE_1, 127)
    strike = next(one for one in commands if isinstance(one, Strike))
    assert strike.instrument == "tube 1"
    assert strike.at_s == pytest.approx(at_s + LEAD_S)
    # Its hardest pulse; 40 log10(64 / 127) = -11.9 dB lies between 66 dB (7 ms) and 74 dB (10 ms).
    assert strike.pulse_ms == pytest.approx(14.0)
    hand.until(2.0)
    softer = next(one for one in hand.midi(0x90, TUBE_1, 64) if isinstance(one, Strike))
    assert softer.pulse_ms == pytest.approx(7.0 + 3.0 * (79 - 11.905 - 66) / 8, abs=0.01)
    hold = next(one for one in commands if isinstance(one, Hold))
    assert hold.at_s == pytest.approx(at_s + LEAD_S)


def test_the_damper_is_held_in_pieces_and_falls_when_the_key_is_up() -> None:
    hand = Hand()
    hand.midi(0x90, TUBE_1, 100)
    hand.until(1.0)
    assert joined(list(hand.holds), 0.002)[0] > 0.9
    # Only the first piece moves it: the rest holds what is up.
    assert [hold.pull_ms for hold in hand.holds] == [30.0] + [0.0] * (len(hand.holds) - 1)
    up_s = hand.now_s
    hand.midi(0x80, TUBE_1, 0)
    hand.until(2.0)
    last_s = max(hold.end_s for hold in hand.holds)
    assert up_s < last_s <= up_s + LEAD_S + PIECE_S + RENEW_S + STEP_S
    (note,) = hand.player.score().notes
    assert note.offset_s == pytest.approx(up_s + LEAD_S)


def test_the_pedal_holds_until_it_is_up() -> None:
    hand = Hand()
    hand.midi(0xB0, 64, 127)
    hand.midi(0x90, TUBE_1, 100)
    hand.midi(0x80, TUBE_1, 0)
    hand.until(1.0)
    hand.midi(0xB0, 64, 0)
    hand.until(2.0)
    assert 1.0 < max(hold.end_s for hold in hand.holds) < 1.15


def test_a_note_that_has_rung_out_is_held_no_longer() -> None:
    hand = Hand()
    hand.midi(0x90, TUBE_1, 100)
    hand.until(8.0)
    assert 5.2 < max(hold.end_s for hold in hand.holds) < 5.4


def test_a_damper_is_held_no_longer_than_its_coil_may_be_on() -> None:
    first, *rest = FETTLE.striker
    assert first.damper is not None
    coil = msgspec.structs.replace(first.damper.coil, on_max_ms=700.0)
    damper = msgspec.structs.replace(first.damper, coil=coil)
    palette = msgspec.structs.replace(
        FETTLE, striker=(msgspec.structs.replace(first, damper=damper), *rest)
    )
    hand = Hand(palette)
    for n in range(10):
        hand.midi(0x90, TUBE_1, 100)
        hand.until((n + 1) * 0.25)
    assert max(joined(list(hand.holds), 0.02)) <= 0.7 + 1e-9
    assert "the damper of tube 1 has been held its longest" in hand.said


def test_a_pressed_damper_is_pressed_when_the_key_is_up() -> None:
    first, *rest = FETTLE.striker
    assert first.damper is not None
    damper = msgspec.structs.replace(first.damper, rest="off")
    palette = msgspec.structs.replace(
        FETTLE, striker=(msgspec.structs.replace(first, damper=damper), *rest)
    )
    hand = Hand(palette)
    hand.midi(0x90, TUBE_1, 100)
    hand.until(1.0)
    assert hand.holds == []
    hand.midi(0x80, TUBE_1, 0)
    hand.until(3.0)
    # Its 28 ms to arrive, and 0.22 s in which it stops the tube.
    assert joined(list(hand.holds), 0.002) == [pytest.approx(0.248, abs=PIECE_S)]


def test_the_wheel_turns_the_turner_at_its_speed() -> None:
    hand = Hand()
    hand.midi(0xB0, 1, 127)
    hand.until(1.0)
    hand.midi(0xB0, 1, 64)
    hand.until(2.0)
    hand.midi(0xB0, 1, 0)
    hand.until(3.0)
    turns = [command for command in hand.commands if isinstance(command, Turn)]
    turner = FETTLE.turner[0]
    assert turns[0].speed_rps == pytest.approx(turner.fastest_rps)
    span = turner.fastest_rps - turner.slowest_rps
    assert turns[-1].speed_rps == pytest.approx(turner.slowest_rps + 64 / 127 * span)
    assert joined(list(turns), 0.003) == [pytest.approx(2.1, abs=0.15)]
    (note,) = hand.player.score().notes
    assert note.offset_s == pytest.approx(2.0 + LEAD_S, abs=2 * STEP_S)


def test_what_a_limit_forbids_is_refused_and_said_and_never_sounds_late() -> None:
    hand = Hand()
    hand.midi(0x90, TUBE_1, 100)
    hand.until(0.05)
    assert hand.midi(0x90, TUBE_1, 100) == []
    assert hand.said == ["not struck: tube 1 was struck just before [restrike_ms]"]
    hand.until(1.0)
    assert len(hand.strikes) == 1
    assert hand.player.changed["dropped", "restrike_ms"] == 1
    # Three tubes at once are too much: two sound, and none waits.
    for key in (TUBE_1, TUBE_2, TUBE_2 + 2):
        hand.midi(0x90, key, 127)
    hand.until(2.0)
    assert len(hand.strikes) == 3
    assert "tube 3 would be too much current at once" in hand.said[-1]


def test_a_worn_out_coil_strikes_softer_and_says_so() -> None:
    hand = Hand()
    for n in range(200):
        hand.midi(0x90, TUBE_1, 127)
        hand.midi(0x80, TUBE_1, 0)
        hand.until((n + 1) * 0.112)
    assert any(text.startswith("softer: ") for text in hand.said)
    assert any("duty_max" in text for text in hand.said)


def test_a_key_that_was_read_late_is_not_struck() -> None:
    hand = Hand()
    hand.until(1.0)
    late = hand.player.take(1.0, bytes((0x90, TUBE_1, 100)), came_s=1.0 - STALE_S - 0.001)
    assert late.checked == []
    assert late.said == ["a key was read too late to be struck in time"]
    assert hand.player.take(1.0, bytes((0x90, TUBE_1, 100)), came_s=0.99).checked


def test_a_stroke_may_wait_for_its_damper() -> None:
    hand = Hand(settings=HandSettings(lift_first=True))
    hand.midi(0x90, TUBE_1, 100)
    # 28 ms of lift and 5 ms more, less the 11.5 ms that its hammer travels.
    assert hand.strikes[0].at_s == pytest.approx(LEAD_S + 0.0215)
    assert hand.holds[0].at_s == pytest.approx(LEAD_S)
    hand.until(1.0)
    hand.midi(0x90, TUBE_1, 100)
    assert hand.strikes[1].at_s == pytest.approx(hand.now_s + LEAD_S)


def test_a_key_that_nothing_is_like_is_said() -> None:
    hand = Hand()
    assert hand.midi(0x99, 36, 100) == []
    assert hand.said == ["nothing here for key 36"]


def test_a_slow_line_raises_the_lead_up_to_a_bound() -> None:
    hand = Hand()
    hand.midi(0x90, TUBE_1, 100)
    assert "for now 8 ms from key to coil" in hand.player.unplayed(hand.strikes[0].reply)
    assert hand.player.score().notes == ()
    for _ in range(20):
        hand.player.unplayed(None)
    assert LEAD_S < hand.player.lead_s <= LEAD_MAX_S
    for n in range(8 * PROMPT_STROKES):
        hand.until(0.3 * (n + 1))
        hand.midi(0x90, TUBE_2, 40)
    assert hand.player.lead_s == pytest.approx(LEAD_S)


def test_what_was_played_can_be_planned_again() -> None:
    hand = Hand()
    rng = random.Random(4)
    for _ in range(60):
        hand.midi(0x90, rng.choice((TUBE_1, TUBE_2, TUBE_2 + 2)), rng.randrange(30, 127))
        hand.until(hand.now_s + rng.choice((0.06, 0.2, 0.5)))
        hand.midi(0x80, rng.choice((TUBE_1, TUBE_2)), 0)
    again = make_plan(hand.player.score(), FETTLE).plan
    assert len(again.strikes) == len(hand.strikes)
    for own, other in zip(again.strikes, hand.plan.strikes, strict=True):
        assert own.channel == other.channel
        assert own.at_s == pytest.approx(other.at_s, abs=MOVE_MAX_S)


def test_the_wait_for_the_first_key_is_not_kept() -> None:
    hand = Hand()
    hand.until(60.0)
    hand.midi(0x90, TUBE_1, 100)
    hand.until(61.0)
    hand.midi(0x80, TUBE_1, 0)
    hand.until(61.5)
    score = hand.player.score()
    (note,) = score.notes
    assert note.onset_s == pytest.approx(1.0)
    assert note.offset_s == pytest.approx(2.0, abs=0.03)
    assert score.header.duration_s == pytest.approx(2.5, abs=0.03)


def mash(hand: Hand, rng: random.Random, until_s: float) -> list[float]:
    """Press keys without a thought; returns when each was pressed."""
    palette = hand.player.palette
    strikers = [item.name for item in palette.striker]
    turners = [item.name for item in palette.turner]
    pressed = []
    while hand.now_s < until_s:
        for _ in range(rng.choice([1, 1, 2, 6])):
            how = rng.random()
            typed = ("typed", rng.randrange(8))
            if how < 0.6:
                pressed.append(hand.now_s)
                name = strikers[typed[1] % len(strikers)]
                hand.took(hand.player.strike(hand.now_s, name, rng.random(), typed))
            elif how < 0.8:
                hand.took(hand.player.let_go(hand.now_s, typed))
            elif how < 0.85:
                hand.midi(0xB0, rng.choice([1, 64, 123]), rng.choice([0, 30, 127]))
            elif how < 0.95:
                pressed.append(hand.now_s)
                hand.midi(rng.choice([0x80, 0x90]), rng.randrange(80, 100), rng.randrange(128))
            elif turners:
                name = rng.choice(turners)
                hand.took(hand.player.strike(hand.now_s, name, rng.random(), ("turn", 0)))
        hand.until(hand.now_s + rng.choice([0.004, 0.02, 0.1, 0.5, 1.5]))
    hand.took(hand.player.silence(hand.now_s))
    hand.until(hand.now_s + 0.5)
    return pressed


def judge(hand: Hand, rng: random.Random) -> None:
    """Hold all that was sent against every judge."""
    palette = hand.player.palette
    check(hand.plan, palette)
    assert broken_limits(hand.plan, palette) == []
    outcomes = outcomes_in_python(palette, messages_of(hand.plan, rng.choice((-1e-4, 0.0, 1e-4))))
    assert set(outcomes) <= {"executed"}
    coils: dict[int, Coil] = palette.coils()
    for channel, coil in coils.items():
        own: list[Command] = [h for h in hand.holds if h.channel == channel]
        assert max(joined(own, 0.004), default=0.0) <= coil.on_max_ms / 1000 + 1e-9


@pytest.mark.parametrize("seed", range(25))
def test_nothing_that_is_played_breaks_a_limit(seed: int) -> None:
    rng = random.Random(seed)
    hand = Hand(random_palette(rng), HandSettings(lift_first=seed % 5 == 0))
    pressed = mash(hand, rng, 12.0)
    judge(hand, rng)
    # Every stroke belongs to a key that was pressed just before it.
    waits = (LEAD_S, LEAD_S + MOVE_MAX_S + (0.1 if seed % 5 == 0 else 1e-6))
    for strike in hand.strikes:
        late_s = [strike.at_s - at_s for at_s in pressed if at_s <= strike.at_s]
        assert late_s == [] or min(late_s) <= waits[1]


def test_a_whole_machine_that_is_mashed_keeps_its_limits() -> None:
    rng = random.Random(99)
    hand = Hand()
    mash(hand, rng, 60.0)
    judge(hand, rng)
    assert len(hand.strikes) > 80


def test_the_firmwares_core_refuses_nothing_of_what_is_held_piece_by_piece(
    tmp_path: Path,
) -> None:
    """A damper near its duty, in more pieces a cycle than the core keeps in mind."""
    palette = random_palette(random.Random(2))
    hand = Hand(palette)
    mash(hand, random.Random(5), 60.0)
    messages = messages_of(hand.plan, 1e-4)
    (outcomes,) = outcomes_in_c(built(tmp_path, "replay.c"), [(palette, messages)])
    assert set(outcomes) == {"executed"}
    assert len(outcomes) > 900


def test_over_a_line_of_a_few_milliseconds_every_coil_is_on_within_eight() -> None:
    """In simulated time: a line that takes 1 to 3 ms either way, a clock that drifts."""
    hand = Hand()
    board = SimulatedBoard(FETTLE, drift_ppm=60.0, ahead_s=500.0)
    session = Session(None, 7, ahead_s=0.5, least_ahead_s=0.0)
    line = Line(session, board, step_s=0.001)
    pressed, next_s = {}, 2.0
    rng = random.Random(2)
    while line.now_s < 12.0:
        now_s = line.now_s
        out = hand.player.tick(now_s)
        if now_s >= next_s:
            next_s += rng.choice([0.15, 0.3])
            key = rng.choice((TUBE_1, TUBE_2))
            out = hand.player.take(now_s, bytes((0x90, key, 90)))
            for checked in out.checked:
                for strike in checked.plan.strikes:
                    pressed[strike.at_s] = now_s
        for checked in out.checked:
            session.add(checked)
            hand.commands += checked.plan.commands
        line.step()
    rate, ahead_s = 1 + 60e-6, 500.0
    channels = {item.coil.channel for item in FETTLE.striker}
    on = [
        (row.board_s - ahead_s) / rate
        for row in board.log
        if row.did == "on" and row.channel in channels
    ]
    assert len(on) == len(pressed) > 30
    waits = [at_s - key_s for at_s, key_s in zip(on, pressed.values(), strict=True)]
    assert max(waits) < 0.008 + MOVE_MAX_S
    assert np.median(waits) < 0.008
    assert set(session.report.outcomes) == {"executed"}


def test_the_sound_while_it_is_played_is_that_of_a_rehearsal() -> None:
    hand = Hand()
    sound = LiveSound(FETTLE, 16_000)
    rng, heard = random.Random(8), []
    for block in range(600):
        hand.now_s = block * 0.005
        before = len(hand.commands)
        if rng.random() < 0.05:
            hand.midi(rng.choice((0x90, 0x80)), rng.choice((TUBE_1, TUBE_2)), 100)
        hand.took(hand.player.tick(hand.now_s))
        fresh = hand.commands[before:]
        if fresh:
            ordered = sorted(fresh, key=lambda one: one.at_s)
            sound.send(HandPlayer(FETTLE)._checker.admit(ordered))
        heard.append(sound.next(hand.now_s, 80))
    place = ListeningPoint(distance_m=1.0, travel=False)
    wanted = render(hand.plan, FETTLE, 16_000, 3.0, place=place)
    assert np.abs(wanted).max() > 0.01
    assert np.concatenate(heard) == pytest.approx(wanted, abs=2e-6)


def test_pauses_between_pieces_are_shorter_than_a_damper_needs_to_move() -> None:
    hand = Hand()
    hand.midi(0x90, TUBE_1, 100)
    hand.until(2.0)
    gaps = [after.at_s - before.end_s for before, after in pairwise(hand.holds)]
    assert max(gaps) < 0.0015
