"""The wanted sound, as one or more clips give it.

Goal
----
An example is at most some seconds long and often holds several notes. It is kept as it
would look a little higher and lower than it was given.

Conventions
-----------
Spectrograms are band powers, shape ``(frames, BANDS)``, `FRAMES_PER_S` a second, less the
example's own noise floor; their level means nothing.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property
from pathlib import Path

import numpy as np
import numpy.typing as npt
import scipy.ndimage

from callresp.errors import UserError
from callresp.io.audio import open_recording
from callresp.scout.spectra import (
    DRUM_BANDS,
    FRAMES_PER_S,
    TINY,
    Analysis,
    Grid,
    among_neighbours,
    analysis,
    band_edges,
    band_weights,
    spectra,
)

SHORTEST_S, LONGEST_S = 0.05, 10.0
PITCHES = tuple(2 ** (semitones / 12) for semitones in (-2, -1, 0, 1, 2))
# Bands that the example reaches to within 30 dB of its loudest.
ACTIVE_SHARE = 1e-3
OWN_FLOOR_QUANTILE = 0.15
EDGE_SHARE = 0.01
# Of a drum without noise: its share of what comes and goes, and how far it rises (20 dB).
DRUM_SHARE, CLEAN_SHARE, CLEAN_RISE = 0.9, 0.95, 100.0
# Clips of noise alone stand 8 to 11 dB over their floor, calls of 84 callers 21 dB or more.
NOISE_DB = 13.0
STANDS_QUANTILE, STANDS_OVER = 0.995, 3  # of means over so many frames and bands
RESTLESS = 4.0  # ratio of a clip's loud frames to its quiet ones (6 dB), if it has no rest
REST, LEAST_SOUND = 15, 10  # frames of a rest that may part two sounds, and of sound on both sides
DIGITAL_SHARE = 1e-8  # of the loudest frame: 80 dB below it nothing was recorded


@dataclass(frozen=True)
class Example:
    """One clip of the wanted sound.

    Attributes
    ----------
    name : str
    powers : dict
        Its spectrogram at each of `PITCHES`.
    active : ndarray of bool
        Bands that it uses, shape ``(BANDS,)``.
    stands_db : float
        How far what is loudest in it stands over its own floor.
    rest_s : float or None
        The middle of its longest rest, seconds from the start of the clip, if there is one between
        two sounds.
    """

    name: str
    powers: dict[float, Grid]
    active: npt.NDArray[np.bool_]
    stands_db: float
    rest_s: float | None

    @property
    def is_noise(self) -> bool:
        """Whether no call can be told from what sounds all through it."""
        return self.stands_db < NOISE_DB

    @property
    def frames(self) -> int:
        """Its length."""
        return len(self.powers[1.0])

    @cached_property
    def band_hz(self) -> tuple[float, float]:
        """The band that it uses."""
        edges, used = band_edges(), np.flatnonzero(self.active)
        return float(edges[used[0]]), float(edges[used[-1] + 1])


def read_clip(path: Path) -> tuple[Grid, int]:
    """Samples ``(n,)`` and rate of a sound file that is short enough for an example.

    Raises
    ------
    UserError
        When it can't be read, or is too long.
    """
    recording = open_recording(path)
    if recording.duration_s > LONGEST_S:
        raise UserError(
            f"is {recording.duration_s:.0f} s long, too long for an example",
            where=str(path),
            remedy=f"cut out one call, {LONGEST_S:g} s at most",
        )
    return np.concatenate(list(recording.blocks())), recording.sample_rate_hz


def make_example(
    samples: npt.NDArray[np.float32], rate_hz: int, name: str = "example", where: str = ""
) -> Example:
    """Make an example of samples.

    Parameters
    ----------
    samples, rate_hz
        The clip, shape ``(n,)``.
    name
        What it is called where it is told of.
    where
        The file that it came from, for errors.

    Returns
    -------
    Example
        With quiet ends left out.

    Raises
    ------
    UserError
        When they are too few, or silent.
    """
    if len(samples) < SHORTEST_S * rate_hz:
        raise UserError(
            f"is shorter than {SHORTEST_S:g} s", where=where or name, remedy="give a whole call"
        )
    own = analysis(rate_hz)
    # Windows lie inside the clip: in one that hangs over its end, a sound that was cut off clicks.
    padded = np.pad(samples.astype(np.float32), own.margin)
    count = (len(samples) - own.size) * FRAMES_PER_S // rate_hz + 1
    bins = spectra(padded, own.margin + np.arange(count) * rate_hz // FRAMES_PER_S, own)
    plain = bins @ own.weights
    if plain.max() <= TINY:
        raise UserError("holds no sound", where=where or name, remedy="give a whole call")
    lowest = 0 if _is_drum(plain) else DRUM_BANDS
    plain[:, :lowest] = 0
    first, last = _sounding(_less_floor(plain))
    powers = {}
    for pitch in PITCHES:
        raised = bins @ _raised(own, pitch)
        raised[:, :lowest] = 0
        powers[pitch] = _less_floor(raised)[first:last]
    active = powers[1.0].max(axis=0) > ACTIVE_SHARE * powers[1.0].max()
    rest = _rest(powers[1.0][:, active])
    rest_s = None if rest is None else (first + rest) / FRAMES_PER_S
    return Example(name, powers, active, _stands_db(plain), rest_s)


def _raised(own: Analysis, pitch: float) -> Grid:
    weights = band_weights(own.rate_hz, own.size, own.step, pitch)
    return weights[: len(own.weights)].astype(np.float32)


def _less_floor(powers: Grid) -> Grid:
    return np.asarray(np.maximum(powers - 2 * _floor(powers), 0), dtype=np.float32)


def _floor(powers: Grid) -> npt.NDArray[np.float64]:
    # Silence put between calls by an editor is no floor: what sounds behind them is no call.
    level = powers.sum(axis=1)
    heard = level > DIGITAL_SHARE * level.max()
    floor = np.quantile(powers[heard], OWN_FLOOR_QUANTILE, axis=0)
    quiet, loud = np.quantile(level[heard], (OWN_FLOOR_QUANTILE, 0.95))
    if quiet > loud / RESTLESS:
        # Cut closely out of a steady whistle, a clip has no rest that tells its floor.
        widths = np.diff(band_edges())
        floor = np.exp(among_neighbours(np.log((floor + TINY) / widths))) * widths
    return np.asarray(floor, dtype=np.float64)


def _stands_db(powers: Grid) -> float:
    heard = powers.any(axis=0)
    size = STANDS_OVER
    loud = scipy.ndimage.uniform_filter(powers[:, heard], size)
    floor = scipy.ndimage.uniform_filter(_floor(powers)[heard], size)
    return 10 * float(np.log10(np.quantile(loud / (floor + TINY), STANDS_QUANTILE) + TINY))


def _is_drum(powers: Grid) -> bool:
    """Whether the lowest bands hold the call: nearly all that comes and goes, rising higher.

    In a clip of a song in the wind the lowest bands may hold most of the power, but rise less above
    their floor than the song's do. In a clip without noise the other bands rise as high as a drum's
    by leakage alone, so there a rise of `CLEAN_RISE` is enough.
    """
    levels = []
    for bands in (slice(0, DRUM_BANDS), slice(DRUM_BANDS, None)):
        level = powers[:, bands].sum(axis=1)
        sounding = level[level >= DIGITAL_SHARE * level.max()]
        levels.append(np.quantile(sounding, (OWN_FLOOR_QUANTILE, 0.95)) + TINY)
    quiet, loud = np.transpose(levels)
    rise, share = loud / quiet, (loud - quiet)[0] / (loud - quiet).sum()
    clean = share > CLEAN_SHARE and rise[0] > CLEAN_RISE
    return bool(share > DRUM_SHARE and (rise[0] > rise[1] or clean))


def _loud(powers: Grid) -> npt.NDArray[np.intp]:
    """Frames that sound."""
    energy = powers.sum(axis=1)
    return np.flatnonzero(energy > EDGE_SHARE * np.quantile(energy, 0.95))


def _rest(powers: Grid) -> int | None:
    """The middle frame of the longest rest."""
    loud = _loud(powers)
    gaps = np.diff(loud)[LEAST_SOUND - 1 : len(loud) - LEAST_SOUND]
    if not len(gaps) or gaps.max() <= REST:
        return None
    return int(loud[LEAST_SOUND - 1 + int(gaps.argmax())] + gaps.max() // 2)


def _sounding(powers: Grid) -> tuple[int, int]:
    """First and last frame of the sound, quiet ends left out."""
    loud = _loud(powers)
    if len(loud) == 0:
        return 0, len(powers)
    return max(0, int(loud[0]) - 2), min(len(powers), int(loud[-1]) + 3)
