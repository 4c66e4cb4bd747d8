"""What a reply is made of: notes without instruments, and how rules treat them.

Conventions
-----------
Times are seconds from the reply's first note. Pitches are log2 of hertz where
they are moved, so that an inversion keeps sizes of intervals; `None` has none.
Treatments are those of counterpoint: retrograde plays backwards in time,
inversion mirrors each interval about the first pitch (as in Fux 1725, and in
set theory, Forte 1973).

Rhythm of a reply: kept, stretched to what the strikers can repeat, or on the pulse.
"""

from __future__ import annotations

import math
import statistics
from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from itertools import pairwise

from callresp.io.score import Note, Phrase
from callresp.palette.model import Striker
from callresp.rhythm import find_pulse


@dataclass(frozen=True, slots=True)
class Tone:
    """A note to be, from `at_s` for `length_s`; `heard` is the note that it answers.

    `bright_hz` is the middle of its band, where it is known: what has no pitch
    may still be higher or lower.
    """

    at_s: float
    length_s: float
    pitch_hz: float | None
    level_db: float
    heard: int | None
    said: str = ""
    bright_hz: float | None = None


Tones = tuple[Tone, ...]

# Onsets nearer than this are heard as one (common practice, no source: 20 to 40 ms).
ONE_TONE_S = 0.03
CHORD_S = 0.01
GRACE_S = 0.09
QUICKEST_BEAT_S = 0.2
PITCHED_SHARE = 0.2


def from_phrase(phrase: Phrase) -> Tones:
    """The tones of a heard phrase.

    Notes that begin within `ONE_TONE_S` are parts of one syllable: of them one
    tone is kept, the loudest that has a pitch. Two pitches that begin together
    are a chord and stay.
    """
    kept: list[Note] = []
    begun_s = -math.inf
    for note in phrase.notes:
        if note.onset_s - begun_s >= ONE_TONE_S:
            begun_s = note.onset_s
        elif not (_chord(kept[-1], note) or _outdoes(note, kept[-1])):
            continue
        elif not _chord(kept[-1], note):
            kept.pop()
        kept.append(note)
    start_s = phrase.onset_s
    return tuple(
        Tone(
            note.onset_s - start_s,
            note.length_s,
            note.pitch_hz,
            note.level_db,
            note.id,
            bright_hz=math.sqrt(note.low_hz * note.high_hz) if note.low_hz > 0 else None,
        )
        for note in kept
    )


def _chord(first: Note, second: Note) -> bool:
    together = second.onset_s - first.onset_s < CHORD_S
    return together and first.pitch_hz is not None and second.pitch_hz is not None


def _outdoes(note: Note, other: Note) -> bool:
    """Whether a part stands for its syllable rather than another part."""
    pitched, before = note.pitch_hz is not None, other.pitch_hz is not None
    return pitched > before or (pitched == before and note.level_db > other.level_db)


def settled(tones: Sequence[Tone]) -> Tones:
    """The same, in order and from 0."""
    if not tones:
        return ()
    ordered = sorted(tones, key=lambda tone: tone.at_s)
    start_s = ordered[0].at_s
    return tuple(replace(tone, at_s=tone.at_s - start_s) for tone in ordered)


def retrograde(tones: Tones) -> Tones:
    """Last first: onsets are mirrored about the middle, lengths stay."""
    end_s = max(tone.at_s for tone in tones)
    return settled([replace(tone, at_s=end_s - tone.at_s, said="backwards") for tone in tones])


def invert(tones: Tones) -> Tones:
    """Each interval mirrored about the first pitch."""
    axis = next((tone.pitch_hz for tone in tones if tone.pitch_hz is not None), None)
    if axis is None:
        return tones
    return tuple(
        tone
        if tone.pitch_hz is None
        else replace(tone, pitch_hz=axis * axis / tone.pitch_hz, said="mirrored")
        for tone in tones
    )


def head(tones: Tones) -> Tones:
    """The first notes: three, or half of a longer phrase."""
    keep = max(3, len(tones) // 2)
    return settled([replace(tone, said="from its head") for tone in tones[:keep]])


def tail(tones: Tones) -> Tones:
    """The last notes, three at most."""
    return settled([replace(tone, said="from its tail") for tone in tones[-3:]])


def thin(tones: Tones) -> Tones:
    """Every other note: say less than was heard."""
    return settled([replace(tone, said="thinned") for tone in tones[::2]])


def contour(tones: Tones) -> Tones:
    """Only first, last and the turns of the line."""
    pitched = [tone for tone in tones if tone.pitch_hz is not None]
    if len(pitched) < 3:
        return tones
    kept = [pitched[0]]
    going = 0.0
    for before, tone in pairwise(pitched):
        moved = (tone.pitch_hz or 0) - (before.pitch_hz or 0)
        # A plateau has no direction: its last note is the turn.
        if moved * going < 0:
            kept.append(before)
        going = moved or going
    kept.append(pitched[-1])
    return settled([replace(tone, said="a turn of its line") for tone in kept])


def ostinato(tones: Tones) -> Tones:
    """Its own beat, four times: the median time between onsets, on its lowest pitch.

    A beat too quick to be followed is taken at every second onset, or every
    fourth: people tap along from some five beats a second down (common
    practice, no source). What has hardly any pitch keeps its beat without.
    """
    if len(tones) < 3:
        return tones
    steps = [b.at_s - a.at_s for a, b in pairwise(tones)]
    beat_s = max(statistics.median(steps), 0.05)
    while beat_s < QUICKEST_BEAT_S:
        beat_s *= 2
    pitched = [tone for tone in tones if tone.pitch_hz is not None]
    sung = pitched if len(pitched) >= PITCHED_SHARE * len(tones) else tones
    lowest = min(sung, key=lambda tone: tone.pitch_hz or 0.0)
    return tuple(
        replace(lowest, at_s=beat_s * beat, length_s=0.8 * beat_s, said="on its beat")
        for beat in range(4)
    )


def ornament(tones: Tones) -> Tones:
    """A quick neighbour before each longer note, a tone above it."""
    lengths = sorted(tone.length_s for tone in tones)
    long_s = lengths[len(lengths) // 2]
    out: list[Tone] = []
    for tone in tones:
        if tone.pitch_hz is not None and tone.length_s >= long_s:
            grace = replace(
                tone,
                at_s=tone.at_s - GRACE_S,
                length_s=GRACE_S,
                pitch_hz=tone.pitch_hz * 2 ** (2 / 12),
                level_db=tone.level_db - 6,
                said="an ornament",
            )
            out.append(grace)
        out.append(tone)
    return settled(out)


def augment(tones: Tones) -> Tones:
    """Twice as slow."""
    return _slower(tones, 2.0, "twice as slow")


def diminish(tones: Tones) -> Tones:
    """Twice as fast."""
    return _slower(tones, 0.5, "twice as fast")


def _slower(tones: Tones, factor: float, said: str) -> Tones:
    return tuple(replace(tone, said=said) for tone in scaled(tones, factor))


TREATMENTS: dict[str, Callable[[Tones], Tones]] = {
    "echo": lambda tones: tones,
    "contour": contour,
    "invert": invert,
    "retrograde": retrograde,
    "head": head,
    "tail": tail,
    "thin": thin,
    "ornament": ornament,
    "augment": augment,
    "diminish": diminish,
    "ostinato": ostinato,
}


def scaled(tones: Sequence[Tone], factor: float) -> Tones:
    """All times, `factor` times as long (augmentation above 1, diminution below)."""
    return tuple(
        replace(tone, at_s=tone.at_s * factor, length_s=tone.length_s * factor) for tone in tones
    )


def stretch_needed(tones: Sequence[Tone], strikers: Sequence[Striker | None]) -> float:
    """The least factor at which every striker can repeat as asked; at least 1."""
    last: dict[str, float] = {}
    factor = 1.0
    for tone, striker in zip(tones, strikers, strict=True):
        if striker is None:
            continue
        before_s = last.get(striker.name)
        if before_s is not None and tone.at_s > before_s:
            factor = max(factor, striker.restrike_ms / 1000 * 1.001 / (tone.at_s - before_s))
        last[striker.name] = tone.at_s
    return factor


def on_pulse(tones: Sequence[Tone]) -> Tones:
    """Onsets moved to the nearest quarter of the beat that they keep, from 0 on.

    They stay where `callresp.rhythm.find_pulse` hears no pulse.
    """
    pulse = find_pulse([tone.at_s for tone in tones])
    if pulse is None:
        return tuple(tones)
    quarters = replace(pulse, period_s=pulse.period_s / 4)
    return settled([replace(tone, at_s=quarters.nearest_s(tone.at_s)) for tone in tones])
