"""MIDI clock as a pure matter of times: following one, and making one from a pulse.

Conventions
-----------
- 24 clock messages (F8) to a beat. After Start (FA) the next F8 is beat 0; Stop
  (FC) holds the place, Continue (FB) goes on from it, a song position (F2) is in
  sixteenths: six clocks each.
- Times are seconds of any steady clock. A message is never early and often some
  milliseconds late, by the line and the computer at its other end.
- A clock is *followed* by a straight line through its last `SPAN` clocks; where
  several in turn stray from it by more than a quarter of a clock, its tempo has
  changed, and the line begins anew.
- A clock that is *made* starts on a beat of the pulse and is drawn towards later
  pulses by no more than `SLEW` of its tempo, so that no clock is ever skipped.

Source: Complete MIDI 1.0 Detailed Specification, System Real Time messages.
"""

from __future__ import annotations

import math
from collections import deque
from collections.abc import Iterator

PER_BEAT = 24
CLOCK, START, CONTINUE, STOP, POSITION = 0xF8, 0xFA, 0xFB, 0xFC, 0xF2
PER_SIXTEENTH = 6
# Clocks that the line goes through: four beats.
SPAN = 96
STRAYS = 4
# Without a clock for so long there is none any more.
GONE_S = 1.0
# Beats that are made last from 0.25 s to 1 s: 240 to 60 a minute.
QUICKEST_S, SLOWEST_S = 0.25, 1.0
SLEW = 0.03


class ClockFollower:
    """Where the beats of another's MIDI clock lie.

    Attributes
    ----------
    running : bool
        Whether it has started and not stopped.
    clocks : int
        How many clocks came in all.
    """

    def __init__(self) -> None:
        self.running = False
        self.clocks = 0
        self._number = 0
        self._points: deque[tuple[int, float]] = deque(maxlen=SPAN)
        self._strays = 0
        self._line: tuple[float, float] | None = None
        self._jitter_s: deque[float] = deque(maxlen=SPAN)

    def take(self, at_s: float, data: bytes) -> None:
        """Take a message; those that have nothing to do with a clock change nothing."""
        status = data[0] if data else 0
        if status == CLOCK:
            self._clock(at_s)
        elif status == START:
            self._begin(0)
            self.running = True
        elif status == CONTINUE:
            self._begin(self._number)
            self.running = True
        elif status == STOP:
            self.running = False
        elif status == POSITION and len(data) == 3:
            self._begin(PER_SIXTEENTH * (data[1] | data[2] << 7))

    def _begin(self, number: int) -> None:
        """The next clock has this number; the tempo so far still holds."""
        shift = number - self._number
        points = [(n + shift, at_s) for n, at_s in self._points]
        self._points.clear()
        self._points.extend(points)
        if self._line is not None:
            zero_s, each_s = self._line
            self._line = (zero_s - shift * each_s, each_s)
        self._number = number

    def _clock(self, at_s: float) -> None:
        if self._points and at_s - self._points[-1][1] > GONE_S:
            self._points.clear()
            self._line = None
        if self._line is not None:
            zero_s, each_s = self._line
            off_s = at_s - (zero_s + each_s * self._number)
            self._strays = self._strays + 1 if abs(off_s) > each_s / 4 else 0
            if self._strays >= STRAYS:
                self._restart()
            else:
                self._jitter_s.append(off_s)
        self._points.append((self._number, at_s))
        # A clock that runs while its song stands still keeps the tempo, and not the place.
        self._number += 1
        self.clocks += 1
        if not self.running:
            self._begin(self._number - 1)
        self._fit()

    def _restart(self) -> None:
        """Keep only what came since the tempo changed."""
        kept = list(self._points)[-STRAYS + 1 :]
        self._points.clear()
        self._points.extend(kept)
        self._strays = 0
        self._jitter_s.clear()

    def _fit(self) -> None:
        count = len(self._points)
        if count < 2:
            return
        mean_n = sum(n for n, _ in self._points) / count
        mean_s = sum(at_s for _, at_s in self._points) / count
        wide = sum((n - mean_n) ** 2 for n, _ in self._points)
        each_s = sum((n - mean_n) * (at_s - mean_s) for n, at_s in self._points) / wide
        if each_s > 0:
            self._line = (mean_s - each_s * mean_n, each_s)

    def alive(self, now_s: float) -> bool:
        """Whether it runs and its tempo is known."""
        recent = bool(self._points) and now_s - self._points[-1][1] < GONE_S
        return self.running and self._line is not None and recent

    @property
    def tempo_bpm(self) -> float | None:
        """Beats a minute."""
        return None if self._line is None else 60 / (PER_BEAT * self._line[1])

    @property
    def jitter_ms(self) -> float | None:
        """How far clocks stray from the line, as a root of the mean square."""
        if not self._jitter_s:
            return None
        return 1000 * math.sqrt(sum(off**2 for off in self._jitter_s) / len(self._jitter_s))

    def time_of(self, beat: float) -> float | None:
        """When a beat is, or was; `None` while the tempo is not known."""
        if self._line is None:
            return None
        zero_s, each_s = self._line
        return zero_s + PER_BEAT * beat * each_s

    def beat_at(self, at_s: float) -> float | None:
        """The beat, with its fraction, at a time."""
        if self._line is None:
            return None
        zero_s, each_s = self._line
        return (at_s - zero_s) / each_s / PER_BEAT

    def next_beat_s(self, at_s: float) -> float | None:
        """The first beat at or after a time."""
        beat = self.beat_at(at_s)
        return None if beat is None else self.time_of(math.ceil(beat - 1e-6))


def folded(period_s: float) -> float:
    """A period doubled or halved until it is a tempo that can be tapped.

    Examples
    --------
    >>> folded(0.1), folded(2.4), folded(0.5)
    (0.4, 0.6, 0.5)
    """
    while period_s < QUICKEST_S:
        period_s *= 2
    while period_s > SLOWEST_S:
        period_s /= 2
    return period_s


class ClockMaker:
    """The clocks of a pulse, which may change.

    Examples
    --------
    >>> maker = ClockMaker()
    >>> maker.set_pulse(0.0, beat_s=0.5, period_s=0.48)
    >>> [round(at_s, 3) for at_s in maker.due(0.55)]
    [0.5, 0.52, 0.54]
    """

    def __init__(self) -> None:
        self._next_s: float | None = None
        self._number = 0
        self._each_s = 0.0
        self._beat_s = 0.0
        self._goal_s = 0.0

    @property
    def next_s(self) -> float | None:
        """When the next clock is due; `None` before any pulse."""
        return self._next_s

    @property
    def tempo_bpm(self) -> float | None:
        """Beats a minute, now."""
        return 60 / (PER_BEAT * self._each_s) if self._each_s else None

    def set_pulse(self, now_s: float, beat_s: float, period_s: float) -> None:
        """Follow a pulse with a beat at `beat_s`, from now on."""
        period_s = folded(period_s)
        self._beat_s, self._goal_s = beat_s, period_s / PER_BEAT
        if self._next_s is None:
            self._each_s = self._goal_s
            self._next_s = beat_s + period_s * max(math.ceil((now_s - beat_s) / period_s), 0)

    def due(self, now_s: float) -> Iterator[float]:
        """The times of the clocks that are due by now, each once."""
        while self._next_s is not None and self._next_s <= now_s:
            at_s = self._next_s
            self._number += 1
            self._next_s = at_s + self._step(at_s)
            yield at_s

    def _step(self, at_s: float) -> float:
        """How long to the next clock: nearer to the pulse's tempo and beats by a little."""
        most = SLEW * self._each_s
        self._each_s += min(max((self._goal_s - self._each_s) / 8, -most), most)
        period_s = PER_BEAT * self._goal_s
        # Where in its beat the next clock is, and where it should be by the pulse.
        wanted = self._number % PER_BEAT * self._goal_s
        stands = (at_s + self._each_s - self._beat_s - wanted) % period_s
        late_s = stands if stands < period_s / 2 else stands - period_s
        most = SLEW * self._each_s
        return self._each_s - min(max(late_s / PER_BEAT, -most), most)
