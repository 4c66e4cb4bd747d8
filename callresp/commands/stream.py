"""``callresp stream``: a plan out to the board on a port."""

from __future__ import annotations

import contextlib
from collections.abc import Iterable, Iterator, Sequence
from pathlib import Path

import click

from callresp.commands import clocks, options, ui
from callresp.commands.board import port_of
from callresp.commands.stream_view import live_view
from callresp.errors import UserError
from callresp.io.files import write_text
from callresp.io.score_files import line
from callresp.io.wording import counted
from callresp.link.messages import COILS_REST, DRY_RUN
from callresp.link.port import Clock
from callresp.link.session import Session
from callresp.link.signals import deferred
from callresp.link.simulator import board_in_step
from callresp.link.stream import Watch, stream
from callresp.midi.clock import ClockFollower
from callresp.palette.model import Palette
from callresp.plan.checked_plan import check
from callresp.plan.files import read_plan
from callresp.plan.model import Command
from callresp.plan.planner import darkened
from callresp.play.follow import FollowedPlan
from callresp.synthesis.job_files import find_palette


def run(
    plan: Path,
    port: str,
    palette: str | None,
    log: Path | None,
    board_log: Path | None,
    speed: float,
    dark: bool,
    dry_run: bool,
    clock_in: str | None,
    clock_out: str | None,
    virtual: bool,
    tempo: float,
    osc_to: tuple[str, ...],
    osc_in: str | None,
    osc_word: str | None,
    yes: bool,
    as_json: bool,
) -> None:
    """Send a plan to the board on a port, each command stamped with its time."""
    from callresp.osc.sessions import StreamOsc

    for written, other in ((log, board_log), (board_log, log)):
        if written is not None:
            ui.target(written, plan, palette, other, writes="log of commands")
    asked = read_plan(plan)
    machine = find_palette(palette, plan, asked, None)
    checked = check(asked, machine)
    if dark:
        checked = darkened(checked)
    if dry_run:
        total = len(checked.plan.commands)
        if as_json:
            ui.emit({"plan": str(plan), "commands": total, "sent": 0})
        else:
            told = counted(total, "command")
            ui.say(f"{plan}: {told}, all within the limits; nothing sent")
        return
    simulated = port == "simulated"
    midi_clocks = (clock_in is not None) + (clock_out is not None)
    _refuse_two_paces(simulated, speed, midi_clocks)
    if not simulated:
        ui.confirm(yes)
    begun: list[Session] = []
    followed = None if clock_in is None else FollowedPlan(checked, ClockFollower(), tempo)
    to, at = options.osc_addresses(osc_to, osc_in)
    total = len(checked.plan.commands)
    with (
        # Also while all is opened and closed: a second signal must not cost the logs.
        deferred() as signals,
        _logged(log, begun, followed),
        _line(port, machine, board_log, None if midi_clocks else speed) as (url, clock),
        live_view(machine, total) as look,
        contextlib.closing(StreamOsc(machine, to, at, osc_word, speed)) as osc,
        clocks.of_plan(clock_out, virtual, tempo) as told_clock,
    ):
        rests = rest_told()

        def watch(session: Session, now_s: float) -> None:
            begun[:] = [session]
            rests(session, now_s)
            look(session, now_s)
            osc.watch(session, now_s)
            told_clock(session, now_s)

        def stop() -> bool:
            return osc.stop.is_set() or signals.number is not None

        if followed is not None and clock_in is not None:
            status = clocks.follow_plan(followed, url, clock_in, virtual, as_json, watch, stop)
            signals.raise_if_any()
        else:
            session = stream(checked, url, clock=clock, watch=watch, ended=stop)
            signals.raise_if_any()
            osc.finish(session)
            print_summary(session, as_json)
            status = 0 if session.report.played == session.report.commands else 1
    click.get_current_context().exit(status)


def _refuse_two_paces(simulated: bool, speed: float, midi_clocks: int) -> None:
    if speed != 1.0 and (midi_clocks or not simulated):
        raise UserError(
            "only a simulated board without a MIDI clock can run at another speed than 1",
            argument="speed",
            remedy="leave it out",
        )
    if midi_clocks == 2:
        raise UserError(
            "a plan that follows a clock sends none", argument="clock_out", remedy="leave it out"
        )


@contextlib.contextmanager
def _logged(
    path: Path | None, begun: Sequence[Session], followed: FollowedPlan | None
) -> Iterator[None]:
    """Write the log at the end, if it is asked for and a session has begun.

    Also after Ctrl-C or a lost board: then above all one wants to know what was played.
    """
    try:
        yield
    finally:
        if path is not None and begun:
            write_log(path, begun[0], followed)


@contextlib.contextmanager
def _line(
    port: str, machine: Palette, board_log: Path | None, speed: float | None
) -> Iterator[tuple[str, Clock | None]]:
    """The port, and the clock to go by; beside a MIDI clock, without a `speed`, the wall's."""
    if port == "simulated" and speed is not None:
        with board_in_step(machine, board_log, speed) as line:
            yield line
    else:
        with port_of(port, machine, board_log) as url:
            yield url, None


def rest_told() -> Watch:
    """A watch that says once that the board lets its coils rest before a plan begins."""
    said: list[Session] = []

    def watch(session: Session, now_s: float) -> None:
        if session.resting and session.start_s is None and not said:
            said.append(session)
            ui.warn(COILS_REST)

    return watch


def write_log(path: Path, session: Session, followed: FollowedPlan | None = None) -> None:
    """Write what became of each command: asked and played time on the plan's clock.

    Of a plan that followed another's clock both are seconds since the line was
    opened, `plan_s` is the time in the plan, and what was never sent is there, too.
    """
    start_s = session.start_s or 0.0
    rows = []
    for sent in sorted(session.ended, key=lambda sent: sent.host_s):
        played_s = None if sent.played_s is None else sent.played_s - start_s
        row = _log_row(sent.command, sent.outcome, sent.command.at_s, played_s)
        if followed is not None:
            row["plan_s"] = round(followed.plan_s[sent.command], 6)
        rows.append(row)
    if followed is not None:
        unsent = [(c, f"left out: {limit}") for c, limit in followed.dropped]
        unsent += [(c, "not reached") for c in followed.not_reached]
        rows += [_log_row(c, fate) | {"plan_s": round(c.at_s, 6)} for c, fate in unsent]
    write_text(path, "".join(line(row) + "\n" for row in rows))


def _log_row(
    command: Command, fate: str | None, asked_s: float | None = None, played_s: float | None = None
) -> dict[str, object]:
    return {
        "asked_s": None if asked_s is None else round(asked_s, 6),
        "played_s": None if played_s is None else round(played_s, 6),
        "fate": fate,
        "instrument": command.instrument,
        "channel": command.channel,
        "reply": command.reply,
    }


def error_figures(errors_ms: Iterable[float]) -> dict[str, float | None]:
    """How far off strokes were on the board, for machines."""
    errors = sorted(abs(error) for error in errors_ms)
    return {
        "median_error_ms": round(errors[len(errors) // 2], 3) if errors else None,
        "worst_error_ms": round(errors[-1], 3) if errors else None,
    }


def figures(session: Session) -> dict[str, object]:
    """What a session reports, for machines."""
    report = session.report
    return {
        "commands": report.commands,
        "fates": dict(report.outcomes),
        **error_figures(report.errors_ms),
        "resent": report.resent,
        "damaged_frames": report.damaged,
        "board_resets": report.resets,
        "board_drift_ppm": round(report.drift_ppm, 1),
        "faults": list(report.faults),
    }


def print_summary(session: Session, as_json: bool) -> None:
    """Tell what became of the plan."""
    values = figures(session)
    if as_json:
        ui.emit(values)
        return
    report = session.report
    ui.say(f"{report.played} of {counted(report.commands, 'command')} played")
    for outcome, count in report.outcomes.items():
        if outcome != "executed":
            ui.say(f"  {count} {outcome}")
    if report.errors_ms:
        ui.say(
            f"  off by {values['median_error_ms']} ms in the median, {values['worst_error_ms']} ms"
            " at most, on the board's clock as the host knows it"
        )
    ui.say(f"  {report.resent} sent again, {counted(report.damaged, 'damaged frame')}")
    if session.hello_ack is not None and session.hello_ack.mode & DRY_RUN:
        ui.warn("the board is in a dry run: it lit lamps and moved nothing")
    for fault in report.faults:
        ui.warn(f"the board reports: {fault}")
