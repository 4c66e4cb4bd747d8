"""MIDI clocks of the commands that run: followed, or sent, and measured at their end."""

from __future__ import annotations

import contextlib
import queue
from collections.abc import Callable, Iterator
from typing import TYPE_CHECKING

from callresp.commands import ui
from callresp.errors import UserError
from callresp.io.wording import counted
from callresp.link.port import Clock
from callresp.link.session import Session
from callresp.link.signals import deferred
from callresp.link.stop_request import StopListener
from callresp.link.stream import Watch
from callresp.live.actions import Record
from callresp.live.beat import Beats, PulseTeller
from callresp.midi.clock import ClockFollower
from callresp.midi.clock_port import ClockOut
from callresp.midi.ports import open_input, open_port
from callresp.play.follow import FollowedPlan, follow
from callresp.play.inputs import Event, midi_input
from callresp.play.outputs import BoardOutput

if TYPE_CHECKING:
    from callresp.live.runner import Runner


@contextlib.contextmanager
def of_session(
    runner: Runner, clock_in: str | None, clock_out: str | None, virtual: bool
) -> Iterator[Callable[[Record], None]]:
    """Clocks of a live session; yields what is to be told of each row of its log."""
    now_s, origin = runner.clock.now_s, runner.origin
    if not runner.real_time and (clock_in is not None or clock_out is not None):
        raise UserError(
            "a MIDI clock can't go with sound that runs at another pace than its own",
            argument="clock_in" if clock_in is not None else "clock_out",
            remedy="leave --speed at 1",
        )
    with contextlib.ExitStack() as opened:
        follower = ClockFollower()
        if clock_in is not None:

            def take(data: bytes) -> None:
                follower.take(now_s(), data)

            port = open_input(clock_in, take, virtual)
            opened.callback(port.close)
            runner.engine.player.align = Beats(follower, origin, now_s).align
            opened.callback(lambda: _tell_clock("followed", follower.tempo_bpm, follower.jitter_ms))
        if clock_out is None:
            yield lambda row: None
            return
        out = ClockOut(open_port(clock_out, virtual), runner.clock)
        opened.callback(lambda: _tell_clock("sent", out.tempo_bpm, out.jitter_ms))
        opened.callback(out.close)
        yield PulseTeller(origin, out.set_pulse).record


def _tell_clock(what: str, tempo_bpm: float | None, jitter_ms: float | None) -> None:
    if tempo_bpm is not None:
        jitter = "" if jitter_ms is None else f", jitter {jitter_ms:.2f} ms"
        ui.warn(f"the clock that was {what}: {tempo_bpm:.2f} beats a minute{jitter}")


@contextlib.contextmanager
def of_plan(name: str | None, virtual: bool, tempo_bpm: float) -> Iterator[Watch]:
    """A MIDI clock that starts with the plan's second 0, if one is asked for."""
    if name is None:
        yield lambda session, now_s: None
        return
    clock, started = Clock(), False
    out = ClockOut(open_port(name, virtual), clock)

    def watch(session: Session, now_s: float) -> None:
        nonlocal started
        if session.start_s is not None and not started:
            started = True
            out.set_pulse(clock.now_s() + session.start_s - now_s, 60 / tempo_bpm)

    try:
        yield watch
    finally:
        out.close()
        if out.jitter_ms is not None:
            ui.warn(f"the clock was sent with a jitter of {out.jitter_ms:.2f} ms")


def follow_plan(
    followed: FollowedPlan,
    url: str,
    name: str,
    virtual: bool,
    as_json: bool,
    watch: Watch,
    ended: Callable[[], bool],
) -> int:
    """Play a plan by another's MIDI clock; returns 0 when all of it was played, else 1."""
    clock, inbox, follower = Clock(), queue.SimpleQueue[Event](), followed.follower
    with (
        deferred() as signals,
        StopListener(url) as listener,
        midi_input(name, virtual, inbox, clock),
    ):
        output = BoardOutput(url, clock, watch)
        ui.warn("waiting for the clock to start")

        def stop() -> bool:
            return listener.requested.is_set() or signals.number is not None or ended()

        say = (lambda text: None) if as_json else ui.say
        follow(followed, inbox, output, clock, say, stop)
        listener.released()
        signals.raise_if_any()
    left_out = sum(followed.left_out.values())
    played = output.outcomes["executed"]
    tempo, jitter = follower.tempo_bpm, follower.jitter_ms
    row = {"played": played, "fates": dict(output.outcomes), "left_out": left_out}
    if as_json:
        ui.emit({**row, "tempo_bpm": tempo, "jitter_ms": jitter, "clocks": follower.clocks})
    else:
        ui.say(f"{counted(played, 'command')} played, {left_out} left out")
        if tempo is not None and jitter is not None:
            ui.say(f"  the clock: {tempo:.2f} beats a minute, jitter {jitter:.2f} ms")
    return 0 if played == followed.total else 1
