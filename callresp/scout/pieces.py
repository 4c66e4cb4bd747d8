"""Pieces of an example as short as a note, looked for where the song has them.

Goal
----
The same song again has its notes in their places, at a pace and a pitch that may be a little
another. Pieces of 0.12 s hold a note with the way in which it moves. In noise, where chance alone
fits some piece somewhere, what comes in its place counts.

Method
------
Normalised correlation, a matched filter's output over the length of what it is compared with, at
each frame. What is told is the mean over the pieces, weighted by how much of the sound a piece
holds, each in its place at one pace and pitch.

Source: G. L. Turin, An introduction to matched filters, IRE Trans. IT-6 (1960).
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import scipy.ndimage

from callresp.scout.spectra import Grid

NOTE = 12  # frames
# Frames that are taken together, so that a piece may come a little early or late.
SLACK = 4
MOST_PIECES = 40
SHIFTS = (-2, -1, 0, 1, 2)  # bands
SMOOTHED = 0.7  # bands
PIECE_SHARE = 0.5  # of what a strong piece holds
LEAST_ENERGY = 0.5  # of what noise alone would have
AT_ONCE = 2048  # frames
PACES = (0.87, 1.0, 1.15)  # lengths against the example's
TINY = 1e-6


@dataclass(frozen=True, slots=True)
class Pieces:
    """Of one example.

    Attributes
    ----------
    length : int
        Frames of a piece.
    starts : tuple of int
        First frame of each piece in the example.
    bank : ndarray
        Pieces at each of `SHIFTS`, less their mean, of length 1: shape
        ``(shifts * pieces, length * bands)``.
    weights : ndarray
        Shape ``(pieces,)``; they sum to 1.
    """

    length: int
    starts: tuple[int, ...]
    bank: Grid
    weights: Grid


def smooth(frames: Grid) -> Grid:
    """Frames ``(n, bands)`` in which a little out of tune is no other note."""
    return np.asarray(scipy.ndimage.gaussian_filter1d(frames, SMOOTHED, axis=1), dtype=np.float32)


def cut(frames: Grid, length: int) -> Pieces:
    """Cut an example into overlapping pieces, and keep those that hold most.

    Parameters
    ----------
    frames
        From `smooth`, ``(n, bands)``.
    length
        Of a piece, in frames.
    """
    if len(frames) < length:
        frames = np.pad(frames, ((0, length - len(frames)), (0, 0)))
    starts = np.arange(0, len(frames) - length + 1, max(1, length // 3))
    own = np.stack([frames[at : at + length] for at in starts])
    held = np.sqrt((np.maximum(own, 0) ** 2).sum(axis=(1, 2)))
    kept = np.flatnonzero(held >= PIECE_SHARE * np.quantile(held, 0.9))
    if len(kept) > MOST_PIECES:
        kept = kept[np.linspace(0, len(kept) - 1, MOST_PIECES).round().astype(int)]
    bands = frames.shape[1]
    rows = []
    for shift in SHIFTS:
        moved = np.zeros_like(own[kept])
        if abs(shift) < bands:
            to, of = slice(max(0, shift), bands + shift), slice(max(0, -shift), bands - shift)
            moved[:, :, to] = own[kept][:, :, of]
        rows.append(moved.reshape(len(kept), -1))
    bank = np.concatenate(rows)
    bank -= bank.mean(axis=1, keepdims=True)
    bank /= np.maximum(np.linalg.norm(bank, axis=1, keepdims=True), TINY)
    weights = held[kept] + TINY
    own_starts = tuple(int(at) for at in starts[kept])
    return Pieces(length, own_starts, bank, (weights / weights.sum()).astype(np.float32))


def found(pieces: Pieces, frames: Grid, slack: int) -> Grid:
    """How well each piece fits, the best of every `slack` frames.

    Parameters
    ----------
    pieces
        From `cut`.
    frames
        From `smooth`, shape ``(n, bands)``.
    slack
        Frames that are taken together.

    Returns
    -------
    ndarray
        Normalised correlations, shape ``(shifts, pieces, -(-n // slack))``; a piece begins there.
    """
    length, bands = pieces.length, frames.shape[1]
    steps = -(-len(frames) // slack)
    padded = np.zeros((steps * slack + length - 1, bands), np.float32)
    padded[: len(frames)] = frames
    squares = np.cumsum(np.r_[0.0, (padded.astype(np.float64) ** 2).sum(axis=1)])
    sums = np.cumsum(np.r_[0.0, padded.sum(axis=1, dtype=np.float64)])
    energy = (
        squares[length:]
        - squares[:-length]
        - (sums[length:] - sums[:-length]) ** 2 / (length * bands)
    )
    sizes = np.sqrt(np.maximum(energy, LEAST_ENERGY * length * bands)).astype(np.float32)
    best = np.empty((len(pieces.bank), steps), np.float32)
    windows = np.lib.stride_tricks.sliding_window_view(padded.ravel(), length * bands)[::bands]
    at_once = AT_ONCE - AT_ONCE % slack
    for at in range(0, steps * slack, at_once):
        part = pieces.bank @ np.ascontiguousarray(windows[at : at + at_once]).T
        part /= sizes[at : at + at_once]
        best[:, at // slack : (at + at_once) // slack] = _most(part, slack)
    return best.reshape(len(SHIFTS), len(pieces.weights), steps)


def _most(rows: Grid, slack: int) -> Grid:
    # Far quicker than a maximum over a short axis.
    most = rows[:, ::slack].copy()
    for at in range(1, slack):
        np.maximum(most, rows[:, at::slack], out=most)
    return most


def in_place(pieces: Pieces, fits: Grid, slack: int) -> Grid:
    """How well pieces fit, each where it should come, at each pace and the pitch that fits best.

    Parameters
    ----------
    pieces
        From `cut`.
    fits
        From `found`.
    slack
        Frames of a step.

    Returns
    -------
    ndarray
        Shape ``(PACES, steps)``; a step's example begins there. What comes after the last step
        counts as noise.
    """
    steps = fits.shape[2]
    totals = np.zeros((len(PACES), len(SHIFTS), steps), np.float32)
    for pace, total in zip(PACES, totals, strict=True):
        for number, (first, weight) in enumerate(zip(pieces.starts, pieces.weights, strict=True)):
            late = round(first * pace / slack)
            total[:, : max(0, steps - late)] += weight * fits[:, number, late:]
    return np.asarray(totals.max(axis=1))
