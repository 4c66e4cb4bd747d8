"""What the singers sing: from a recipe to a schedule of notes.

Every singer draws from a stream of its own, seeded by the scene's seed and its
letter, so that adding a singer leaves the others as they were.
"""

from __future__ import annotations

import math
import zlib
from collections.abc import Iterator
from dataclasses import dataclass, replace

import numpy as np

from callresp.scene.recipe import Range, Recipe, Shape, Singer


@dataclass(frozen=True, slots=True)
class Sung:
    """One note to be sung.

    `from_hz` and `to_hz` are its pitch at start and end (the centre of its
    band where it has none); `bend` curves the way between; `depth` and
    `rate_hz` are its vibrato, or the beating of a buzz; `partials` the number
    of its harmonics and `tilt_db` how much each lies below the one before.
    `at_s` is when its envelope starts at the singer.
    """

    voice: str
    phrase: int
    shape: Shape
    at_s: float
    length_s: float
    level_db: float
    from_hz: float
    to_hz: float
    bend: float = 0.0
    depth: float = 0.0
    rate_hz: float = 0.0
    partials: int = 1
    tilt_db: float = 30.0
    attack: float = 0.15
    decay: float = 0.3
    grain: int = 0


@dataclass(frozen=True, slots=True)
class _Motif:
    """A note of a learned phrase, and the gap that follows it."""

    sung: Sung
    gap_s: float


def schedule(recipe: Recipe) -> list[Sung]:
    """All notes of a scene in order of start."""
    notes: list[Sung] = []
    phrase = 0
    for singer in recipe.singer:
        for song in _songs(recipe, singer):
            notes.extend(_renumbered(song, phrase))
            phrase += 1
    return sorted(notes, key=lambda sung: (sung.at_s, sung.voice))


def _renumbered(song: list[Sung], phrase: int) -> Iterator[Sung]:
    return (replace(sung, phrase=phrase) for sung in song)


def _songs(recipe: Recipe, singer: Singer) -> Iterator[list[Sung]]:
    rng = np.random.default_rng([recipe.seed, zlib.crc32(singer.voice.encode())])
    repertoire = [_learned(singer, rng) for _ in range(singer.repertoire)]
    ends_s = min(singer.stops_s or math.inf, recipe.seconds) - 0.2
    now_s = singer.starts_s + rng.uniform(0.2, 0.2 + singer.rest_s[0])
    while True:
        motifs = repertoire[int(rng.integers(len(repertoire)))]
        song, now_s = _sung(motifs, now_s, rng)
        if now_s > ends_s:
            return
        yield song
        slow = 1 + 9 * now_s / recipe.seconds if singer.thin_out else 1.0
        now_s += rng.uniform(*singer.rest_s) * slow


def _sung(motifs: list[_Motif], now_s: float, rng: np.random.Generator) -> tuple[list[Sung], float]:
    """One rendition: tempo, pitch and level a little off, as singers are."""
    tempo = rng.uniform(0.96, 1.04)
    song = []
    for motif in motifs:
        cents = 2 ** (rng.normal(0, 8) / 1200)
        sung = motif.sung
        song.append(
            replace(
                sung,
                at_s=now_s,
                length_s=sung.length_s * tempo,
                from_hz=sung.from_hz * cents,
                to_hz=sung.to_hz * cents,
                level_db=sung.level_db + rng.normal(0, 0.7),
                grain=int(rng.integers(2**31)),
            )
        )
        now_s += (sung.length_s + motif.gap_s) * tempo
    return song, now_s


def _learned(singer: Singer, rng: np.random.Generator) -> list[_Motif]:
    motifs: list[_Motif] = []
    count = int(rng.integers(singer.notes[0], singer.notes[1] + 1))
    while len(motifs) < count:
        shape = singer.shapes[int(rng.integers(len(singer.shapes)))]
        if shape == "trill":
            motifs.extend(_trill(singer, rng))
        elif shape == "knock":
            return _drummed(singer, rng, count)
        else:
            sung = _note(singer, shape, _log_uniform(rng, singer.note_ms) / 1000, rng)
            motifs.append(_Motif(sung, rng.uniform(*singer.gap_ms) / 1000))
    return motifs


def _trill(singer: Singer, rng: np.random.Generator) -> list[_Motif]:
    """The same short sweep again and again, at the singer's rate."""
    period_s = 1 / rng.uniform(*singer.per_s)
    length_s = period_s * rng.uniform(0.5, 0.7)
    sung = _note(singer, "sweep", length_s, rng)
    return [_Motif(sung, period_s - length_s)] * int(rng.integers(5, 14))


def _drummed(singer: Singer, rng: np.random.Generator, count: int) -> list[_Motif]:
    """A drum roll whose rate runs from one end of `per_s` to the other."""
    first, last = rng.permutation(singer.per_s) if rng.random() < 0.5 else singer.per_s
    base = _note(singer, "knock", 0.03, rng)
    rates = np.geomspace(first, last, max(count, 2))
    return [_Motif(base, 1 / rate - base.length_s) for rate in rates]


def _log_uniform(rng: np.random.Generator, span: Range) -> float:
    return float(np.exp(rng.uniform(np.log(span[0]), np.log(span[1]))))


def _note(singer: Singer, shape: Shape, length_s: float, rng: np.random.Generator) -> Sung:
    low, high = singer.band_hz
    from_hz = _log_uniform(rng, (low, high))
    to_hz = from_hz
    extra: dict[str, float] = {}
    if shape == "sweep":
        to_hz = _log_uniform(rng, (low, high))
        extra = {"bend": rng.uniform(-0.5, 0.5)}
    elif shape == "whistle":
        to_hz = from_hz * rng.uniform(0.99, 1.01)
    elif shape == "vibrato":
        extra = {"depth": rng.uniform(0.008, 0.03), "rate_hz": rng.uniform(15, 40)}
    elif shape == "stack":
        to_hz = from_hz * rng.uniform(0.94, 1.06)
        extra = {"partials": int(rng.integers(5, 11)), "tilt_db": rng.uniform(1.5, 4.0)}
    elif shape == "buzz":
        extra = {"rate_hz": rng.uniform(60, 160)}
    quick = shape in ("click", "knock")
    return Sung(
        voice=singer.voice,
        phrase=0,
        shape=shape,
        at_s=0.0,
        length_s={"click": 0.006, "knock": length_s}.get(shape, length_s),
        level_db=singer.level_db + rng.uniform(-3, 0),
        from_hz=from_hz,
        to_hz=to_hz,
        attack=0.0 if quick else rng.uniform(0.1, 0.3),
        decay=0.0 if quick else rng.uniform(0.15, 0.4),
        **extra,  # type: ignore[arg-type]
    )
