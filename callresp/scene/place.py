"""What a place adds to a sound: a few early echoes, then a diffuse tail.

Model: sparse reflections from trunks and ground, after them exponentially
decaying noise (Schroeder 1962, J. Audio Eng. Soc. 10(3), "Natural sounding
artificial reverberation", and Moorer 1979, Computer Music Journal 3(2), for
the noise model of the tail). That high frequencies die away sooner among
leaves is common practice, no source; the shares below are from memory.
"""

from __future__ import annotations

import zlib
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from callresp.scene.noise import Band
from callresp.scene.recipe import Recipe, Singer

Wave = npt.NDArray[np.float64]

TAIL_FROM_S = 0.03
ECHO_SPAN_S = (0.004, 0.045)
# (edges in Hz, share of the stated decay time)
_BANDS = (((20.0, 2000.0), 1.0), ((2000.0, 5000.0), 0.85), ((5000.0, 20000.0), 0.6))


@dataclass(frozen=True, slots=True)
class EchoTap:
    """One reflection: `delay` in samples behind the direct sound, `gain` against it."""

    delay: int
    gain: float


def echoes(recipe: Recipe, singer: Singer, rate_hz: int) -> tuple[EchoTap, ...]:
    """The early echoes between one singer's perch and the microphone."""
    rng = np.random.default_rng([recipe.seed, 61, zlib.crc32(singer.voice.encode())])
    delays_s = np.sort(rng.uniform(*ECHO_SPAN_S, recipe.echoes))
    # Later ones have gone further and are fainter, by up to 6 dB over the span.
    down_db = recipe.echo_db - 6 * delays_s / ECHO_SPAN_S[1] + rng.uniform(-3, 0, recipe.echoes)
    signs = rng.choice([-1.0, 1.0], recipe.echoes)
    return tuple(
        EchoTap(round(delay * rate_hz), float(sign * 10 ** (db / 20)))
        for delay, db, sign in zip(delays_s, down_db, signs, strict=True)
    )


def with_echoes(wave: Wave, reflections: tuple[EchoTap, ...]) -> Wave:
    """A wave followed by its early echoes."""
    longest = max((echo.delay for echo in reflections), default=0)
    out = np.zeros(len(wave) + longest)
    out[: len(wave)] = wave
    for echo in reflections:
        out[echo.delay : echo.delay + len(wave)] += echo.gain * wave
    return out


def tail(recipe: Recipe, rate_hz: int) -> Wave:
    """Impulse response of the diffuse field, of energy ``reverb_db``."""
    count = int(recipe.reverb_t60_s * rate_hz)
    time_s = np.arange(count) / rate_hz
    rng = np.random.default_rng([recipe.seed, 60])
    noise = rng.standard_normal(count)
    whole = np.zeros(count)
    for edges, share in _BANDS:
        decay = 10 ** (-3 * time_s / (share * recipe.reverb_t60_s))
        whole += Band(*edges, rate_hz, order=2)(noise) * decay
    begin = min(int(TAIL_FROM_S * rate_hz), count // 4)
    whole[:begin] *= np.linspace(0, 1, begin) ** 2
    return np.asarray(whole * np.sqrt(10 ** (recipe.reverb_db / 10) / np.sum(whole**2)))


class Convolver:
    """Convolution with a fixed response, block by block of one length (overlap and add)."""

    def __init__(self, response: Wave, block: int) -> None:
        from scipy import fft

        self._fft = fft
        self._size = int(fft.next_fast_len(len(response) + block, real=True))
        self._spectrum = fft.rfft(response, self._size)
        self._over = np.zeros(self._size)

    def __call__(self, dry: Wave) -> Wave:
        """The next block of shape ``(block,)``."""
        self._over += self._fft.irfft(self._fft.rfft(dry, self._size) * self._spectrum, self._size)
        out = self._over[: len(dry)].copy()
        self._over[: -len(dry)] = self._over[len(dry) :]
        self._over[-len(dry) :] = 0.0
        return out
