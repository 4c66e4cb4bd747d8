"""Who is heard when: the songs of all singers as they reach the microphone.

Notes come in order of arrival and are made as they are asked for. Phrases are
numbered in the order in which they reach the microphone.
"""

from __future__ import annotations

import heapq
import math
from collections.abc import Iterator
from dataclasses import dataclass
from operator import itemgetter

from callresp.scene.air import absorption_db_per_m, speed_of_sound
from callresp.scene.bouts import rounds
from callresp.scene.motifs import SongNote
from callresp.scene.recipe import Recipe, Singer
from callresp.scene.songs import songs

_FAR_DB = 20.0  # a level ten times the distance away, by the inverse distance law


@dataclass(frozen=True, slots=True)
class Arrival:
    """A note on its way: when its envelope starts at the microphone, and how loud it is there.

    `level_db` is the RMS level between onset and offset, dB re a full-scale
    sine at unit scale (see callresp.scene.levels).
    """

    at_s: float
    level_db: float
    phrase: int
    singer: Singer
    sung: SongNote


def arrivals(recipe: Recipe) -> Iterator[Arrival]:
    """Every note of a scene, in order of arrival."""
    numbered = enumerate(heapq.merge(*_streams(recipe), key=itemgetter(0)))
    waiting: list[tuple[float, int, Arrival]] = []
    count = 0
    for phrase, (first_s, song, singer, lag_s) in numbered:
        while waiting and waiting[0][0] <= first_s:
            yield heapq.heappop(waiting)[2]
        for sung in song:
            at_s = sung.at_s + lag_s
            level_db = sung.level_db - _lost_db(recipe, singer, sung)
            heapq.heappush(waiting, (at_s, count, Arrival(at_s, level_db, phrase, singer, sung)))
            count += 1
    while waiting:
        yield heapq.heappop(waiting)[2]


_Song = tuple[float, list[SongNote], Singer, float]


def _streams(recipe: Recipe) -> list[Iterator[_Song]]:
    """Each singer's songs, or those of a group that takes turns, in order of arrival."""
    alone = [singer for singer in recipe.singer if singer.turns is None]
    groups: dict[str, list[Singer]] = {}
    for singer in recipe.singer:
        if singer.turns is not None:
            groups.setdefault(singer.turns, []).append(singer)
    streams = [_arriving(recipe, _by_itself(recipe, singer)) for singer in alone]
    return streams + [_arriving(recipe, rounds(recipe, members)) for members in groups.values()]


def _by_itself(recipe: Recipe, singer: Singer) -> Iterator[tuple[Singer, list[SongNote]]]:
    for song in songs(recipe, singer):
        yield singer, song


def _arriving(recipe: Recipe, sung: Iterator[tuple[Singer, list[SongNote]]]) -> Iterator[_Song]:
    speed_m_s = speed_of_sound(recipe.temperature_c)
    for singer, song in sung:
        lag_s = singer.distance_m / speed_m_s
        yield song[0].at_s + lag_s, song, singer, lag_s


def _lost_db(recipe: Recipe, singer: Singer, sung: SongNote) -> float:
    """What the way takes off: spreading, and the air at the note's middle frequency."""
    air = float(absorption_db_per_m(sung.middle_hz, recipe.temperature_c, recipe.humidity))
    return _FAR_DB * math.log10(singer.distance_m) + air * singer.distance_m
