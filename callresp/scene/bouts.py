"""Singers as birds are: unlike syllables, in an order of their own, by bouts.

Goal
----
A real bird does not keep to a band and a timbre. One bout runs through
whistles, sweeps, stacks of harmonics, buzzes and clicks over two or three
octaves, with short gaps; its level and distance hold; and the order of its
syllables is its own. A singer with `syllables` in its recipe sings so.

The order is a first-order Markov chain over the syllables (a bigram grammar:
common practice, no source): some syllables repeat, each has one usual
successor and one or two seldom ones. Singers of one `kind` learn the same
syllables, each in its own way, and have each an order of their own. Singers
who share a name in `turns` answer each other, with or without overlap.

A singer's own notes never overlap.
"""

from __future__ import annotations

import zlib
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace

import msgspec
import numpy as np
import numpy.typing as npt

from callresp.scene.motifs import Motif, SongNote, log_uniform, moved, sung_note
from callresp.scene.recipe import Recipe, Singer

Values = npt.NDArray[np.float64]

_LEAST_REST_S = 0.3
_SLOWEST_SOUND_M_S = 300.0
_SYLLABLE_SPREAD_DB = 8.0
_BOUT_DB = 0.8
_NOTE_DB = 0.5
_GROUP_RESTS = 0.2  # share of turns before which all of a group rest


@dataclass(frozen=True, slots=True)
class Repertoire:
    """What a singer knows: its syllables, each with its usual gap, and their order.

    ``order[i, j]`` is the probability that syllable j follows syllable i.
    """

    syllables: tuple[Motif, ...]
    order: Values


def repertoire(recipe: Recipe, singer: Singer, rng: np.random.Generator) -> Repertoire:
    """What a singer has learned, from its own random stream and from its kind's."""
    if singer.kind is None:
        syllables = _syllables(singer, rng)
    else:
        shared = np.random.default_rng([recipe.seed, 71, zlib.crc32(singer.kind.encode())])
        syllables = [_own_way(syllable, singer, rng) for syllable in _syllables(singer, shared)]
    return Repertoire(tuple(syllables), _order(len(syllables), rng))


def _syllables(singer: Singer, rng: np.random.Generator) -> list[Motif]:
    """Syllables as unlike as the shapes allow, their pitches spread over the whole band."""
    count = singer.syllables or 0
    shapes = [singer.shapes[k % len(singer.shapes)] for k in range(count)]
    low, high = np.log(singer.band_hz)
    edges = np.exp(np.linspace(low, high, count + 1))
    places = rng.permutation(count)
    found = []
    for k, shape in enumerate(shapes):
        # A stack of harmonics fills the band from its lower end up.
        at = 0 if shape == "stack" else int(places[k])
        own = max(edges[at] / 1.2, singer.band_hz[0]), min(1.2 * edges[at + 1], singer.band_hz[1])
        within = msgspec.structs.replace(singer, band_hz=(float(own[0]), float(own[1])))
        gap_s = rng.uniform(*singer.gap_ms) / 1000
        length_s = log_uniform(rng, singer.note_ms) / 1000
        times = 1
        if shape == "trill":
            period_s = 1 / rng.uniform(*singer.per_s)
            gap_s = max(0.4 * period_s, singer.gap_ms[0] / 1000)
            length_s, times = max(period_s - gap_s, 0.012), int(rng.integers(4, 9))
        sung = sung_note(within, "sweep" if shape == "trill" else shape, length_s, rng)
        level_db = singer.level_db - rng.uniform(0, _SYLLABLE_SPREAD_DB)
        found.append(Motif((replace(sung, shape=shape, level_db=level_db),), gap_s, times))
    return found


def _own_way(syllable: Motif, singer: Singer, rng: np.random.Generator) -> Motif:
    """A syllable of the kind as one of its singers has it."""
    (sung,) = syllable.parts
    longer = rng.uniform(0.85, 1.18)
    own = replace(
        sung,
        voice=singer.voice,
        hertz=moved(sung.hertz, 2 ** rng.uniform(-0.12, 0.12)),
        length_s=sung.length_s * longer,
        attack_s=sung.attack_s * longer,
        release_s=sung.release_s * longer,
        level_db=singer.level_db - rng.uniform(0, _SYLLABLE_SPREAD_DB),
    )
    return replace(syllable, parts=(own,), gap_s=syllable.gap_s * rng.uniform(0.8, 1.25))


def _order(count: int, rng: np.random.Generator) -> Values:
    """A grammar in which every syllable can be reached."""
    order = np.zeros((count, count))
    ring = rng.permutation(count)
    for here, after in zip(ring, np.roll(ring, -1), strict=True):
        order[here, after] += rng.uniform(0.5, 0.9)
        for other in rng.choice(count, size=min(2, count), replace=False):
            order[here, other] += rng.uniform(0.02, 0.25)
        if rng.random() < 0.4:
            order[here, here] += rng.uniform(0.5, 1.5)
    return np.asarray(order / order.sum(axis=1, keepdims=True))


def sequence(known: Repertoire, count: int, rng: np.random.Generator) -> list[int]:
    """Syllables of a bout, by number: from the first on, each drawn by the one before."""
    found = [0]
    while len(found) < count:
        found.append(int(rng.choice(len(known.syllables), p=known.order[found[-1]])))
    return found


def bout(
    known: Repertoire, singer: Singer, starts_s: float, rng: np.random.Generator
) -> tuple[list[SongNote], float]:
    """One bout from a moment on, and when it ends."""
    count = int(rng.integers(singer.notes[0], singer.notes[1] + 1))
    tempo = rng.uniform(0.96, 1.04)
    louder_db = rng.normal(0, _BOUT_DB)
    low_s, high_s = (gap / 1000 for gap in singer.gap_ms)
    now_s, ends_s = starts_s, starts_s
    song: list[SongNote] = []
    for number in sequence(known, count, rng):
        syllable = known.syllables[number]
        (sung,) = syllable.parts
        for _ in range(syllable.times):
            length_s = sung.length_s * tempo
            song.append(
                replace(
                    sung,
                    at_s=now_s,
                    length_s=length_s,
                    hertz=moved(sung.hertz, 2 ** (rng.normal(0, 8) / 1200)),
                    level_db=sung.level_db + louder_db + rng.normal(0, _NOTE_DB),
                    attack_s=sung.attack_s * tempo,
                    release_s=sung.release_s * tempo,
                    grain=int(rng.integers(2**31)),
                )
            )
            ends_s = now_s + length_s
            gap_s = syllable.gap_s * tempo * (1 + 0.08 * rng.standard_normal())
            now_s = ends_s + min(max(gap_s, low_s), high_s)
    return song, ends_s


def rounds(recipe: Recipe, members: Sequence[Singer]) -> Iterator[tuple[Singer, list[SongNote]]]:
    """The bouts of singers who take turns, in order of start.

    Each begins `turn_s` after the end of the bout before it; before, where that
    is negative. At times the whole group rests.
    """
    name = members[0].turns or ""
    shared = np.random.default_rng([recipe.seed, 72, zlib.crc32(name.encode())])
    streams = {s.voice: own_stream(recipe, s) for s in members}
    known = {s.voice: repertoire(recipe, s, streams[s.voice]) for s in members}
    free_s = {s.voice: s.starts_s for s in members}
    distances_m = [s.distance_m for s in members]
    apart_s = _LEAST_REST_S + (max(distances_m) - min(distances_m)) / _SLOWEST_SOUND_M_S
    before, began_s, ended_s = "", 0.0, shared.uniform(0.2, 1.0)
    while True:
        # Most often whoever has been silent longest; nobody twice in a row.
        others = sorted((s for s in members if s.voice != before), key=lambda s: free_s[s.voice])
        singer = others[int(shared.integers(len(others))) if shared.random() < 0.3 else 0]
        gap_s = shared.uniform(*singer.turn_s)
        if shared.random() < _GROUP_RESTS:
            gap_s = shared.uniform(*singer.rest_s)
        starts_s = max(ended_s + gap_s, free_s[singer.voice], began_s + apart_s)
        if starts_s > min(singer.stops_s or recipe.seconds, recipe.seconds) - 0.2:
            return
        song, ended_s = bout(known[singer.voice], singer, starts_s, streams[singer.voice])
        yield singer, song
        free_s[singer.voice] = ended_s + _LEAST_REST_S
        before, began_s = singer.voice, starts_s


def own_stream(recipe: Recipe, singer: Singer) -> np.random.Generator:
    """A singer's own random stream."""
    return np.random.default_rng([recipe.seed, zlib.crc32(singer.voice.encode())])
