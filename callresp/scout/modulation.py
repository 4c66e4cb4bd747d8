"""How a sound moves: how fast it comes and goes, up or down, and how dense its ripples are.

Another bird of the kind sings other notes in another order, but notes of the same make: stacks of
harmonics so far apart, whistles that fall so steeply, trills so fast. That is told by the power of
the modulation over time and frequency together, whatever the order and pitch of the notes. A trill
or a rattle is told by the rhythm of each of its bands.

Conventions
-----------
Stretches of sound are spreads above the noise, shape ``(n, frames, bands)``; what is told of them
has a row for each, shape ``(n, k)``.

Sources: modulation spectra: T. Houtgast & H. J. M. Steeneken, JASA 77 (1985); of birdsong: N. C.
Singh & F. E. Theunissen, JASA 114 (2003).
"""

from __future__ import annotations

import itertools
from functools import cache

import numpy as np
import numpy.typing as npt
import scipy.fft

from callresp.scout.spectra import FRAMES_PER_S, TINY, Grid

Values = npt.NDArray[np.float64]

# Edges of the density of ripples, in cycles over `WIDE` bands, and of rates, upwards and downwards.
WIDE = 64
RIPPLES = (0, 1, 3, 6, 11, 18, 33)
RATES_HZ = (0.8, 2.0, 4.5, 9.0, 18.0, 50.1)
RHYTHM_HZ = np.geomspace(1.0, 38.0, 17)


def rhythm(stretches: Grid) -> Grid:
    """Power of each band's coming and going: ``(n, frames, bands)`` to ``(n, rates * bands)``."""
    frames = stretches.shape[1]
    window = np.hanning(frames).astype(np.float32)[:, None]
    moving = np.fft.rfft((stretches - stretches.mean(axis=1, keepdims=True)) * window, axis=1)
    powers = (moving.real**2 + moving.imag**2).astype(np.float32)
    found = np.einsum("nfb,fr->nrb", powers, _rhythm_rates(frames))
    return np.asarray(found.reshape(len(found), -1))


@cache
def _rhythm_rates(frames: int) -> Grid:
    """Mean over the bins of each rate, shape ``(bins, rates)``."""
    bins = np.fft.rfftfreq(frames, 1 / FRAMES_PER_S)
    inside = (bins[:, None] >= RHYTHM_HZ[:-1]) & (bins[:, None] < RHYTHM_HZ[1:])
    return np.asarray(inside / np.maximum(inside.sum(axis=0), 1), dtype=np.float32)


def modulation(stretches: Grid) -> Values:
    """``log(1 + power)`` over what steady noise has, a column for each density and rate.

    Stretches are ``(n, frames, bands)``; 1 is the power of noise of spread 1.
    """
    frames, bands = stretches.shape[1:]
    window = np.hanning(frames).astype(np.float32)
    moving = stretches - stretches.mean(axis=1, keepdims=True)
    # The window of two frames is 0 in both: they move in no way.
    moving *= (window / np.sqrt(max(float(np.sum(window**2)), TINY) * bands))[:, None]
    ripples = (moving @ _waves(bands)).view(np.complex64)
    moved = scipy.fft.fft(ripples, axis=1)
    powers = (moved.real**2 + moved.imag**2).transpose(0, 2, 1) @ _rates(frames)
    found = np.add.reduceat(powers, RIPPLES[:-1], axis=1) / np.diff(RIPPLES)[:, None]
    return np.asarray(np.log1p(found.reshape(len(found), -1)), dtype=np.float64)


@cache
def _waves(bands: int) -> Grid:
    """Cosines and sines of each density in turns, shape ``(bands, WIDE + 2)``."""
    turns = np.exp(-2j * np.pi * np.outer(np.arange(bands), np.arange(WIDE // 2 + 1)) / WIDE)
    return np.ascontiguousarray(turns.astype(np.complex64)).view(np.float32)


@cache
def _rates(frames: int) -> Grid:
    """Mean over the bins of each rate, shape ``(frames, 2 * rates)``; of none, over the nearest."""
    hertz = scipy.fft.fftfreq(frames, 1 / FRAMES_PER_S)
    columns = []
    for sign in (1, -1):
        for low, high in itertools.pairwise(RATES_HZ):
            inside = (sign * hertz >= low) & (sign * hertz < high)
            if not inside.any():
                inside[np.abs(sign * hertz - low).argmin()] = True
            columns.append(inside / inside.sum())
    return np.stack(columns, axis=1).astype(np.float32)


def alike(rows: npt.NDArray[np.floating], given: npt.NDArray[np.floating]) -> Values:
    """Correlation of each row with what is given.

    Parameters
    ----------
    rows
        Shape ``(n, k)``.
    given
        Shape ``(k,)``, or ``(m, k)``.

    Returns
    -------
    ndarray
        Shape ``(n,)``, or ``(n, m)``.
    """
    rows = rows - rows.mean(axis=1, keepdims=True)
    given = given - given.mean(axis=-1, keepdims=True)
    size = np.multiply.outer(np.linalg.norm(rows, axis=1), np.linalg.norm(given, axis=-1))
    return np.asarray(rows @ given.T / np.maximum(size, 1e-12), dtype=np.float64)
