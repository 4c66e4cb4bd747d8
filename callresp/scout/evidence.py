"""Kinds of evidence that the wanted sound is in a stretch of five seconds.

Kinds
-----
whole : all parts in their order, at one pace and pitch. Another performance of the song.
song : pieces as short as a note, each where it should come (`callresp.scout.pieces`). The
    same in noise.
parts : the best moment of each part, whatever their order, at the pace and pitch that were
    given. Another order.
notes, sounds : the best moment of each piece as short as a note, or as a moment of one, whatever
    their order (`callresp.scout.pieces`). Another song of the same kind of singer.
order : the moments of the example, in their order, by time warping (`callresp.scout.order`).
colour : which bands stand above the noise on average, against the example's, at the pitch
    that fits best.
rhythm : how fast each band comes and goes, 1 to 38 times a second, in the same way.
    Trills, rattles and pulse trains whose strokes are not those of the example.
moves : how fast it comes and goes, up or down, and how dense its ripples are
    (`callresp.scout.modulation`). Another bird of the kind that sings another song.

Correlations are taken as Fisher's z, which spreads them evenly, less what strangers reach
(`callresp.scout.strangers`), over their spread. `callresp.scout.presence.WEIGHTS` are small and
even: each kind of caller left out once, a logistic regression that was free to choose them did
worse on those it had not seen, above all on other birds of a kind. Only their scale and offset
are fitted, on real callers that are kept apart for tuning.

Sources: R. A. Fisher, Biometrika 10 (1915); modulation spectra: Houtgast & Steeneken, JASA
77 (1985).
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from callresp.scout import pieces
from callresp.scout.examples import PITCHES, Example
from callresp.scout.matching import SLACK, Fit, Matcher
from callresp.scout.modulation import alike, modulation
from callresp.scout.order import MOMENT, WORST, costs, moments
from callresp.scout.spectra import DRUM_BANDS, FRAMES_PER_S, Grid, NoiseModel

Values = npt.NDArray[np.float64]

CELL = 256  # frames; a window is two cells
CELL_STEPS = CELL // SLACK
KINDS = (
    "whole", "song", "parts", "notes", "sounds", "order", "colour", "rhythm", "moves",
)  # fmt: skip
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
class Tracks:
    """How well an example fits a recording, every `SLACK` frames.

    Attributes
    ----------
    fit : Fit
        Of its parts.
    order, song : ndarray
        Of its moments by time warping, and of its notes where they should come: shape
        ``(steps,)``, where the example begins; 1 where all is alike.
    short : list of ndarray
        Of its pieces at the pitch that fits best: notes, moments; shape ``(pieces, steps)``.
    """

    fit: Fit
    order: Grid
    song: Grid
    short: list[Grid]


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
        self._active = example.active
        shown = [self._shown(example.powers[pitch], noise) for pitch in PITCHES]
        textures = [texture(one, self._active) for one in shown]
        # Colour is compared without the lowest bands where the example has no sound in them.
        self._lowest = 0 if example.active[:DRUM_BANDS].any() else DRUM_BANDS
        self._colours = np.stack([one.mean(axis=0)[self._lowest :] for one in shown])
        self._rhythms = np.stack([one.rhythm.sum(axis=0).ravel() for one in textures])
        plain = shown[PITCHES.index(1.0)][:, self._active]
        self._moves = modulation(plain[None])[0]
        self._moments = moments(plain)
        self._pieces = [pieces.cut(pieces.smooth(plain), n) for n in (pieces.NOTE, pieces.MOMENT)]

    def _shown(self, powers: Grid, noise: NoiseModel) -> Grid:
        """The example as it would look over the noise."""
        above = powers / noise.floor
        loudest = np.quantile(above[:, self._active], 0.98)
        seen = np.log1p(5.0 * above / max(float(loudest), 1e-30)) / noise.spread
        return np.asarray(np.where(self._active, seen, 0), dtype=np.float32)

    def heard(self, above: Grid) -> Grid:
        """The example's own bands of frames ``(n, BANDS)``, none far louder than the others."""
        return np.asarray(np.clip(above[:, self._active], LEAST_ABOVE, MOST_ABOVE))

    def tracks(self, matcher: Matcher, own: Grid) -> Tracks:
        """How well the example fits frames from `heard`; `matcher` is of the same example."""
        smooth = pieces.smooth(own)
        short = [pieces.found(one, smooth, SLACK) for one in self._pieces]
        song = pieces.in_place(self._pieces[0], short[0], SLACK)
        best = [of.max(axis=0) for of in short]
        return Tracks(matcher.fit(own), self._order(own), song, best)

    def _order(self, own: Grid) -> Grid:
        found = costs(self._moments, moments(own))
        late = len(self._moments)
        begins = np.concatenate([found[late:], np.full(min(late, len(found)), WORST)])
        per_step = SLACK // MOMENT
        count = len(begins) // per_step
        return np.asarray(1 - begins[: count * per_step].reshape(count, -1).min(axis=1))

    def windows(self, tracks: Tracks, above: Grid, own: Grid, lead: int) -> Values:
        """Evidence in each window, shape ``(cells, len(KINDS))``.

        Parameters
        ----------
        tracks
            From `tracks`, of `own`.
        above, own
            Frames ``(n, BANDS)``; and the same, from `heard`.
        lead
            Frames of `above` before the first cell.
        """
        found = texture(above[lead:], self._active)
        cells = len(found.colour)
        begin = lead // SLACK
        late = begin - self.example.frames // 2 // SLACK
        begun = [
            _paired_max(_by_cell(of[None], late, cells)[0])
            for of in (tracks.fit.whole.max(axis=0), tracks.song, tracks.order)
        ]
        parts = _paired_max(_by_cell(tracks.fit.parts, begin, cells))
        cut = [_paired_max(_by_cell(one, begin, cells)) for one in tracks.short]
        colour, rhythm = _paired_sum(found.colour), _paired_sum(found.rhythm)
        padded = np.zeros(((cells + 1) * CELL, int(self._active.sum())), np.float32)
        padded[: len(own) - lead] = own[lead : lead + len(padded)]
        shape = (cells, CELL, padded.shape[1])
        pairs = [padded[:-CELL].reshape(shape), padded[CELL:].reshape(shape)]
        return self._together(
            begun, parts.T, cut, colour, rhythm.reshape(cells, -1), np.concatenate(pairs, axis=1),
        )  # fmt: skip

    def near(self, tracks: Tracks, step: int, above: Grid) -> Values:
        """Evidence for an example that begins at one step, shape ``(len(KINDS),)``."""
        length = self.example.frames // SLACK
        around = slice(max(0, step - NEAR), step + NEAR + 1)
        inside = slice(max(0, step - NEAR), step + length + NEAR)
        fit = tracks.fit
        # The last pieces of the recording may lie before a step that a longer part needs.
        cut = [one[:, inside].max(axis=1, initial=-1.0, keepdims=True) for one in tracks.short]
        late = length // 6  # a pace that is not the example's ends sooner or later
        warped = tracks.order[max(0, step - NEAR - late) : step + NEAR + late + 1]
        begun = [
            fit.whole[:, around].max(keepdims=True)[0],
            tracks.song[around].max(initial=-1.0, keepdims=True),
            warped.max(initial=1 - WORST, keepdims=True),
        ]
        first = max(0, step * SLACK - max(0, CELL - self.example.frames) // 2)
        # Steps run on past the last frame.
        first = min(first, len(above) - 1)
        found = texture(above[first : first + CELL], self._active)
        own = self.heard(above[first : first + max(CELL, self.example.frames)])
        (together,) = self._together(
            begun, fit.parts[:, inside].max(axis=1)[None], cut, found.colour[:1],
            found.rhythm[:1].reshape(1, -1), own[None],
        )  # fmt: skip
        return np.asarray(together)

    def _together(
        self, begun: Sequence[Grid], parts: Grid, cut: Sequence[Grid], colour: Grid,
        rhythm: Grid, stretches: Grid,
    ) -> Values:  # fmt: skip
        """Evidence by rows; parts as ``(rows, parts)``, and what is cut as ``(pieces, rows)``."""
        whole, song, warped = begun
        return np.column_stack(
            [
                *(fisher(of) for of in (whole, song, parts.mean(axis=1))),
                *(fisher(of) for of in pieces.together(self._pieces, cut)),
                fisher(warped),
                fisher(alike(colour[:, self._lowest :], self._colours).max(axis=1)),
                fisher(alike(rhythm, self._rhythms).max(axis=1)),
                fisher(alike(modulation(stretches), self._moves)),
            ]
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
