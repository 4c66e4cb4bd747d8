"""The place's echo is followed by the machine's own strokes, as the air warms."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt
import pytest

from callresp.live.delay_filter import DelayFilter, likelihood
from callresp.live.echo_following import EchoFollower, StrokeResponse
from callresp.live.recent_sound import RecentSound

KEPT_S = 20.0
RATE_HZ = 24000
# Wood: four modes and their T60; nothing of it comes from the package.
MODES = ((820.0, 0.09), (1205.0, 0.07), (1714.0, 0.05), (2788.0, 0.03))


def passage(
    delay_s: float, rng: np.random.Generator, noise: float, others_s: tuple[float, ...] = ()
) -> npt.NDArray[np.float32]:
    """1.5 s of sound with a stroke at 0.52 s, 20 ms after its time, and its echoes."""
    out = np.zeros(round(1.5 * RATE_HZ))
    time_s = np.arange(round(0.15 * RATE_HZ)) / RATE_HZ
    for at_s, gain in ((0.52, 1.0), *((0.52 + back, 0.03) for back in (delay_s, *others_s))):
        first = int(np.ceil(at_s * RATE_HZ))
        since_s = time_s + first / RATE_HZ - at_s
        wave = sum(
            np.exp(-6.91 * since_s / t60) * np.sin(6.2832 * hz * since_s) for hz, t60 in MODES
        )
        out[first : first + len(time_s)] += gain * wave
    return (out + noise * rng.standard_normal(len(out))).astype(np.float32)


def heard(follower: EchoFollower, samples: npt.NDArray[np.float32], at_s: float) -> bool:
    """Feed what it looks at, and let it look."""
    follower.sound.feed(samples, at_s)
    return follower.look()


def followed(
    delays_s: npt.NDArray[np.float64], apart_s: float = 120.0, noise: float = 0.01
) -> tuple[EchoFollower, list[float]]:
    """Errors in ms while an echo moves from stroke to stroke; asked at its first delay."""
    rng = np.random.default_rng(4)
    follower = EchoFollower(RecentSound(RATE_HZ, KEPT_S), float(delays_s[0]))
    errors = []
    for number, delay_s in enumerate(delays_s):
        at_s = apart_s * number
        follower.struck(at_s + 0.5)
        heard(follower, passage(float(delay_s), rng, noise), at_s)
        errors.append(1000 * abs(follower.delay_s - float(delay_s)))
    return follower, errors


def test_an_echo_is_followed_from_a_cold_to_a_warm_morning() -> None:
    # 100 m: 334.5 m/s at 5 °C, 346.3 m/s at 25 °C (dry air, ISO 9613-1, A.5).
    delays_s = 200.0 / np.linspace(334.5, 346.3, 60)
    follower, errors = followed(delays_s)
    assert max(errors) <= 3.0
    assert np.median(errors) < 1.0
    assert follower.ratio == pytest.approx(334.5 / 346.3, abs=0.003)


def test_between_strokes_it_goes_on_as_the_air_does_and_then_waits() -> None:
    delays_s = 200.0 / np.linspace(334.5, 340.0, 24)
    follower, _ = followed(delays_s)
    last_s, now_s = follower.delay_s, 120.0 * 23
    a_stroke_s = float(delays_s[-1] - delays_s[-2])
    assert heard(follower, np.zeros(8, np.float32), now_s + 600.0)
    assert follower.delay_s - last_s == pytest.approx(5 * a_stroke_s, abs=0.0006)
    # For hours without a stroke nobody knows: it stays where it may have come to in a while.
    heard(follower, np.zeros(8, np.float32), now_s + 4 * 3600.0)
    assert follower.delay_s - last_s == pytest.approx(10 * a_stroke_s, abs=0.001)


def test_without_an_echo_in_the_sound_it_stays_where_it_was() -> None:
    rng = np.random.default_rng(5)
    follower = EchoFollower(RecentSound(RATE_HZ, KEPT_S), 0.6)
    for number in range(25):
        at_s = 60.0 * number
        sound = passage(0.6, rng, 0.0)
        sound[round(0.8 * RATE_HZ) :] = 0.0
        sound += rng.normal(0, 0.01, len(sound)).astype(np.float32)
        follower.struck(at_s + 0.5)
        heard(follower, sound, at_s)
    assert follower.delay_s == 0.6


def test_a_joined_echo_tells_nothing_and_is_left_out() -> None:
    rng = np.random.default_rng(6)
    follower = EchoFollower(RecentSound(RATE_HZ, KEPT_S), 0.6)
    for number in range(12):
        at_s = 60.0 * number
        follower.struck(at_s + 0.5)
        follower.struck(at_s + 1.1)
        heard(follower, passage(0.609, rng, 0.001), at_s)
    # The stroke that joins covers the return: it must not be taken for a moved wall.
    assert follower.delay_s == 0.6


def test_an_echo_far_below_the_noise_of_a_stroke_is_followed_by_many() -> None:
    # The echo's loudest 20 ms have a root mean square of 0.014: 9 dB below this noise.
    delays_s = 200.0 / np.linspace(334.5, 346.3, 60)
    _, errors = followed(delays_s, noise=0.04)
    assert max(errors) <= 3.0


def test_all_walls_of_a_place_tell_of_the_same_air() -> None:
    rng = np.random.default_rng(8)
    asked = (0.6, 0.41, 0.75)
    alone, together = (
        EchoFollower(RecentSound(RATE_HZ, KEPT_S), asked[0]),
        EchoFollower(RecentSound(RATE_HZ, KEPT_S), asked[0], asked[1:]),
    )
    ratios = np.linspace(1.0, 0.975, 40)
    off: dict[EchoFollower, list[float]] = {alone: [], together: []}
    for number, ratio in enumerate(ratios):
        at_s = 180.0 * number
        sound = passage(asked[0] * ratio, rng, 0.06, (asked[1] * ratio, asked[2] * ratio))
        for follower in (alone, together):
            follower.struck(at_s + 0.5)
            heard(follower, sound, at_s)
            off[follower].append(1000 * asked[0] * abs(follower.ratio - ratio))
    assert np.mean(off[together]) < np.mean(off[alone])
    assert max(off[together]) < 1.5


def test_chance_alone_is_seldom_taken_for_an_echo() -> None:
    # Ville's inequality: in one of a thousand mornings at most; of noise the power is exponential.
    rng = np.random.default_rng(9)
    found = 0
    for _ in range(15):
        track = DelayFilter(0.2, 0.004)
        for number in range(25):
            power = np.repeat(rng.exponential(size=len(track.offsets) // 4 + 1), 4)
            track.stroke(100.0 * number, likelihood(power[: len(track.offsets)], 3.0))
        found += track.found
    assert found == 0


def test_what_comes_too_far_off_moves_no_echo_that_was_found() -> None:
    rng = np.random.default_rng(10)
    track = DelayFilter(0.6, 0.004)
    middle = len(track.offsets) // 2
    for number in range(12):
        power = rng.exponential(size=len(track.offsets))
        power[middle] += 25.0
        track.stroke(120.0 * number, likelihood(power, 1.0))
    assert track.found
    # Nor do some that come so late after each stroke: no air warms so fast.
    for number in range(12, 24):
        power = rng.exponential(size=len(track.offsets))
        power[middle + 300] += 1e6
        track.stroke(120.0 * number, likelihood(power, 1.0))
        assert 0.6 * abs(track.offset(120.0 * number)) < 0.003


def test_a_ring_that_falls_draws_no_echo_towards_the_machine() -> None:
    # Under chance the mean of a likelihood ratio is 1 at every delay (Ville 1939), in a ring too.
    rng = np.random.default_rng(11)
    ring = np.exp(-np.linspace(0.0, 5.0, 1000))
    mean = np.mean([likelihood(ring * rng.exponential(size=1000), 3.0) for _ in range(400)], axis=0)
    assert mean[:100].mean() == pytest.approx(1.0, abs=0.35)
    assert mean[-100:].mean() == pytest.approx(1.0, abs=0.35)


@pytest.mark.parametrize("sounding", [0, 1, 500])
def test_digital_silence_speaks_for_no_delay(sounding: int) -> None:
    power = np.zeros(1001)
    power[300 : 300 + sounding] = 1.0
    assert np.array_equal(likelihood(power, 3.0), np.ones(1001))


def test_nothing_is_asked_where_another_stroke_lies_among_the_delays_of_a_far_wall() -> None:
    rng = np.random.default_rng(12)
    follower = EchoFollower(RecentSound(RATE_HZ, KEPT_S), 3.0)
    for number in range(12):
        at_s = 60.0 * number
        sound = np.zeros(5 * RATE_HZ, np.float32)
        # Always as far apart: an air that is colder by 28 K would bring the echo so soon.
        for since_s in (0.0, 2.85):
            first = round(since_s * RATE_HZ)
            sound[first : first + round(1.5 * RATE_HZ)] += passage(0.2, rng, 0.0)
            follower.struck(at_s + 0.5 + since_s)
        heard(follower, sound + rng.normal(0, 0.001, len(sound)).astype(np.float32), at_s)
    assert follower.delay_s == 3.0


def test_a_whistle_is_no_echo_where_what_is_looked_through_is_cut_off() -> None:
    rng = np.random.default_rng(13)
    offsets = np.linspace(-0.05, 0.05, 801)
    time_s = np.arange(round(1.5 * RATE_HZ)) / RATE_HZ
    told = []
    for _ in range(40):
        clip = passage(0.2, rng, 0.002).astype(np.float64)
        whistle = 0.1 * np.sin(2 * np.pi * rng.uniform(2000.0, 6000.0) * time_s)
        clip += np.where(time_s > 0.8, whistle, 0.0)
        heard = StrokeResponse.of(clip[round(0.15 * RATE_HZ) :], RATE_HZ)
        assert heard is not None
        told.append(heard.likely(0.45, offsets))
    ends = np.mean(told, axis=0)
    assert max(ends[:20].mean(), ends[-20:].mean()) < 2.0
