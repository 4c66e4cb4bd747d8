"""What a reply is worth, in figures: for comparing rule sets on one recording.

Metrics
-------
answered_share : phrases answered, of all heard.
overlap_share : of the machine's sounding time (to each damper's fall, or a
    second of a free ring), the share in which a bird sings too.
delay_s : median time from a phrase's end to the first stroke of its reply.
strokes_per_minute : density.
pitch_error_cents : median distance of the strike pitch from the asked one,
    octaves aside.
contour : Marvin and Laprade's CSIM of heard and struck notes, weighted by
    length of reply.
picked, picked_chance : how often the call that a reply answers can be picked
    from it among the calls of the minute before, and how often by chance; see
    callresp.reply.recognition.
work : strokes of each instrument.
"""

from __future__ import annotations

import statistics
from bisect import bisect_left, bisect_right
from collections import Counter
from collections.abc import Iterable

import msgspec

from callresp.io.score import HeardScore, ReplyNote, ReplyScore, phrases
from callresp.palette.model import Palette
from callresp.reply.mapping import csim, octave_off_cents
from callresp.reply.recognition import picked

FREE_RING_S = 1.0


class ReplyMetrics(msgspec.Struct, frozen=True, kw_only=True):
    """Figures of one reply score; see the module."""

    rules: str
    phrases: int
    answered_share: float
    overlap_share: float
    delay_s: float | None
    strokes_per_minute: float
    pitch_error_cents: float | None
    contour: float | None
    picked: float | None
    picked_chance: float | None
    work: dict[str, int]


def measure(heard: HeardScore, reply: ReplyScore, palette: Palette) -> ReplyMetrics:
    """Work out the metrics of a reply to a heard score, as it was asked, before any limit.

    Parameters
    ----------
    heard
        What was answered.
    reply
        The answer.
    palette
        The machine.
    """
    called = phrases(heard.notes)
    answered = {note.heard_phrase for note in reply.notes}
    strokes = [note for note in reply.notes if palette.striker_named(note.instrument)]
    ends = {phrase.id: phrase.offset_s for phrase in called}
    first: dict[int, float] = {}
    for note in strokes:
        first.setdefault(note.heard_phrase, note.onset_s)
    delays = [onset - ends[number] for number, onset in first.items() if number in ends]
    told = picked(called, strokes, palette)
    duration_s = max(heard.header.duration_s, 1.0)
    return ReplyMetrics(
        rules=reply.header.rules,
        phrases=len(called),
        answered_share=round(len(answered & set(ends)) / max(len(called), 1), 4),
        overlap_share=round(overlap(heard, strokes), 4),
        delay_s=round(statistics.median(delays), 3) if delays else None,
        strokes_per_minute=round(60 * len(strokes) / duration_s, 2),
        pitch_error_cents=_pitch_error(strokes, palette),
        contour=_contour(heard, strokes, palette),
        picked=round(told.share, 4) if told else None,
        picked_chance=round(told.chance, 4) if told else None,
        work=dict(Counter(note.instrument for note in strokes).most_common()),
    )


def merged(spans: Iterable[tuple[float, float]]) -> tuple[list[float], list[float]]:
    """Rising starts and ends of spans, joined where they overlap or touch."""
    starts: list[float] = []
    ends: list[float] = []
    for start, end in sorted(spans):
        if ends and start <= ends[-1]:
            ends[-1] = max(ends[-1], end)
        else:
            starts.append(start)
            ends.append(end)
    return starts, ends


def _sounding(strokes: Iterable[ReplyNote]) -> tuple[list[float], list[float]]:
    return merged(
        (n.onset_s, n.onset_s + FREE_RING_S if n.offset_s is None else max(n.offset_s, n.onset_s))
        for n in strokes
    )


def sounding_s(strokes: Iterable[ReplyNote]) -> float:
    """How long anything of the machine's sounds, overlaps counted once.

    Examples
    --------
    >>> from callresp.io.score import ReplyNote
    >>> def struck(number, at_s, end_s):
    ...     return ReplyNote(id=number, onset_s=at_s, offset_s=end_s, instrument="tube 1", force=1,
    ...         phrase=0, heard=None, heard_phrase=0, rule="r")
    >>> sounding_s([struck(0, 1.0, 2.0), struck(1, 1.5, 2.5), struck(2, 9.0, None)])
    2.5
    """
    return sum(end - start for start, end in zip(*_sounding(strokes), strict=True))


def overlap(heard: HeardScore, strokes: Iterable[ReplyNote]) -> float:
    """Share of the machine's sounding time in which somebody sings."""
    starts, ends = merged((note.onset_s, note.offset_s) for note in heard.notes)
    own = list(zip(*_sounding(strokes), strict=True))
    total = sum(end - start for start, end in own)
    if total <= 0:
        return 0.0
    both = 0.0
    for start, end in own:
        for number in range(bisect_right(ends, start), bisect_left(starts, end)):
            both += min(end, ends[number]) - max(start, starts[number])
    return both / total


def _pitch_error(strokes: Iterable[ReplyNote], palette: Palette) -> float | None:
    errors = []
    for note in strokes:
        struck = palette.strike_pitch_hz(note.instrument)
        if struck is not None and note.asked_hz is not None:
            errors.append(abs(octave_off_cents(note.asked_hz, struck)))
    return round(statistics.median(errors), 1) if errors else None


def _contour(heard: HeardScore, strokes: Iterable[ReplyNote], palette: Palette) -> float | None:
    """CSIM between what each reply plays and the heard notes that it plays them for."""
    by_id = {note.id: note for note in heard.notes}
    lines: dict[int, list[tuple[float, float]]] = {}
    for note in strokes:
        source = by_id.get(note.heard) if note.heard is not None else None
        struck = palette.strike_pitch_hz(note.instrument)
        if source is not None and source.pitch_hz is not None and struck is not None:
            lines.setdefault(note.phrase, []).append((source.pitch_hz, struck))
    weighted = notes = 0.0
    for line in lines.values():
        if len(line) >= 2:
            weighted += len(line) * csim([a for a, _ in line], [b for _, b in line])
            notes += len(line)
    return round(weighted / notes, 4) if notes else None
