"""Heard scores for replies: random ones, and small ones by hand."""

from __future__ import annotations

from hypothesis import strategies as st

from callresp.io.score import HeardHeader, HeardScore, Note


def note(
    number: int,
    onset_s: float,
    length_s: float = 0.1,
    pitch_hz: float | None = 1500.0,
    voice: str = "A",
    phrase: int = 0,
    level_db: float = -30.0,
) -> Note:
    return Note(
        id=number,
        onset_s=onset_s,
        offset_s=onset_s + length_s,
        pitch_hz=pitch_hz,
        level_db=level_db,
        voice=voice,
        tonality=0.0 if pitch_hz is None else 0.9,
        phrase=phrase,
    )


def score_of(*notes: Note) -> HeardScore:
    ordered = tuple(sorted(notes, key=lambda n: (n.onset_s, n.id)))
    last = max((n.offset_s for n in notes), default=0.0)
    return HeardScore(header=HeardHeader(duration_s=last + 5), notes=ordered)


def call(
    pitches: list[float | None], start_s: float = 1.0, step_s: float = 0.3, **more: object
) -> list[Note]:
    """A phrase of notes at an even step."""
    return [
        note(n, start_s + n * step_s, 0.1, pitch, **more)  # type: ignore[arg-type]
        for n, pitch in enumerate(pitches)
    ]


@st.composite
def heard_scores(draw: st.DrawFn) -> HeardScore:
    notes: list[Note] = []
    phrase = 0
    for voice in "ABC"[: draw(st.integers(1, 3))]:
        now = draw(st.floats(0, 3))
        for _ in range(draw(st.integers(0, 6))):
            for _ in range(draw(st.integers(1, 6))):
                length = draw(st.floats(0.01, 0.3))
                pitch = draw(st.none() | st.floats(200, 9000))
                level = draw(st.floats(-60, -10))
                notes.append(note(len(notes), now, length, pitch, voice, phrase, level))
                now += length + draw(st.floats(0.01, 0.2))
            now += draw(st.floats(0.5, 6))
            phrase += 1
    return score_of(*notes)
