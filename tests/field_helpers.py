"""A made-up day for tests of the field log: singers A to D, Fettle, a warm noon."""

from __future__ import annotations

import math
import random
from collections.abc import Iterator
from datetime import datetime, timedelta
from pathlib import Path
from typing import Any

from callresp.field.log import FieldLog, Kind, LogReader, LogRow
from callresp.io.score import Note, Phrase, ReplyNote
from callresp.palette.files import fingerprint, load_palette

START = datetime.fromisoformat("2026-05-12T03:40:00+01:00")
WHYS = (
    "it has had its 20% of this minute",
    "no rest to answer in within 4 s",
    "no rule fits: novelty 0.2 under 0.5",
    "another phrase was waiting for its answer",
)


def log_rows(path: Path, *kinds: Kind) -> Iterator[LogRow]:
    """Rows of a log in the order they were written, of these kinds or of all."""
    return LogReader(path).rows(*kinds)


def heard(number: int, onset_s: float, hz: float | None, **changes: Any) -> Note:
    """A heard note."""
    given: dict[str, Any] = {
        "id": number,
        "onset_s": onset_s,
        "offset_s": onset_s + 0.12,
        "pitch_hz": hz,
        "level_db": -34.0,
        "voice": "A",
        "snr_db": 18.0,
        "track": () if hz is None else ((onset_s, hz), (onset_s + 0.1, hz * 1.02)),
    }
    return Note(**(given | changes))


def chorus(hour: float) -> float:
    """Calls a minute by the hour of the clock: a dawn, a still noon, an evening."""
    dawn = 9.0 * math.exp(-(((hour - 5.2) / 1.4) ** 2))
    return 0.15 + dawn + 2.6 * math.exp(-(((hour - 20.3) / 1.1) ** 2))


def day_row(start: datetime, rules: str = "answer") -> dict[str, Any]:
    """What begins a run."""
    return {
        "palette": "fettle",
        "palette_sha256": fingerprint(load_palette("fettle")),
        "rules": rules,
        "profile": "songbird",
        "recording": "the sound card",
        "start": start.isoformat(),
        "sample_rate_hz": 48000,
    }


class Writer:
    """Writes a run of a day, phrase by phrase, with an engine clock that begins at 0."""

    def __init__(
        self, log: FieldLog, start: datetime, seed: int = 1, rules: str = "answer"
    ) -> None:
        self.log, self.start, self.rng = log, start, random.Random(seed)
        self.palette = load_palette("fettle")
        self.notes = self.phrases = self.replies = self.strikes = 0
        self.add(0.0, "day", day_row(start, rules))

    def add(self, at_s: float, kind: Any, body: object) -> None:
        """A row, at the time of day that belongs to it."""
        self.log.append(at_s, kind, body, wall=self.start + timedelta(seconds=at_s))

    def phrase(self, at_s: float) -> Phrase:
        """A phrase of one singer, with its row."""
        voice = self.rng.choice("ABCD")
        base = {"A": 2600.0, "B": 3400.0, "C": 4700.0, "D": 1800.0}[voice]
        notes = []
        for step in range(self.rng.randint(2, 6)):
            hz = None if self.rng.random() < 0.05 else base * 2 ** self.rng.uniform(-0.4, 0.4)
            level = self.rng.uniform(-48, -26)
            notes.append(
                heard(self.notes, round(at_s + 0.21 * step, 3), hz, voice=voice, level_db=level)
            )
            self.notes += 1
        found = Phrase(id=self.phrases, voice=voice, notes=tuple(notes))
        self.phrases += 1
        self.add(found.offset_s + 0.3, "phrase", found)
        return found

    def reply(self, phrase: Phrase) -> None:
        """An answer with its commands, or a reason for none."""
        at_s = phrase.offset_s + 0.35
        if self.rng.random() < 0.45:
            why = self.rng.choice(WHYS)
            body = {"phrase": phrase.id, "rule": "manners", "unanswered": why}
            self.add(at_s, "reply", body)
            return
        notes = []
        for step, call in enumerate(phrase.notes):
            striker = self.rng.choices(self.palette.striker, (9, 8, 5, 4, 2, 3, 2))[0]
            notes.append(
                ReplyNote(
                    id=self.replies, onset_s=round(at_s + 0.8 + 0.25 * step, 3),
                    offset_s=round(at_s + 1.4 + 0.25 * step, 3), instrument=striker.name,
                    force=round(self.rng.uniform(0.2, 1.0), 3), phrase=phrase.id, heard=call.id,
                    heard_phrase=phrase.id, rule="echo", asked_hz=call.pitch_hz,
                )
            )  # fmt: skip
            self.replies += 1
        self.add(at_s, "reply", {"phrase": phrase.id, "rule": "echo", "notes": notes})
        for note in notes:
            self._command(note)

    def _command(self, note: ReplyNote) -> None:
        fate = self.rng.choices(("executed", "late", "over a limit"), (96, 3, 1))[0]
        striker = self.palette.striker_named(note.instrument)
        assert striker is not None
        self.strikes += fate == "executed"
        body = {
            "at_s": note.onset_s - 0.012,
            "channel": striker.coil.channel,
            "instrument": note.instrument,
            "what": "strike",
            "length_ms": 9.0,
            "reply": note.id,
            "fate": fate,
            "played_s": note.onset_s if fate == "executed" else None,
        }
        self.add(note.onset_s + 0.05, "command", body)

    def status(self, at_s: float) -> None:
        """How the machine is."""
        hour = (self.start + timedelta(seconds=at_s)).hour + at_s % 3600 / 3600
        warm = 7 + 11 * math.sin(math.pi * min(max((hour - 4) / 17, 0), 1))
        body = {
            "supply_v": round(12.9 - 0.9 * at_s / 86400 - 0.004 * (self.strikes % 40), 3),
            "coil_c": round(warm + 6 + 16 * chorus(hour) / 9, 1),
            "board_c": round(warm + 9, 1),
            "credit": 64,
            "strikes": self.strikes,
            "overruns": int(at_s > 30000),
            "latency_ms": {"hear": 9.0 + self.rng.random(), "reply": 1.2, "plan": 2.1, "link": 4.0},
            "energy_j": 0.9 * at_s + 1.3 * self.strikes,
        }
        self.add(at_s, "status", body)

    def spell(self, from_s: float, to_s: float, status_s: float = 60.0) -> None:
        """What happens between two moments of the run."""
        at_s, told_s = from_s, from_s
        while at_s < to_s:
            moment = self.start + timedelta(seconds=at_s)
            at_s += self.rng.expovariate(chorus(moment.hour + moment.minute / 60) / 60)
            while told_s < min(at_s, to_s):
                self.status(told_s)
                told_s += status_s
            if at_s < to_s:
                self.reply(self.phrase(round(at_s, 3)))


def whole_day(path: Path, hours: float = 18.0, seed: int = 1) -> Path:
    """A log of a whole day with its small troubles."""
    with FieldLog(path) as log:
        writer = Writer(log, START, seed)
        writer.add(2.0, "remark", {"text": "awake by the schedule", "state": "awake"})
        noon, end = hours * 1800, hours * 3600
        rest = noon + end / 8
        writer.spell(10.0, noon)
        writer.add(noon, "fault", {"what": "the microphone went away", "where": "sound card"})
        writer.add(noon + 42, "remark", {"text": "the microphone is back"})
        writer.add(noon + 300, "remark", {"text": "asleep by the schedule", "state": "asleep"})
        writer.add(rest, "remark", {"text": "awake by the schedule", "state": "awake"})
        writer.spell(rest, end)
        writer.add(end, "remark", {"text": "stopped: the hour it was given", "state": "stopped"})
    return path
