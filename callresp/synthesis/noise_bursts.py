"""Short noises: a tip's contact, a hollow body's knock, a damper's felt.

Each is drawn from a small bank of band-limited, decaying noises, made once per
striker from its seed, so that a rehearsal repeats to the byte.

The contact noise stands `CONTACT_DB` under its stroke and a body's knock
`BODY_DB` (common practice, no source); a damper's noise has the level that the
palette states. As with partials, the level is that at the start of the decay.
"""

from __future__ import annotations

import math
from collections import deque
from functools import lru_cache

import numpy as np
import numpy.typing as npt

from callresp.palette.model import Striker
from callresp.synthesis.execution import DamperMove, PlayedStroke
from callresp.synthesis.levels import ListeningPoint

Waves = npt.NDArray[np.float64]

BANK = 8
METAL_CONTACT_DB = -15.0
CONTACT_DB = {"bell": -18.0, "plate": -18.0, "block": -9.0, "box": -9.0}
CONTACT_T60_S = {"block": 0.012, "box": 0.03}
METAL_CONTACT_T60_S = 0.018
BODY_DB = -8.0
# A soft thud: felt on metal.
DAMPER_BAND_HZ = (150.0, 1600.0)
DAMPER_T60_S = 0.05
ROOT_HALF = math.sqrt(0.5)


class BurstQueue:
    """Noises that are sounding or about to, added to the output block by block."""

    def __init__(self) -> None:
        self._pending: deque[tuple[int, Waves]] = deque()

    def add(self, at: int, burst: Waves) -> None:
        """Start a burst at sample `at`; bursts come in order of time."""
        if len(burst):
            self._pending.append((at, burst))

    def add_to(self, out: Waves, first: int) -> None:
        """Add what sounds in ``first`` to ``first + len(out)``; forget what has ended."""
        end = first + len(out)
        for at, burst in self._pending:
            low, high = max(at, first), min(at + len(burst), end)
            if high > low:
                out[low - first : high - first] += burst[low - at : high - at]
        self.forget_before(end)

    def forget_before(self, sample: int) -> None:
        """Drop bursts that ended before `sample`."""
        self._pending = deque(
            (at, burst) for at, burst in self._pending if at + len(burst) > sample
        )


def band_noise(
    rng: np.random.Generator,
    band_hz: tuple[float, float],
    t60_s: float,
    sample_rate_hz: int,
    rise_s: float = 0.0005,
) -> Waves:
    """Noise within a band that starts at an RMS of 1 and falls by 60 dB in `t60_s`."""
    count = max(int(t60_s * sample_rate_hz), 16)
    size = 1 << (2 * count - 1).bit_length()
    hz = np.fft.rfftfreq(size, 1 / sample_rate_hz)
    # A Butterworth band of second order, by its magnitude.
    low, high = band_hz[0], min(band_hz[1], 0.45 * sample_rate_hz)
    shape = 1 / np.sqrt((1 + (hz / high) ** 4) * (1 + (low / np.maximum(hz, 1.0)) ** 4))
    noise = np.fft.irfft(shape * np.fft.rfft(rng.standard_normal(size)), size)[:count]
    noise /= max(float(np.sqrt(np.mean(noise**2))), 1e-12)
    time_s = np.arange(count) / sample_rate_hz
    rise = np.minimum(time_s / rise_s, 1.0)
    return np.asarray(noise * rise * 10 ** (-3 * time_s / t60_s))


Bank = tuple[Waves, ...]


# A page that renders from ever new moments asks for the same banks again and again.
@lru_cache(maxsize=32)
def _banks(
    striker: Striker, place: ListeningPoint, sample_rate_hz: int, seed: int
) -> tuple[Bank, Bank, Bank, Bank]:
    """The noises of a striker: of soft and of hard tips, of its body, of its felt."""
    rng = np.random.default_rng([seed, striker.coil.channel, 77])

    def bank(band_hz: tuple[float, float], t60_s: float, rise_s: float = 0.0005) -> Bank:
        gain = place.gain(math.sqrt(band_hz[0] * band_hz[1]))
        return tuple(
            gain * ROOT_HALF * band_noise(rng, band_hz, t60_s, sample_rate_hz, rise_s)
            for _ in range(BANK)
        )

    t60_s = CONTACT_T60_S.get(striker.kind, METAL_CONTACT_T60_S)
    soft, hard = bank((200.0, 2500.0), t60_s), bank((800.0, 12000.0), t60_s)
    body: Bank = ()
    if striker.pitch_hz is None:
        band = striker.band_hz or (striker.reference_hz, 4 * striker.reference_hz)
        body = bank(band, min(partial.t60_s for partial in striker.partials))
    felt: Bank = ()
    if striker.damper is not None and striker.damper.noise_db > 0:
        felt = bank(DAMPER_BAND_HZ, DAMPER_T60_S, 0.004)
    return soft, hard, body, felt


class StrokeNoise:
    """The noises of one striker."""

    def __init__(
        self, striker: Striker, place: ListeningPoint, sample_rate_hz: int, seed: int
    ) -> None:
        self._striker, self._place = striker, place
        self._order = np.random.default_rng([seed, striker.coil.channel, 78])
        self._soft, self._hard, self._body, self._felt = _banks(
            striker, place, sample_rate_hz, seed
        )

    def _draw(self) -> int:
        return int(self._order.integers(BANK))

    def of_stroke(self, stroke: PlayedStroke) -> Waves:
        """Contact, and the body's knock where the striker has no pitch."""
        contact = self._place.peak_of(
            stroke.level_db + CONTACT_DB.get(self._striker.kind, METAL_CONTACT_DB)
        )
        # Harder strokes have shorter contacts, and so brighter ones.
        hard = self._hard[self._draw()] * stroke.force
        soft = self._soft[self._draw()] * (1 - stroke.force)
        wave = contact * (hard + soft)
        if not self._body:
            return np.asarray(wave)
        body = self._place.peak_of(stroke.level_db + BODY_DB) * self._body[self._draw()]
        longer, shorter = (body, wave) if len(body) >= len(wave) else (wave, body)
        longer = longer.copy()
        longer[: len(shorter)] += shorter
        return np.asarray(longer)

    def pass_over(self, event: PlayedStroke | DamperMove) -> None:
        """Draw what an event would have drawn, for one that is not rendered."""
        draws = int(bool(self._felt)) if isinstance(event, DamperMove) else 2 + bool(self._body)
        for _ in range(draws):
            self._draw()

    def of_move(self, move: DamperMove) -> Waves:
        """A damper that arrives: louder when it lands than when it leaves."""
        damper = self._striker.damper
        if damper is None or not self._felt:
            return np.zeros(0)
        level_db = damper.noise_db if move.damped else damper.noise_db - 6.0
        return np.asarray(self._place.peak_of(level_db) * self._felt[self._draw()])
