"""What became of a note or a call, and why; why a stroke is as it is."""

from __future__ import annotations

import msgspec

from callresp.desk.answers import HeardIndex, RuleAnswer
from callresp.desk.remedies import setting_of
from callresp.errors import UserError
from callresp.io.score import Note, Phrase
from callresp.reply.mapping import cents, octave_off_cents


def note_facts(heard: HeardIndex, answer: RuleAnswer, number: int) -> dict[str, object]:
    """A heard note: its figures, its singer and phrase, and what became of the phrase."""
    place = heard.place.get(number)
    if place is None:
        raise UserError(f"no note {number}", remedy="ask for one that was heard")
    note = heard.score.notes[place]
    phrase = heard.phrases[note.phrase]
    facts = msgspec.to_builtins(msgspec.structs.replace(note, track=()))
    return {**facts, "phrase": phrase_facts(phrase, answer)}


def phrase_facts(phrase: Phrase, answer: RuleAnswer) -> dict[str, object]:
    """A call, the rule that answered it and its strokes; or the reason why none did."""
    replies = [note for note in answer.reply.notes if note.heard_phrase == phrase.id]
    silence = answer.silences.get(phrase.id)
    pitches = sorted(note.pitch_hz for note in phrase.notes if note.pitch_hz is not None)
    return {
        "id": phrase.id,
        "voice": phrase.voice,
        "onset_s": phrase.onset_s,
        "offset_s": phrase.offset_s,
        "notes": len(phrase.notes),
        "pitch_hz": pitches[len(pitches) // 2] if pitches else None,
        "tonality": round(sum(n.tonality for n in phrase.notes) / len(phrase.notes), 3),
        "rule": replies[0].rule if replies else "",
        "rule_number": _rule_number(answer, replies[0].rule) if replies else None,
        "replies": [stroke_line(answer, note.id) for note in replies[:40]],
        "why": "" if silence is None else silence.why,
        "setting": "" if silence is None else setting_of(silence.why),
        "provisional": not answer.whole,
    }


def _rule_number(answer: RuleAnswer, name: str) -> int | None:
    names = [rule.name for rule in answer.rules.rule]
    return names.index(name) + 1 if name in names else None


def stroke_line(answer: RuleAnswer, reply: int) -> dict[str, object]:
    """A stroke in a line: when, on what, how hard."""
    note = answer.notes[reply]
    return {
        "reply": reply,
        "onset_s": note.onset_s,
        "instrument": note.instrument,
        "force": note.force,
    }


def stroke_facts(heard: HeardIndex, answer: RuleAnswer, reply: int) -> dict[str, object]:
    """A stroke: the note it came from, pitch error, force, and the limits that changed it."""
    note = answer.notes.get(reply)
    if note is None:
        raise UserError(f"no stroke {reply}", remedy="ask for one of this answer")
    striker = answer.checked.palette.striker_named(note.instrument)
    source = _source_of(heard, note.heard)
    struck = None if striker is None else striker.pitch_hz
    heard_hz = None if source is None else source.pitch_hz
    changes = [msgspec.to_builtins(change) for change in answer.changes.get(reply, ())]
    return {
        "reply": reply,
        "onset_s": note.onset_s,
        "offset_s": note.offset_s,
        "instrument": note.instrument,
        "force": note.force,
        "rule": note.rule,
        "rule_number": _rule_number(answer, note.rule),
        "why": note.why,
        "asked_hz": note.asked_hz,
        "struck_hz": struck,
        "off_cents": _off(note.asked_hz, struck, octave=True),
        "heard": None if source is None else source.id,
        "heard_hz": heard_hz,
        "from_heard_cents": _off(heard_hz, struck, octave=False),
        "changes": changes,
        "phrase": phrase_facts(heard.phrases[note.heard_phrase], answer),
    }


def _source_of(heard: HeardIndex, number: int | None) -> Note | None:
    place = None if number is None else heard.place.get(number)
    return None if place is None else heard.score.notes[place]


def _off(asked_hz: float | None, struck_hz: float | None, octave: bool) -> float | None:
    if asked_hz is None or struck_hz is None:
        return None
    return round(octave_off_cents(asked_hz, struck_hz) if octave else cents(asked_hz, struck_hz), 1)
