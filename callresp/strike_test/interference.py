"""What else sounds in the recording: wind, and onsets that no command explains."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from callresp.strike_test.capture import Capture
from callresp.strike_test.onsets import Onsets
from callresp.strike_test.results import Finding

Values = npt.NDArray[np.float64]

NEAR_S = 0.6
WIND_FRAME_S = 0.1
WIND_OVER_DB = 12.0
WIND_LEAST_S = 0.6
WIND_SHARE_DB = 10.0
OWN_THUD_S = 0.25
# Fainter against the loudest is no recorder's noise: a rehearsal has none.
LEAST_NOISE = 1e-5
_WIND_RATE_HZ = 800
_BLOCK = 1 << 14
RISE = 0.3


@dataclass(frozen=True, slots=True)
class ForeignSound:
    """Sounds from elsewhere, close together: a stretch of time and its band."""

    from_s: float
    until_s: float
    low_hz: float
    high_hz: float
    tonal: bool

    @property
    def finding(self) -> Finding:
        """What to report of it."""
        middle = (self.low_hz * self.high_hz) ** 0.5
        band = f"{self.low_hz:.0f} to {self.high_hz:.0f} Hz"
        what = "something else sounds"
        kind = "foreign"
        if self.tonal and middle > 900:
            what, kind = "a bird or the like sings", "bird"
        return Finding(
            kind=kind,
            at_s=round(self.from_s, 3),
            text=f"{what} ({band}): strokes there are left out",
            grave=False,
        )


def foreign(
    capture: Capture,
    found: Onsets,
    swells_s: Values,
    expected_s: Values,
    quiet_after_s: Values,
) -> list[ForeignSound]:
    """Stretches of time with onsets that no command explains.

    Parameters
    ----------
    found, swells_s
        Onsets, and times at which something swells more slowly.
    expected_s, quiet_after_s
        When each command's sound begins, and how long it may go on making onsets.
    """
    loose = []
    for at_s in np.sort(np.r_[found.times_s[found.rises > RISE], swells_s]):
        behind = at_s - expected_s
        if not np.any((behind > -0.045) & (behind < quiet_after_s)):
            loose.append(float(at_s))
    groups: list[list[float]] = []
    for at_s in loose:
        if groups and at_s - groups[-1][-1] < NEAR_S:
            groups[-1].append(at_s)
        else:
            groups.append([at_s])
    return [sound for group in groups if (sound := _described(capture, group))]


def _described(capture: Capture, group: list[float]) -> ForeignSound | None:
    """The band in which a group of onsets rises above the sound before it; `None` if in none."""
    rate_hz, size = capture.rate_hz, 2048
    after = np.zeros(size // 2 + 1)
    before = np.zeros(size // 2 + 1)
    window = np.hanning(size)
    for at_s in group:
        first = round((at_s + 0.01) * rate_hz)
        for sums, start in ((after, first), (before, first - size - round(0.03 * rate_hz))):
            part = capture.samples[max(start, 0) : max(start, 0) + size]
            if len(part) == size:
                sums += np.abs(np.fft.rfft(part * window)) ** 2
    risen = np.maximum(after - 2 * before, 0.0)
    hertz = np.fft.rfftfreq(size, 1 / rate_hz)
    risen[hertz < 80] = 0.0
    total = np.cumsum(risen)
    if total[-1] <= 0:
        return None
    low, high = np.searchsorted(total, [0.1 * total[-1], 0.9 * total[-1]])
    tonal = float(risen.max()) / total[-1] > 0.06 or high - low < len(hertz) // 6
    return ForeignSound(
        group[0] - 0.05,
        group[-1] + 0.3,
        float(max(hertz[low], 80)),
        float(max(hertz[high], hertz[low] + 20)),
        tonal=tonal,
    )


def _slow(capture: Capture) -> Values:
    """The recording resampled to about 800 Hz."""
    from scipy import signal

    # By an elliptic filter of -90 dB first: a loud tone must not alias into the rumble band.
    sos = signal.ellip(7, 0.5, 90.0, 0.4 * _WIND_RATE_HZ, fs=capture.rate_hz, output="sos")
    step = capture.rate_hz // _WIND_RATE_HZ
    state = np.zeros((len(sos), 2))
    parts = []
    for first in range(0, len(capture.samples), _BLOCK * step):
        block = np.asarray(capture.samples[first : first + _BLOCK * step], np.float64)
        low, state = signal.sosfilt(sos, block, zi=state)
        parts.append(low[::step])
    return np.concatenate(parts)


def wind(capture: Capture, busy_s: Values) -> list[Finding]:
    """Gusts: stretches in which the level below 150 Hz is far over its median.

    `busy_s` are the times of strokes and damper moves, whose own thuds are left out.
    """
    from scipy import signal

    if capture.duration_s < 2.0:
        return []
    slow = _slow(capture)
    rate_hz = capture.rate_hz / (capture.rate_hz // _WIND_RATE_HZ)
    sos = signal.butter(6, [15.0, 130.0], "band", fs=rate_hz, output="sos")
    frame = round(WIND_FRAME_S * rate_hz)
    count = len(slow) // frame
    peak = max(float(capture.samples.max()), -float(capture.samples.min()))
    least = (LEAST_NOISE * peak) ** 2 + 1e-14
    low, all_of_it = (
        10 * np.log10(np.mean(part[: count * frame].reshape(-1, frame) ** 2, axis=1) + least)
        for part in (signal.sosfilt(sos, slow), slow)
    )
    # Only the time between strokes is used; a gust lasts through it.
    at_s = (np.arange(count) + 0.5) * WIND_FRAME_S
    busy_s = np.sort(np.r_[-np.inf, busy_s])
    since = at_s - busy_s[np.searchsorted(busy_s, at_s + 0.1, side="right") - 1]
    calm = since > OWN_THUD_S
    if calm.sum() < 10:
        return []
    low = np.interp(at_s, at_s[calm], low[calm])
    all_of_it = np.interp(at_s, at_s[calm], all_of_it[calm])
    level = signal.medfilt(low, 5)
    # Leakage from a low striker is faint beside the striker itself.
    high = (level > np.median(level) + WIND_OVER_DB) & (low > all_of_it - WIND_SHARE_DB)
    edges = np.diff(np.r_[0, high.astype(np.int8), 0])
    found = []
    for first, last in zip(np.flatnonzero(edges == 1), np.flatnonzero(edges == -1), strict=True):
        if (last - first) * WIND_FRAME_S >= WIND_LEAST_S:
            over = float(level[first:last].max() - np.median(level))
            found.append(
                Finding(
                    kind="wind",
                    at_s=round(first * WIND_FRAME_S, 1),
                    text=f"wind or rumble for {(last - first) * WIND_FRAME_S:.1f} s,"
                    f" {over:.0f} dB over the rest below 150 Hz",
                    grave=False,
                )
            )
    return found
