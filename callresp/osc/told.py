"""What is told to other software: our addresses and their arguments.

=====================  ===========================================================
``/callresp/start``    a sound has begun: key (i), hertz (f, 0 without pitch), dB
                       (f), guessed voice (s)
``/callresp/note``     it was a note: number (i), voice (s), hertz (f, 0 without
                       pitch), dB (f), length in s (f)
``/callresp/phrase``   a phrase has ended: number (i), voice (s), notes (i), length
                       in s (f)
``/callresp/voice``    one that ended before was another voice's: phrase (i), voice (s)
``/callresp/reply``    it is answered: phrase (i), rule (s), notes (i)
``/callresp/strike``   one note of a reply: phrase (i), instrument (s), force (f),
                       tagged with when it will be heard
``/callresp/silence``  it is not answered: phrase (i), rule (s), why (s)
``/callresp/stroke``   a command has ended: instrument (s), what (s: strike, hold,
                       turn, light), length in ms (f), outcome (s)
``/callresp/status``   state (s), supply in V (f), warmest coil in °C (f), strikes
                       (i); -1 where the board does not tell
``/callresp/remark``   a line for a person (s)
``/callresp/fault``    what is wrong (s), where (s)
=====================  ===========================================================

A plan that is streamed hears nothing and decides nothing any more: it tells strokes,
status and faults. Each comes in a bundle whose time tag says when it happened, or will. Numbers
are 32 bits: whole (i) or floating (f).
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from typing import cast

from callresp.io.score import Note, Phrase
from callresp.listen.online import NoteOnset
from callresp.live.actions import Record, ReplyRow
from callresp.osc.codec import Message


@dataclass(frozen=True, slots=True)
class TimedMessage:
    """A message, and when (by the engine's clock) what it tells of is."""

    at_s: float
    message: Message


def of_sound(sound: NoteOnset | Note) -> TimedMessage:
    """A beginning, or a note."""
    hz = float(sound.pitch_hz or 0.0)
    if isinstance(sound, NoteOnset):
        arguments = (sound.key, hz, float(sound.level_db), sound.voice)
        return TimedMessage(sound.onset_s, Message("/callresp/start", arguments))
    length_s = float(sound.length_s)
    told = (sound.id, sound.voice, hz, float(sound.level_db), length_s)
    return TimedMessage(sound.onset_s, Message("/callresp/note", told))


def of_record(record: Record, state: str = "") -> Iterator[TimedMessage]:
    """What a row of the log tells; `state` is the machine's, for its status."""
    body = record.body
    if isinstance(body, Phrase):
        yield _phrase(body)
    elif not isinstance(body, dict):
        return
    elif record.kind == "reply":
        yield from _reply(record.at_s, cast("ReplyRow", body))
    elif record.kind == "voice":
        named = (int(body["phrase"]), str(body["voice"]))
        yield TimedMessage(record.at_s, Message("/callresp/voice", named))
    elif record.kind == "command":
        at_s = body["at_s"] if body["played_s"] is None else body["played_s"]
        yield stroke(at_s, body["instrument"], body["what"], body["length_ms"], body["fate"])
    elif record.kind == "status":
        yield status(
            record.at_s, state, body.get("supply_v"), body.get("coil_c"), body.get("strikes", 0)
        )
    elif record.kind == "remark":
        yield TimedMessage(record.at_s, Message("/callresp/remark", (str(body["text"]),)))
    elif record.kind == "fault":
        words = (str(body["what"]), str(body["where"]))
        yield TimedMessage(record.at_s, Message("/callresp/fault", words))


def _phrase(phrase: Phrase) -> TimedMessage:
    length_s = float(phrase.offset_s - phrase.onset_s)
    arguments = (phrase.id, phrase.voice, len(phrase.notes), length_s)
    return TimedMessage(phrase.offset_s, Message("/callresp/phrase", arguments))


def _reply(at_s: float, body: ReplyRow) -> Iterator[TimedMessage]:
    phrase, rule = int(body["phrase"]), str(body["rule"])
    if "notes" not in body:
        words = (phrase, rule, str(body["unanswered"]))
        yield TimedMessage(at_s, Message("/callresp/silence", words))
        return
    yield TimedMessage(at_s, Message("/callresp/reply", (phrase, rule, len(body["notes"]))))
    for note in body["notes"]:
        arguments = (phrase, note.instrument, float(note.force))
        yield TimedMessage(note.onset_s, Message("/callresp/strike", arguments))


def stroke(at_s: float, instrument: str, what: str, length_ms: float, outcome: str) -> TimedMessage:
    """A command that has ended."""
    return TimedMessage(
        at_s, Message("/callresp/stroke", (instrument, what, float(length_ms), outcome))
    )


def status(
    at_s: float, state: str, supply_v: float | None, coil_c: float | None, strikes: int
) -> TimedMessage:
    """How the machine stands."""
    volts = -1.0 if supply_v is None else float(supply_v)
    warm_c = -1.0 if coil_c is None else float(coil_c)
    return TimedMessage(at_s, Message("/callresp/status", (state, volts, warm_c, int(strikes))))
