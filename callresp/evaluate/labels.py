"""A heard score as a label track, and the score put right by the track that came back.

Goal
----
Let any editor that shows labels over a recording serve to correct what was
heard: move an edge, take a note out, put one in, give it to another singer.

Conventions
-----------
A label track is plain text, a line a label: begin and end in seconds and a
text, between tabs (common practice of audio editors, no source). The text is
the voice, the pitch where there is one, and the note's number::

    12.031250	12.094500	A 3120 Hz #17

Coming back, a number says which note a label is; one without goes with the note
that it overlaps most and that no number claims, if it shares at least half of
both; what then has no note is a new one, and what has no label is taken out. A
new note takes pitch and level of the note that it overlaps most (as when one
is cut in two), else its pitch is what its text says and its level is measured.
What was not changed stays as it was to the last bit.
"""

from __future__ import annotations

import re
from collections.abc import Callable, Sequence
from dataclasses import dataclass

import msgspec

from callresp.errors import UserError
from callresp.evaluate.annotations import Mark
from callresp.io.score import HeardScore, Note

# Times are written to the microsecond, pitches to the hertz.
SAME_S = 1.5e-6
SAME_HZ = 0.51
SHARED = 0.5
# Below this a stretch is digital silence.
NO_SOUND_DB = -150.0
# A label may end so much after the recording, as a score's note may begin (`read_heard`).
PAST_END_S = 1.0
_TEXT = re.compile(
    r"(?P<voice>.*?)(?:\s+(?P<hz>\d+(?:\.\d+)?)\s*Hz)?(?:\s*#(?P<number>\d+))?", re.IGNORECASE
)
# What was meant as a pitch, and would else become part of the voice's name.
_NO_PITCH = re.compile(r"\S*\d\s*k?Hz", re.IGNORECASE)

# Level in dB re a full-scale sine of a stretch of the recording.
Measure = Callable[[float, float], float]


@dataclass(frozen=True, slots=True)
class Corrections:
    """What a label track changed: how many notes in each way."""

    moved: int = 0
    renamed: int = 0
    repitched: int = 0
    added: int = 0
    removed: int = 0

    def __str__(self) -> str:
        told = [
            f"{getattr(self, name)} {name}" for name in self.__slots__ if getattr(self, name) > 0
        ]
        return ", ".join(told) or "nothing changed"


def label_text(note: Note) -> str:
    """The text of a note's label."""
    pitch = "" if note.pitch_hz is None else f" {note.pitch_hz:.0f} Hz"
    return f"{note.voice}{pitch} #{note.id}"


def labels_of(score: HeardScore) -> str:
    """A heard score as the text of a label track."""
    rows = [
        f"{max(note.onset_s, 0.0):.6f}\t{note.offset_s:.6f}\t{label_text(note)}\n"
        for note in score.notes
    ]
    return "".join(rows)


def corrected(
    score: HeardScore, marks: Sequence[Mark], where: str, measure: Measure | None = None
) -> tuple[HeardScore, Corrections]:
    """The score as a label track says it, phrases as they were.

    Parameters
    ----------
    score
        That the labels were made of.
    marks
        The labels as they came back, from `annotations.read_marks`.
    where
        The labels' file, for errors.
    measure
        Level of a stretch of the recording, for notes that are new.

    Returns
    -------
    score, corrections
        Notes keep their numbers; phrases are to be closed anew.

    Raises
    ------
    UserError
        A number that stands twice or that no note has, a label without a voice
        or length or past the recording's end, or a new note whose level nothing tells.
    """
    by_number = {note.id: note for note in score.notes}
    read = [_Label.of(mark, where) for mark in marks]
    claimed: dict[int, _Label] = {}
    for label in read:
        if label.number is None:
            continue
        if label.number not in by_number:
            raise UserError(
                f"label '{label.text}' at {label.onset_s:g} s names a note that is not there",
                where=where,
                remedy="take '#' and number out, if it is a new note",
            )
        if label.number in claimed:
            raise UserError(
                f"two labels are note #{label.number}",
                where=where,
                remedy="take '#' and number out of the one that is new",
            )
        claimed[label.number] = label
    left = [note for note in score.notes if note.id not in claimed]
    fresh = _claim_by_overlap([label for label in read if label.number is None], left, claimed)
    moved = [label for number, label in claimed.items() if _is_moved(by_number[number], label)]
    for label in (*moved, *fresh):
        _check_span(label, score.header.duration_s, where)
    made, counts = [], dict.fromkeys(Corrections.__slots__, 0)
    for number, label in claimed.items():
        made.append(_changed(by_number[number], label, counts))
    following = max(by_number, default=-1) + 1
    for number, label in enumerate(fresh, start=following):
        made.append(_new(label, number, score.notes, where, measure))
    counts["added"] = len(fresh)
    counts["removed"] = len(by_number) - len(claimed)
    notes = tuple(sorted(made, key=lambda note: (note.onset_s, note.id)))
    corrections = Corrections(**counts)
    told = (*score.header.by_hand, f"labels: {corrections}")
    changed = any(counts.values())
    header = msgspec.structs.replace(score.header, by_hand=told) if changed else score.header
    return HeardScore(header=header, notes=notes), corrections


@dataclass(frozen=True, slots=True)
class _Label:
    onset_s: float
    offset_s: float
    text: str
    voice: str
    hz: float | None
    number: int | None

    @classmethod
    def of(cls, mark: Mark, where: str) -> _Label:
        found = _TEXT.fullmatch(mark.label.strip())
        assert found is not None
        voice = found["voice"].strip()
        if not voice:
            raise UserError(
                f"the label at {mark.onset_s:g} s names no voice", where=where, remedy="name one"
            )
        if not found["hz"] and _NO_PITCH.search(voice):
            raise UserError(
                f"the label '{mark.label}' at {mark.onset_s:g} s has a pitch that is no number of"
                " hertz",
                where=where,
                remedy="write it as in 'A 3120 Hz'",
            )
        hz = float(found["hz"]) if found["hz"] else None
        if hz == 0:
            raise UserError(
                f"the label at {mark.onset_s:g} s has a pitch of 0 Hz",
                where=where,
                remedy="leave it out where there is none",
            )
        number = int(found["number"]) if found["number"] else None
        return cls(mark.onset_s, mark.offset_s, mark.label, voice, hz, number)


def _span(note: Note, label: _Label) -> tuple[float, float]:
    """From when to when a note sounds by its label: as before, to the digit, if that stayed."""
    onset_s = note.onset_s if abs(label.onset_s - note.onset_s) <= SAME_S else label.onset_s
    if note.onset_s < 0 and label.onset_s == 0:
        onset_s = note.onset_s
    offset_s = note.offset_s if abs(label.offset_s - note.offset_s) <= SAME_S else label.offset_s
    return onset_s, offset_s


def _is_moved(note: Note, label: _Label) -> bool:
    return _span(note, label) != (note.onset_s, note.offset_s)


def _check_span(label: _Label, end_s: float, where: str) -> None:
    if label.onset_s == label.offset_s:
        raise UserError(
            f"the label '{label.text}' at {label.onset_s:g} s has no length",
            where=where,
            remedy="draw it from the note's onset to its end",
        )
    if label.offset_s > end_s + PAST_END_S:
        raise UserError(
            f"the label '{label.text}' at {label.onset_s:g} s ends at {label.offset_s:g} s, after"
            f" the recording's end at {end_s:g} s",
            where=where,
            remedy="move it",
        )


def _shared_s(label: _Label, note: Note) -> float:
    return min(label.offset_s, note.offset_s) - max(label.onset_s, note.onset_s)


def _claim_by_overlap(
    labels: Sequence[_Label], notes: Sequence[Note], claimed: dict[int, _Label]
) -> list[_Label]:
    """Give labels without a number to notes that nobody claims; returns those that are new."""
    pairs = []
    for place, label in enumerate(labels):
        for note in notes:
            if note.onset_s >= label.offset_s:
                break
            longer = max(label.offset_s - label.onset_s, note.length_s)
            shared = _shared_s(label, note)
            if longer > 0 and shared >= SHARED * longer:
                pairs.append((-shared / longer, place, note.id))
    taken: set[int] = set()
    for _, place, number in sorted(pairs):
        if place not in taken and number not in claimed:
            taken.add(place)
            claimed[number] = labels[place]
    return [label for place, label in enumerate(labels) if place not in taken]


def _changed(note: Note, label: _Label, counts: dict[str, int]) -> Note:
    onset_s, offset_s = _span(note, label)
    pitch_hz, track = note.pitch_hz, note.track
    if _is_moved(note, label):
        counts["moved"] += 1
        track = tuple(point for point in track if onset_s <= point[0] <= offset_s)
    if label.voice != note.voice:
        counts["renamed"] += 1
    same = (label.hz is None) == (pitch_hz is None)
    if same and label.hz is not None and pitch_hz is not None:
        same = abs(label.hz - pitch_hz) <= SAME_HZ
    # A text without any pitch, as of a bare name, says nothing of it.
    if not same and label.hz is not None:
        counts["repitched"] += 1
        pitch_hz, track = label.hz, ()
    return msgspec.structs.replace(
        note,
        onset_s=onset_s,
        offset_s=offset_s,
        voice=label.voice,
        pitch_hz=pitch_hz,
        track=track,
    )


def _new(
    label: _Label, number: int, notes: Sequence[Note], where: str, measure: Measure | None
) -> Note:
    like = max(notes, key=lambda note: _shared_s(label, note), default=None)
    if like is not None and _shared_s(label, like) > 0:
        made = msgspec.structs.replace(like, id=number)
        return _changed(made, label, dict.fromkeys(Corrections.__slots__, 0))
    if measure is None:
        raise UserError(
            f"the level of the new note at {label.onset_s:g} s is not known",
            where=where,
            argument="recording",
            remedy="give the recording",
        )
    level_db = measure(label.onset_s, label.offset_s)
    if level_db < NO_SOUND_DB:
        raise UserError(
            f"the new note at {label.onset_s:g} s holds no sound", where=where, remedy="move it"
        )
    return Note(
        id=number,
        onset_s=label.onset_s,
        offset_s=label.offset_s,
        pitch_hz=label.hz,
        level_db=level_db,
        voice=label.voice,
        tonality=0.0 if label.hz is None else 1.0,
        low_hz=0.0 if label.hz is None else label.hz,
        high_hz=0.0 if label.hz is None else label.hz,
    )
