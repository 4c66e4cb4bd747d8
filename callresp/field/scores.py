"""A day as scores: what it heard and what it answered, as any recording's.

So whatever works on scores (answering anew, planning, rehearsing, comparing,
exporting) works on a day in the field.
"""

from __future__ import annotations

from callresp.field.day import FieldDay
from callresp.io.score import HeardHeader, HeardScore, ReplyHeader, ReplyScore, Unanswered
from callresp.io.wording import counted


def heard_score(day: FieldDay) -> HeardScore:
    """The calls of a day as a heard score, in seconds from its start."""
    notes = sorted(
        (note for phrase in day.phrases for note in phrase.notes),
        key=lambda note: (note.onset_s, note.id),
    )
    header = HeardHeader(
        recording=_recording(day),
        start=day.known_start(),
        duration_s=round(day.duration_s, 6),
        sample_rate_hz=max((run.sample_rate_hz for run in day.runs), default=0),
        profile=next((run.profile for run in day.runs if run.profile), ""),
        warnings=_warnings(day),
    )
    return HeardScore(header=header, notes=tuple(notes))


def _recording(day: FieldDay) -> str:
    """A day that was played from one file can be rehearsed beside that file."""
    return day.runs[0].recording if len(day.runs) == 1 else ""


def _warnings(day: FieldDay) -> tuple[str, ...]:
    found = []
    if len(day.runs) > 1:
        found.append(f"{counted(len(day.runs), 'run')} set one after another by their times of day")
    found += [step.text for step in day.clock_steps]
    if day.lost:
        found.append(f"the log is damaged: {day.lost} of its rows can't be read")
    if day.unreadable:
        found.append(f"not understood: {counted(day.unreadable, 'row')} of the log")
    return tuple(found)


def reply_score(day: FieldDay) -> ReplyScore:
    """What the day's own rules answered, and the phrases that they left alone."""
    onsets = {phrase.id: phrase.onset_s for phrase in day.phrases}
    silences = [
        Unanswered(
            unanswered=reply.phrase,
            at_s=onsets[reply.phrase],
            rule=reply.rule,
            why=reply.unanswered,
        )
        for reply in day.replies
        if reply.unanswered and reply.phrase in onsets
    ]
    header = ReplyHeader(
        recording=_recording(day),
        start=day.known_start(),
        duration_s=round(day.duration_s, 6),
        palette=next((run.palette for run in day.runs if run.palette), ""),
        rules=", ".join(dict.fromkeys(run.rules for run in day.runs if run.rules)),
    )
    return ReplyScore(
        header=header,
        notes=tuple(day.answers()),
        unanswered=tuple(sorted(silences, key=lambda silence: silence.at_s)),
    )
