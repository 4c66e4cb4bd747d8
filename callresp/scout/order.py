"""The moments of an example, in their order, held against a recording by time warping.

Goal
----
Parts keep their own pace, and are found in any order. Here the whole example runs along the
recording, between half as fast and twice as fast, as the singer does from note to note.
What is compared is what a listener hears of each moment: where in the band it is (and so
the contour), and how wide (harsh or tonal); a rest counts for little.

Method
------
Dynamic time warping of a sequence to any stretch of another, by librosa, over steps of one to
two moments in either (M. Müller, Information Retrieval for Music and Motion, 2007, chapter 4).
"""

from __future__ import annotations

import numpy as np
import numpy.typing as npt
import scipy.ndimage

from callresp.scout.spectra import Grid

Values = npt.NDArray[np.float64]

MOMENT = 2  # frames
SMOOTHED = 0.7  # bands: a little out of tune is no other note
PIECE = 4096  # moments at once
STEPS = np.array([[1, 1], [1, 2], [2, 1]])
STEP_WEIGHTS = np.array([1.0, 1.0, 2.0])
LEAST_ENERGY = 0.5  # of what noise alone would have
WORST = 1.5


def moments(frames: Grid) -> Grid:
    """Shapes of the spectrum of each moment, less their mean.

    Parameters
    ----------
    frames
        Spreads above the noise, shape ``(n, bands)``.

    Returns
    -------
    ndarray
        Shape ``(n // MOMENT, bands)``.
    """
    count = len(frames) // MOMENT
    joined = frames[: count * MOMENT].reshape(count, MOMENT, -1).mean(axis=1)
    smooth = scipy.ndimage.gaussian_filter1d(joined, SMOOTHED, axis=1)
    return np.asarray(smooth - smooth.mean(axis=1, keepdims=True))


def costs(example: Grid, recording: Grid) -> Values:
    """Cost of the best warped match of an example that ends at each moment of a recording.

    Parameters
    ----------
    example, recording
        Moments ``(n, bands)`` and ``(m, bands)``.

    Returns
    -------
    ndarray
        Shape ``(m,)``: 0 where all is alike, 1 where nothing is.
    """
    from librosa.sequence import dtw

    sizes = np.linalg.norm(example, axis=1)
    weights = (sizes / max(float(sizes.mean()), 1e-9))[:, None]
    least = np.sqrt(LEAST_ENERGY * example.shape[1] / MOMENT)
    found = np.full(len(recording), WORST)
    rim = 2 * len(example)
    for at in range(0, len(recording), PIECE):
        first = max(0, at - rim)
        piece = recording[first : at + PIECE]
        likeness = example @ piece.T
        likeness /= np.maximum(sizes[:, None], 1e-9)
        likeness /= np.maximum(np.linalg.norm(piece, axis=1), least)
        if piece.shape[0] < 2 or len(example) > 2 * piece.shape[0]:
            continue
        total = dtw(
            C=((1 - likeness) * weights).astype(np.float64),
            subseq=True,
            backtrack=False,
            step_sizes_sigma=STEPS,
            weights_mul=STEP_WEIGHTS,
        )[-1]
        found[at : at + PIECE] = (total / weights.sum())[at - first :]
    return np.minimum(np.where(np.isfinite(found), found, WORST), WORST)
