"""Following an echo through a day, by the machine's own strokes in passing.

The air warms and a wall's return comes sooner: by 20 ms at 100 m between 5 and
25 °C. Each stroke that the machine makes anyway asks again: what comes back about
the known delay is correlated with the stroke's own arrival, its ring filtered out
(`callresp.echoes.deconvolution`), and the envelopes of the last strokes are
averaged. The echo moves only to a peak that stands clear, and no faster than air
can warm. Between strokes it goes on as it did in the last hour, for a while.

Strokes whose return another stroke covers, as a joined one does, are left out.
"""

from __future__ import annotations

import math
from collections import deque

import numpy as np
import numpy.typing as npt

from callresp.echoes.alignment import LOWEST_HZ, RATE_MAX_HZ
from callresp.echoes.deconvolution import predictor_of

Wave = npt.NDArray[np.float32]
Values = npt.NDArray[np.float64]

# From the coldest to the warmest hour: a twentieth of the delay, and some to spare.
REACH_SHARE, REACH_S = 0.06, 0.004
# A stroke reaches the microphone this long after its time, at most.
ARRIVES_S = 0.06
# Another stroke so near to a return, or so shortly before a stroke, spoils it.
COVERED_S, BEFORE_S = 0.12, 0.10
TEMPLATE_S = 0.018
QUIET_S = 0.35
# Envelopes of the last strokes count, each a third after so long.
KEPT, FADES_S = 16, 600.0
# Of the averaged envelope over its own usual height: chance among the delays seldom comes to it.
CLEAR, LOUDEST = 4.5, 10.0
# Of a single envelope: 23 times its median power, which chance comes to once in millions.
ALONE = 7.0
# An echo moves by no more than this between two strokes, and this much more for each second:
# 5 K an hour is 9 ms an hour for a second's delay.
STEP_S, PER_S = 0.0015, 5e-6
# The first time: some kelvins either way, and a clearer peak of more strokes.
FIRST_SHARE, FIRST_S, FIRST_CLEAR, FIRST_STROKES = 0.02, 0.002, 6.0, 5
# How fast it moves is taken from what it did in the last while.
RATE_OVER_S, RATE_AFTER_S, LATELY = 3600.0, 600.0, 5
# Without a stroke it goes on so for a while, and is told in steps.
GOES_ON_S, TOLD_S = 1200.0, 0.0002


class EchoFollower:
    """Keeps the delay of one return.

    Parameters
    ----------
    sample_rate_hz
        Of the sound that is fed.
    delay_s
        Of the return, as it was when the place was asked.
    """

    def __init__(self, sample_rate_hz: int, delay_s: float) -> None:
        self.delay_s = self._asked_s = self._known_s = delay_s
        self._rate_hz = sample_rate_hz
        self._reach_s = REACH_SHARE * delay_s + REACH_S
        self._sound = np.zeros(0, np.float32)
        self._ends_s = 0.0
        self._strokes: deque[float] = deque()
        self._waiting: deque[float] = deque()
        self._heard: deque[tuple[float, Values]] = deque(maxlen=KEPT)
        self._moved_s: float | None = None
        self._track: deque[tuple[float, float]] = deque(maxlen=40)
        self._rate = 0.0

    @property
    def ratio(self) -> float:
        """The delay against that when the place was asked; less than 1 in warmer air."""
        return self.delay_s / self._asked_s

    def struck(self, at_s: float) -> None:
        """The machine made a stroke, heard at `at_s` by the clock of the sound."""
        self._strokes.append(at_s)
        self._waiting.append(at_s)

    def feed(self, samples: Wave, at_s: float) -> bool:
        """Take the next block of sound; returns whether the delay has moved."""
        if abs(at_s - self._ends_s) > 0.5 / self._rate_hz:
            self._sound = np.zeros(0, np.float32)
        self._sound = np.concatenate([self._sound, samples])
        self._ends_s = at_s + len(samples) / self._rate_hz
        kept = round((QUIET_S + self._needed_s + 1.0) * self._rate_hz)
        if len(self._sound) > 2 * kept:
            self._sound = self._sound[-kept:]
        moved = False
        while self._waiting and self._waiting[0] + self._needed_s <= self._ends_s:
            moved |= self._ask(self._waiting.popleft())
        moved |= self._goes_on()
        while self._strokes and self._strokes[0] < self._ends_s - self._needed_s - 5.0:
            self._strokes.popleft()
        return moved

    @property
    def _needed_s(self) -> float:
        """How long after a stroke all is heard that it says."""
        return self._asked_s + self._reach_s + ARRIVES_S + 2 * TEMPLATE_S

    def _goes_on(self) -> bool:
        """Take the delay to where it should be by now; returns whether that is news."""
        if self._moved_s is None:
            return False
        since_s = min(max(self._ends_s - self._moved_s, 0.0), GOES_ON_S)
        due_s = self._known_s + self._rate * since_s
        if abs(due_s - self.delay_s) < TOLD_S:
            return False
        self.delay_s = due_s
        return True

    def _ask(self, at_s: float) -> bool:
        back_s = at_s + self.delay_s
        others = [one for one in self._strokes if one != at_s]
        if any(-BEFORE_S < one - at_s < 0.0 for one in others):
            return False
        if any(abs(one - at_s) < TEMPLATE_S + ARRIVES_S for one in others):
            return False
        if any(abs(one - back_s) < COVERED_S for one in others):
            return False
        clip = self._clip(at_s)
        envelope = None if clip is None else _envelope(*clip, self._asked_s, self._reach_s)
        if envelope is None:
            return False
        self._heard.append((at_s, envelope))
        return self._move(at_s)

    def _clip(self, at_s: float) -> tuple[Values, int] | None:
        """What was heard from a moment before a stroke to its return, and the rate it is at."""
        starts_s = self._ends_s - len(self._sound) / self._rate_hz
        first = round((at_s - QUIET_S - starts_s) * self._rate_hz)
        last = first + round((QUIET_S + self._needed_s) * self._rate_hz)
        if first < 0 or last > len(self._sound):
            return None
        part = self._sound[first:last]
        if self._rate_hz <= RATE_MAX_HZ:
            return part.astype(np.float64), self._rate_hz
        import soxr

        return soxr.resample(part, self._rate_hz, RATE_MAX_HZ).astype(np.float64), RATE_MAX_HZ

    def _move(self, at_s: float) -> bool:
        """Go to the peak of the averaged envelopes, where it stands clear."""
        weights = [math.exp((heard_s - at_s) / FADES_S) for heard_s, _ in self._heard]
        step_s = 2 * self._reach_s / (len(self._heard[-1][1]) - 1)
        # Where each return would be by now, as the air goes on warming.
        moves = [round(self._rate * (at_s - heard_s) / step_s) for heard_s, _ in self._heard]
        rows = [np.roll(row, by) for (_, row), by in zip(self._heard, moves, strict=True)]
        mean = np.average(rows, axis=0, weights=weights)
        delays_s = self._asked_s - self._reach_s + step_s * np.arange(len(mean))
        most = PER_S * max(self._asked_s, 0.2)
        first = self._moved_s is None
        if self._moved_s is None:
            # When the place was asked is not known: the air may be another by some kelvins.
            since_s, within_s = 0.0, FIRST_SHARE * self._asked_s + FIRST_S
        else:
            since_s = at_s - self._moved_s
            within_s = STEP_S + most * since_s
        due_s = self._known_s + self._rate * since_s
        near = np.abs(delays_s - due_s) <= within_s
        at = int(np.argmax(np.where(near, mean, -np.inf)))
        usual = float(np.median(mean))
        newest = self._heard[-1][1]
        alone = int(np.argmax(np.where(near, newest, -np.inf)))
        # Where the last stroke tells by itself, older ones would only hold it back.
        if not first and newest[alone] >= ALONE:
            mean, at = newest, alone
        clear = mean[at] >= (FIRST_CLEAR if first else CLEAR) * usual
        if len(self._heard) < (FIRST_STROKES if first else 2) or usual <= 0 or not clear:
            return False
        self._moved_s = at_s
        self.delay_s = self._known_s = float(delays_s[at])
        self._track.append((at_s, self.delay_s))
        self._rate = min(max(_rate(self._track), -most), most)
        return True


def _rate(track: deque[tuple[float, float]]) -> float:
    """By how much the delay moves a second, by a line through the last half hour, or hour."""
    last_s = track[-1][0]
    lately = [(at_s, delay_s) for at_s, delay_s in track if at_s > last_s - RATE_OVER_S / 2]
    hour = [(at_s, delay_s) for at_s, delay_s in track if at_s > last_s - RATE_OVER_S]
    used = lately if len(lately) >= LATELY else hour
    if len(used) < 4 or last_s - used[0][0] < RATE_AFTER_S:
        return 0.0
    at_s, delays_s = np.array(used).T
    return float(np.polyfit(at_s - last_s, delays_s, 1)[0])


def _envelope(clip: Values, rate_hz: int, delay_s: float, reach_s: float) -> Values | None:
    """Power of the return against the stroke over delays about one, over its own median.

    `None` where no stroke is heard.
    """
    from scipy import fft, signal

    taps = signal.butter(3, LOWEST_HZ, "high", fs=rate_hz, output="sos")
    clean = signal.sosfiltfilt(taps, clip)
    stroke = _arrival(clean, round((QUIET_S - 0.01) * rate_hz), rate_hz)
    if stroke is None or len(clean) - 8 - stroke < round(0.05 * rate_hz):
        return None
    predictor = predictor_of(clean, stroke, rate_hz)
    burst = signal.lfilter(predictor, [1.0], clean)
    ahead, length = round(0.0015 * rate_hz), round(TEMPLATE_S * rate_hz)
    window = signal.windows.tukey(ahead + length, 0.2)
    template = burst[stroke - ahead : stroke + length] * window
    reach, middle = round(reach_s * rate_hz), round(delay_s * rate_hz)
    first = stroke - ahead + middle - reach
    part = burst[first : first + 2 * reach + len(template)]
    if middle - reach < length or len(part) < 2 * reach + len(template):
        return None
    size = fft.next_fast_len(len(part) + len(template), real=True)
    own = fft.rfft(template, size)
    # Over the noise before the stroke, so that wind and steady birds count less.
    quiet = burst[len(predictor) : stroke - ahead]
    _, noise = signal.welch(quiet, rate_hz, nperseg=min(512, len(quiet)))
    over = np.interp(fft.rfftfreq(size), np.linspace(0, 0.5, len(noise)), noise)
    over = over + 1e-6 * float(over.max()) + 1e-30
    found = fft.irfft(fft.rfft(part, size) * own.conj() / over, size)[: 2 * reach + 1]
    power = np.abs(signal.hilbert(found)) ** 2
    usual = float(np.median(power))
    # One loud moment, such as a bird's, moves nothing by itself.
    return None if usual <= 0 else np.asarray(power / (usual + power / LOUDEST))


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
