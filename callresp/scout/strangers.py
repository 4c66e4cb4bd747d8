"""Sounds that are not the wanted one, to hold an example against.

An example of a steady whistle is found everywhere by chance, one of many quick notes
nowhere. So each example is first compared with strangers that sing in its own band: what
they reach is what a score means nothing below. They are synthetic singers of ours, over
pink noise, made from fixed seeds.

Source: normalising a score by what impostors reach: Auckenthaler, Carey & Lloyd-Thomas,
Digital Signal Processing 10 (2000).
"""

from __future__ import annotations

from collections.abc import Iterator
from functools import lru_cache

import numpy as np

from callresp.scene.recipe import Recipe, Shape, Singer
from callresp.scene.render import render
from callresp.scout.spectra import LOW_HZ, Grid

SECONDS = 4.0
SNR_DB = (0.0, -10.0)
WIDE_HZ = (700.0, 8000.0)
NARROWEST = 1.5  # ratio of the ends of a stranger's band
DRUM_SLOWER = 4  # none sings as low as a drum: its strangers are played more slowly
# Shapes of notes, how many syllables to a bout, their length in ms; the last two are as harsh as
# barks are.
SINGERS: tuple[tuple[tuple[Shape, ...], tuple[int, int], tuple[float, float]], ...] = (
    (("whistle", "arch"), (4, 8), (100.0, 300.0)),
    (("sweep", "whistle"), (8, 16), (30.0, 120.0)),
    (("trill", "buzz"), (6, 12), (25.0, 90.0)),
    (("stack", "sweep"), (4, 10), (60.0, 200.0)),
    (("click", "buzz", "stack", "sweep"), (10, 20), (25.0, 120.0)),
    (("buzz",), (2, 5), (120.0, 350.0)),
    (("buzz", "stack"), (3, 8), (60.0, 250.0)),
)


@lru_cache(maxsize=64)
def _alone(number: int, low_hz: float, high_hz: float) -> tuple[Grid, int]:
    shapes, notes, note_ms = SINGERS[number % len(SINGERS)]
    singer = Singer(
        voice="A",
        shapes=shapes,
        band_hz=(low_hz, high_hz),
        syllables=6,
        notes=notes,
        note_ms=note_ms,
        gap_ms=(20.0, 150.0),
        rest_s=(0.3, 1.0),
        per_s=(8.0, 20.0),
        distance_m=8.0,
    )
    scene = render(Recipe(name="stranger", seconds=SECONDS, seed=4100 + number, singer=(singer,)))
    return scene.samples.astype(np.float32), scene.sample_rate_hz


def strangers(band_hz: tuple[float, float]) -> Iterator[tuple[Grid, int]]:
    """Samples and rate of each stranger: every kind of singer in this band, and in a wide one."""
    # Bands by the half octave, so that examples share their strangers.
    slower = DRUM_SLOWER if band_hz[0] < LOW_HZ else 1
    low, high = (2 ** (round(2 * np.log2(hz * slower)) / 2) for hz in band_hz)
    low = min(max(low, 250.0), 8000.0)
    high = min(max(high, low * NARROWEST), 12_000.0)
    number = 0
    for ends in ((low, high), WIDE_HZ):
        for _ in SINGERS:
            samples, rate_hz = _alone(number, *ends)
            rate_hz //= slower
            yield in_noise(samples, rate_hz, SNR_DB[number % 2], number), rate_hz
            number += 1


def in_noise(samples: Grid, rate_hz: int, snr_db: float, seed: int) -> Grid:
    """Samples ``(n,)`` over pink noise, at a ratio of powers over the whole band.

    Parameters
    ----------
    samples, rate_hz
        The sound.
    snr_db
        Its level over that of the noise.
    seed
        Of the noise.

    Returns
    -------
    ndarray
        Shape ``(n,)``.
    """
    noise = pink_noise(len(samples), rate_hz, seed)
    power = float(np.mean(samples.astype(np.float64) ** 2))
    mixed = samples + noise * np.float32(np.sqrt(max(power, 1e-12) / 10 ** (snr_db / 10)))
    return np.asarray(mixed * np.float32(0.3 / np.abs(mixed).max()))


def pink_noise(count: int, rate_hz: int, seed: int) -> Grid:
    """Noise of equal power an octave above 1 Hz, of power 1, shape ``(count,)``."""
    spectrum = np.fft.rfft(np.random.default_rng(seed).standard_normal(count))
    hertz = np.maximum(np.fft.rfftfreq(count, 1 / rate_hz), 1.0)
    noise = np.fft.irfft(spectrum / np.sqrt(hertz), count)
    return np.asarray(noise / noise.std(), dtype=np.float32)
