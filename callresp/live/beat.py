"""A live session and MIDI clocks: replies on another's beats, a clock of the pulse that is heard.

Conventions
-----------
The engine's clock is another than the host's, by which MIDI is timed: `origin`
says where the engine's 0 lies on it.
"""

from __future__ import annotations

from collections.abc import Callable

from callresp.io.score import Phrase
from callresp.live.actions import Record
from callresp.live.links import EngineOrigin
from callresp.midi.clock import ClockFollower
from callresp.rhythm import find_pulse

# A pulse weaker than this is no tempo to hand on.
LEAST_STRENGTH = 0.5


class Beats:
    """Puts replies on the beats of a clock that is followed.

    Parameters
    ----------
    follower
        Fed by the MIDI input's own thread.
    origin
        Of the engine's clock.
    now_s
        The host's clock.
    """

    def __init__(
        self, follower: ClockFollower, origin: EngineOrigin, now_s: Callable[[], float]
    ) -> None:
        self._follower = follower
        self._origin = origin
        self._now_s = now_s

    def align(self, at_s: float) -> float:
        """When a reply that could sound at `at_s` is to sound: on the next beat there is."""
        if not self._follower.alive(self._now_s()):
            return at_s
        zero_s = self._origin.host_s
        beat_s = self._follower.next_beat_s(zero_s + at_s)
        return at_s if beat_s is None else max(beat_s - zero_s, at_s)


class PulseTeller:
    """Hands on the pulse of each phrase that has one.

    Parameters
    ----------
    origin
        Of the engine's clock.
    tell
        Called with a beat's time on the host's clock, and the period.
    """

    def __init__(self, origin: EngineOrigin, tell: Callable[[float, float], None]) -> None:
        self._origin = origin
        self._tell = tell

    def record(self, record: Record) -> None:
        """Look at a row of the log: phrases have pulses."""
        if not isinstance(record.body, Phrase):
            return
        pulse = find_pulse([note.onset_s for note in record.body.notes])
        if pulse is not None and pulse.strength >= LEAST_STRENGTH:
            self._tell(self._origin.host_s + pulse.phase_s, pulse.period_s)
