"""The rehearsal sound while it is played: the strikers' voices, fed stroke by stroke.

Times are seconds of the sound. Turners are heard in a rendered rehearsal only.
"""

from __future__ import annotations

import contextlib
import queue
from collections.abc import Callable
from typing import TYPE_CHECKING

import numpy as np
import numpy.typing as npt

from callresp.errors import UserError
from callresp.io.sound_card import portaudio
from callresp.link.port import Clock
from callresp.palette.model import Palette, Striker
from callresp.plan.checked_plan import CheckedPlan
from callresp.plan.model import Hold, Strike
from callresp.play.outputs import Unplayed
from callresp.synthesis.execution import (
    DamperMove,
    PlayedStroke,
    StrikerPart,
    force_of,
    level_of,
)
from callresp.synthesis.levels import ListeningPoint
from callresp.synthesis.modal import StrikerVoice

if TYPE_CHECKING:
    import sounddevice

Wave = npt.NDArray[np.float32]

# Beside the machine; the way that sound takes is left out, too.
DISTANCE_M = 1.0


class LiveSound:
    """The strikers' rehearsal sound, block after block, while commands come in.

    Parameters
    ----------
    palette
        The machine, heard from `DISTANCE_M`.
    sample_rate_hz
        Of the sound.
    """

    def __init__(self, palette: Palette, sample_rate_hz: int) -> None:
        self.sample_rate_hz = sample_rate_hz
        place = ListeningPoint(distance_m=DISTANCE_M, travel=False)
        self._strikers = {item.name: item for item in palette.striker}
        self._voices = {
            item.name: StrikerVoice(StrikerPart(item, (), ()), place, sample_rate_hz, 0)
            for item in palette.striker
        }
        self._falls: dict[str, float] = {}

    def send(self, checked: CheckedPlan, zero_s: float = 0.0) -> None:
        """Take commands, in order of time for each striker; `zero_s` is the sound's 0 by them."""
        for command in sorted(checked.plan.commands, key=lambda one: one.at_s):
            striker = self._strikers.get(command.instrument)
            if striker is None:
                continue
            if isinstance(command, Strike):
                self._strike(striker, command, command.at_s - zero_s)
            elif isinstance(command, Hold):
                self._hold(striker, command, command.at_s - zero_s)

    def _strike(self, striker: Striker, command: Strike, from_s: float) -> None:
        level_db = level_of(striker, command.pulse_ms)
        if level_db is None:
            return
        at_s = from_s + striker.latency_ms / 1000
        stroke = PlayedStroke(at_s, level_db, force_of(striker, level_db), command.reply)
        self._voices[striker.name].play(stroke)

    def _hold(self, striker: Striker, command: Hold, from_s: float) -> None:
        assert striker.damper is not None
        end_s = from_s + command.hold_ms / 1000
        self._let_fall(striker, from_s)
        # One that is held again before it is back never arrives.
        if striker.name not in self._falls:
            lifted_s = from_s + striker.damper.lift_ms / 1000
            self._voices[striker.name].play(DamperMove(lifted_s, striker.damper.rest == "off"))
        self._falls[striker.name] = end_s

    def _let_fall(self, striker: Striker, by_s: float) -> None:
        """Let a damper arrive that is back at rest by a time."""
        end_s = self._falls.get(striker.name)
        if striker.damper is None or end_s is None:
            return
        back_s = end_s + striker.damper.fall_ms / 1000
        if back_s <= by_s:
            del self._falls[striker.name]
            self._voices[striker.name].play(DamperMove(back_s, striker.damper.rest == "on"))

    def next(self, at_s: float, count: int) -> npt.NDArray[np.float64]:
        """The next samples, the first of which is heard at `at_s`."""
        out = np.zeros(count)
        for name, voice in self._voices.items():
            self._let_fall(self._strikers[name], at_s + count / self.sample_rate_hz)
            voice.add_to(out)
        return out


class SoundOutput:
    """The rehearsal sound through the sound card.

    Raises
    ------
    UserError
        Without PortAudio, or without a sound card.
    """

    def __init__(
        self, palette: Palette, clock: Clock, device: str | int | None, sample_rate_hz: int
    ) -> None:
        self._sound = LiveSound(palette, sample_rate_hz)
        self._clock = clock
        self._coming: queue.SimpleQueue[CheckedPlan] = queue.SimpleQueue()
        self._at = 0
        # Where the sound's second 0 lies on the runner's clock: the first block begins now.
        self._zero_s: float | None = None
        self._stream = _opened(self._fill, device, sample_rate_hz)

    def send(self, checked: CheckedPlan) -> None:
        """Hand commands to the sound thread."""
        self._coming.put(checked)

    def exchange(self, now_s: float) -> list[Unplayed]:
        """The sound thread does it all."""
        return []

    def close(self) -> None:
        """Stop the sound."""
        self._stream.stop()
        self._stream.close()

    def _fill(self, out: Wave, frames: int, times: object, status: object) -> None:
        if self._zero_s is None:
            self._zero_s = self._clock.now_s()
        with contextlib.suppress(queue.Empty):
            while True:
                self._sound.send(self._coming.get_nowait(), self._zero_s)
        block = self._sound.next(self._at / self._sound.sample_rate_hz, frames)
        self._at += frames
        # No louder than full scale, whatever is struck at once.
        out[:, 0] = np.tanh(block)


def _opened(
    fill: Callable[[Wave, int, object, object], None],
    device: str | int | None,
    sample_rate_hz: int,
) -> sounddevice.OutputStream:
    card = portaudio("render it into a file")
    try:
        stream = card.OutputStream(
            samplerate=sample_rate_hz, device=device, channels=1, latency="low", callback=fill
        )
        stream.start()
    except (card.PortAudioError, ValueError) as fault:
        raise UserError(
            f"can't open the sound card ({fault})", remedy="name another, or render it into a file"
        ) from fault
    return stream
