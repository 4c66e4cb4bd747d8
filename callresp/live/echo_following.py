"""Following a place's echoes through a day, by the machine's own strokes in passing.

The air warms and a wall's return comes sooner: by 20 ms at 100 m between 5 and
25 °C. Each stroke that the machine makes anyway asks again: what comes back about
each known delay is correlated with the stroke's own arrival, its ring filtered out
(`callresp.echoes.deconvolution`). What all walls and all strokes say about the speed of
sound is carried on by `callresp.live.delay_filter`.

Strokes whose return another stroke covers, as a joined one does, are left out.
"""

from __future__ import annotations

from collections import deque
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from callresp.echoes.alignment import RATE_MAX_HZ, highpassed
from callresp.echoes.deconvolution import AHEAD_S, TEMPLATE_S, predictor_of
from callresp.io.audio import downsampled
from callresp.live.delay_filter import DelayFilter, likelihood
from callresp.live.recent_sound import RecentSound, Wave

Values = npt.NDArray[np.float64]

# How far off a delay may be that was just asked for: another microphone, another place for it.
SPARE_S = 0.004
# A stroke reaches the microphone this long after its time, at most.
ARRIVES_S = 0.06
# Another stroke so near to a return, or so shortly before a stroke, spoils it.
COVERED_S, BEFORE_S = 0.12, 0.10
QUIET_S = 0.35
# What is left off at either end of a part.
ENDS_S = 0.02
# How well a stroke's own arrival is known.
ARRIVAL_SD_S = 0.00015
# A move is told in steps.
TOLD_S = 0.0002


class EchoFollower:
    """Keeps the delays of a place's returns.

    Parameters
    ----------
    sound
        What was heard lately; who keeps it feeds it, and then lets the follower `look`.
    delay_s
        Of the return that matters, as it was when the place was asked.
    others_s
        Of the place's other returns: the air is the same for all of them.
    """

    def __init__(
        self, sound: RecentSound, delay_s: float, others_s: tuple[float, ...] = ()
    ) -> None:
        self.sound = sound
        self.delay_s = self._asked_s = delay_s
        self._walls_s = (delay_s, *(other for other in others_s if other != delay_s))
        self._filter = DelayFilter(max(self._walls_s), SPARE_S)
        self._strokes: deque[float] = deque()
        self._waiting: deque[float] = deque()
        reach = float(self._filter.offsets[-1])
        # How long after a stroke all is heard that it says.
        self._needed_s = max(self._walls_s) * (1 + reach) + ARRIVES_S + 2 * TEMPLATE_S + ENDS_S

    @property
    def ratio(self) -> float:
        """The delay against that when the place was asked; less than 1 in warmer air."""
        return self.delay_s / self._asked_s

    def struck(self, at_s: float) -> None:
        """The machine made a stroke, heard at `at_s` by the clock of the sound."""
        self._strokes.append(at_s)
        self._waiting.append(at_s)

    def look(self) -> bool:
        """Look at what has been heard since; returns whether the delay has moved."""
        ends_s = self.sound.ends_s
        asked = False
        while self._waiting and self._waiting[0] + self._needed_s <= ends_s:
            asked |= self._ask(self._waiting.popleft())
        while self._strokes and self._strokes[0] < ends_s - self._needed_s - 5.0:
            self._strokes.popleft()
        due_s = self._asked_s * (1 + self._filter.offset(ends_s))
        if abs(due_s - self.delay_s) < (0.0 if asked else TOLD_S):
            return False
        self.delay_s = due_s
        return self._filter.found

    def _ask(self, at_s: float) -> bool:
        """Hear what a stroke says; returns whether it is known where the delays are."""
        others = [one for one in self._strokes if one != at_s]
        if any(-BEFORE_S < one - at_s < TEMPLATE_S + ARRIVES_S for one in others):
            return False
        alone = [self._uncovered(at_s, wall_s, others) for wall_s in self._walls_s]
        clip = self._clip(at_s) if any(alone) else None
        heard = None if clip is None else StrokeResponse.of(*clip)
        if heard is None:
            return False
        likely = np.ones(len(self._filter.offsets))
        for wall_s, free in zip(self._walls_s, alone, strict=True):
            if free:
                likely *= heard.likely(wall_s, self._filter.offsets)
        return self._filter.stroke(at_s, likely)

    def _uncovered(self, at_s: float, wall_s: float, others: list[float]) -> bool:
        """Whether no other stroke sounds where a wall's return of one is looked for."""
        reach = float(self._filter.offsets[-1])
        from_s = at_s + wall_s * (1 - reach) - COVERED_S
        until_s = at_s + wall_s * (1 + reach) + COVERED_S
        return not any(from_s < one < until_s for one in others)

    def _clip(self, at_s: float) -> tuple[Wave, int] | None:
        """What was heard from a moment before a stroke to its return, and the rate it is at."""
        part = self.sound.part(at_s - QUIET_S, at_s + self._needed_s)
        return None if part is None else downsampled(part, self.sound.rate_hz, RATE_MAX_HZ)


@dataclass(frozen=True, slots=True)
class StrokeResponse:
    """A stroke and what follows it, its ring filtered out.

    The stroke arrives at sample `stroke` of `burst`; `noise` is the spectrum of what sounds before.
    """

    burst: Values
    rate_hz: int
    stroke: int
    template: Values
    noise: Values

    @classmethod
    def of(cls, clip: npt.NDArray[np.floating], rate_hz: int) -> StrokeResponse | None:
        """Of a clip ``(n,)`` from `QUIET_S` before a stroke; `None` where no stroke is heard."""
        from scipy import signal

        clean = highpassed(clip, rate_hz)
        stroke = _arrival(clean, round((QUIET_S - 0.01) * rate_hz), rate_hz)
        if stroke is None or len(clean) - 8 - stroke < round(0.05 * rate_hz):
            return None
        predictor = predictor_of(clean, stroke, rate_hz)
        burst = signal.lfilter(predictor, [1.0], clean)
        ahead, length = round(AHEAD_S * rate_hz), round(TEMPLATE_S * rate_hz)
        window = signal.windows.tukey(ahead + length, 0.2)
        template = burst[stroke - ahead : stroke + length] * window
        quiet = burst[len(predictor) : stroke - ahead]
        _, noise = signal.welch(quiet, rate_hz, nperseg=min(512, len(quiet)))
        return cls(burst, rate_hz, stroke - ahead, template, noise)

    def likely(self, wall_s: float, offsets: Values) -> Values:
        """How likely a wall's return is at each offset of its delay; 1 where it can't be told."""
        from scipy import fft

        reach, middle = (round(s * self.rate_hz) for s in (offsets[-1] * wall_s, wall_s))
        # The filter over frequency rings at both ends of the part: they are left off.
        spare = round(ENDS_S * self.rate_hz)
        first = self.stroke + middle - reach - spare
        part = self.burst[first : first + 2 * (reach + spare) + len(self.template)]
        if (
            middle - reach < len(self.template)
            or first < 0
            or len(part) < 2 * (reach + spare) + len(self.template)
        ):
            return np.ones(len(offsets))
        size = fft.next_fast_len(len(part) + len(self.template), real=True)
        # Over the noise before the stroke, so that wind and steady birds count less.
        over = np.interp(fft.rfftfreq(size), np.linspace(0, 0.5, len(self.noise)), self.noise)
        over = over + 1e-6 * float(over.max()) + 1e-30
        found = fft.rfft(part, size) * fft.rfft(self.template, size).conj() / over
        # The analytic signal of all, and then the part: that of a part would be loud at its ends.
        analytic = fft.ifft(found, size)[: 2 * (reach + spare) + 1]
        told = likelihood(np.abs(analytic[spare:-spare]) ** 2, ARRIVAL_SD_S * self.rate_hz)
        at = np.arange(middle - reach, middle + reach + 1) / self.rate_hz / wall_s - 1
        return np.asarray(np.interp(offsets, at, told))


def _arrival(clean: Values, first: int, rate_hz: int) -> int | None:
    """The sample at which a stroke arrives, by its energy; `None` where none stands out."""
    wide = max(3, round(0.0005 * rate_hz))
    energy = np.convolve(clean**2, np.ones(wide) / wide, "same")
    part = energy[first : first + round((ARRIVES_S + 0.02) * rate_hz)]
    before = float(np.median(energy[: max(first - round(0.02 * rate_hz), 1)]))
    top = float(part.max()) if len(part) else 0.0
    if top < 20 * before:
        return None
    return first + int(np.argmax(part > max(0.05 * top, 4 * before)))
