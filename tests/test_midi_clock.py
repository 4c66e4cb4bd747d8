"""MIDI clock, followed and made, in pure time: messages as MIDI 1.0 has them."""

from __future__ import annotations

import queue
import random
import threading
import time
from itertools import pairwise
from typing import Any

import msgspec
import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from jack_server import jack_server
from live_helpers import FETTLE
from plan_helpers import reply_note
from plan_oracle import broken_limits
from test_osc import runner

from callresp.commands.clocks import of_session
from callresp.io.score import Note, Phrase, ReplyHeader, ReplyScore
from callresp.link.port import Clock
from callresp.live.actions import Record
from callresp.live.beat import Beats, PulseTeller
from callresp.live.links import EngineOrigin
from callresp.live.player import Player
from callresp.live.self_masking import Acoustics, SelfMask
from callresp.midi.clock import PER_BEAT, SLEW, ClockFollower, ClockMaker, folded
from callresp.midi.clock_port import ClockOut
from callresp.midi.ports import open_port
from callresp.plan.checked_plan import CheckedPlan, check
from callresp.plan.model import Command, Plan, PlanHeader
from callresp.plan.planner import make_plan
from callresp.play.follow import FollowedPlan, follow
from callresp.play.inputs import Event, Midi
from callresp.play.outputs import NullOutput

START, STOP, GO_ON, TICK = b"\xfa", b"\xfc", b"\xfb", b"\xf8"


def fed(
    bpm: float, beats: float, start_s: float = 0.0, follower: ClockFollower | None = None
) -> ClockFollower:
    """A follower that has heard a steady clock, started at `start_s`."""
    follower = follower or ClockFollower()
    follower.take(start_s, START)
    for n in range(round(beats * PER_BEAT)):
        follower.take(start_s + n * 60 / bpm / PER_BEAT, TICK)
    return follower


def test_a_steady_clock_is_known_to_the_last_digit() -> None:
    follower = fed(123.0, 8, start_s=5.0)
    assert follower.tempo_bpm == pytest.approx(123.0)
    assert follower.beat_at(5.0) == pytest.approx(0.0, abs=1e-6)
    assert follower.time_of(20) == pytest.approx(5.0 + 20 * 60 / 123)
    assert follower.next_beat_s(5.1) == pytest.approx(5.0 + 60 / 123)
    assert follower.jitter_ms == pytest.approx(0.0, abs=1e-6)


def test_a_late_and_drifting_clock_is_followed_within_its_jitter() -> None:
    rng, follower = random.Random(1), ClockFollower()
    each_s = 60 / 120 / PER_BEAT * (1 + 100e-6)
    follower.take(0.0, START)
    off_ms = []
    for n in range(PER_BEAT * 300):
        follower.take(n * each_s + rng.uniform(0.0, 0.003), TICK)
        if n > 200 and n % PER_BEAT == 0:
            beat = (n + 6) / PER_BEAT
            told_s = follower.time_of(beat)
            assert told_s is not None
            off_ms.append(1000 * (told_s - beat * PER_BEAT * each_s))
    # All are late by 1.5 ms in the mean, which no receiver can know.
    assert max(abs(off - 1.5) for off in off_ms) < 1.0
    assert follower.jitter_ms == pytest.approx(3 / 12**0.5, abs=0.2)


def test_stop_holds_the_place_and_continue_goes_on_from_it() -> None:
    follower = fed(60.0, 4)
    follower.take(3.99, STOP)
    assert not follower.alive(4.0)
    for n in range(48):
        follower.take(4.0 + n / 24, TICK)
    follower.take(5.99, GO_ON)
    for n in range(24):
        follower.take(6.0 + n / 24, TICK)
    assert follower.alive(7.0)
    assert follower.beat_at(6.0) == pytest.approx(4.0, abs=1e-6)
    # Eight sixteenths are two beats.
    follower.take(7.0, b"\xf2\x08\x00")
    follower.take(7.0, TICK)
    assert follower.beat_at(7.0) == pytest.approx(2.0, abs=1e-6)


def test_a_new_tempo_is_taken_up_within_a_beat_and_a_lost_clock_is_none() -> None:
    follower = fed(60.0, 8)
    for n in range(PER_BEAT):
        follower.take(8.0 + n * 60 / 90 / PER_BEAT, TICK)
    assert follower.tempo_bpm == pytest.approx(90.0, rel=0.01)
    assert follower.alive(8.7)
    assert not follower.alive(10.0)


def test_nothing_is_known_of_a_clock_that_has_not_ticked() -> None:
    follower = ClockFollower()
    follower.take(0.0, START)
    follower.take(0.1, b"\x90\x40\x40")
    follower.take(0.1, b"")
    assert (follower.tempo_bpm, follower.time_of(1), follower.beat_at(1.0)) == (None, None, None)
    assert follower.next_beat_s(1.0) is None


pulses = st.lists(st.tuples(st.floats(0.05, 3.0), st.floats(0.0, 3.0)), min_size=1, max_size=6)


@settings(max_examples=60, deadline=None)
@given(pulses)
def test_a_clock_that_is_made_never_skips_and_changes_little_by_little(
    asked: list[tuple[float, float]],
) -> None:
    maker, ticks = ClockMaker(), []
    for number, (period_s, phase_s) in enumerate(asked):
        maker.set_pulse(5.0 * number, 5.0 * number + phase_s, period_s)
        ticks += list(maker.due(5.0 * number + 5.0))
    gaps = np.diff(ticks)
    assert (gaps > 0).all()
    for before, after in pairwise(gaps):
        assert abs(after / before - 1) < 4 * SLEW


def test_a_clock_that_is_made_comes_to_lie_on_the_beats_of_the_pulse() -> None:
    maker = ClockMaker()
    maker.set_pulse(0.0, 0.3, 0.5)
    first = list(maker.due(5.0))
    assert first[0] == pytest.approx(0.3)
    assert first[PER_BEAT] == pytest.approx(0.8)
    maker.set_pulse(5.0, 5.21, 0.46)
    ticks = first + list(maker.due(40.0))
    for at_s in ticks[-PER_BEAT * 3 :: 1]:
        place = ((at_s - 5.21) / (0.46 / PER_BEAT)) % 1.0
        assert min(place, 1 - place) < 0.02
    beats = [at_s for n, at_s in enumerate(ticks) if n % PER_BEAT == 0][-5:]
    assert [(beat - 5.21 + 0.23) % 0.46 - 0.23 for beat in beats] == pytest.approx(
        [0] * 5, abs=1e-3
    )


def test_a_pulse_is_brought_to_a_tempo_that_can_be_tapped() -> None:
    assert [folded(p) for p in (0.06, 0.3, 1.0, 1.2)] == pytest.approx(
        [0.48 / 2 + 0.24, 0.3, 1, 0.6]
    )


def at_100_s() -> EngineOrigin:
    """The engine's second 0 at second 100 of the host's clock."""
    origin = EngineOrigin()
    origin.observe(0.0, 100.0)
    return origin


def test_replies_wait_for_the_next_beat_and_for_none_where_no_clock_runs() -> None:
    follower = fed(60.0, 4, start_s=101.0)
    beats = Beats(follower, at_100_s(), lambda: 105.0)
    assert beats.align(5.25) == pytest.approx(6.0)
    assert beats.align(6.0) == pytest.approx(6.0)
    assert Beats(follower, at_100_s(), lambda: 107.0).align(5.25) == 5.25
    player = Player(FETTLE, SelfMask(FETTLE, Acoustics()))
    player.align = beats.align
    notes = [reply_note(n, 5.0 + n / 10, None, "oak block") for n in range(3)]
    assert [n.onset_s for n in player.ask(notes, 5.0)] == pytest.approx([6.0, 6.1, 6.2], abs=1e-5)


def phrase_record(onsets_s: list[float]) -> Record:
    notes = tuple(
        Note(id=n, onset_s=at, offset_s=at + 0.02, pitch_hz=None, level_db=-30, voice="A")
        for n, at in enumerate(onsets_s)
    )
    return Record(9.0, "phrase", Phrase(id=1, voice="A", notes=notes))


def test_the_pulse_of_a_phrase_is_handed_on_and_a_phrase_without_is_not() -> None:
    told: list[tuple[float, float]] = []
    teller = PulseTeller(at_100_s(), lambda beat_s, period_s: told.append((beat_s, period_s)))
    teller.record(phrase_record([1.0 + n * 0.4 for n in range(8)]))
    teller.record(phrase_record([1.0, 1.13, 1.5, 1.58, 2.3]))
    teller.record(Record(1.0, "remark", {"text": "x"}))
    ((beat_s, period_s),) = told
    assert period_s == pytest.approx(0.4, abs=0.002)
    assert (beat_s - 101.0 + 0.2) % 0.4 - 0.2 == pytest.approx(0.0, abs=0.01)


def plan_of(*at_s: float, name: str = "tube 1") -> Any:
    notes = tuple(reply_note(n, at, at + 0.3, name) for n, at in enumerate(at_s))
    return make_plan(ReplyScore(header=ReplyHeader(), notes=notes), FETTLE)


def played(checked: Any, bpm: float, tempo_bpm: float = 60.0) -> tuple[list[Command], FollowedPlan]:
    """What a plan becomes by a clock that has ticked before and starts at 10 s."""
    follower = ClockFollower()
    followed = FollowedPlan(checked, follower, tempo_bpm)
    commands: list[Command] = []
    each_s, now_s, number = 60 / bpm / PER_BEAT, 8.0, 0
    while not followed.finished and now_s < 60:
        while 8.0 + number * each_s <= now_s:
            at_s = 8.0 + number * each_s
            if number == round(2.0 / each_s):
                follower.take(at_s - 1e-6, START)
            follower.take(at_s, TICK)
            number += 1
        out = followed.due(now_s)
        commands += [command for part in out.checked for command in part.plan.commands]
        now_s += 0.002
    return commands, followed


@pytest.mark.parametrize("bpm", [60.0, 50.0, 75.0])
def test_a_plan_keeps_the_tempo_of_the_clock(bpm: float) -> None:
    checked = plan_of(1.0, 1.5, 2.0, 4.0)
    commands, followed = played(checked, bpm)
    assert followed.left_out == {}
    latency_s = FETTLE.striker[0].latency_ms / 1000
    strikes = [c for c in commands if c.length_ms < 50]
    start_s = 8.0 + round(2.0 / (60 / bpm / PER_BEAT)) * 60 / bpm / PER_BEAT
    wanted = [start_s + at * 60 / bpm for at in (1.0, 1.5, 2.0, 4.0)]
    assert [s.at_s + latency_s for s in strikes] == pytest.approx(wanted, abs=2e-4)
    plan = Plan(header=PlanHeader(), commands=tuple(sorted(commands, key=lambda c: c.at_s)))
    check(plan, FETTLE)
    assert broken_limits(plan, FETTLE) == []


def test_what_a_limit_forbids_at_the_clocks_tempo_is_left_out() -> None:
    # Strokes of 0.15 s apart, where the tube needs 0.11 s: too close at twice the tempo.
    checked = plan_of(*(1.0 + 0.15 * n for n in range(10)))
    commands, followed = played(checked, 120.0)
    assert followed.left_out["restrike_ms"] == 5
    assert len([c for c in commands if c.length_ms < 50]) == 5
    slow, followed = played(checked, 120.0, tempo_bpm=120.0)
    assert followed.left_out == {}
    assert len([c for c in slow if c.length_ms < 50]) == 10


def test_a_clock_that_starts_anew_plays_from_the_beginning() -> None:
    follower = ClockFollower()
    followed = FollowedPlan(plan_of(1.0, 2.0, name="oak block"), follower)
    struck = []
    for start_s in (0.0, 10.0):
        fed(60.0, 0, start_s, follower)
        for n in range(PER_BEAT * 4):
            now_s = start_s + n / PER_BEAT
            follower.take(now_s, TICK)
            struck += [c.at_s for part in followed.due(now_s).checked for c in part.plan.commands]
    oak = FETTLE.striker_named("oak block")
    assert oak is not None
    wanted = [at - oak.latency_ms / 1000 for at in (1.0, 2.0, 11.0, 12.0)]
    assert struck == pytest.approx(wanted, abs=1e-3)


class Port:
    def __init__(self) -> None:
        self.sent: list[str] = []
        self.closed = False
        self.ticked = threading.Event()

    def send(self, message: Any) -> None:
        self.sent.append(message.type)
        if self.sent.count("clock") >= 30:
            self.ticked.set()

    def close(self) -> None:
        self.closed = True


def test_a_clock_goes_out_with_start_and_stop() -> None:
    port, clock = Port(), Clock()
    out = ClockOut(port, clock)
    assert out.tempo_bpm is None
    out.set_pulse(clock.now_s() + 0.05, 0.25)
    assert port.ticked.wait(30.0)
    out.close()
    assert port.sent[0] == "start"
    assert port.sent[-1] == "stop"
    assert set(port.sent[1:-1]) == {"clock"}
    assert out.tempo_bpm == pytest.approx(240.0)
    assert port.closed


def test_a_clock_reaches_another_program() -> None:
    with pytest.MonkeyPatch.context() as patch, jack_server(patch):
        rtmidi: Any = pytest.importorskip("rtmidi")
        heard = threading.Event()
        clock = Clock()
        out = ClockOut(open_port("Doors clock", virtual=True), clock)
        client = rtmidi.MidiIn(rtmidi.API_UNIX_JACK, "sequencer")
        client.ignore_types(timing=False)

        def take(event: Any, data: object) -> None:
            if event[0] == [0xF8]:
                heard.set()

        client.set_callback(take)
        until_s = time.monotonic() + 20
        while time.monotonic() < until_s and not any(
            "Doors clock" in port for port in client.get_ports()
        ):
            time.sleep(0.05)
        client.open_port(next(n for n, p in enumerate(client.get_ports()) if "Doors clock" in p))
        out.set_pulse(clock.now_s(), 0.5)
        assert heard.wait(20)
        out.close()
        client.close_port()
        client.delete()


def test_a_plan_stays_as_it_is_for_a_clock_at_its_own_tempo() -> None:
    checked = plan_of(1.0, 2.5)
    commands, _ = played(checked, 60.0)
    own = [msgspec.structs.replace(c, at_s=0.0) for c in checked.plan.commands]
    got = sorted(commands, key=lambda c: c.at_s)
    assert [type(c) for c in got] == [type(c) for c in own]
    for one, other in zip(got, own, strict=True):
        assert one.length_ms == pytest.approx(other.length_ms, rel=1e-4)


class Stood(Clock):
    """A clock that the test sets."""

    def __init__(self) -> None:
        super().__init__()
        self.at_s = 0.0

    def now_s(self) -> float:
        return self.at_s


class Kept(NullOutput):
    """Keeps what it is sent."""

    def __init__(self) -> None:
        self.commands: list[Command] = []
        self.closed = False

    def send(self, checked: CheckedPlan) -> None:
        self.commands += checked.plan.commands

    def close(self) -> None:
        self.closed = True


def followed_until(stops_s: float) -> tuple[Kept, FollowedPlan, float]:
    """A plan of three strokes by a clock that starts at 2 s, stopped at a time if not before."""
    clock, follower, output = Stood(), ClockFollower(), Kept()
    inbox: queue.SimpleQueue[Event] = queue.SimpleQueue()
    followed = FollowedPlan(plan_of(1.0, 2.0, 2.5, name="oak block"), follower)
    sent = 0

    def stop() -> bool:
        nonlocal sent
        clock.at_s += 0.005
        while sent / PER_BEAT <= clock.at_s:
            if sent == 2 * PER_BEAT:
                inbox.put(Midi(START, sent / PER_BEAT))
            inbox.put(Midi(TICK, sent / PER_BEAT))
            sent += 1
        return clock.at_s > stops_s

    follow(followed, inbox, output, clock, lambda text: None, stop)
    return output, followed, clock.at_s


def test_a_plan_is_followed_to_its_end_and_can_be_stopped() -> None:
    output, followed, at_s = followed_until(60.0)
    assert output.closed
    assert len(output.commands) == 3
    assert followed.left_out == {}
    assert 4.5 < at_s < 6.0
    output, _, at_s = followed_until(3.2)
    assert output.closed
    assert len(output.commands) == 1


def test_a_live_session_follows_a_clock_and_sends_one(monkeypatch: pytest.MonkeyPatch) -> None:
    takes: list[Any] = []
    inputs, outputs = Port(), Port()

    def opened(name: str, take: Any, virtual: bool) -> Port:
        takes.append(take)
        return inputs

    monkeypatch.setattr("callresp.commands.clocks.open_input", opened)
    monkeypatch.setattr("callresp.commands.clocks.open_port", lambda name, virtual: outputs)
    run = runner()
    assert run.engine.player.align(3.0) == 3.0
    with of_session(run, "In", "Out", virtual=True) as told:
        zero_s = run.clock.now_s()
        takes[0](START)
        for _ in range(3 * PER_BEAT):
            takes[0](TICK)
            time.sleep(0.0005)
        at_s = run.clock.now_s()
        assert run.engine.player.align(at_s) >= at_s
        told(phrase_record([zero_s + n * 0.3 for n in range(8)]))
        assert outputs.ticked.wait(30.0)
    assert outputs.sent[0] == "start"
    assert outputs.sent[-1] == "stop"
    assert inputs.closed
    assert outputs.closed
    run.log.close()
