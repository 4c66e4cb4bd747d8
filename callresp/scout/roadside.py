"""Listening at the roadside: is it here, said as soon as that is sure, then counted.

Every 2.6 s the latest stretch of sound is judged over the noise of the last minute. A call
is counted once nothing that is still to come can change it. What was lost on the way
from the microphone is silence. Where it is here and no single place is sure of itself, as in a
continuous trill, the likeliest place so far is its call.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from callresp.listen.one_thread import one_thread
from callresp.scout.evidence import CELL
from callresp.scout.odds import (
    OFFSET,
    Candidate,
    Wanted,
    apart,
    doubt,
    judged,
    probability,
    within_reach,
)
from callresp.scout.presence import CALL_DOUBT, LEAST_SCORE, Call, Presence
from callresp.scout.spectra import BANDS, FRAMES_PER_S, BandPowers, Grid, noise_model
from callresp.scout.stretches import Stretch

KEPT = 60 * FRAMES_PER_S
LEARN = 5 * FRAMES_PER_S
SOON_S = 60.0


@dataclass(frozen=True, slots=True)
class News:
    """What changed: it turned out to be here (`here`), calls were counted, or a minute is over."""

    at_s: float
    here: bool = False
    calls: tuple[Call, ...] = ()
    minute: bool = False


class Roadside:
    """Takes sound as it comes.

    Parameters
    ----------
    sought
        Examples of one sound.
    sample_rate_hz
        Of the sound.

    Raises
    ------
    UserError
        When the sample rate holds none of the wanted sound.
    """

    def __init__(self, sought: Sequence[Wanted], sample_rate_hz: int) -> None:
        self._sought = within_reach(sought, sample_rate_hz, "sound")
        self._source = BandPowers(sample_rate_hz)
        self._powers = np.zeros((0, BANDS), np.float32)
        self._frames = self._judged = self._cells = 0
        self._odds = OFFSET
        self._open: list[Candidate] = []
        self._likeliest: Candidate | None = None
        self._minute_told = False
        self._reach = 2 * max(one.example.frames for one in sought) + 2 * CELL
        self.calls: list[Call] = []
        self.above_db: list[float] = []
        self.present = False

    @property
    def at_s(self) -> float:
        """Seconds taken."""
        return self._frames / FRAMES_PER_S

    @property
    def confidence(self) -> float:
        """Probability that it is here, by all that was heard."""
        return probability(self._odds - doubt(self._cells))

    def push(self, samples: Grid) -> list[News]:
        """Take samples ``(n,)``; return what is new."""
        with one_thread():
            powers = self._source.push(samples)
        self._frames += len(powers)
        self._powers = np.concatenate([self._powers, powers])[-KEPT:]
        if self._frames - self._judged < CELL or self._frames < LEARN:
            return []
        return self._judge(self._frames - self._reach)

    def finish(self) -> list[News]:
        """Judge what is left at the end."""
        news = self._judge(self._frames) if self._frames > self._judged else []
        return [*news, *self._count(self._unsure())]

    def _judge(self, settled: int) -> list[News]:
        noise = noise_model(self._powers, self._source.analysis.degrees)
        first = max(0, len(self._powers) - self._reach - CELL)
        at = self._frames - len(self._powers) + first
        stretch = Stretch(self._powers, first, len(self._powers), noise)
        with one_thread():
            odds, found = judged(self._sought, stretch, at)
        self._cells += max(1, (self._frames - self._judged) // CELL)
        self._judged = self._frames
        self._odds = max(self._odds, float(odds.max()))
        self._open = apart([*self._open, *found])
        likely = [*found, *([self._likeliest] if self._likeliest else [])]
        self._likeliest = max(likely, key=lambda one: one.odds, default=None)
        news = self._settle(settled)
        if self.confidence >= LEAST_SCORE and self._likeliest and not self.present:
            self.present = True
            news.insert(0, News(self.at_s, here=True))
        if not self._minute_told and self.at_s >= SOON_S:
            self._minute_told = True
            news.append(News(self.at_s, minute=True))
        return news

    def _settle(self, settled: int) -> list[News]:
        """Count the calls that begin before a frame."""
        done = [one for one in self._open if one.first < settled]
        # They stay a little longer, so that what is found beside them is not counted anew.
        self._open = [one for one in self._open if one.last > settled - self._reach]
        return self._count(
            [one for one in done if self._score(one) >= LEAST_SCORE and self._is_new(one)]
        )

    def _score(self, one: Candidate) -> float:
        return probability(one.odds - min(doubt(self._cells), CALL_DOUBT))

    def _unsure(self) -> list[Candidate]:
        """The likeliest place, where it is here and none was counted."""
        return [self._likeliest] if self.present and self._likeliest and not self.calls else []

    def _called(self, found: Sequence[Candidate]) -> tuple[Call, ...]:
        return tuple(
            Call(
                onset_s=round(max(0, one.first) / FRAMES_PER_S, 2),
                offset_s=round(one.last / FRAMES_PER_S, 2),
                score=round(self._score(one), 4),
            )
            for one in found
        )

    def _count(self, found: Sequence[Candidate]) -> list[News]:
        new = self._called(found)
        self.calls += new
        self.above_db += [one.above_db for one in found]
        return [News(self.at_s, calls=new)] if new else []

    def _is_new(self, one: Candidate) -> bool:
        """Whether no call that was counted lies where this one is."""
        first_s, last_s = one.first / FRAMES_PER_S, one.last / FRAMES_PER_S
        return all(
            call.offset_s <= first_s + 0.2 * (last_s - first_s) or call.onset_s >= last_s
            for call in self.calls[-8:]
        )

    def so_far(self, name: str, start: str | None, place: str | None) -> Presence:
        """What is known, as for a recording."""
        return Presence(
            path=name, place=place, start=start, duration_s=round(self.at_s, 3),
            present=self.present, confidence=round(self.confidence, 4),
            calls=(*self.calls, *self._called(self._unsure())) if self.present else (),
        )  # fmt: skip
