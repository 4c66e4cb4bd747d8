"""How well each part of an example fits each moment of a recording.

Method
------
A part becomes a template as it would look over the noise of this place: in each band
``log(1 + gain * power / floor)``, in units of that band's spread in noise, less its mean,
of length 1. Its correlation with the recording is then the output of a matched filter.
Divided by the length of what it was compared with, it is the normalised correlation.
Correlations over time are worked out by FFT for all parts and warps at once.

Source: G. L. Turin, An introduction to matched filters, IRE Trans. IT-6 (1960).
"""

from __future__ import annotations

import functools
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
import scipy.fft

from callresp.scout.examples import PART, UNWARPED, WARPS, Example
from callresp.scout.spectra import Grid, NoiseModel

# Frames that are taken together, so that a part may come a little early or late.
SLACK = 4
FFT = 512
# The loudest fiftieth of a template stands so far above the noise.
GAIN_DB = 10.0
TOP_SHARE = 50
LEAST_ENERGY = 0.5  # of what noise alone would have


@dataclass(frozen=True, slots=True)
class Fit:
    """How parts fit, every `SLACK` frames; the best of each.

    Attributes
    ----------
    parts : ndarray
        Normalised correlations, unwarped, shape ``(parts, steps)``; a step's part begins there.
    whole : ndarray
        Mean over the parts of one warp, each where it should come, shape
        ``(warps, steps)``; a step's example begins there.
    """

    parts: Grid
    whole: Grid


def templates(example: Example, noise: NoiseModel) -> tuple[Grid, npt.NDArray[np.intp]]:
    """Templates of all parts and warps over a noise.

    Returns
    -------
    templates, lengths
        Shapes ``(warps * parts, frames, active bands)`` and ``(warps * parts,)``; what is
        beyond a template's length is 0.
    """
    active = example.active
    floor, spread = noise.floor[active], noise.spread[active]
    longest = max(round(PART * pace) for pace, _ in WARPS)
    shape = (len(WARPS) * len(example.parts), longest, int(active.sum()))
    made, lengths = np.zeros(shape, np.float32), np.zeros(shape[0], np.intp)
    row = 0
    for pace, pitch in WARPS:
        above = example.warped(pace, pitch)[:, active] / floor
        flat = above.ravel()
        top = flat[
            np.argpartition(flat, -max(1, flat.size // TOP_SHARE))[
                -max(1, flat.size // TOP_SHARE) :
            ]
        ].mean()
        whole = np.log1p(above * (10 ** (GAIN_DB / 10) / max(2 * float(top), 1e-30))) / spread
        for first in example.parts:
            begin = round(first * pace)
            part = whole[begin : begin + round(PART * pace)]
            part = part - part.mean()
            made[row, : len(part)] = part / max(float(np.linalg.norm(part)), 1e-6)
            lengths[row] = len(part)
            row += 1
    return made, lengths


class Matcher:
    """Fits one example to what stands above one noise."""

    def __init__(self, example: Example, noise: NoiseModel) -> None:
        self.example = example
        bank, self._lengths = templates(example, noise)
        self._longest = bank.shape[1]
        # Shape (bins, bands, templates): one product of matrices for each bin.
        spectrum = scipy.fft.rfft(bank, FFT, axis=1)
        self._bank = np.ascontiguousarray(spectrum.conj().transpose(1, 2, 0))

    def fit(self, clipped: Grid) -> Fit:
        """Fit to frames of the example's own bands that stand above noise, from `heard`.

        Frames before the first and after the last count as noise.
        """
        hop = FFT - self._longest + 1
        hop -= hop % SLACK
        blocks = max(1, -(-len(clipped) // hop))
        padded = np.zeros((blocks * hop + FFT, clipped.shape[1]), np.float32)
        padded[: len(clipped)] = clipped
        starts = hop * np.arange(blocks)
        pieces = padded[starts[:, None] + np.arange(FFT)]
        spectrum = scipy.fft.rfft(pieces, axis=1).transpose(1, 0, 2)
        product = np.matmul(np.ascontiguousarray(spectrum), self._bank)
        z = scipy.fft.irfft(product.transpose(1, 2, 0), FFT, axis=2)[:, :, :hop]
        # Far quicker than a maximum over an axis of four.
        z = functools.reduce(np.maximum, (z[:, :, at::SLACK] for at in range(SLACK)))
        z = z.transpose(1, 0, 2).reshape(len(self._lengths), -1)
        n = z / np.sqrt(self._energy(padded, z.shape[1]))
        shape = (len(WARPS), len(self.example.parts), z.shape[1])
        parts = n.reshape(shape)
        return Fit(parts[UNWARPED], self._whole(parts))

    def _energy(self, padded: Grid, steps: int) -> Grid:
        """What each template is compared with, less its mean: squares summed, by template."""
        squares = np.cumsum(np.r_[0.0, (padded.astype(np.float64) ** 2).sum(axis=1)])
        sums = np.cumsum(np.r_[0.0, padded.sum(axis=1, dtype=np.float64)])
        at = np.minimum(SLACK * np.arange(steps) + SLACK // 2, len(padded))
        found = np.empty((len(self._lengths), steps), np.float32)
        for length in np.unique(self._lengths):
            end = np.minimum(at + length, len(padded))
            inside = sums[end] - sums[at]
            energy = squares[end] - squares[at] - inside**2 / (length * padded.shape[1])
            # A silence that was never recorded, as before a beginning, is likened to nothing.
            least = LEAST_ENERGY * length * padded.shape[1]
            found[self._lengths == length] = np.maximum(energy, least)
        return found

    def _whole(self, fits: Grid) -> Grid:
        """Mean over the parts, each where it should come."""
        steps = fits.shape[2]
        total = np.zeros((fits.shape[0], steps), np.float32)
        for row, (pace, _) in enumerate(WARPS):
            for number, first in enumerate(self.example.parts):
                late = round(first * pace / SLACK)
                if late < steps:
                    total[row, : steps - late] += fits[row, number, late:]
        return total / np.float32(fits.shape[1])
