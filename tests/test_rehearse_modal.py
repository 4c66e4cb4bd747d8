"""The synthesis against physics: modes, decay, dampers, phase, level."""

from __future__ import annotations

import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from rehearse_helpers import (
    BAR_RATIOS,
    bar,
    damper,
    hold,
    machine,
    peak_hz,
    plan,
    render,
    schroeder_t60_s,
    strike,
)
from scipy import optimize

from callresp.io.audio import level_db
from callresp.palette.files import load_palette
from callresp.synthesis.levels import ListeningPoint
from callresp.synthesis.mixing import PlanRenderer
from callresp.synthesis.modal import contact_s, partial_amplitudes

RATE = 48000
NEAR = ListeningPoint(distance_m=1.0, air=False, travel=False)


def bar_ratios(count: int) -> list[float]:
    """Mode ratios of a free-free bar from its frequency equation, cosh x cos x = 1.

    Source: Fletcher & Rossing, The Physics of Musical Instruments, chapter 2
    (bending waves in a bar with free ends).
    """
    roots = [
        optimize.brentq(lambda x: math.cos(x) - 1 / math.cosh(x), m - 0.5, m + 0.5)
        for m in (math.pi * (n + 0.5) for n in range(1, count + 1))
    ]
    return [(root / roots[0]) ** 2 for root in roots]


def test_the_published_ratios_follow_from_the_bar_equation() -> None:
    assert bar_ratios(4) == pytest.approx(BAR_RATIOS, rel=2e-4)


@pytest.mark.parametrize("rate", [44100, 48000, 192000])
def test_bar_modes_are_read_back_from_the_sound(rate: int) -> None:
    sound = render(plan(strike(0.0)), machine(bar(600.0)), rate, 2.0, place=NEAR)
    found = [peak_hz(sound, rate, 600.0 * ratio) for ratio in bar_ratios(4)]
    assert [hz / found[0] for hz in found] == pytest.approx(bar_ratios(4), rel=5e-4)
    assert found[0] == pytest.approx(600.0, rel=2e-4)


def test_partials_above_half_the_rate_are_not_folded_back() -> None:
    # 8.933 × 3000 Hz would fold to 5251 Hz at 32 kHz.
    high = machine(bar(3000.0, levels_db=(0, 0, 0, 0), t60_s=(3, 3, 3, 3)))
    sound = render(plan(strike(0.0)), high, 32000, 1.0, place=NEAR)[8000:]
    spectrum = np.abs(np.fft.rfft(sound * np.hanning(len(sound))))
    hz = np.fft.rfftfreq(len(sound), 1 / 32000)
    folded = spectrum[np.abs(hz - 5201) < 200].max()
    assert 20 * np.log10(folded / spectrum.max()) < -80


@pytest.mark.parametrize("t60_s", [0.3, 1.0, 4.0])
def test_free_t60_by_backward_integration(t60_s: float) -> None:
    palette = machine(bar(700.0, t60_s=(t60_s, t60_s / 2, t60_s / 3, t60_s / 4)))
    sound = render(plan(strike(0.0)), palette, RATE, 1.2 * t60_s + 0.2, place=NEAR)
    start = int(0.03 * RATE)
    assert schroeder_t60_s(sound[start:], RATE, 700.0) == pytest.approx(t60_s, rel=0.05)


@pytest.mark.parametrize("rest", ["on", "off"])
@pytest.mark.parametrize("t60_s", [0.12, 0.3])
def test_damped_t60_by_backward_integration(rest: str, t60_s: float) -> None:
    palette = machine(bar(700.0, damper=damper(rest, t60_s)))
    if rest == "on":
        moves, falls_s = [hold(-0.1, 0.47)], 0.50
    else:
        moves, falls_s = [hold(0.48, 3.0)], 0.50
    sound = render(plan(strike(0.0), *moves), palette, RATE, 2.0, place=NEAR)
    start = int((falls_s + 0.005) * RATE)
    assert schroeder_t60_s(sound[start:], RATE, 700.0) == pytest.approx(t60_s, rel=0.05)
    before = render(plan(strike(0.0)), machine(bar(700.0)), RATE, 0.45, place=NEAR)
    tail = slice(int(0.1 * RATE), int(0.45 * RATE))
    assert np.abs(sound[tail] - before[tail]).max() < 1e-6, "free until the damper falls"


@pytest.mark.parametrize("name", ["fettle", "ladder", "pocket"])
def test_every_shipped_striker_rings_as_its_palette_says(name: str) -> None:
    """Each loud partial of each shipped striker: its T60 from two windows of the rendered sound."""
    palette = load_palette(name)
    for striker in palette.striker:
        pulse = strike(0.0, striker.force[-1].pulse_ms, striker.coil.channel)
        moves = []
        if striker.damper is not None and striker.damper.rest == "on":
            moves = [hold(-0.2, 3.0, striker.damper.coil.channel)]
        sound = render(plan(pulse, *moves), palette, RATE, 2.5, place=NEAR)
        tones = [(p.ratio * striker.reference_hz, p.t60_s) for p in striker.partials]
        # The knock of a block or box is noise beside its partials.
        faintest_db, within = (-20, 0.03) if striker.pitch_hz is not None else (-10, 0.1)
        for number, (hz, t60_s) in enumerate(tones):
            if striker.partials[number].level_db > faintest_db:
                apart = min(abs(hz - other) for other, _ in tones if other != hz)
                found = two_window_t60_s(sound[round(0.02 * RATE) :], hz, apart, t60_s)
                assert found == pytest.approx(t60_s, rel=within), striker.name


def two_window_t60_s(sound: np.ndarray, hz: float, apart_hz: float, about_s: float) -> float:
    """T60 of a tone by its level in two Hann windows; 4 bins away the window is 60 dB down."""
    count = round(RATE * 8 / apart_hz)
    later = round(RATE * min(0.3 * about_s, 1.8))
    turning = np.exp(-2j * np.pi * hz * np.arange(count) / RATE) * np.hanning(count)
    first, second = (abs(sound[at : at + count] @ turning) for at in (0, later))
    return float(60 * later / RATE / (20 * np.log10(first / second)))


def test_a_stroke_on_a_lying_damper_is_muted() -> None:
    palette = machine(bar(700.0, damper=damper("on", 0.15)))
    sound = render(plan(strike(0.0)), palette, RATE, 1.0, place=NEAR)
    assert schroeder_t60_s(sound[1000:], RATE, 700.0) == pytest.approx(0.15, rel=0.05)


def test_a_damper_held_too_briefly_never_lifts() -> None:
    palette = machine(bar(700.0, damper=damper("on", 0.15)))
    touched = render(plan(strike(0.0), hold(-0.01, 0.005)), palette, RATE, 1.0, place=NEAR)
    lying = render(plan(strike(0.0)), palette, RATE, 1.0, place=NEAR)
    assert np.array_equal(touched, lying)


def test_strokes_a_period_apart_add_and_half_a_period_apart_cancel() -> None:
    palette = machine(bar(500.0, t60_s=(20.0,), levels_db=(0.0,)))
    one = render(plan(strike(0.0)), palette, RATE, 0.6, place=NEAR)
    both = render(plan(strike(0.0), strike(0.1)), palette, RATE, 0.6, place=NEAR)
    against = render(plan(strike(0.0), strike(0.101)), palette, RATE, 0.6, place=NEAR)
    late = slice(int(0.3 * RATE), int(0.5 * RATE))
    assert level_db(both[late]) - level_db(one[late]) == pytest.approx(6.02, abs=0.2)
    assert level_db(against[late]) - level_db(one[late]) < -25


def test_the_ring_goes_on_without_a_step() -> None:
    palette = machine(bar(500.0, t60_s=(20.0,), levels_db=(0.0,), damper=damper("on", 0.3)))
    sound = render(plan(hold(-0.1, 0.5), strike(0.0)), palette, RATE, 1.0, place=NEAR)
    # A sine of peak a moves by no more than a·2πf/rate from one sample to the next.
    quiet = sound[int(0.05 * RATE) :]
    bound = np.abs(quiet).max() * 2 * np.pi * 500 / RATE
    assert np.abs(np.diff(quiet)).max() <= bound * 1.01


def test_the_stroke_falls_latency_after_its_pulse() -> None:
    palette = machine(bar(500.0, latency_ms=12.5))
    sound = render(plan(strike(0.1)), palette, RATE, 0.5, place=NEAR)
    first = int(np.argmax(np.abs(sound) > 0))
    assert first / RATE == pytest.approx(0.1125, abs=2 / RATE)


@pytest.mark.parametrize(("pulse_ms", "spl_db"), [(8.0, 80.0), (6.0, 70.0), (4.0, 60.0)])
def test_force_sets_the_level(pulse_ms: float, spl_db: float) -> None:
    palette = machine(bar(500.0, t60_s=(100.0,), levels_db=(0.0,)))
    sound = render(plan(strike(0.0, pulse_ms)), palette, RATE, 0.4, place=NEAR)
    steady = sound[int(0.1 * RATE) : int(0.3 * RATE)]
    # 94 dB SPL is a full-scale sine; by then the ring has lost 0.12 dB.
    assert level_db(steady) == pytest.approx(spl_db - 94.0 - 0.12, abs=0.05)


def test_a_pulse_too_short_to_speak_is_silent() -> None:
    sound = render(plan(strike(0.0, 3.0)), machine(bar()), RATE, 0.3, place=NEAR)
    assert not sound.any()


def test_softer_strokes_are_duller() -> None:
    striker = bar(600.0)
    soft, hard = partial_amplitudes(striker, 60.0), partial_amplitudes(striker, 80.0)
    assert np.all(np.diff(20 * np.log10(soft / hard)) < 0)
    # Hertz: contact time goes with speed to the power -1/5; 20 dB are a factor of 10 in speed.
    assert contact_s(striker, 60.0) / contact_s(striker, 80.0) == pytest.approx(10**0.2)


@given(
    starts=st.lists(st.floats(0.0, 1.5), min_size=1, max_size=6),
    pulses=st.lists(st.floats(4.0, 8.0), min_size=6, max_size=6),
    held=st.tuples(st.floats(0.0, 1.0), st.floats(0.03, 0.8)),
    blocks=st.lists(st.integers(150, 9000), min_size=1, max_size=8),
)
def test_blocks_of_any_size_give_the_same_sound(
    starts: list[float], pulses: list[float], held: tuple[float, float], blocks: list[int]
) -> None:
    rate = 16000
    palette = machine(bar(600.0, damper=damper("on", 0.2, noise_db=40.0)))
    strokes = [strike(at, pulse) for at, pulse in zip(starts, pulses, strict=False)]
    score = plan(*strokes, hold(held[0], held[0] + held[1]))
    whole = render(score, palette, rate, 2.0)
    by_blocks = PlanRenderer(score, palette, rate)
    parts, left, turn = [], len(whole), 0
    while left > 0:
        size = min(blocks[turn % len(blocks)], left)
        parts.append(by_blocks.next(size))
        left, turn = left - size, turn + 1
    assert np.abs(np.concatenate(parts) - whole).max() < 1e-6


def test_blocks_of_one_sample_give_the_same_sound() -> None:
    palette = machine(bar(600.0, damper=damper("on", 0.2, noise_db=40.0)))
    score = plan(strike(0.0), strike(0.02), hold(-0.1, 0.01))
    whole = render(score, palette, 8000, 0.12)
    by_blocks = PlanRenderer(score, palette, 8000)
    parts = [by_blocks.next(1) for _ in range(len(whole))]
    assert np.abs(np.concatenate(parts) - whole).max() < 1e-6


@given(start_s=st.floats(0.0, 1.9))
def test_a_later_start_joins_the_same_sound(start_s: float) -> None:
    rate = 16000
    palette = machine(bar(600.0, damper=damper("on", 0.2, noise_db=40.0)))
    score = plan(strike(0.1), strike(0.4, 5.0), hold(0.0, 0.9), strike(1.2))
    whole = render(score, palette, rate, 2.0)
    first = round(start_s * rate)
    later = render(score, palette, rate, 2.0 - start_s, start_s=start_s)
    count = min(len(later), len(whole) - first)
    assert np.abs(later[:count] - whole[first : first + count]).max() < 1e-6


def test_the_same_seed_gives_the_same_samples_and_another_does_not() -> None:
    score, palette = plan(strike(0.0)), machine(bar())
    first = render(score, palette, RATE, 0.5)
    assert np.array_equal(first, render(score, palette, RATE, 0.5))
    assert not np.array_equal(first, render(score, palette, RATE, 0.5, seed=1))
