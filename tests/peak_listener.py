"""A plain listener for tests: peaks over a slow floor, joined by pitch.

It stands in for the listening room where a test is about what happens around it.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from dataclasses import dataclass, field

import numpy as np
import numpy.typing as npt

from callresp.io.score import Note
from callresp.listen.online import Event, NoteEnd, NoteOnset

WINDOW = 1024
HOP = 480
OVER_FLOOR_DB = 25.0
LEAST_S = 0.03
Floats = npt.NDArray[np.float64]


@dataclass
class Track:
    hz: float
    level_db: float
    points: list[tuple[float, float]] = field(default_factory=list)
    told: bool = False


class PeakListener:
    def __init__(self, rate_hz: int) -> None:
        self._rate_hz = rate_hz
        self._window = np.hanning(WINDOW)
        self._keys = 0
        self.restart(0.0)

    def restart(self, at_s: float) -> None:
        self._zero_s = at_s
        self._hz = np.fft.rfftfreq(WINDOW, 1 / self._rate_hz)
        self._band = slice(*np.searchsorted(self._hz, (450.0, 11000.0)))
        self._held = np.zeros(WINDOW)
        self._fresh = np.zeros(0)
        self._floor_db: Floats | None = None
        self._open: dict[int, Track] = {}
        self._done = 0

    def push(self, block: npt.NDArray[np.float32]) -> list[Event]:
        out: list[Event] = []
        self._fresh = np.concatenate([self._fresh, block])
        while len(self._fresh) >= HOP:
            self._held = np.concatenate([self._held[HOP:], self._fresh[:HOP]])
            self._fresh = self._fresh[HOP:]
            self._done += HOP
            out += self._frame(self._zero_s + (self._done - WINDOW / 2) / self._rate_hz)
        return out

    def settle(self, notes: Iterable[int]) -> None:
        pass

    def finish(self) -> list[Event]:
        return [NoteEnd(key, None) for key, track in self._open.items() if track.told]

    def _peaks(self) -> list[tuple[float, float]]:
        spectrum = np.abs(np.fft.rfft(self._held * self._window)) ** 2
        level_db = 10 * np.log10(spectrum[self._band] + 1e-9)
        if self._floor_db is None:
            self._floor_db = level_db + 6
        over = level_db - self._floor_db
        self._floor_db = self._floor_db + np.where(over > 0, 0.02, -0.5)
        top = (level_db[1:-1] > level_db[:-2]) & (level_db[1:-1] >= level_db[2:])
        places = np.flatnonzero(top & (over[1:-1] > OVER_FLOOR_DB)) + 1
        places = places[np.argsort(-level_db[places])][:8]
        hz = self._hz[self._band]
        return [(float(hz[place]), float(level_db[place])) for place in places]

    def _frame(self, at_s: float) -> Iterator[Event]:
        peaks = self._peaks()
        for key, track in list(self._open.items()):
            near = [p for p in peaks if abs(p[0] - track.hz) < max(0.08 * track.hz, 100)]
            if near:
                peaks.remove(near[0])
                track.hz, track.level_db = near[0][0], max(track.level_db, near[0][1])
                track.points.append((at_s, near[0][0]))
                if not track.told and at_s - track.points[0][0] > LEAST_S:
                    track.told = True
                    yield self._began(key, track)
            elif at_s - track.points[-1][0] > 0.03:
                del self._open[key]
                if track.told:
                    yield NoteEnd(key, self._note(key, track))
        for hz, level_db in peaks:
            self._keys += 1
            self._open[self._keys] = Track(hz, level_db, [(at_s, hz)])

    def _began(self, key: int, track: Track) -> NoteOnset:
        note = self._note(key, track)
        return NoteOnset(
            key, note.onset_s, note.pitch_hz, note.low_hz, note.high_hz, note.level_db, note.voice
        )

    def _note(self, key: int, track: Track) -> Note:
        hz = float(np.median([hz for _, hz in track.points]))
        return Note(
            id=key,
            onset_s=track.points[0][0],
            offset_s=track.points[-1][0],
            pitch_hz=hz,
            level_db=track.level_db - 60,
            voice="ABCDEFGH"[int(np.clip(1.7 * np.log2(hz / 500), 0, 7))],
            low_hz=hz - 50,
            high_hz=hz + 50,
            track=tuple(track.points),
        )
