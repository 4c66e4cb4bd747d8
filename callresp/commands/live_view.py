"""What a live session shows: lines for a person, JSON for a machine, a status line on a terminal.

A thread of its own writes them, since a reader that goes away or stops reading,
a full disk behind ``> file`` or a terminal that hangs up must not hold up the
machine. What can't be shown is reported once, to the log, and the session goes on.
"""

from __future__ import annotations

import contextlib
import os
import queue
import sys
import threading
import time
from collections import Counter
from collections.abc import Callable
from typing import TYPE_CHECKING, TextIO

import msgspec

from callresp.commands import ui
from callresp.io.score import Phrase
from callresp.io.wording import band, clock, counted, counted_alike
from callresp.live.actions import Record
from callresp.reply.silences import kind_of

if TYPE_CHECKING:
    from callresp.live.engine import LiveEngine

REFRESH_S = 0.5
# Lines that may wait for a slow reader, and how long the last of them may take at the end.
LINES_WAITING_MAX = 2000
CLOSING_S = 2.0
# Stages in the order of the flow, as the status line names them.
STAGES = ("queue", "engine", "onset", "note", "answer", "link", "log")


class LineWriter:
    """Writes lines to a stream in a thread of its own, and gives up where that fails.

    Parameters
    ----------
    stream
        Standard output or error; `None` where it is closed.
    name
        Of the stream, for the report.
    report
        Called once, from the thread, when nothing more can be written.
    """

    def __init__(self, stream: TextIO | None, name: str, report: Callable[[str], None]) -> None:
        self._stream = stream
        self._name = name
        self._report = report
        self._queue: queue.Queue[str | None] = queue.Queue(LINES_WAITING_MAX)
        self._failed = stream is None
        self._handle: int | None = None
        # Written past Python's own buffer, whose lock a stuck reader would hold at the end.
        with contextlib.suppress(OSError, ValueError, AttributeError):
            if stream is not None:
                stream.flush()
                self._handle = stream.fileno()
        self._thread = threading.Thread(target=self._run, name=name, daemon=True)
        self._thread.start()

    def write(self, text: str) -> None:
        """Hand over a text; what there is no room for is left out, and reported."""
        if self._failed:
            return
        try:
            self._queue.put_nowait(text)
        except queue.Full:
            self._give_up("its reader does not keep up")

    def close(self) -> None:
        """Write what waits, as far as the reader takes it."""
        with contextlib.suppress(queue.Full):
            self._queue.put_nowait(None)
            self._thread.join(CLOSING_S)

    def _run(self) -> None:
        while (text := self._queue.get()) is not None:
            if self._failed:
                continue
            try:
                self._put(text)
            except (OSError, ValueError) as fault:
                self._give_up(getattr(fault, "strerror", None) or str(fault))

    def _put(self, text: str) -> None:
        assert self._stream is not None
        if self._handle is None:
            self._stream.write(text)
            self._stream.flush()
            return
        data = text.encode(self._stream.encoding or "utf-8", errors="replace")
        while data:
            data = data[os.write(self._handle, data) :]

    def _give_up(self, why: str) -> None:
        if not self._failed:
            self._failed = True
            self._report(f"{self._name} takes no more lines ({why}); it goes on without")


class LiveView:
    """Shows a session as it goes, and sums it up.

    Parameters
    ----------
    as_json
        Print each event as one JSON object and nothing else.
    report
        Told when nothing more can be shown.
    """

    def __init__(self, as_json: bool, report: Callable[[str], None]) -> None:
        self.faults = 0
        self._as_json = as_json
        self._phrases = self._answered = 0
        self._outcomes: Counter[str] = Counter()
        self._silences: Counter[str] = Counter()
        self._engine: LiveEngine | None = None
        self._shown_s = float("-inf")
        self._has_terminal = ui.is_terminal(sys.stderr) and not as_json
        self._lines = LineWriter(sys.stdout, "standard output", report)
        self._status = LineWriter(sys.stderr, "standard error", report)

    def close(self, dropped: int) -> None:
        """Clear the status line, sum the session up, and end."""
        self._clear()
        if dropped:
            self.warn(f"{counted(dropped, 'row')} of the log lost: its disk was full, slow or gone")
        if not self._as_json:
            self._print_summary()
        self._lines.close()
        self._status.close()

    def warn(self, text: str) -> None:
        """Show a note on standard error."""
        self._status.write(f"callresp: note: {text}\n")

    def _print_summary(self) -> None:
        self.notify(f"{counted(self._phrases, 'phrase')} heard, {self._answered} answered")
        for why, count in counted_alike(self._silences.elements()).most_common():
            self.notify(f"  silent {counted(count, 'time')}: {why}")
        for outcome, count in sorted(self._outcomes.items()):
            self.notify(f"  {counted(count, 'command')} {outcome}")
        if self._engine is not None:
            stages = self._engine.latency.medians_ms()
            if "answer" in stages:
                self.notify(f"  first coil {stages['answer']:.0f} ms after the rule's own delay")
            self.notify(
                f"  sound lost {counted(self._engine.overruns, 'time')},"
                f" {counted(self.faults, 'fault')}"
            )

    def notify(self, text: str) -> None:
        """Show a line."""
        self._clear()
        if not self._as_json:
            self._lines.write(f"{text}\n")

    def record(self, record: Record) -> None:
        """Count a row of the log, and show it if it is worth a line."""
        body = record.body if isinstance(record.body, dict) else {}
        if record.kind == "fault":
            self.faults += 1
        elif record.kind == "phrase":
            self._phrases += 1
        elif record.kind == "command":
            self._outcomes[body["fate"]] += 1
        elif record.kind == "reply" and "notes" in body:
            self._answered += 1
        elif record.kind == "reply":
            self._silences[kind_of(body["unanswered"])] += 1
        if self._as_json:
            row = {"at_s": round(record.at_s, 6), "kind": record.kind, "body": record.body}
            self._lines.write(msgspec.json.encode(row).decode() + "\n")
        elif record.kind in ("phrase", "voice") or (record.kind == "reply" and "notes" in body):
            self.notify(_line(record.at_s, record.body))

    def refresh(self, engine: LiveEngine) -> None:
        """Show how it stands, now and then."""
        self._engine = engine
        now_s = time.monotonic()
        if not self._has_terminal or now_s - self._shown_s < REFRESH_S:
            return
        self._shown_s = now_s
        self._status.write(f"\r\x1b[K{status_line(engine)}")

    def _clear(self) -> None:
        if self._has_terminal:
            self._status.write("\r\x1b[K")


def status_line(engine: LiveEngine) -> str:
    """How it stands, in one line."""
    status = engine.status()
    stages = status["latency_ms"]
    parts = [clock(engine.now_s), engine.inhibited or "listening"]
    if status["supply_v"] is not None:
        parts.append(f"{status['supply_v']:.1f} V")
    if status["coil_c"] is not None:
        parts.append(f"{status['coil_c']:.0f} °C")
    known = [f"{name} {stages[name]:.0f}" for name in STAGES if name in stages]
    if known:
        parts.append(f"{', '.join(known)} ms")
    if status["credit"] is not None:
        parts.append(f"credit {status['credit']}")
    parts.append(counted(status["strikes"], "strike"))
    parts.append(counted(status["overruns"], "overrun"))
    return " | ".join(parts)


def _line(at_s: float, body: object) -> str:
    if isinstance(body, Phrase):
        pitches_hz = [note.pitch_hz for note in body.notes if note.pitch_hz is not None]
        notes = counted(len(body.notes), "note")
        return f"{clock(at_s)}  heard {body.id}: voice {body.voice}, {notes}, {band(pitches_hz)}"
    assert isinstance(body, dict)
    if "notes" not in body:
        return f"{clock(at_s)}  heard {body['phrase']}: voice {body['voice']} after all"
    names = " ".join(note.instrument for note in body["notes"])
    return f"{clock(at_s)}  answers {body['phrase']} by '{body['rule']}': {names}"
