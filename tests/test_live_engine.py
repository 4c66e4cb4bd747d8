"""The engine: what it decides, when, and what keeps it from it."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import replace
from datetime import datetime, time, timedelta
from typing import Any

import msgspec
import numpy as np
import pytest
from live_helpers import FETTLE, MORNING, RATE_HZ, day_of, silence
from reply_helpers import call, note

from callresp.io.score import Note
from callresp.listen.online import Event, VoiceChange
from callresp.live.actions import BoardState
from callresp.live.clocked_listener import ClockedListener
from callresp.live.interlocks import StopLimits
from callresp.live.self_masking import Acoustics, Return
from callresp.live.sources import Block
from callresp.plan.model import Strike
from callresp.reply.rules import Manners, Rule, RuleSet
from callresp.scout.sun import ActiveHours, DayTime

PROMPT = RuleSet(
    name="prompt",
    description="answers all",
    rule=(Rule(name="r", pitch="nearest", damping="short"),),
    manners=Manners(wait_s=(0.6, 0.6), share_max=1.0, quiet_share=0.0, return_s=0.0),
)
# Answers once a minute at most.
SELDOM = msgspec.structs.replace(PROMPT.manners, rest_s=60.0)
# Between the partials of the machine's tubes.
PITCHES = [1900.0, 2100.0, 1750.0]


def calls(count: int, every_s: float = 6.0, first_s: float = 2.0) -> list[Note]:
    found: list[Note] = []
    for number in range(count):
        more = call(list(PITCHES), first_s + number * every_s, 0.25)
        found += [msgspec.structs.replace(n, id=len(found) + k) for k, n in enumerate(more)]
    return found


def test_a_call_is_answered_by_strikes_at_their_times() -> None:
    day = day_of(calls(5), PROMPT)
    day.run(silence(34))
    replies: list[Any] = day.of("reply")
    assert len(day.of("phrase")) == len(replies) == 5
    struck = [outcome for outcome in day.outcomes if isinstance(outcome.command, Strike)]
    assert len(struck) == 15
    assert {outcome.outcome for outcome in day.outcomes} == {"executed"}
    assert all(abs((f.played_s or 0) - f.command.at_s) < 0.002 for f in day.outcomes)
    wanted = sorted(n.onset_s for reply in replies for n in reply["notes"])
    heard = sorted(
        s + striker.latency_ms / 1000
        for s, striker in (
            (f.command.at_s, FETTLE.striker_named(f.command.instrument)) for f in struck
        )
        if striker is not None
    )
    assert all(abs(a - b) < 0.031 for a, b in zip(wanted, heard, strict=True))


def test_the_rhythm_of_a_reply_is_that_of_the_call() -> None:
    day = day_of(calls(3), PROMPT)
    day.run(silence(24))
    for reply in day.of("reply"):
        onsets = [n.onset_s for n in reply["notes"]]  # type: ignore[index]
        assert onsets[1] - onsets[0] == pytest.approx(0.25, abs=1e-5)


def test_the_first_coil_goes_on_soon_after_the_rules_own_delay() -> None:
    day = day_of(calls(9), PROMPT)
    day.run(silence(60))
    assert day.engine.latency.medians_ms()["answer"] <= 40
    assert max(day.engine.latency._stages["answer"]) < 0.1


def test_it_leaves_off_within_its_reaction_and_answers_again_later() -> None:
    rules = msgspec.structs.replace(PROMPT, rule=(Rule(name="r", damping="ring", stretch=4.0),))
    notes = calls(1)
    first_end_s = notes[-1].offset_s
    bird = note(50, first_end_s + 1.2, 0.4, 1900.0, voice="B")
    day = day_of(
        [
            *notes,
            bird,
            *(msgspec.structs.replace(n, id=n.id + 100) for n in calls(1, first_s=12.0)),
        ],
        rules,
    )
    day.run(silence(18))
    stop_s = bird.onset_s + 0.012 + rules.manners.reaction_s + 0.02
    struck = day.strikes_s
    assert any(s < bird.onset_s for s in struck)
    assert not [s for s in struck if stop_s < s < bird.offset_s + 0.6]
    assert [s for s in struck if s > 12.0]
    assert any("sings" in why for _, why in day.released)
    ends = {row.did for row in day.link.board.log}
    assert "off: stop" in ends


def test_what_it_struck_itself_is_no_call() -> None:
    """Each stroke comes back 30 ms later at the striker's own pitch."""
    day = day_of(calls(1), PROMPT)
    day.run(silence(7))
    strokes = list(day.strikes_s)
    tubes = {s.coil.channel: s.pitch_hz for s in FETTLE.striker}
    echoes = [
        note(90 + k, f.command.at_s + 0.03 + 0.012, 0.3, tubes[f.command.channel], voice="Z")
        for k, f in enumerate(day.outcomes)
        if isinstance(f.command, Strike)
    ]
    assert len(strokes) == len(echoes) == 3
    for masks, answered in ((True, 1), (False, 2)):
        day = day_of([*calls(1), *echoes], PROMPT, masks=masks, loops=None)
        day.run(silence(12))
        assert len([r for r in day.of("reply") if "notes" in r]) >= answered  # type: ignore[operator]
        assert (len(day.of("phrase")) == 1) == masks


@pytest.mark.parametrize("loud", [True, False])
def test_a_bird_is_heard_over_the_echo_of_a_stroke_by_the_sound_itself(loud: bool) -> None:
    """A note begins as the wall answers; in the sound there is a bird, or none."""
    before = day_of(calls(1), PROMPT)
    before.run(silence(7))
    strike = next(f.command for f in before.outcomes if isinstance(f.command, Strike))
    back_s = strike.at_s + 0.02 + 0.8
    bird = note(90, back_s, 0.2, 2900.0, voice="Z")
    acoustics = Acoustics(returns=(Return(0.8, -30.0),))
    day = day_of([*calls(1), bird], PROMPT, acoustics=acoustics)
    time_s = np.arange(9 * RATE_HZ) / RATE_HZ
    sung = (bird.onset_s <= time_s) & (time_s < bird.offset_s) & loud
    sound = np.where(sung, 0.1 * np.sin(2 * np.pi * 2900.0 * time_s), 0.0).astype(np.float32)
    size = round(0.005 * RATE_HZ)
    firsts = range(0, 8 * RATE_HZ, size)
    day.run(Block(sound[first : first + size], first / RATE_HZ) for first in firsts)
    heard = [s.sound.onset_s for s in day.sensed if isinstance(s.sound, Note)]
    assert (bird.onset_s in heard) == loud


def test_a_loop_is_stood_down_and_said() -> None:
    """The masks are off, and every stroke comes back as a call 80 ms later."""
    from live_helpers import Scripted

    notes = calls(1)
    day = day_of(notes, PROMPT, masks=False)
    heard = day.engine._listener
    inner = Scripted(notes)

    class Feeding:
        def restart(self, at_s: float) -> None:
            inner.restart(at_s)

        def push(self, block: Any) -> list[Event]:
            fresh = {f.command.at_s for f in day.outcomes if isinstance(f.command, Strike)}
            for at_s in sorted(fresh - seen):
                seen.add(at_s)
                echo = note(1000 + len(seen), at_s + 0.08, 0.1, 1900.0, voice="A")
                inner._starts.append(echo)
                inner._ends.append(echo)
            return inner.push(block)

        def settle(self, notes: Iterable[int]) -> None:
            inner.settle(notes)

        def finish(self) -> list[Event]:
            return inner.finish()

    seen: set[float] = set()
    heard._listener = Feeding()
    day.run(silence(60))
    text = " ".join(day.said)
    assert "stands down for 10 min" in text
    replies = [r for r in day.of("reply") if "notes" in r]  # type: ignore[operator]
    assert 3 <= len(replies) <= 8
    states = [r["state"] for r in day.of("remark") if "state" in r]  # type: ignore[index,operator]
    assert "standing down" in states


def test_the_battery_stops_it_for_good() -> None:
    day = day_of(calls(6), PROMPT)
    day.run(silence(9))
    before = len(day.strikes_s)
    assert before
    full_v = day.link.board.volts
    day.link.board.volts = 10.4
    day.run(silence(10, start_s=9))
    day.link.board.volts = full_v
    struck = len(day.strikes_s)
    day.run(silence(20, start_s=19))
    assert len(day.strikes_s) == struck
    assert any("battery" in text and "10.4 V" in text for text in day.said)
    assert any("battery" in why for _, why in day.released)
    whys = [r["unanswered"] for r in day.of("reply") if "unanswered" in r]  # type: ignore[index,operator]
    assert any("battery" in why for why in whys)


def test_heat_rain_and_the_stop_on_the_board_keep_it_from_playing() -> None:
    from callresp.live.interlocks import DRY_FOR_S, StopRules

    rules = StopRules(StopLimits(temperature_max_c=80.0))
    assert rules.judge(BoardState(coil_c=79), 0, 0, 0) is None
    assert "cooled to 70" in (rules.judge(BoardState(coil_c=82), 1, 0, 0) or "")
    assert rules.judge(BoardState(coil_c=72), 2, 0, 0)
    assert rules.judge(BoardState(coil_c=69), 3, 0, 0) is None
    assert "rains" in (rules.judge(BoardState(faults=("rain",)), 4, 0, 0) or "")
    assert rules.judge(BoardState(), 5, 0, 0)
    assert rules.judge(BoardState(), 5 + DRY_FOR_S, 0, 0) is None
    assert "pressed" in (rules.judge(BoardState(faults=("stop pressed",)), 900, 0, 0) or "")
    assert rules.judge(BoardState(), 901, 0, 0) == rules.for_good


def test_it_stops_after_so_many_strikes() -> None:
    day = day_of(calls(6), PROMPT, limits=StopLimits(strikes_max=5))
    day.run(silence(40))
    # The reply under way when the limit is reached is taken back.
    assert len(day.strikes_s) in (5, 6)
    assert any("as many as were allowed" in text for text in day.said)


def test_it_sleeps_and_wakes_by_the_time_of_day() -> None:
    hours = ActiveHours(DayTime(time(4, 30, 10)), DayTime(time(4, 30, 20)))
    day = day_of(calls(6, every_s=5.0, first_s=1.0), PROMPT, hours=hours)
    day.run(silence(30))
    states = [r["state"] for r in day.of("remark") if "state" in r]  # type: ignore[index,operator]
    assert states[0] == "asleep"
    assert states[-1] == "asleep"
    assert "awake" in states
    phrases: list[Any] = day.of("phrase")
    assert phrases
    assert all(9.5 < phrase.onset_s < 20.5 for phrase in phrases)


def test_the_red_stop_ends_all_and_what_is_heard_is_still_logged() -> None:
    day = day_of(calls(4), PROMPT)
    day.run(silence(3.1))
    day.perform(day.engine.stop("stopped from the keyboard"))
    day.run(silence(22, start_s=3.1))
    assert not day.strikes_s
    assert not day.link.board.on_channels
    assert len(day.of("phrase")) == 4
    assert day.engine.inhibited == "stopped from the keyboard"


def test_a_board_that_goes_away_and_comes_back() -> None:
    day = day_of(calls(8), PROMPT)
    day.run(silence(9))
    day.link.cut = True
    day.run(silence(12, start_s=9))
    away = len(day.strikes_s)
    day.link.cut = False
    day.run(silence(28, start_s=21))
    assert len(day.strikes_s) > away
    assert len(day.of("phrase")) == 8
    assert "the board is away; it listens on" in day.said
    assert "the board is there: it plays" in day.said
    # What was on its way when the line went is not passed over in silence.
    assert any("commands that were not played" in text for text in day.said)


def test_lost_sound_is_counted_and_the_clock_goes_on() -> None:
    day = day_of(calls(3), PROMPT)
    day.run(silence(4))
    lost = round(0.1 * RATE_HZ)
    blocks = list(silence(16, start_s=4.1))
    day.run(iter([replace(blocks[0], lost=lost), *blocks[1:]]))
    assert day.engine.overruns == 1
    assert day.engine.now_s == pytest.approx(20.1)
    onsets = [phrase.onset_s for phrase in day.of("phrase")]  # type: ignore[attr-defined]
    assert onsets == pytest.approx([2.0, 8.0, 14.0])


def test_after_a_long_loss_a_new_listener_keeps_the_engines_time() -> None:
    day = day_of(calls(1), PROMPT)
    day.run(silence(4))
    blocks = list(silence(6, start_s=64.0))
    day.run(iter([replace(blocks[0], lost=60 * RATE_HZ), *blocks[1:]]))
    onsets = [phrase.onset_s for phrase in day.of("phrase")]  # type: ignore[attr-defined]
    assert onsets == pytest.approx([2.0, 66.0])
    assert len({n.id for p in day.of("phrase") for n in p.notes}) == 6  # type: ignore[attr-defined]


def test_a_clock_that_is_set_is_said_and_moves_nothing() -> None:
    set_by = [timedelta()]
    passed: list[float] = [0.0]

    def wall() -> datetime:
        return MORNING + timedelta(seconds=passed[0]) + set_by[0]

    day = day_of(calls(3), PROMPT, wall=wall)
    for block in silence(21):
        passed[0] = block.at_s
        if block.at_s >= 5.0:
            set_by[0] = timedelta(hours=1)
        day.run(iter([block]))
    faults: list[Any] = day.of("fault")
    assert [fault["where"] for fault in faults] == ["clock"]
    assert "+3600 s" in faults[0]["what"]
    assert len([r for r in day.of("reply") if "notes" in r]) == 3  # type: ignore[operator]


def test_snippets_hold_call_and_answer() -> None:
    day = day_of(calls(1), PROMPT, snippets=True)
    day.run(silence(8))
    (kept,) = day.kept
    assert kept.from_s < 2.0
    assert kept.until_s > max(day.strikes_s)


def test_the_listener_is_told_what_was_answered_and_the_log_what_was_renamed() -> None:
    from live_helpers import Scripted

    class Renaming(Scripted):
        def push(self, block: Any) -> list[Event]:
            found = super().push(block)
            if self._done == 20 * RATE_HZ:
                found += [VoiceChange(n.id, "Z") for n in self._notes]
            return found

        def restart(self, at_s: float) -> None:
            super().restart(at_s)
            self._notes = list(self._ends)

    notes = calls(2)
    day = day_of(notes, msgspec.structs.replace(PROMPT, manners=SELDOM))
    listener = Renaming(notes)
    day.engine._listener = ClockedListener(listener, RATE_HZ)
    day.run(silence(25))
    first, second = day.of("phrase")
    assert listener.settled == {n.id for n in first.notes}  # type: ignore[attr-defined]
    assert day.of("voice") == [{"phrase": second.id, "voice": "Z"}]  # type: ignore[attr-defined]


@pytest.mark.parametrize("after_s", [0.1, 1.0])
def test_a_call_that_the_sound_ends_on_is_logged_with_why_it_was_left(after_s: float) -> None:
    """Once before its rest is over, and once while its answer waits."""
    waits = msgspec.structs.replace(PROMPT.manners, wait_s=(3.0, 3.0))
    notes = calls(1)
    day = day_of(notes, msgspec.structs.replace(PROMPT, manners=waits))
    day.run(silence(notes[-1].offset_s + 0.15 + after_s))
    day.perform(day.engine.finish())
    assert len(day.of("phrase")) == 1
    replies: list[Any] = day.of("reply")
    assert [row["unanswered"] for row in replies] == ["the sound ended before it could be answered"]


def test_every_row_can_be_written_and_read() -> None:
    day = day_of(calls(2), PROMPT)
    day.run(silence(25))
    for record in day.records:
        assert msgspec.json.decode(msgspec.json.encode(record.body))
    status: Any = day.of("status")[-1]
    assert status["strikes"] == 6
    assert status["energy_j"] > 0
    assert status["supply_v"] == 12.0
    assert set(status["latency_ms"]) >= {"onset", "note", "answer"}
    block = Block(next(silence(1)).samples, 30.0)
    assert day.engine.feed(block) is not None
