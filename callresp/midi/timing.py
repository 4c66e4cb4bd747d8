"""From ticks to seconds, and to bars and beats: tempo maps and meter maps.

Conventions
-----------
- Without a tempo 120 beats a minute hold, without a meter 4/4 (RP-001).
- Tempo and meter events count in whatever track they stand, since many programs
  don't keep them to the first.
- Bars and beats count from 1; a beat is the meter's own, an eighth in 6/8. A
  change of meter begins a bar.
- Files in frames of SMPTE time have neither tempo nor bars.
"""

from __future__ import annotations

from bisect import bisect_right
from collections.abc import Iterable

from callresp.midi.smf import META, METER, TEMPO, Event, Smf

USUAL_TEMPO_US = 500_000
USUAL_METER = (4, 4)


def _metas(smf: Smf, kind: int, size: int) -> list[Event]:
    found = [
        event
        for track in smf.tracks
        for event in track.events
        if event.status == META and event.data[0] == kind and len(event.data) > size
    ]
    return sorted(found, key=lambda event: event.tick)


class TempoMap:
    """Seconds of ticks.

    Examples
    --------
    At 120 beats a minute a beat of 480 ticks lasts half a second::

        TempoMap(smf).seconds(480)
    """

    def __init__(self, smf: Smf) -> None:
        self._ticks = [0]
        self._seconds = [0.0]
        if smf.ticks_per_s:
            self._rates = [1 / smf.ticks_per_s]
            return
        beat = smf.ticks_per_beat
        self._rates = [USUAL_TEMPO_US / 1e6 / beat]
        for event in _metas(smf, TEMPO, 3):
            tempo_us = int.from_bytes(event.data[1:4], "big")
            if tempo_us == 0:
                # It would end time; the standard does not know such a tempo.
                continue
            at_s = self.seconds(event.tick)
            if event.tick > self._ticks[-1]:
                self._ticks.append(event.tick)
                self._seconds.append(at_s)
                self._rates.append(0.0)
            self._rates[-1] = tempo_us / 1e6 / beat

    def seconds(self, tick: int) -> float:
        """When a tick sounds, from the beginning."""
        place = bisect_right(self._ticks, tick) - 1
        return self._seconds[place] + (tick - self._ticks[place]) * self._rates[place]


class MeterMap:
    """Bars and beats of ticks."""

    def __init__(self, smf: Smf) -> None:
        self.known = smf.ticks_per_beat > 0
        self._ticks = [0]
        self._bars = [1]
        self._per_beat: list[float] = []
        self._beats: list[int] = []
        beat = max(smf.ticks_per_beat, 1)
        meters: Iterable[tuple[int, int, int]] = (
            (event.tick, event.data[1], event.data[2]) for event in _metas(smf, METER, 2)
        )
        self._add(*USUAL_METER, beat)
        for tick, beats, power in meters:
            if beats == 0 or power > 7:
                continue
            if tick > self._ticks[-1]:
                whole = -(-(tick - self._ticks[-1]) // self._bar_ticks)
                self._bars.append(self._bars[-1] + round(whole))
                self._ticks.append(tick)
            else:
                del self._per_beat[-1], self._beats[-1]
            self._add(beats, 2**power, beat)

    def _add(self, beats: int, unit: int, beat: int) -> None:
        self._per_beat.append(4 * beat / unit)
        self._beats.append(beats)

    @property
    def _bar_ticks(self) -> float:
        return self._per_beat[-1] * self._beats[-1]

    def place(self, tick: int) -> str:
        """Bar and beat of a tick in words; empty where a file has no bars.

        A beat has a fraction where a tick lies between beats.
        """
        if not self.known:
            return ""
        part = bisect_right(self._ticks, tick) - 1
        beats = (tick - self._ticks[part]) / self._per_beat[part]
        bar, beat = divmod(beats, self._beats[part])
        return f"bar {self._bars[part] + int(bar)}, beat {round(beat + 1, 2):g}"
