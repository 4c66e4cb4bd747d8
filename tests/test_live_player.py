"""The player: late planning, whole rhythms, and a battery asked at each stroke."""

from __future__ import annotations

import random

import pytest
from hypothesis import given
from hypothesis import strategies as st
from live_helpers import FETTLE
from plan_helpers import reply_note

from callresp.io.score import ReplyNote
from callresp.live.player import LINK_LEAD_S, PLAN_AHEAD_S, Player
from callresp.live.self_masking import SelfMask
from callresp.plan.electrical.battery import BatteryDay
from callresp.plan.electrical.loads import Load
from callresp.plan.model import Command
from callresp.plan.schedulers import coil as coils
from callresp.plan.schedulers.coil import CoilHistory

NAMES = [striker.name for striker in FETTLE.striker]


def reply(start_s: float, steps: list[float], seed: int = 0) -> list[ReplyNote]:
    rng, found, at_s = random.Random(seed), [], start_s
    for number, step in enumerate(steps):
        at_s += step if number else 0.0
        offset_s = rng.choice([None, at_s + 0.2])
        found.append(reply_note(number, at_s, offset_s, rng.choice(NAMES), rng.random()))
    return found


def played(player: Player, from_s: float, until_s: float) -> list[tuple[float, Command]]:
    """Commands with the moment at which each was made."""
    found, now_s = [], from_s
    while now_s < until_s:
        for checked in player.due(now_s).checked:
            found += [(now_s, command) for command in checked.plan.commands]
        now_s += 0.005
    return found


@given(st.lists(st.floats(0.15, 0.8), min_size=1, max_size=8), st.integers(0, 50))
def test_commands_come_in_time_for_the_line_and_not_long_before(
    steps: list[float], seed: int
) -> None:
    player = Player(FETTLE, SelfMask(FETTLE))
    player.ask(reply(10.0, steps, seed), 10.0)
    made = played(player, 10.0, 20.0)
    assert made
    for now_s, command in made:
        assert command.at_s >= now_s + LINK_LEAD_S - 1e-9
        assert command.at_s <= now_s + PLAN_AHEAD_S + 0.1


@given(st.lists(st.floats(0.05, 0.8), min_size=2, max_size=8), st.integers(0, 50))
def test_a_shifted_reply_keeps_its_rhythm(steps: list[float], seed: int) -> None:
    player = Player(FETTLE, SelfMask(FETTLE))
    asked = reply(10.0, steps, seed)
    given_ = player.ask(asked, 10.0)
    shifts = [b.onset_s - a.onset_s for a, b in zip(asked, given_, strict=True)]
    assert max(shifts) - min(shifts) < 2e-6
    assert 0 <= min(shifts) < 0.2


def test_a_reply_that_is_left_off_makes_no_more_commands() -> None:
    player = Player(FETTLE, SelfMask(FETTLE))
    player.ask(reply(10.0, [0.3] * 10), 10.0)
    first = played(player, 10.0, 11.0)
    player.cancel()
    later = played(player, 11.0, 15.0)
    assert first
    assert len(later) <= len(FETTLE.striker)
    assert player.ask(reply(15.0, [0.3] * 3), 15.0)
    assert played(player, 15.0, 17.0)


def test_what_is_muted_is_not_planned() -> None:
    player = Player(FETTLE, SelfMask(FETTLE))
    player.muted = frozenset({"tin box"})
    asked = reply(10.0, [0.3] * 12)
    player.ask(asked, 10.0)
    struck = {command.instrument for _, command in played(player, 10.0, 15.0)}
    assert struck == {note.instrument for note in asked} - {"tin box"}
    assert "tin box" in {note.instrument for note in asked}


def test_nothing_asked_is_nothing_played() -> None:
    player = Player(FETTLE, SelfMask(FETTLE))
    assert player.ask([], 1.0) == []
    assert not player.due(1.0).checked


@given(
    st.lists(st.tuples(st.floats(0, 600), st.floats(0.01, 90), st.floats(0.1, 5)), max_size=12),
    st.lists(st.floats(0, 700), min_size=1, max_size=12),
)
def test_a_battery_asked_in_between_says_the_same(
    loads: list[tuple[float, float, float]], asked_s: list[float]
) -> None:
    between, anew = BatteryDay(FETTLE), BatteryDay(FETTLE)
    every = [Load(start, start + length, amps, 0) for start, length, amps in loads]
    for number, load in enumerate(every):
        between.use([load])
        between.left(asked_s[number % len(asked_s)])
    anew.use(every)
    for at_s in asked_s:
        assert between.left(at_s) == pytest.approx(anew.left(at_s), abs=1e-12)


def test_a_coil_forgets_only_what_no_later_cycle_reaches(monkeypatch: pytest.MonkeyPatch) -> None:
    coil, rng = FETTLE.striker[0].coil, random.Random(4)
    keeps = CoilHistory(coil, 12.8, 12.0)
    monkeypatch.setattr(coils, "FORGET_EVERY", 4)
    forgets = CoilHistory(coil, 12.8, 12.0)
    at_s = 0.0
    for _ in range(3000):
        at_s += rng.choice([0.11, 0.3, 2.0, 15.0])
        for length_s in (0.01, 0.04, 5.0):
            assert forgets.room_s(at_s, length_s) == pytest.approx(keeps.room_s(at_s, length_s))
        part = (at_s, rng.uniform(0.005, 0.02), 1.0)
        keeps.record([part])
        forgets.record([part])
    assert len(keeps._starts) < 3000
    assert len(forgets._starts) < 300
