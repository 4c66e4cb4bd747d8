"""What the singers sing: from a recipe to songs, one singer at a time.

Every singer draws from a stream of its own (PCG64), seeded by the scene's seed
and its letter, so that adding a singer leaves the songs of the others as they
were. Songs are made as they are asked for: a scene of many hours needs no more
memory than one of seconds.
"""

from __future__ import annotations

import math
import zlib
from collections.abc import Iterator
from dataclasses import dataclass, replace
from typing import Any

import numpy as np

from callresp.scene.recipe import Range, Recipe, Shape, Singer

PITCHED = frozenset({"whistle", "sweep", "arch", "trill", "vibrato", "stack", "double"})
SHORTEST_S = 0.008


@dataclass(frozen=True, slots=True)
class Sung:
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
class _Motif:
    """Notes that sound together (most often one), and the gap that follows."""

    parts: tuple[Sung, ...]
    gap_s: float
    times: int = 1

    @property
    def length_s(self) -> float:
        return max(sung.length_s for sung in self.parts)


def songs(recipe: Recipe, singer: Singer) -> Iterator[list[Sung]]:
    """All songs of a singer in order, each a list of notes in order of start."""
    rng = np.random.default_rng([recipe.seed, zlib.crc32(singer.voice.encode())])
    repertoire = [_learned(singer, rng) for _ in range(singer.repertoire)]
    ends_s = min(singer.stops_s or math.inf, recipe.seconds) - 0.2
    now_s = singer.starts_s + rng.uniform(0.2, 0.2 + singer.rest_s[0])
    while True:
        motifs = _varied(repertoire[int(rng.integers(len(repertoire)))], rng)
        song, now_s = _sung(motifs, now_s, rng)
        if now_s > ends_s:
            return
        yield song
        slow = 1 + 9 * now_s / recipe.seconds if singer.thin_out else 1.0
        now_s += rng.uniform(*singer.rest_s) * slow


def _varied(motifs: list[_Motif], rng: np.random.Generator) -> list[_Motif]:
    """A song as it is sung today: trills a little longer or shorter, the end at times left off."""
    today = [
        replace(m, times=max(m.times + int(rng.integers(-2, 3)), 3)) if m.times > 1 else m
        for m in motifs
    ]
    if rng.random() < 0.2 and len(today) > 3:
        today.pop()
    return today


def _sung(motifs: list[_Motif], now_s: float, rng: np.random.Generator) -> tuple[list[Sung], float]:
    """One rendition: tempo, timing, pitch and level a little off, as singers are."""
    tempo = rng.uniform(0.96, 1.04)
    song = []
    for motif in (m for m in motifs for _ in range(m.times)):
        late_s = min(abs(rng.normal(0, 0.0012)), 0.25 * motif.gap_s)
        cents = 2 ** (rng.normal(0, 8) / 1200)
        louder_db = rng.normal(0, 0.7)
        for sung in motif.parts:
            song.append(
                replace(
                    sung,
                    at_s=now_s + late_s,
                    length_s=sung.length_s * tempo,
                    hertz=_moved(sung.hertz, cents),
                    level_db=sung.level_db + louder_db,
                    attack_s=sung.attack_s * tempo,
                    release_s=sung.release_s * tempo,
                    grain=int(rng.integers(2**31)),
                )
            )
        now_s += (motif.length_s + motif.gap_s) * tempo
    return song, now_s


def _learned(singer: Singer, rng: np.random.Generator) -> list[_Motif]:
    motifs: list[_Motif] = []
    count = int(rng.integers(singer.notes[0], singer.notes[1] + 1))
    while sum(motif.times for motif in motifs) < count:
        shape = singer.shapes[int(rng.integers(len(singer.shapes)))]
        if shape == "knock":
            return _drummed(singer, rng, count)
        if shape == "trill":
            motifs.append(_trill(singer, rng))
            continue
        length_s = _log_uniform(rng, singer.note_ms) / 1000
        gap_s = rng.uniform(*singer.gap_ms) / 1000
        motifs.append(_Motif(_parts(singer, shape, length_s, rng), gap_s))
    return motifs


def _parts(
    singer: Singer, shape: Shape, length_s: float, rng: np.random.Generator
) -> tuple[Sung, ...]:
    """One note; or two at once, as a syrinx with two sides can sing them."""
    first = _note(singer, shape, length_s, rng)
    if shape != "double":
        return (first,)
    apart = rng.uniform(1.2, 1.7)
    other = _moved(first.hertz, apart, rng.uniform(0.97, 1.03))
    return first, replace(first, hertz=other, level_db=first.level_db - rng.uniform(0, 4))


def _moved(
    hertz: tuple[float, float, float], ratio: float, more_at_end: float = 1.0
) -> tuple[float, float, float]:
    first, middle, last = hertz
    return first * ratio, middle * ratio * more_at_end**0.5, last * ratio * more_at_end


def _trill(singer: Singer, rng: np.random.Generator) -> _Motif:
    """The same short sweep again and again, at the singer's rate."""
    period_s = 1 / rng.uniform(*singer.per_s)
    length_s = period_s * rng.uniform(0.5, 0.7)
    sung = replace(_note(singer, "sweep", length_s, rng), shape="trill")
    return _Motif((sung,), period_s - length_s, times=int(rng.integers(5, 14)))


def _drummed(singer: Singer, rng: np.random.Generator, count: int) -> list[_Motif]:
    """A drum roll whose rate runs from one end of `per_s` to the other, or holds between."""
    kind = rng.random()
    slow, fast = singer.per_s
    first, last = (slow, fast) if kind < 0.4 else (fast, slow)
    if kind > 0.7:
        first = last = _log_uniform(rng, singer.per_s)
    base = _note(singer, "knock", 0.03, rng)
    rates = np.geomspace(first, last, max(count, 2))
    return [_Motif((base,), 1 / rate - base.length_s) for rate in rates]


def _log_uniform(rng: np.random.Generator, span: Range) -> float:
    return float(np.exp(rng.uniform(np.log(span[0]), np.log(span[1]))))


def _note(singer: Singer, shape: Shape, length_s: float, rng: np.random.Generator) -> Sung:
    first_hz = _log_uniform(rng, singer.band_hz)
    hertz, extra = _course(singer, shape, first_hz, rng)
    if shape == "click":
        length_s = rng.uniform(0.003, 0.008)
    length_s = max(length_s, SHORTEST_S if shape in PITCHED else 0.003)
    quick = shape in ("click", "knock")
    # Attacks of songbird notes take some ms to some tens of ms (common practice, no source).
    attack_s = min(np.exp(rng.normal(np.log(0.009), 0.5)), 0.35 * length_s)
    release_s = min(np.exp(rng.normal(np.log(0.016), 0.5)), 0.45 * length_s)
    return Sung(
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


def _course(
    singer: Singer, shape: Shape, first_hz: float, rng: np.random.Generator
) -> tuple[tuple[float, float, float], dict[str, Any]]:
    """Pitch at start, middle and end, and what else the shape needs."""
    steady = (first_hz, first_hz, first_hz)
    if shape in ("sweep", "double"):
        last_hz = _log_uniform(rng, singer.band_hz)
        middle = rng.uniform(0.35, 0.65)
        return (first_hz, first_hz * (last_hz / first_hz) ** middle, last_hz), {}
    if shape == "arch":
        turn_hz = _log_uniform(rng, singer.band_hz)
        last_hz = first_hz * (turn_hz / first_hz) ** rng.uniform(-0.2, 0.4)
        return (first_hz, turn_hz, last_hz), {}
    if shape == "whistle":
        drift = rng.uniform(0.985, 1.015)
        return (first_hz, first_hz * drift**0.5, first_hz * drift), {}
    if shape == "vibrato":
        return steady, {"depth": rng.uniform(0.008, 0.03), "rate_hz": rng.uniform(15, 40)}
    if shape == "stack":
        drift = rng.uniform(0.94, 1.06)
        more = {"partials": int(rng.integers(5, 11)), "tilt_db": rng.uniform(1.5, 4.0)}
        return (first_hz, first_hz * drift**0.5, first_hz * drift), more
    if shape == "buzz":
        return steady, {"rate_hz": rng.uniform(60, 160)}
    return steady, {}
