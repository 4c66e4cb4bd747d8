"""The machine's sound for the page: chunks from anywhere of an answer, at any distance.

Method
------
A `PlanRenderer` renders on from chunk to chunk. A chunk elsewhere starts a new one there, whose
strokes and noises are those of the whole: chunks fit each other to the sample whatever the
order they were asked for in.

Loudness is that of ITU-R BS.1770-4, by the meter of the rehearsal (pyloudnorm's filters).
"""

from __future__ import annotations

import math
import threading
from collections import OrderedDict
from dataclasses import dataclass, replace

import numpy as np
import numpy.typing as npt

from callresp.desk.answers import RuleAnswer
from callresp.io.audio import BLOCK
from callresp.palette.model import Striker
from callresp.synthesis.execution import DamperMove, Execution, PlayedStroke, StrikerPart
from callresp.synthesis.levels import ListeningPoint, listening_point
from callresp.synthesis.loudness import LoudnessMeter
from callresp.synthesis.mixing import PlanRenderer
from callresp.synthesis.modal import StrikerVoice

Floats = npt.NDArray[np.float32]

CHUNKS_KEPT = 64
STRUCK_S = 6.0
DISTANCE_MIN_M, DISTANCE_MAX_M = 0.5, 200.0


@dataclass(frozen=True)
class Listening:
    """Where the listener is, and what of the machine is heard."""

    distance_m: float | None = None
    muted: frozenset[str] = frozenset()


class MachineSound:
    """The sound of one answer.

    Parameters
    ----------
    number
        By which the page asks for it.
    answer, listening, rate_hz
        What is played, how it is heard, samples a second.
    """

    def __init__(self, number: int, answer: RuleAnswer, listening: Listening, rate_hz: int) -> None:
        self.number = number
        self.answer, self.listening = answer, listening
        self.rate_hz = rate_hz
        palette = answer.checked.palette
        self._place = listening_point(palette, listening.distance_m)
        self._execution = _unmuted(answer.execution, listening.muted)
        self._machine: PlanRenderer | None = None
        self._next = -1
        self._chunks: OrderedDict[int, Floats] = OrderedDict()
        self._lock = threading.Lock()

    def chunk(self, number: int) -> Floats:
        """Chunk `number` of `BLOCK` samples, full scale ±1."""
        with self._lock:
            known = self._chunks.get(number)
            if known is None:
                known = self._chunks[number] = self._render(number)
                while len(self._chunks) > CHUNKS_KEPT:
                    self._chunks.popitem(last=False)
            return known

    def _render(self, number: int) -> Floats:
        if self._machine is None or self._next != number:
            palette = self.answer.checked.palette
            start_s = number * BLOCK / self.rate_hz
            self._machine = PlanRenderer(
                self.answer.checked.plan,
                palette,
                self.rate_hz,
                start_s,
                self._place,
                execution=self._execution,
            )
        self._next = number + 1
        return self._machine.next(BLOCK).astype(np.float32)

    def loudness(self, chorus: Floats, first: int) -> float | None:
        """Loudness in LUFS of a stretch with its chorus; `None` where it is too short or faint."""
        meter = LoudnessMeter(self.rate_hz, 1)
        last = first + len(chorus)
        for number in range(first // BLOCK, -(-last // BLOCK)):
            low, high = max(number * BLOCK, first), min((number + 1) * BLOCK, last)
            own = self.chunk(number)[low - number * BLOCK : high - number * BLOCK]
            both = own.astype(np.float64) + chorus[low - first : high - first]
            meter.push(both[:, np.newaxis])
        return meter.loudness()


def _unmuted(execution: Execution, muted: frozenset[str]) -> Execution:
    if not muted:
        return execution
    return replace(
        execution,
        strikers=tuple(part for part in execution.strikers if part.striker.name not in muted),
        turners=tuple(part for part in execution.turners if part.turner.name not in muted),
    )


def struck(
    striker: Striker, force: float, damped: bool, place: ListeningPoint, rate_hz: int
) -> Floats:
    """One stroke alone: `force` from 0 (softest that speaks) to 1; damped after 80 ms, or free.

    Returns
    -------
    ndarray
        float32, until it has fallen by 60 dB, `STRUCK_S` at most.
    """
    low, high = striker.force[0].level_db, striker.force[-1].level_db
    level_db = low + (high - low) * min(max(force, 0.0), 1.0)
    lifted = striker.damper is not None and striker.damper.rest == "on"
    moves = [DamperMove(0.0, damped=False)] if lifted else []
    length_s = striker.t60_s
    if damped and striker.damper is not None:
        moves.append(DamperMove(0.1, damped=True))
        length_s = 0.1 + striker.damper.damped_t60_s
    stroke = PlayedStroke(0.02, level_db, force, None)
    part = StrikerPart(striker, (stroke,), tuple(moves))
    voice = StrikerVoice(part, place, rate_hz, seed=0)
    out = np.zeros(math.ceil(min(length_s + 0.1, STRUCK_S) * rate_hz))
    voice.add_to(out)
    fade = min(len(out), rate_hz // 20)
    out[len(out) - fade :] *= np.linspace(1.0, 0.0, fade)
    return out.astype(np.float32)
