"""What a singer has learned: its notes, and the motifs that they form.

A repertoire is made once, from the singer's own random stream; what is sung
today differs from it a little (callresp.scene.songs, callresp.scene.bouts).
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import TypedDict

import numpy as np

from callresp.scene.recipe import Range, Shape, Singer

PITCHED = frozenset({"whistle", "sweep", "arch", "trill", "vibrato", "stack", "double"})
SHORTEST_S = 0.008


@dataclass(frozen=True, slots=True)
class SongNote:
    """One note to be sung.

    `hertz` is its pitch at start, middle and end (the centre of its band where
    it has none); `depth` and `rate_hz` are its vibrato, or the beating of a
    buzz; `partials` is the number of its harmonics and `tilt_db` how much each
    lies below the one before. The envelope rises over `attack_s`, falls over
    `release_s`, and between them leans by `lean_db` towards the place `peak`
    (0..1). `at_s` is when it starts at the singer; `grain` seeds its noise.
    """

    voice: str
    shape: Shape
    at_s: float
    length_s: float
    level_db: float
    hertz: tuple[float, float, float]
    depth: float = 0.0
    rate_hz: float = 0.0
    partials: int = 2
    tilt_db: float = 30.0
    attack_s: float = 0.0
    release_s: float = 0.0
    peak: float = 0.5
    lean_db: float = 0.0
    grain: int = 0

    @property
    def middle_hz(self) -> float:
        """Its pitch at half its length."""
        return self.hertz[1]


@dataclass(frozen=True, slots=True)
class Motif:
    """Notes that sound together (most often one), and the gap that follows."""

    parts: tuple[SongNote, ...]
    gap_s: float
    times: int = 1

    @property
    def length_s(self) -> float:
        """Length of its longest part."""
        return max(sung.length_s for sung in self.parts)


def learned(singer: Singer, rng: np.random.Generator) -> list[Motif]:
    """A phrase that a singer has learned."""
    motifs: list[Motif] = []
    count = int(rng.integers(singer.notes[0], singer.notes[1] + 1))
    while sum(motif.times for motif in motifs) < count:
        shape = singer.shapes[int(rng.integers(len(singer.shapes)))]
        if shape == "knock":
            return _drummed(singer, rng, count)
        if shape == "trill":
            motifs.append(trill(singer, rng))
            continue
        length_s = log_uniform(rng, singer.note_ms) / 1000
        gap_s = rng.uniform(*singer.gap_ms) / 1000
        motifs.append(Motif(parts(singer, shape, length_s, rng), gap_s))
    return motifs


def parts(
    singer: Singer, shape: Shape, length_s: float, rng: np.random.Generator
) -> tuple[SongNote, ...]:
    """One note; or two at once, as a syrinx with two sides can sing them."""
    first = sung_note(singer, shape, length_s, rng)
    if shape != "double":
        return (first,)
    apart = rng.uniform(1.2, 1.7)
    other = moved(first.hertz, apart, rng.uniform(0.97, 1.03))
    return first, replace(first, hertz=other, level_db=first.level_db - rng.uniform(0, 4))


def moved(
    hertz: tuple[float, float, float], ratio: float, more_at_end: float = 1.0
) -> tuple[float, float, float]:
    """Pitches moved by a ratio, and at the end by a further one."""
    first, middle, last = hertz
    return first * ratio, middle * ratio * more_at_end**0.5, last * ratio * more_at_end


def trill(singer: Singer, rng: np.random.Generator) -> Motif:
    """The same short sweep again and again, at the singer's rate."""
    period_s = 1 / rng.uniform(*singer.per_s)
    length_s = period_s * rng.uniform(0.5, 0.7)
    sung = replace(sung_note(singer, "sweep", length_s, rng), shape="trill")
    return Motif((sung,), period_s - length_s, times=int(rng.integers(5, 14)))


def _drummed(singer: Singer, rng: np.random.Generator, count: int) -> list[Motif]:
    """A drum roll whose rate runs from one end of `per_s` to the other, or holds between."""
    kind = rng.random()
    slow, fast = singer.per_s
    first, last = (slow, fast) if kind < 0.4 else (fast, slow)
    if kind > 0.7:
        first = last = log_uniform(rng, singer.per_s)
    base = sung_note(singer, "knock", 0.03, rng)
    rates = np.geomspace(first, last, max(count, 2))
    return [Motif((base,), 1 / rate - base.length_s) for rate in rates]


def log_uniform(rng: np.random.Generator, span: Range) -> float:
    """A value drawn evenly in log from a range."""
    return float(np.exp(rng.uniform(np.log(span[0]), np.log(span[1]))))


def sung_note(singer: Singer, shape: Shape, length_s: float, rng: np.random.Generator) -> SongNote:
    """A note of a shape in the singer's band."""
    first_hz = log_uniform(rng, singer.band_hz)
    hertz, extra = _course(singer, shape, first_hz, rng)
    if shape == "click":
        length_s = rng.uniform(0.003, 0.008)
    length_s = max(length_s, SHORTEST_S if shape in PITCHED else 0.003)
    quick = shape in ("click", "knock")
    # Attacks of songbird notes take some ms to some tens of ms (common practice, no source).
    attack_s = min(np.exp(rng.normal(np.log(0.009), 0.5)), 0.35 * length_s)
    release_s = min(np.exp(rng.normal(np.log(0.016), 0.5)), 0.45 * length_s)
    return SongNote(
        voice=singer.voice,
        shape=shape,
        at_s=0.0,
        length_s=length_s,
        level_db=singer.level_db + rng.uniform(-3, 0),
        hertz=hertz,
        attack_s=0.2 * length_s if quick else float(attack_s),
        release_s=0.5 * length_s if quick else float(release_s),
        peak=rng.uniform(0.15, 0.75),
        lean_db=0.0 if quick else rng.uniform(0.5, 6.0),
        **extra,
    )


class _More(TypedDict, total=False):
    """What some shapes need beside their pitches, as `SongNote` has it."""

    depth: float
    rate_hz: float
    partials: int
    tilt_db: float


def _course(
    singer: Singer, shape: Shape, first_hz: float, rng: np.random.Generator
) -> tuple[tuple[float, float, float], _More]:
    """Pitch at start, middle and end, and what else the shape needs."""
    steady = (first_hz, first_hz, first_hz)
    if shape in ("sweep", "double"):
        last_hz = log_uniform(rng, singer.band_hz)
        middle = rng.uniform(0.35, 0.65)
        return (first_hz, first_hz * (last_hz / first_hz) ** middle, last_hz), {}
    if shape == "arch":
        turn_hz = log_uniform(rng, singer.band_hz)
        last_hz = first_hz * (turn_hz / first_hz) ** rng.uniform(-0.2, 0.4)
        return (first_hz, turn_hz, last_hz), {}
    if shape == "whistle":
        drift = rng.uniform(0.985, 1.015)
        return (first_hz, first_hz * drift**0.5, first_hz * drift), {}
    if shape == "vibrato":
        return steady, {"depth": rng.uniform(0.008, 0.03), "rate_hz": rng.uniform(15, 40)}
    if shape == "stack":
        drift = rng.uniform(0.94, 1.06)
        more: _More = {"partials": int(rng.integers(5, 11)), "tilt_db": rng.uniform(1.5, 4.0)}
        return (first_hz, first_hz * drift**0.5, first_hz * drift), more
    if shape == "buzz":
        return steady, {"rate_hz": rng.uniform(60, 160)}
    return steady, {}
