"""Which heard pitches a palette's strikers can answer, and which none can.

A striker answers a pitch that lies within `NEAR_CENTS` of its own, in its octave
or another: most strikers sound some octaves below most calls, and a note keeps
its name in every octave. Cents after Ellis (1885).
"""

from __future__ import annotations

import math
from collections import Counter
from collections.abc import Sequence

import msgspec

from callresp.io.score import Note
from callresp.palette.model import Striker
from callresp.reply.mapping import cents, octave_off_cents

# Half a semitone: beyond it the ear hears another note.
NEAR_CENTS = 50.0


class PitchGap(msgspec.Struct, frozen=True, kw_only=True):
    """A range of heard pitches that no striker can answer, in any octave."""

    low_hz: float
    high_hz: float
    notes: int
    share: float
    voices: tuple[str, ...]
    nearest: str
    off_cents: float


class PitchCoverage(msgspec.Struct, frozen=True, kw_only=True):
    """How heard notes compare with the strikers' pitches; shares are of the pitched notes.

    `direct` are within `NEAR_CENTS` of a striker, `by_octave` in another octave
    of one, `none` out of reach of all.
    """

    notes: int
    unpitched: int
    direct: float
    by_octave: float
    none: float
    gaps: tuple[PitchGap, ...]
    unpitched_strikers: int


def pitch_coverage(notes: Sequence[Note], strikers: Sequence[Striker]) -> PitchCoverage:
    """Compare heard notes with the strikers' pitches; gaps come with most notes first."""
    able = [striker for striker in strikers if striker.pitch_hz is not None]
    pitched = [note for note in notes if note.pitch_hz is not None]
    direct = by_octave = 0
    lost: list[Note] = []
    for note in pitched:
        hz = note.pitch_hz or 0.0
        if any(abs(cents(hz, _hz(s))) <= NEAR_CENTS for s in able):
            direct += 1
        elif any(abs(octave_off_cents(hz, _hz(s))) <= NEAR_CENTS for s in able):
            by_octave += 1
        else:
            lost.append(note)
    count = max(len(pitched), 1)
    return PitchCoverage(
        notes=len(notes),
        unpitched=len(notes) - len(pitched),
        direct=round(direct / count, 4),
        by_octave=round(by_octave / count, 4),
        none=round(len(lost) / count, 4),
        gaps=tuple(sorted(_gaps(lost, able, count), key=lambda gap: -gap.notes)),
        unpitched_strikers=len(strikers) - len(able),
    )


def _hz(striker: Striker) -> float:
    return striker.pitch_hz or 0.0


def _gaps(lost: list[Note], able: Sequence[Striker], count: int) -> list[PitchGap]:
    """Groups of unanswered pitches, split where neighbours are over a semitone apart."""
    runs: list[list[Note]] = []
    last_hz = 0.0
    for note in sorted(lost, key=lambda note: note.pitch_hz or 0.0):
        hz = note.pitch_hz or 0.0
        wide = bool(runs) and cents(runs[-1][0].pitch_hz or hz, hz) > 200
        if not runs or wide or cents(last_hz, hz) > 100:
            runs.append([])
        runs[-1].append(note)
        last_hz = hz
    return [_gap(run, able, count) for run in runs]


def _gap(run: list[Note], able: Sequence[Striker], count: int) -> PitchGap:
    pitches = [note.pitch_hz or 0.0 for note in run]
    middle_hz = math.exp(sum(map(math.log, pitches)) / len(pitches))
    nearest, off = "", 0.0
    if able:
        best = min(able, key=lambda s: abs(octave_off_cents(middle_hz, _hz(s))))
        nearest, off = best.name, octave_off_cents(middle_hz, _hz(best))
    voices = Counter(note.voice for note in run).most_common(4)
    return PitchGap(
        low_hz=round(min(pitches), 1),
        high_hz=round(max(pitches), 1),
        notes=len(run),
        share=round(len(run) / count, 4),
        voices=tuple(name for name, _ in voices),
        nearest=nearest,
        off_cents=round(off, 1),
    )
