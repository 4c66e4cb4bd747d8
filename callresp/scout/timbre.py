"""Harsh or tonal, steady or ever changing: how a singer sounds, whatever it sings.

Another bird of the kind sings other notes in another order, with the same voice. That is told
by the shape of the spectrum over the bands: its mean and spread over the loud moments (as
cepstral coefficients, by which human speakers are known, too), and how dense its ripples over
frequency are: harmonics, a whistle and a hiss differ in that at any pitch.

Sources: cepstral means and spreads: S. Furui, IEEE Trans. ASSP-29 (1981); modulation over
frequency, of birdsong: N. C. Singh & F. E. Theunissen, JASA 114 (2003).
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cache

import numpy as np
import numpy.typing as npt
import scipy.fft

from callresp.scout.spectra import Grid

Values = npt.NDArray[np.float64]

COEFFICIENTS = 14
# Edges of the density of ripples, in cycles over `WIDE` bands.
WIDE = 64
RIPPLES = (0, 1, 2, 4, 7, 11, 16, 24, 33)
# Frames with less than this share of what the middle one has are no part of a voice.
QUIET_SHARE = 0.5
POWER = 0.25  # ripples are compared as if loudness were heard


@dataclass(frozen=True, slots=True)
class Timbre:
    """Of stretches of sound, one a row.

    Attributes
    ----------
    shape : ndarray
        Cepstral means, then spreads, over the length of the means; shape
        ``(n, 2 * COEFFICIENTS)``.
    ripples : ndarray
        Shape ``(n, len(RIPPLES) - 1)``.
    """

    shape: Values
    ripples: Values


def timbre(stretches: Grid) -> Timbre:
    """Of stretches of sound.

    Parameters
    ----------
    stretches
        Spreads above the noise, shape ``(n, frames, bands)``.

    Returns
    -------
    Timbre
        A row for each.
    """
    heard = np.maximum(stretches, 0)
    bands = heard.shape[2]
    loud = heard @ np.ones(bands, np.float32)
    weight = np.maximum(loud - QUIET_SHARE * np.median(loud, axis=1, keepdims=True), 0)
    weight /= np.maximum(weight.sum(axis=1, keepdims=True), 1e-9)
    own = (heard @ _cosines(bands)).astype(np.float64)
    mean = (weight[:, None].astype(np.float64) @ own)[:, 0]
    square = (weight[:, None].astype(np.float64) @ own**2)[:, 0]
    spread = np.sqrt(np.maximum(square - mean**2, 1e-9))
    size = np.maximum(np.linalg.norm(mean, axis=1, keepdims=True), 1e-9)
    moving = stretches - stretches.mean(axis=1, keepdims=True)
    moving *= np.hanning(stretches.shape[1]).astype(np.float32)[:, None]
    spectrum = moving @ _waves(bands)
    powers = np.einsum("ntk,ntk->nk", spectrum, spectrum).reshape(len(moving), 2, -1).sum(axis=1)
    ripples = np.add.reduceat(powers, RIPPLES[:-1], axis=1)
    return Timbre(
        np.concatenate([mean, spread], axis=1) / size, ripples.astype(np.float64) ** POWER
    )


@cache
def _cosines(bands: int) -> Grid:
    """The first cosines of the discrete cosine transform, shape ``(bands, COEFFICIENTS)``."""
    # A product of matrices is far quicker than a transform of which most is thrown away.
    count = min(COEFFICIENTS, bands)
    made = np.zeros((bands, COEFFICIENTS), np.float32)
    made[:, :count] = scipy.fft.dct(np.eye(bands), axis=1, norm="ortho")[:, :count]
    return made


@cache
def _waves(bands: int) -> Grid:
    """Fourier transform to `WIDE` points, cosines and then sines, shape ``(bands, WIDE + 2)``."""
    found = scipy.fft.rfft(np.eye(bands), WIDE, axis=1)
    return np.concatenate([found.real, found.imag], axis=1).astype(np.float32)


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


def likeness(found: Timbre, given: Timbre) -> Values:
    """Of stretches to the one that is given: correlations of shape and ripples.

    Parameters
    ----------
    found
        Of any number of stretches.
    given
        Of one.

    Returns
    -------
    ndarray
        Shape ``(n, 2)``.
    """
    return np.column_stack(
        [
            # The first mean is the loudness.
            alike(found.shape[:, 1:], given.shape[0, 1:]),
            alike(found.ripples, given.ripples[0]),
        ]
    )
