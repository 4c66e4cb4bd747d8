"""The machine's sound: all strikers and turners of a plan, by blocks.

Conventions
-----------
- Samples are float64 inside and float32 outside, full scale ±1, at the
  listener's place (`levels.Place`).
- Sample 0 is the recording's start; a plan's commands may lie a little before.
- The same plan, palette, place and seed give the same samples, whatever the
  blocks.

What is not modelled: echoes of the place, the coils' own clicks, motors' hum.
"""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np
import numpy.typing as npt

from callresp.io.audio import BLOCK, Samples
from callresp.palette.model import Palette
from callresp.plan.checked_plan import CheckedPlan
from callresp.plan.model import Plan
from callresp.synthesis.execution import act
from callresp.synthesis.levels import Place, place_of
from callresp.synthesis.modal import StrikerVoice
from callresp.synthesis.turning import TurnerVoice


class Machine:
    """Renders a plan's sound from any moment on.

    Parameters
    ----------
    plan, palette
        What is played, on what.
    sample_rate_hz
        Of the samples; partials above its half are left out, not folded back.
    start_s
        Moment of the first sample. What was struck before still rings.
    place
        The listener's; by default that of the palette.
    seed
        Of the noises.
    """

    def __init__(
        self,
        plan: Plan | CheckedPlan,
        palette: Palette,
        sample_rate_hz: int,
        start_s: float = 0.0,
        place: Place | None = None,
        seed: int = 0,
    ) -> None:
        place = place or place_of(palette)
        parts = act(plan, palette)
        voices: list[StrikerVoice | TurnerVoice] = [
            StrikerVoice(part, place, sample_rate_hz, seed)
            for part in parts.strikers
            if part.strokes or part.moves
        ]
        voices += [
            TurnerVoice(turning, place, sample_rate_hz, seed)
            for turning in parts.turners
            if turning.spells
        ]
        self._voices = voices
        for voice in voices:
            voice.skip_to(round(start_s * sample_rate_hz))

    def next(self, count: int) -> npt.NDArray[np.float64]:
        """The next `count` samples, shape ``(count,)``."""
        out = np.zeros(count)
        for voice in self._voices:
            voice.add_to(out)
        return out


def stream(machine: Machine, count: int, block: int = BLOCK) -> Iterator[npt.NDArray[np.float64]]:
    """Yield `count` samples by blocks, in constant memory."""
    done = 0
    while done < count:
        size = min(block, count - done)
        yield machine.next(size)
        done += size


def render(
    plan: Plan | CheckedPlan,
    palette: Palette,
    sample_rate_hz: int,
    duration_s: float,
    start_s: float = 0.0,
    place: Place | None = None,
    seed: int = 0,
) -> Samples:
    """Render what a machine would sound like while it plays a plan.

    Parameters
    ----------
    plan, palette, sample_rate_hz, start_s, place, seed
        As for `Machine`.
    duration_s
        Length of what is rendered.

    Returns
    -------
    ndarray
        float32, shape ``(round(duration_s * sample_rate_hz),)``, full scale ±1.
        It may pass full scale; `mix` sees to the headroom.
    """
    machine = Machine(plan, palette, sample_rate_hz, start_s, place, seed)
    out = np.empty(round(duration_s * sample_rate_hz), dtype=np.float32)
    at = 0
    for part in stream(machine, len(out)):
        out[at : at + len(part)] = part
        at += len(part)
    return out
