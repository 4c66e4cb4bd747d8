"""Modal synthesis: a struck thing as a sum of decaying partials.

Goal
----
Render a striker's strokes and damper moves exactly, at any sample rate, by
blocks of any size, with nothing lost between blocks.

Method
------
Each partial is one complex number z that turns and shrinks:
z(t + dt) = z(t) exp((jω - a) dt), with a = ln(1000) / T60 (a fall by 60 dB,
ISO 3382-1). What is heard is the imaginary part, so a stroke starts each
partial as a sine from zero: a blow sets a body's speed, not its place. A
stroke adds to z, so a ringing partial goes on in phase; a damper changes a
only. Between two events the sum is a matrix product, which makes it quick.

What a softer stroke does to the tone follows from contact time: after Hertz,
it grows as the speed of the blow to the power -1/5 (Fletcher & Rossing, The
Physics of Musical Instruments, chapter 19: impact), and a longer contact
excites high partials less. The palette's partial levels are those of the
hardest stroke.

A damper adds one and the same loss to every partial, such that the strike
pitch gets its `damped_t60_s`: higher partials, which are shorter already,
become shorter still.
"""

from __future__ import annotations

import math
from bisect import insort
from collections.abc import Iterable, Iterator
from heapq import merge

import numpy as np
import numpy.typing as npt

from callresp.palette.model import Striker
from callresp.synthesis.execution import DamperMove, PlayedStroke, StrikerPart, strike_partial
from callresp.synthesis.levels import ListeningPoint
from callresp.synthesis.noise_bursts import BurstQueue, StrokeNoise

Waves = npt.NDArray[np.float64]
Turning = npt.NDArray[np.complex128]

LN_1000 = math.log(1000.0)
# Contact time of the hardest stroke, s: felt or leather on metal, a hard tip on wood.
# Common practice, no source.
CONTACT_S = {
    "tube": 0.0003,
    "bar": 0.0003,
    "bell": 0.0002,
    "plate": 0.0004,
    "block": 0.0002,
    "box": 0.0005,
}
HERTZ_POWER = -0.2
_CHUNK = 256
_SILENT = 1e-7


def contact_s(striker: Striker, level_db: float) -> float:
    """How long the tip touches, for a stroke of `level_db`."""
    softer_db = striker.force[-1].level_db - level_db
    return float(CONTACT_S[striker.kind] * 10 ** (-softer_db / 20 * HERTZ_POWER))


def excitation(frequency_hz: npt.ArrayLike, touch_s: float) -> Waves:
    """How much of a blow of contact time `touch_s` reaches a partial (0 to 1).

    The envelope of a half-sine pulse's spectrum: flat, then 12 dB an octave
    down from 1 / (2 touch_s).
    """
    return np.asarray(1.0 / (1.0 + (2.0 * np.asarray(frequency_hz) * touch_s) ** 2))


def partial_amplitudes(striker: Striker, level_db: float) -> Waves:
    """Relative amplitudes of the partials of a stroke, with a summed square of 1."""
    hz = np.array([p.ratio * striker.reference_hz for p in striker.partials])
    given = 10 ** (np.array([p.level_db for p in striker.partials]) / 20)
    hardest = excitation(hz, contact_s(striker, striker.force[-1].level_db))
    amplitudes = given * excitation(hz, contact_s(striker, level_db)) / hardest
    return np.asarray(amplitudes / math.sqrt(float(np.sum(amplitudes**2))))


def decay_rates(striker: Striker) -> tuple[Waves, Waves]:
    """Decay rates (1/s) of the partials, free and damped."""
    free = LN_1000 / np.array([p.t60_s for p in striker.partials])
    if striker.damper is None:
        return free, free
    own = free[strike_partial(striker)]
    added = max(LN_1000 / striker.damper.damped_t60_s - own, 0.0)
    return free, free + added


class _Pole:
    """How all partials turn and shrink in one state of the damper."""

    def __init__(self, rates: Waves, hz: Waves, sample_rate_hz: int) -> None:
        self.log = (2j * np.pi * hz - rates) / sample_rate_hz
        table = np.exp(np.outer(self.log, np.arange(_CHUNK)))
        self._real, self._imag = np.ascontiguousarray(table.real), np.ascontiguousarray(table.imag)

    def turn(self, z: Turning, samples: float) -> Turning:
        """The state `samples` later."""
        return np.asarray(z * np.exp(self.log * samples))

    def sound(self, z: Turning, samples: int) -> Waves:
        """The next `samples` samples from state z."""
        chunks = -(-samples // _CHUNK)
        starts = z * np.exp(np.outer(np.arange(chunks) * _CHUNK, self.log))
        wave = starts.real @ self._imag + starts.imag @ self._real
        return np.asarray(wave.ravel()[:samples])


def _in_order(part: StrikerPart) -> Iterator[PlayedStroke | DamperMove]:
    strokes: Iterable[PlayedStroke | DamperMove] = part.strokes
    moves: Iterable[PlayedStroke | DamperMove] = part.moves
    return iter(merge(moves, strokes, key=_time))


def _time(event: PlayedStroke | DamperMove) -> float:
    return event.at_s


class StrikerVoice:
    """Renders one striker's part, block after block.

    Parameters
    ----------
    part
        What the striker does.
    place
        Where it is heard.
    sample_rate_hz
        Of the samples.
    seed
        Of the noises; `None` leaves them out, for the partials alone.
    """

    def __init__(
        self, part: StrikerPart, place: ListeningPoint, sample_rate_hz: int, seed: int | None
    ) -> None:
        striker = part.striker
        self._rate, self._place, self._striker = sample_rate_hz, place, striker
        hz = np.array([p.ratio * striker.reference_hz for p in striker.partials])
        # What lies above the recording's band is not folded back into it.
        self._heard = np.where(hz < 0.49 * sample_rate_hz, 1.0, 0.0)
        free, damped = decay_rates(striker)
        self._poles = {
            False: _Pole(free, hz, sample_rate_hz),
            True: _Pole(damped, hz, sample_rate_hz),
        }
        self._gains = np.array([place.gain(f) for f in hz]) * self._heard
        self._damped = part.rests_damped
        self._z = np.zeros(len(hz), dtype=np.complex128)
        self._at = 0
        self._bursts = BurstQueue()
        self._noise = None if seed is None else StrokeNoise(striker, place, sample_rate_hz, seed)
        self._events = _in_order(part)
        self._fed: list[PlayedStroke | DamperMove] = []
        self._next = self._following()

    def play(self, event: PlayedStroke | DamperMove) -> None:
        """Add an event while it plays; what lies in the past sounds at once."""
        if self._next is not None:
            insort(self._fed, self._next, key=_time)
        insort(self._fed, event, key=_time)
        self._next = self._following()

    def _following(self) -> PlayedStroke | DamperMove | None:
        event = next(self._events, None)
        return self._fed.pop(0) if event is None and self._fed else event

    def skip_to(self, sample: int) -> None:
        """Go on to `sample` without rendering."""
        # What has fallen by 180 dB is heard no more: only its draws of noise count.
        faded = sample - 3 * self._striker.t60_s * self._rate
        for event, at in self._due(sample):
            if at < faded:
                self._pass_over(event)
                continue
            self._move(at)
            self._apply(event, at)
        self._move(sample)
        self._bursts.forget_before(sample)

    def add_to(self, out: Waves) -> None:
        """Add the next ``len(out)`` samples to `out`."""
        first, end = self._at, self._at + len(out)
        for event, at in self._due(end):
            self._sound(out, at, first)
            self._apply(event, at)
        self._sound(out, end, first)
        self._bursts.add_to(out, first)

    def _due(self, end: int) -> Iterator[tuple[PlayedStroke | DamperMove, int]]:
        """Events before sample `end`, each with the first sample at or after it."""
        while self._next is not None:
            at = math.ceil(self._arrival(self._next))
            if at >= end:
                return
            yield self._next, max(at, self._at)
            self._next = self._following()

    def _arrival(self, event: PlayedStroke | DamperMove) -> float:
        return (event.at_s + self._place.delay_s) * self._rate

    def _move(self, at: int) -> None:
        if self._z.any():
            self._z = self._poles[self._damped].turn(self._z, at - self._at)
        self._at = at

    def _sound(self, out: Waves, at: int, first: int) -> None:
        if at == self._at:
            return
        if np.abs(self._z).max() > _SILENT:
            pole = self._poles[self._damped]
            out[self._at - first : at - first] += pole.sound(self._z, at - self._at)
            self._move(at)
        else:
            self._z[:] = 0.0
            self._at = at

    def _pass_over(self, event: PlayedStroke | DamperMove) -> None:
        """Leave an event unheard, so that all later ones sound as if it had been heard."""
        if self._noise is not None:
            self._noise.pass_over(event)
        if isinstance(event, DamperMove):
            self._damped = event.damped

    def _apply(self, event: PlayedStroke | DamperMove, at: int) -> None:
        if isinstance(event, DamperMove):
            if self._noise is not None:
                self._bursts.add(at, self._noise.of_move(event))
            self._damped = event.damped
            return
        peak = self._place.peak_of(event.level_db)
        blow = partial_amplitudes(self._striker, event.level_db) * self._gains * peak
        # The stroke falls between two samples: start where the sine has got to by the next.
        late = at - self._arrival(event)
        pole = self._poles[self._damped]
        self._z = self._z + pole.turn(blow.astype(np.complex128), max(late, 0.0))
        if self._noise is not None:
            self._bursts.add(at, self._noise.of_stroke(event))
