"""Kinds of evidence that the wanted sound is in a stretch of five seconds.

Kinds
-----
song : pieces as short as a note, each where it should come, at one pace and pitch
    (`callresp.scout.pieces`). Another performance of the song, in noise, too.
order : the moments of the example, in their order, by time warping (`callresp.scout.order`).
    Another pace.
rhythm : how fast each band comes and goes, at the pitch that fits best
    (`callresp.scout.modulation`). Trills, rattles and pulse trains whose strokes are not those of
    the example.
moves : how fast it comes and goes, up or down, and how dense its ripples are. Another bird of the
    kind that sings another song.

Rhythm and moves are those of stretches as long as the example: over five seconds, a brief call
is mostly what lies around it.

Correlations are taken as Fisher's z, which spreads them evenly, less what strangers reach
(`callresp.scout.strangers`), over their spread. `callresp.scout.odds.WEIGHTS` are few and
set by hand: each kind of caller left out once, a logistic regression that was free to choose
them did worse on those it had not seen, above all on other birds of a kind. Only their scale and
offset are fitted, on real callers that are kept apart for tuning.

Source: R. A. Fisher, Biometrika 10 (1915).
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
import numpy.typing as npt

from callresp.scout import pieces
from callresp.scout.examples import PITCHES, Example
from callresp.scout.modulation import alike, modulation, rhythm
from callresp.scout.order import MOMENT, WORST, costs, moments
from callresp.scout.pieces import SLACK
from callresp.scout.spectra import Grid, NoiseModel
from callresp.scout.stretches import Stretch, Values

CELL = 256  # frames; a window is two cells
CELL_STEPS = CELL // SLACK
KINDS = ("song", "order", "rhythm", "moves")
# How far an example's loudest parts stand over the noise that it is shown over, ratio of powers.
LOUDEST = 5.0
LEAST_ABOVE, MOST_ABOVE = -2.0, 25.0
NOTHING = 0.0  # what is told of steps beyond the frames
NEAR = 8  # steps that a part may be away from its place
# Frames of the stretches that rhythm and moves are of, and how many begin within the length of one.
SHORTEST, LONGEST, OVERLAPPING = 100, 2 * CELL, 4
AT_ONCE = 64  # stretches


class Likeness:
    """How well an example fits a stretch, every `SLACK` frames: Fisher's z of correlations.

    Attributes
    ----------
    lead : int
        Frames before the first that is judged: calls that began before it are looked for, too.
    song : ndarray
        Of its notes where they should come, shape ``(paces, steps)``; a step's example begins
        there.
    order : ndarray
        Of its moments by time warping, shape ``(steps,)``.
    rhythm, moves : ndarray
        Of the stretch that has its middle there, shape ``(steps,)``.
    """

    def __init__(self, example: Example, stretch: Stretch) -> None:
        self._frames = example.frames
        ahead = -(-max(0, example.frames - stretch.first) // SLACK) * SLACK
        ahead += -(stretch.first + ahead) % SLACK
        self.lead = ahead + stretch.first
        self._cells = max(1, -(-(stretch.last - stretch.first) // CELL))
        active, noise = example.active, stretch.noise
        shown = [_shown(example.powers[pitch], active, noise) for pitch in PITCHES]
        plain = shown[PITCHES.index(1.0)]
        own = np.clip(stretch.above[:, active], LEAST_ABOVE, MOST_ABOVE)
        own = np.concatenate([np.zeros((ahead, own.shape[1]), np.float32), own])
        cut = pieces.cut(pieces.smooth(plain), pieces.NOTE)
        fits = pieces.found(cut, pieces.smooth(own), SLACK)
        self.song = fisher(pieces.in_place(cut, fits, SLACK))
        self.order = fisher(_order(moments(plain), moments(own)))
        self.rhythm, self.moves = _textures(shown, plain, own)

    def windows(self) -> Values:
        """Evidence in each window that is judged, shape ``(cells, len(KINDS))``."""
        begin = self.lead // SLACK
        # A call is in the cell that holds its middle.
        late = begin - self._frames // 2 // SLACK
        rows = np.stack([
            _by_cell(self.song.max(axis=0), late, self._cells),
            _by_cell(self.order, late, self._cells),
            _by_cell(self.rhythm, begin, self._cells),
            _by_cell(self.moves, begin, self._cells),
        ], axis=1)  # fmt: skip
        return np.asarray(rows)

    def near(self, step: int) -> Values:
        """Evidence for an example that begins at one step, shape ``(len(KINDS),)``."""
        length = self._frames // SLACK
        around = slice(max(0, step - NEAR), step + NEAR + 1)
        late = length // 6  # a pace that is not the example's ends sooner or later
        warped = slice(max(0, step - NEAR - late), step + NEAR + late + 1)
        middle = slice(around.start + length // 2, around.stop + length // 2)

        # The last steps of the recording may lie before those that are asked for.
        def most(track: Values, where: slice) -> float:
            return float(track[..., where].max(initial=NOTHING))

        return np.array([
            most(self.song, around),
            most(self.order, warped),
            most(self.rhythm, middle),
            most(self.moves, middle),
        ])  # fmt: skip


def _shown(powers: Grid, active: npt.NDArray[np.bool_], noise: NoiseModel) -> Grid:
    """The example's own bands as they would look over the noise."""
    above = (powers / noise.floor)[:, active]
    loudest = np.quantile(above, 0.98)
    seen = np.log1p(LOUDEST * above / max(float(loudest), 1e-30)) / noise.spread[active]
    return np.asarray(seen, dtype=np.float32)


def _order(example: Grid, recording: Grid) -> Grid:
    found = costs(example, recording)
    late = len(example)
    begins = np.concatenate([found[late:], np.full(min(late, len(found)), WORST)])
    per_step = SLACK // MOMENT
    count = len(begins) // per_step
    return np.asarray(1 - begins[: count * per_step].reshape(count, -1).min(axis=1))


def _textures(shown: Sequence[Grid], plain: Grid, own: Grid) -> Values:
    """Rhythm and moves at each step, by the stretch that has its middle nearest to it."""
    span, steps = min(max(len(plain), SHORTEST), LONGEST), -(-len(own) // SLACK)
    rhythms = rhythm(np.stack([_centred(one, span) for one in shown]))
    moves = modulation(_centred(plain, span)[None])[0]
    hop = max(1, span // OVERLAPPING // SLACK)
    count = -(-steps // hop) + 1
    padded = np.zeros(((count - 1) * hop * SLACK + span, own.shape[1]), np.float32)
    inside = own[: len(padded) - span // 2]
    padded[span // 2 : span // 2 + len(inside)] = inside
    spans = np.lib.stride_tricks.sliding_window_view(padded, span, axis=0)[:: hop * SLACK]
    spans = spans.transpose(0, 2, 1)
    tracks = np.empty((2, count))
    for at in range(0, count, AT_ONCE):
        part = np.ascontiguousarray(spans[at : at + AT_ONCE])
        tracks[0, at : at + AT_ONCE] = alike(rhythm(part), rhythms).max(axis=1)
        tracks[1, at : at + AT_ONCE] = alike(modulation(part), moves)
    nearest = (np.arange(steps) + hop // 2) // hop
    return np.asarray(fisher(tracks)[:, nearest])


def _centred(frames: Grid, span: int) -> Grid:
    """As many frames, with noise before and after where there are fewer."""
    kept = frames[:span]
    before = (span - len(kept)) // 2
    return np.pad(kept, ((before, span - len(kept) - before), (0, 0)))


def _by_cell(track: Values, begin: int, cells: int) -> Values:
    """The most of each cell and the next; the first begins at step `begin`, perhaps below 0."""
    need = (cells + 1) * CELL_STEPS
    front = max(0, -begin)
    inside = track[begin + front : max(0, begin + need)]
    rest = need - front - len(inside)
    filled = np.pad(inside, (front, rest), constant_values=NOTHING)
    most = filled.reshape(cells + 1, CELL_STEPS).max(axis=1)
    return np.asarray(np.maximum(most[:-1], most[1:]))


def fisher(values: npt.NDArray[np.floating]) -> Values:
    """Fisher's z of correlations, in any shape; beyond ±0.95 it rises no further."""
    return np.asarray(np.arctanh(np.clip(values, -0.95, 0.95)), dtype=np.float64)
