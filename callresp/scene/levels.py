"""How loud all is: the stated signal-to-noise ratio, and a peak below full scale.

The ratio is exact by definition:

- signal: energy of all direct sounds, over the time in which at least one of
  them sounds (from onset to offset);
- noise: mean power of the noises over the scene, within the *singers' band*,
  from the lowest to the highest frequency of any direct sound;
- echoes and tail count as neither.

Everything is then scaled once, so that the loudest moment stays below full
scale. The scale is the only thing that another singer changes for the rest.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, field

import numpy as np

from callresp.io.audio import SINE_POWER
from callresp.scene.motifs import PITCHED, SongNote
from callresp.scene.noise import SHARE_BAND_HZ, NoiseSource
from callresp.scene.recipe import Recipe
from callresp.scene.schedule import Arrival, arrivals
from callresp.scene.voice import band, extent
from callresp.scene.walls import images

PEAK = 0.8
ALONE_DB = -30.0  # noises without singers, within SHARE_BAND_HZ
_SURVEY_HZ = 12000  # the survey needs edges to a tenth of a millisecond, and has far to go
_NARROWEST = 2 ** (1 / 3)  # a third of an octave


@dataclass(frozen=True, slots=True)
class Levels:
    """Scale of the singers, and gain of each noise, in the order of the recipe."""

    scale: float
    noise: tuple[float, ...]
    band_hz: tuple[float, float]


@dataclass(slots=True)
class _Survey:
    """What a scene's notes come to, gathered in one pass."""

    energy: float = 0.0
    sounding_s: float = 0.0
    until_s: float = 0.0
    low_hz: float = math.inf
    high_hz: float = 0.0
    loudest: dict[str, float] = field(default_factory=dict)

    def add(self, arrival: Arrival, rate_hz: int) -> None:
        first, last = extent(arrival.sung, _SURVEY_HZ)
        onset_s, offset_s = arrival.at_s + first / _SURVEY_HZ, arrival.at_s + last / _SURVEY_HZ
        power = SINE_POWER * 10 ** (arrival.level_db / 10)
        self.energy += power * (offset_s - onset_s)
        self.sounding_s += max(offset_s - max(onset_s, self.until_s), 0.0)
        self.until_s = max(self.until_s, offset_s)
        low, high = band(arrival.sung, rate_hz)
        self.low_hz, self.high_hz = min(self.low_hz, low), max(self.high_hz, high)
        height = math.sqrt(power) * crest(arrival.sung)
        voice = arrival.singer.voice
        self.loudest[voice] = max(self.loudest.get(voice, 0.0), height)


def crest(sung: SongNote) -> float:
    """A bound on a note's peak over its RMS value (tests/test_scene_levels.py holds it)."""
    if sung.shape == "knock":
        return 8.0
    if sung.shape in PITCHED:
        return 2.2 if sung.tilt_db > 20 else 3.8
    return 9.0


def levels(recipe: Recipe, noises: list[NoiseSource], rate_hz: int) -> Levels:
    """Survey a scene and set its levels."""
    survey = _Survey()
    for arrival in arrivals(recipe):
        survey.add(arrival, rate_hz)
    shares = [10 ** (noise.share_db / 10) for noise in recipe.noise]
    gains = [
        math.sqrt(share / noise.power(SHARE_BAND_HZ))
        for share, noise in zip(shares, noises, strict=True)
    ]
    walls = {
        singer.voice: sum(one.gain for one in images(singer, recipe.wall, recipe.temperature_c))
        for singer in recipe.singer
    }
    silent = survey.energy == 0.0
    band_hz = SHARE_BAND_HZ if silent else (survey.low_hz, survey.high_hz)
    present = sum(g**2 * n.power(band_hz) for g, n in zip(gains, noises, strict=True))
    wanted = SINE_POWER * 10 ** (ALONE_DB / 10)
    if not silent:
        wanted = survey.energy / survey.sounding_s / 10 ** ((recipe.snr_db or 0.0) / 10)
    if present:
        gains = [gain * math.sqrt(wanted / present) for gain in gains]
    # Early echoes and the tail of several singers at once: a quarter as much again.
    height = 1.25 * sum(
        loudest * (1 + walls.get(voice, 0.0)) for voice, loudest in survey.loudest.items()
    )
    height += sum(g * n.crest() for g, n in zip(gains, noises, strict=True))
    scale = PEAK / height if not silent or height > PEAK else 1.0
    return Levels(scale, tuple(scale * gain for gain in gains), band_hz)


def noise_power(levels: Levels, noises: list[NoiseSource], low_hz: float, high_hz: float) -> float:
    """Power of the noises in a note's band, widened to a third of an octave at least."""
    middle = math.sqrt(low_hz * high_hz)
    side = math.sqrt(max(high_hz / low_hz, _NARROWEST))
    around = (middle / side, middle * side)
    parts = zip(levels.noise, noises, strict=True)
    return float(np.sum([gain**2 * noise.power(around) for gain, noise in parts]))
