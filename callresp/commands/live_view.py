"""What a live day shows: lines for a person, JSON for a machine, a status line on a terminal."""

from __future__ import annotations

import sys
import time
from collections.abc import Mapping
from typing import TYPE_CHECKING, Any

import click
import msgspec

from callresp.commands import ui
from callresp.io.score import Phrase

if TYPE_CHECKING:
    from callresp.live.actions import Record
    from callresp.live.engine import LiveEngine
    from callresp.live.runner import Hooks

REFRESH_S = 0.5
# Stages in the order of the flow, as the status line names them.
STAGES = ("queue", "engine", "onset", "note", "answer", "link", "log")


class LiveView:
    """Tells a day as it goes, and sums it up.

    Parameters
    ----------
    as_json
        Print each event as one JSON object and nothing else.
    """

    def __init__(self, as_json: bool) -> None:
        self.faults = 0
        self._as_json = as_json
        self._phrases = self._answered = self._strikes = 0
        self._outcomes: dict[str, int] = {}
        self._engine: LiveEngine | None = None
        self._shown_s = float("-inf")
        self._shows = sys.stderr.isatty() and not as_json

    def hooks(self) -> Hooks:
        """What the runner calls."""
        from callresp.live.runner import Hooks

        return Hooks(say=self._say, record=self._record, look=self._look)

    def end(self) -> None:
        """Clear the status line."""
        self._clear()

    def print_summary(self) -> None:
        """Sum the day up."""
        if self._as_json:
            return
        ui.say(f"{self._phrases} phrases heard, {self._answered} answered")
        for outcome, count in sorted(self._outcomes.items()):
            ui.say(f"  {count} commands {outcome}")
        if self._engine is not None:
            stages = self._engine.latency.medians_ms()
            if "answer" in stages:
                ui.say(f"  first coil {stages['answer']:.0f} ms after the rule's own delay")
            ui.say(f"  sound lost {self._engine.overruns} times, {self.faults} faults")

    def _say(self, text: str) -> None:
        self._clear()
        if not self._as_json:
            ui.say(text)

    def _record(self, record: Record) -> None:
        body: Any = record.body
        if record.kind == "fault":
            self.faults += 1
        elif record.kind == "phrase":
            self._phrases += 1
        elif record.kind == "command":
            self._outcomes[body["fate"]] = self._outcomes.get(body["fate"], 0) + 1
        elif record.kind == "reply" and "notes" in body:
            self._answered += 1
        if self._as_json:
            plain = msgspec.to_builtins(body)
            ui.emit({"at_s": round(record.at_s, 6), "kind": record.kind, "body": plain})
        elif record.kind == "phrase" or (record.kind == "reply" and "notes" in body):
            self._say(_line(record.at_s, body))

    def _look(self, engine: LiveEngine) -> None:
        self._engine = engine
        now_s = time.monotonic()
        if not self._shows or now_s - self._shown_s < REFRESH_S:
            return
        self._shown_s = now_s
        click.echo(f"\r\x1b[K{status_line(engine)}", err=True, nl=False)

    def _clear(self) -> None:
        if self._shows:
            click.echo("\r\x1b[K", err=True, nl=False)


def status_line(engine: LiveEngine) -> str:
    """How it stands, in one line."""
    status: Mapping[str, Any] = engine.status()
    stages = status["latency_ms"]
    parts = [_clock(engine.now_s), engine.inhibited or "listening"]
    if status["supply_v"] is not None:
        parts.append(f"{status['supply_v']:.1f} V")
    if status["coil_c"] is not None:
        parts.append(f"{status['coil_c']:.0f} °C")
    known = [f"{name} {stages[name]:.0f}" for name in STAGES if name in stages]
    if known:
        parts.append(f"{', '.join(known)} ms")
    if status["credit"] is not None:
        parts.append(f"credit {status['credit']}")
    parts.append(f"{status['strikes']} strikes")
    parts.append(f"{status['overruns']} overruns")
    return " | ".join(parts)


def _clock(at_s: float) -> str:
    hours, rest = divmod(int(at_s), 3600)
    return f"{hours:02d}:{rest // 60:02d}:{rest % 60:02d}"


def _line(at_s: float, body: Any) -> str:
    if isinstance(body, Phrase):
        pitches = sorted(note.pitch_hz for note in body.notes if note.pitch_hz is not None)
        band = f"{pitches[0]:.0f} to {pitches[-1]:.0f} Hz" if pitches else "unpitched"
        return (
            f"{_clock(at_s)}  heard {body.id}: voice {body.voice}, {len(body.notes)} notes, {band}"
        )
    names = " ".join(note.instrument for note in body["notes"])
    return f"{_clock(at_s)}  answers {body['phrase']} by '{body['rule']}': {names}"
