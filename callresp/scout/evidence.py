"""Kinds of evidence that the wanted sound is in a stretch of five seconds.

Kinds
-----
whole : all parts in their order, at one pace and pitch. Another performance of the song.
parts, best : the best moment of each part, whatever their order; and of the best part.
    Another order, or another bird of the kind.
given : the same as `parts` with neither pace nor pitch changed.
colour : which bands stand above the noise on average, against the example's.
rhythm : how fast each band comes and goes, 1 to 38 times a second, against the example's.
    Trills, rattles and pulse trains whose strokes are not those of the example.

Correlations are taken as Fisher's z, which spreads them evenly, less what strangers reach
(`callresp.scout.strangers`). `WEIGHTS` are those of a logistic regression on real callers
that are kept apart for tuning, and on no others, each left out once to see what it does.

Sources: R. A. Fisher, Biometrika 10 (1915); modulation spectra: Houtgast & Steeneken, JASA
77 (1985).
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from callresp.scout.examples import UNWARPED, Example
from callresp.scout.matching import SLACK, Fit
from callresp.scout.spectra import FRAMES_PER_S, Grid, NoiseModel

Values = npt.NDArray[np.float64]

CELL = 256  # frames; a window is two cells
CELL_STEPS = CELL // SLACK
KINDS = ("whole", "parts", "best", "given", "colour", "rhythm")
RHYTHM_HZ = np.geomspace(1.0, 38.0, 17)
LEAST_ABOVE, MOST_ABOVE = -2.0, 25.0
NEAR = 8  # steps that a part may be away from its place


def _rhythm_bands() -> Grid:
    """Which modulation bins of a cell fall into which band of `RHYTHM_HZ`."""
    bins = np.fft.rfftfreq(CELL, 1 / FRAMES_PER_S)
    inside = (bins[:, None] >= RHYTHM_HZ[:-1]) & (bins[:, None] < RHYTHM_HZ[1:])
    return np.asarray(inside / np.maximum(inside.sum(axis=0), 1), dtype=np.float32)


_BANDS = _rhythm_bands()
_WINDOW = np.hanning(CELL).astype(np.float32)[:, None]


@dataclass(frozen=True, slots=True)
class Texture:
    """Colour and rhythm of cells: shapes ``(cells, BANDS)`` and ``(cells, rates, bands)``."""

    colour: Grid
    rhythm: Grid


def texture(above: Grid, active: npt.NDArray[np.bool_]) -> Texture:
    """Colour and rhythm of frames ``(n, BANDS)``, by cells; the last is filled with noise."""
    cells = max(1, -(-len(above) // CELL))
    padded = np.zeros((cells * CELL, above.shape[1]), np.float32)
    np.clip(above, LEAST_ABOVE, MOST_ABOVE, out=padded[: len(above)])
    shaped = padded.reshape(cells, CELL, -1)
    own = shaped[:, :, active]
    moving = np.fft.rfft((own - own.mean(axis=1, keepdims=True)) * _WINDOW, axis=1)
    powers = (moving.real**2 + moving.imag**2).astype(np.float32)
    return Texture(shaped.mean(axis=1), np.einsum("cfb,fr->crb", powers, _BANDS))


class Likeness:
    """Holds windows of a recording against one example in one noise."""

    def __init__(self, example: Example, noise: NoiseModel) -> None:
        self.example = example
        above = example.powers[1.0] / noise.floor
        loudest = np.quantile(above[:, example.active], 0.98)
        seen = np.log1p(5.0 * above / max(float(loudest), 1e-30)) / noise.spread
        own = texture(np.where(example.active, seen, 0).astype(np.float32), example.active)
        self._colour = np.where(example.active, seen.mean(axis=0), 0.0)
        self._rhythm = own.rhythm.sum(axis=0)

    def windows(self, fit: Fit, above: Grid, lead: int) -> Values:
        """Evidence in each window, shape ``(cells, len(KINDS))``.

        Parameters
        ----------
        fit
            Of the example to `above`.
        above
            Frames ``(n, BANDS)``.
        lead
            Frames of `above` before the first cell.
        """
        found = texture(above[lead:], self.example.active)
        cells = len(found.colour)
        begin = lead // SLACK
        late = begin - self.example.frames // 2 // SLACK
        whole = _by_cell(fit.whole.max(axis=0)[None], late, cells)[0]
        parts = _paired_max(_by_cell(fit.parts.max(axis=0), begin, cells))
        given = _paired_max(_by_cell(fit.parts[UNWARPED], begin, cells))
        colour, rhythm = _paired_sum(found.colour), _paired_sum(found.rhythm)
        return fisher(
            np.column_stack(
                [
                    _paired_max(whole),
                    parts.mean(axis=0),
                    parts.max(axis=0),
                    given.mean(axis=0),
                    _alike(colour, self._colour),
                    _alike(rhythm.reshape(cells, -1), self._rhythm.ravel()),
                ]
            )
        )

    def near(self, fit: Fit, step: int, above: Grid) -> Values:
        """Evidence for an example that begins at one step, shape ``(len(KINDS),)``."""
        length = self.example.frames // SLACK
        parts = fit.parts[:, :, max(0, step - NEAR) : step + length + NEAR]
        best, given = parts.max(axis=(0, 2)), parts[UNWARPED].max(axis=1)
        whole = fit.whole[:, max(0, step - NEAR) : step + NEAR + 1].max()
        first = max(0, step * SLACK - max(0, CELL - self.example.frames) // 2)
        found = texture(above[first : first + CELL], self.example.active)
        return fisher(
            np.array(
                [
                    whole,
                    best.mean(),
                    best.max(),
                    given.mean(),
                    _alike(found.colour, self._colour)[0],
                    _alike(found.rhythm.reshape(1, -1), self._rhythm.ravel())[0],
                ]
            )
        )


def _by_cell(tracks: Grid, begin: int, cells: int) -> Grid:
    """The most of each track in each cell; the first begins at step `begin`, perhaps below 0."""
    need = begin + cells * CELL_STEPS
    front, back = max(0, -begin), max(0, need - tracks.shape[1])
    filled = np.pad(tracks, ((0, 0), (front, back)), constant_values=-1.0 / CELL)
    inside = filled[:, begin + front : need + front].reshape(len(tracks), cells, -1)
    return np.asarray(inside.max(axis=2))


def _paired_max(cells: Grid) -> Grid:
    """The more of each cell and the next."""
    following = np.concatenate([cells[..., 1:], cells[..., -1:]], axis=-1)
    return np.asarray(np.maximum(cells, following))


def _paired_sum(cells: Grid) -> Grid:
    following = np.concatenate([cells[1:], cells[-1:] if len(cells) > 1 else 0 * cells[-1:]])
    return np.asarray(cells + following)


def fisher(values: npt.NDArray[np.floating]) -> Values:
    """Fisher's z of correlations."""
    return np.asarray(np.arctanh(np.clip(values, -0.95, 0.95)), dtype=np.float64)


def _alike(rows: npt.NDArray[np.floating], given: npt.NDArray[np.floating]) -> Values:
    """Correlation of each row with what is given."""
    rows = rows - rows.mean(axis=1, keepdims=True)
    given = given - given.mean()
    size = np.linalg.norm(rows, axis=1) * np.linalg.norm(given)
    return np.asarray(rows @ given / np.maximum(size, 1e-12), dtype=np.float64)
