"""A MIDI clock on a port, sent by a thread of its own, each message near to its time."""

from __future__ import annotations

import threading
from collections import deque

from callresp.link.port import Clock
from callresp.midi.clock import ClockMaker
from callresp.midi.ports import MidiOutput

# The last part of a wait is spent in short sleeps: a long one wakes late.
NEAR_S, NAP_S, IDLE_S = 0.003, 0.0002, 0.05
KEPT = 5000
# A clock that is later than this is of no use to anyone: it is left out, and counted.
LATE_S = 0.05


class ClockOut:
    """Sends a clock: Start with its first beat, Stop at its end.

    Parameters
    ----------
    port
        An open MIDI output.
    clock
        By which pulses are told.

    Attributes
    ----------
    late_s : deque of float
        How late the last clocks were sent.
    left_out : int
        Clocks that were too late to be sent.
    """

    def __init__(self, port: MidiOutput, clock: Clock) -> None:
        self.late_s: deque[float] = deque(maxlen=KEPT)
        self.left_out = 0
        self._port = port
        self._clock = clock
        self._maker = ClockMaker()
        self._lock = threading.Lock()
        self._changed = threading.Event()
        self._ended = False
        self._started = False
        self._thread = threading.Thread(target=self._run, name="clock", daemon=True)
        self._thread.start()

    def set_pulse(self, beat_s: float, period_s: float) -> None:
        """Follow a pulse with a beat at `beat_s`."""
        with self._lock:
            self._maker.set_pulse(self._clock.now_s(), beat_s, period_s)
        self._changed.set()

    @property
    def tempo_bpm(self) -> float | None:
        """Beats a minute, now; `None` before the first pulse."""
        return self._maker.tempo_bpm

    @property
    def jitter_ms(self) -> float | None:
        """Spread of the lateness of the last clocks, as a root of the mean square."""
        late = list(self.late_s)
        if not late:
            return None
        mean = sum(late) / len(late)
        return float(1000 * (sum((x - mean) ** 2 for x in late) / len(late)) ** 0.5)

    def close(self) -> None:
        """Stop the clock, and give the port up."""
        self._ended = True
        self._changed.set()
        self._thread.join(timeout=1.0)
        if self._started:
            self._send("stop")
        self._port.close()

    def _run(self) -> None:
        while not self._ended:
            next_s = self._maker.next_s
            left_s = IDLE_S if next_s is None else next_s - self._clock.now_s()
            if left_s > NEAR_S:
                self._changed.wait(min(left_s - NEAR_S, IDLE_S))
                self._changed.clear()
                continue
            if left_s > 0:
                threading.Event().wait(min(left_s, NAP_S))
                continue
            now_s = self._clock.now_s()
            with self._lock:
                due = list(self._maker.due(now_s))
            for at_s in due:
                self._tick(at_s)

    def _tick(self, at_s: float) -> None:
        if not self._started:
            self._started = True
            self._send("start")
        late_s = self._clock.now_s() - at_s
        if late_s > LATE_S:
            self.left_out += 1
            return
        self._send("clock")
        self.late_s.append(late_s)

    def _send(self, kind: str) -> None:
        import mido

        self._port.send(mido.Message(kind))
