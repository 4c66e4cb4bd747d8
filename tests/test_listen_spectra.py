"""Spectra of the listener, held against scipy's transforms of the same windows."""

from __future__ import annotations

import numpy as np
import pytest
import scipy.fft
from hypothesis import given
from hypothesis import strategies as st

from callresp.listen.kernels.lanes import LANES
from callresp.listen.profile import Profile
from callresp.listen.stft import Framer

# Windows of 80 to 512 samples, with every factor that a length may have.
RATES_HZ = (8000, 11025, 16000, 22050, 32000, 37800, 44100, 48000)


def noise(count: int, seed: int = 0) -> np.ndarray:
    return np.random.default_rng(seed).standard_normal(count).astype(np.float32)


def powers(framer: Framer, blocks: list[np.ndarray]) -> np.ndarray:
    return np.concatenate(
        [found[:, : framer.bins].copy() for block in blocks for found in framer.push(block)]
    )


@pytest.mark.parametrize("rate_hz", RATES_HZ)
def test_spectra_are_those_of_scipy(rate_hz: int) -> None:
    """Outside: scipy.fft.rfft of Hann windows (scipy.signal's), in double precision."""
    profile = Profile(band_high_hz=3000)
    framer, samples = Framer(rate_hz, profile), noise(6000)
    n = framer.window
    padded = np.concatenate([np.zeros(n // 2), samples.astype(np.float64)])
    frames = np.lib.stride_tricks.sliding_window_view(padded, n)[:: framer.hop]
    hann = 0.5 - 0.5 * np.cos(2 * np.pi * np.arange(n) / n)
    expected = scipy.fft.rfft(frames * hann / hann.sum() * 2, axis=1)
    found = np.concatenate(list(Framer(rate_hz, profile).spectra(samples)))
    most = float(np.abs(expected).max())
    assert found.shape == expected.shape
    assert np.abs(found - expected).max() < 1e-6 * most
    assert np.allclose(powers(framer, [samples]), np.abs(expected) ** 2, atol=2e-6 * most**2)


@given(st.lists(st.integers(0, 700), min_size=1, max_size=20), st.integers(0, 9))
def test_a_spectrum_is_the_same_to_the_bit_however_its_samples_come(
    sizes: list[int], seed: int
) -> None:
    samples = noise(sum(sizes) + 3 * LANES * 128, seed)
    blocks = np.split(samples, np.cumsum(sizes))
    at_once, by_blocks = (powers(Framer(48000, Profile()), some) for some in ([samples], blocks))
    assert np.array_equal(at_once, by_blocks)
