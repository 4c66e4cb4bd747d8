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
    loud = heard.sum(axis=2)
    weight = np.maximum(loud - QUIET_SHARE * np.median(loud, axis=1, keepdims=True), 0)
    weight /= np.maximum(weight.sum(axis=1, keepdims=True), 1e-9)
    count = min(COEFFICIENTS, heard.shape[2])
    own = np.zeros((*heard.shape[:2], COEFFICIENTS))
    own[:, :, :count] = scipy.fft.dct(heard, axis=2, norm="ortho")[:, :, :count]
    mean = np.einsum("nt,ntk->nk", weight, own)
    square = np.einsum("nt,ntk->nk", weight, own**2)
    spread = np.sqrt(np.maximum(square - mean**2, 1e-9))
    size = np.maximum(np.linalg.norm(mean, axis=1, keepdims=True), 1e-9)
    moving = stretches - stretches.mean(axis=1, keepdims=True)
    moving *= np.hanning(stretches.shape[1]).astype(np.float32)[:, None]
    spectrum = scipy.fft.rfft(moving, WIDE, axis=2)
    powers = (spectrum.real**2 + spectrum.imag**2).sum(axis=1)
    ripples = np.add.reduceat(powers, RIPPLES[:-1], axis=1)
    return Timbre(
        np.concatenate([mean, spread], axis=1) / size, ripples.astype(np.float64) ** POWER
    )


def alike(rows: npt.NDArray[np.floating], given: npt.NDArray[np.floating]) -> Values:
    """Correlation of each row with what is given.

    Parameters
    ----------
    rows
        Shape ``(n, k)``.
    given
        Shape ``(k,)``.

    Returns
    -------
    ndarray
        Shape ``(n,)``.
    """
    rows = rows - rows.mean(axis=1, keepdims=True)
    given = given - given.mean()
    size = np.linalg.norm(rows, axis=1) * np.linalg.norm(given)
    return np.asarray(rows @ given / np.maximum(size, 1e-12), dtype=np.float64)


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
