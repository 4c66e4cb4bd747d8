"""Echoes, tails and noises against what is published about them."""

from __future__ import annotations

import numpy as np
import pytest
from scene_helpers import ANOTHER, DRUMMER, ONE_SINGER, noise_of, recipe
from scipy import signal

from callresp.io.resources import shipped
from callresp.scene.levels import crest
from callresp.scene.noise import NoiseSource, Swell
from callresp.scene.place import Convolver, echoes, tail, with_echoes
from callresp.scene.recipe import load_recipe, vary
from callresp.scene.render import PreparedScene
from callresp.scene.schedule import arrivals
from callresp.scene.voice import AirPath, voiced

RATE_HZ = 48000


@pytest.mark.parametrize("t60_s", [0.3, 0.9, 2.0])
def test_the_tail_decays_as_stated(t60_s: float) -> None:
    """Schroeder 1965 (JASA 37): decay by backward integration, here from -5 to -35 dB."""
    response = tail(recipe(ONE_SINGER, reverb_t60_s=t60_s), RATE_HZ)
    low = signal.sosfilt(signal.butter(2, [300, 1500], "band", fs=RATE_HZ, output="sos"), response)
    fall = np.cumsum(low[::-1] ** 2)[::-1]
    down_db = 10 * np.log10(fall / fall[0])
    first, last = (int(np.argmax(down_db < level)) for level in (-5, -35))
    assert 2 * (last - first) / RATE_HZ == pytest.approx(t60_s, rel=0.1)


def test_the_tail_has_the_stated_energy() -> None:
    response = tail(recipe(ONE_SINGER, reverb_db=-20), RATE_HZ)
    assert 10 * np.log10(np.sum(response**2)) == pytest.approx(-20, abs=1e-6)


def test_block_convolution_is_convolution() -> None:
    rng = np.random.default_rng(5)
    response, dry = rng.standard_normal(700), rng.standard_normal(4000)
    run = Convolver(response, 500)
    wet = np.concatenate([run(part) for part in dry.reshape(8, 500)])
    assert wet == pytest.approx(np.convolve(dry, response)[:4000])


def test_echoes_follow_the_sound_and_are_fainter() -> None:
    scene = recipe(ONE_SINGER, echoes=6, echo_db=-18)
    found = echoes(scene, scene.singer[0], RATE_HZ)
    assert len(found) == 6
    assert all(0.004 <= echo.delay / RATE_HZ <= 0.0451 for echo in found)
    assert all(-28 < 20 * np.log10(abs(echo.gain)) <= -18 for echo in found)
    click = with_echoes(np.ones(1), found)
    assert click[0] == 1.0
    assert np.count_nonzero(click) == 7
    assert np.array_equal(with_echoes(np.ones(3), ()), np.ones(3))


@pytest.mark.parametrize("kind", ["wind", "water", "rain", "traffic"])
def test_noise_has_the_power_that_it_promises(kind: str) -> None:
    noise = NoiseSource(kind, 3, 30, RATE_HZ)  # type: ignore[arg-type]
    wave = np.concatenate([noise(second) for second in range(30)])
    hertz, density = signal.welch(wave, RATE_HZ, nperseg=8192)
    for low, high in ((500, 2000), (2000, 8000), (500, 12000)):
        inside = (hertz >= low) & (hertz <= high)
        found = float(np.sum(density[inside]) * (hertz[1] - hertz[0]))
        assert 10 * np.log10(found / noise.power((low, high))) == pytest.approx(0, abs=0.5)
    assert np.abs(wave).max() < noise.crest()


def test_swells_have_mean_square_one() -> None:
    swell = Swell(np.random.default_rng(1), 3.0, 0.6, 40)
    gains = np.concatenate([swell(second, 1000) for second in range(40)])
    assert np.mean(gains**2) == pytest.approx(1.0, rel=0.01)
    assert gains.max() <= swell.highest * (1 + 1e-9)
    assert gains.max() / gains.min() > 3


def test_shares_are_levels_among_the_noises() -> None:
    scene = recipe(noise=("wind", "rain"), snr_db=None)
    louder = PreparedScene(vary(scene, seconds=20))
    wave = noise_of(louder)
    hertz, density = signal.welch(wave, RATE_HZ, nperseg=8192)
    inside = (hertz >= 500) & (hertz <= 12000)
    power = float(np.sum(density[inside]) * (hertz[1] - hertz[0]))
    assert 10 * np.log10(power / 0.5) == pytest.approx(-30, abs=0.4)


def test_no_note_passes_the_bound_on_its_peak() -> None:
    path = AirPath(12.0, 10.0, 80.0)
    harsh = ANOTHER | {"voice": "E", "shapes": ["buzz", "click"], "band_hz": [3000, 9000]}
    for arrival in arrivals(recipe(ONE_SINGER, ANOTHER, DRUMMER, harsh, noise=(), seconds=40)):
        sound = voiced(arrival.sung, 0.0, path, RATE_HZ)
        assert np.abs(sound.wave).max() < np.sqrt(0.5) * crest(arrival.sung)


def test_drummers_run_from_slow_to_fast() -> None:
    for name in ("rhythm", "score-rhythm"):
        assert name in shipped("scenes")
        scene = load_recipe(name)
        onsets: dict[tuple[str, int], list[float]] = {}
        for arrival in arrivals(scene):
            onsets.setdefault((arrival.singer.voice, arrival.phrase), []).append(arrival.at_s)
        rates = np.concatenate([1 / np.diff(times) for times in onsets.values()])
        assert rates.min() < 3
        assert 18 < rates.max() < 27
