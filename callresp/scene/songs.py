"""What the singers sing: from a recipe to songs, one singer at a time.

Every singer draws from a stream of its own (PCG64), seeded by the scene's seed
and its letter, so that adding a singer leaves the songs of the others as they
were. Songs are made as they are asked for: a scene of many hours needs no more
memory than one of seconds.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Iterator
from dataclasses import replace

import numpy as np

from callresp.scene.bouts import bout, own_stream, repertoire
from callresp.scene.motifs import Motif, SongNote, learned, moved
from callresp.scene.recipe import Recipe, Singer

# From a moment to a song and its end.
Sing = Callable[[float], tuple[list[SongNote], float]]


def songs(recipe: Recipe, singer: Singer) -> Iterator[list[SongNote]]:
    """All songs of a singer in order, each a list of notes in order of start."""
    rng = own_stream(recipe, singer)
    ends_s = min(singer.stops_s or math.inf, recipe.seconds) - 0.2
    sing = _by_bouts(recipe, singer, rng) if singer.syllables else _by_motifs(singer, rng)
    now_s = singer.starts_s + rng.uniform(0.2, 0.2 + singer.rest_s[0])
    while True:
        song, now_s = sing(now_s)
        if now_s > ends_s:
            return
        yield song
        slow = 1 + 9 * now_s / recipe.seconds if singer.thin_out else 1.0
        now_s += rng.uniform(*singer.rest_s) * slow


def _by_motifs(singer: Singer, rng: np.random.Generator) -> Sing:
    songs_known = [learned(singer, rng) for _ in range(singer.repertoire)]

    def sing(now_s: float) -> tuple[list[SongNote], float]:
        motifs = _varied(songs_known[int(rng.integers(len(songs_known)))], rng)
        return _sung(motifs, now_s, rng)

    return sing


def _by_bouts(recipe: Recipe, singer: Singer, rng: np.random.Generator) -> Sing:
    known = repertoire(recipe, singer, rng)
    return lambda now_s: bout(known, singer, now_s, rng)


def _varied(motifs: list[Motif], rng: np.random.Generator) -> list[Motif]:
    """A song as it is sung today: trills a little longer or shorter, the end at times left off."""
    today = [
        replace(m, times=max(m.times + int(rng.integers(-2, 3)), 3)) if m.times > 1 else m
        for m in motifs
    ]
    if rng.random() < 0.2 and len(today) > 3:
        today.pop()
    return today


def _sung(
    motifs: list[Motif], now_s: float, rng: np.random.Generator
) -> tuple[list[SongNote], float]:
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
                    hertz=moved(sung.hertz, cents),
                    level_db=sung.level_db + louder_db,
                    attack_s=sung.attack_s * tempo,
                    release_s=sung.release_s * tempo,
                    grain=int(rng.integers(2**31)),
                )
            )
        now_s += (motif.length_s + motif.gap_s) * tempo
    return song, now_s
