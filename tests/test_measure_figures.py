"""From strokes that are known to a striker's figures: references, latency, force, runs, knees."""

from __future__ import annotations

import math
from pathlib import Path
from typing import Any

import numpy as np
import numpy.typing as npt
import pytest
from measure_helpers import BAR, bell, capture_of, cents, drafted, tube

from callresp.errors import UserError
from callresp.io.audio import write_wav
from callresp.io.settings import SettingsFile, convert
from callresp.palette.model import Palette
from callresp.strike_test import (
    analysis,
    dampers,
    draft,
    manual,
    modes,
    onsets,
    per_striker,
    strokes,
)
from callresp.strike_test.align import Alignment
from callresp.strike_test.capture import Capture, SwitchEdges, read_capture, switch_edges
from callresp.strike_test.interference import ForeignSound, wind
from callresp.strike_test.strokes import HeardStroke, State, Take

Wave = npt.NDArray[np.float64]
RATE = 48000
CLOCK = Alignment(2.0, 1e-4, {0: 0.013, 1: 0.010}, 1.0)
LN_1000 = math.log(1000)


def ring(hz: float, t60_s: float, length_s: float, phase: float = 0.0) -> Wave:
    t = np.arange(round(length_s * RATE)) / RATE
    return np.asarray(np.cos(2 * np.pi * hz * t + phase) * 10 ** (-3 * t / t60_s))


def stroke(
    at_s: float,
    late_s: float | None = 0.012,
    pulse_ms: float = 9.0,
    gap_s: float = 5.0,
    room_s: float = 5.0,
    state: State = "free",
    **more: Any,
) -> HeardStroke:
    """A stroke commanded at `at_s` of the plan, heard so much later by the plan's own clock."""
    take = Take(at_s, 0, pulse_ms, state, gap_s, room_s, 5.0, math.inf)
    expected_s = 2.0 + 1.0001 * at_s
    heard_s = None if late_s is None else 2.0 + 1.0001 * (at_s + late_s)
    given: dict[str, Any] = {"spoke": late_s is not None, "level_db": -20.0}
    return HeardStroke(take, expected_s, heard_s, 20.0, **(given | more))


def sound_of(*some: HeardStroke) -> per_striker.StrikerSound:
    return per_striker.StrikerSound(some, (), (), None, None, "tube")


def test_latency_is_lateness_less_the_offsets_share() -> None:
    late_ms = [12.0, 12.2, 11.8, 12.4, 11.6]
    some = [stroke(10.0 * n, ms / 1000) for n, ms in enumerate(late_ms)]
    # What clips, is disturbed or is part of a run is no measure of it.
    some += [stroke(99.0, 0.05, clipped=True), stroke(99.0, 0.05, disturbed=True)]
    some += [stroke(99.0, 0.05, gap_s=0.1), stroke(99.0, 0.05, room_s=0.1)]
    scale = per_striker.Scale(94.0, 0.002, unsure_s=3e-4)
    value, spread = per_striker._latency(sound_of(*some), CLOCK, scale)
    assert value is not None
    assert value.value == pytest.approx(10.0, abs=1e-6)
    assert value.n == 5
    # 0.1 ms of placing an onset, beside what the reference is unsure by.
    assert value.systematic == pytest.approx(math.hypot(0.3, 0.1))
    # The median deviation is 0.2 ms: 1.4826 of it for normal spread, for four of five free.
    assert spread == pytest.approx(1.4826 * 0.2 * math.sqrt(5 / 4))
    assert per_striker._latency(sound_of(), CLOCK, scale) == (None, None)


def test_levels_are_by_pulse_and_of_free_strokes_alone() -> None:
    some = [
        stroke(0.0, pulse_ms=5.0, level_db=-30.0),
        stroke(10.0, pulse_ms=5.0, level_db=-32.0),
        stroke(20.0, pulse_ms=9.0, level_db=-20.0, late_s=0.011),
        stroke(30.0, late_s=None, pulse_ms=3.0, level_db=None),
        stroke(40.0, state="damped", level_db=-5.0),
        stroke(50.0, level_db=-5.0, clipped=True),
        stroke(60.0, level_db=-5.0, disturbed=True),
        stroke(70.0, level_db=-5.0, gap_s=0.1),
    ]
    soft, low, hard = per_striker._force(sound_of(*some), CLOCK, per_striker.Scale(94.0, 0.002))
    assert [p.pulse_ms for p in (soft, low, hard)] == [3.0, 5.0, 9.0]
    assert (soft.spoke, soft.asked, soft.fitted_db, soft.latency_ms) == (0, 1, None, None)
    assert (low.spoke, low.asked) == (2, 2)
    assert low.fitted_db == pytest.approx(63.0)
    assert hard.fitted_db == pytest.approx(74.0)
    assert low.latency_ms == pytest.approx(10.0, abs=1e-6)
    assert hard.latency_ms == pytest.approx(9.0, abs=1e-6)


def test_a_run_goes_on_while_gaps_shrink() -> None:
    def next_to(gap_s: float, pulse_ms: float = 9.0, after_s: float = 0.3, count: int = 3) -> bool:
        run = [stroke(n, gap_s=after_s) for n in range(count)]
        return per_striker._goes_on(run, stroke(9.0, gap_s=gap_s, pulse_ms=pulse_ms))

    assert next_to(0.29)
    assert next_to(0.305)
    assert not next_to(0.31)
    assert not next_to(0.29, pulse_ms=8.0)
    # The first gap of a run is free, up to 0.7 s.
    assert next_to(0.69, count=1)
    assert not next_to(0.71, count=1)
    assert not next_to(0.29, count=0)
    gaps = [0.3 / 1.04**n for n in range(20)]
    run = [stroke(0.0, gap_s=gap, room_s=0.1) for gap in gaps]
    assert per_striker._step(sound_of(*run)) == pytest.approx(0.04)
    assert per_striker._step(sound_of()) == 0.05


def test_a_run_of_strokes_is_judged_by_what_each_adds() -> None:
    """Twelve strokes ever quicker, of which every other adds nothing once they are 90 ms apart."""
    gaps = [0.2 / 1.08**n for n in range(14)]
    at_s = np.r_[0.0, np.cumsum(gaps)] + 0.5
    samples = 1e-4 * np.random.default_rng(0).standard_normal(5 * RATE)
    partial = modes.Mode(
        900.0, LN_1000 / 0.5, np.array([0.3 + 0j]), np.array([900.0]), np.array([LN_1000 / 0.5])
    )
    some, last_s, struck = [], -1.0, []
    for n, at in enumerate(at_s):
        good = at - last_s >= 0.11
        struck.append(good)
        if good:
            last_s = at
            first = math.ceil(at * RATE)
            wave = 0.3 * ring(900.0, 0.5, 2.0)
            samples[first : first + len(wave)] += wave[: len(samples) - first]
        gap_s = gaps[n - 1] if n else 1.0
        room_s = gaps[n] if n < len(gaps) else 1.0
        take = Take(float(at), 0, 9.0, "free", gap_s, room_s, 1.0, math.inf)
        some.append(HeardStroke(take, float(at), spoke=True))
    sound = per_striker.StrikerSound(tuple(some), (partial,), (), partial, None, "tube")
    # A stroke after a long gap begins a run: here the first, which is left out of it.
    (judged,) = per_striker._runs(capture_of(samples.astype(np.float32)), sound)
    assert [repeat.clean for repeat in judged] == struck[1:]
    assert not all(struck)
    short = per_striker.StrikerSound(tuple(some[:7]), (partial,), (), partial, None, "tube")
    assert per_striker._runs(capture_of(samples.astype(np.float32)), short) == []


def palette() -> Palette:
    return drafted((tube(), bell()))[0]


def test_three_ways_to_know_when_commands_were_sent() -> None:
    def reference(**known: Any) -> tuple[float, float, str, Alignment]:
        asked = analysis.RecordingConditions(**known)
        return analysis._latency_reference([sound_of()], palette(), CLOCK, asked)

    offset_s, unsure_s, said, clock = reference(known_latency=("tube", 11.0))
    assert (offset_s, unsure_s) == pytest.approx((0.002, 0.0))
    assert said == "tube at 11 ms"
    assert clock == CLOCK
    with pytest.raises(UserError, match="no striker 'drum' was heard"):
        reference(known_latency=("drum", 11.0))
    # Nothing known: coils take 5 to 15 ms, evenly spread: 5 / √3 ms (JCGM 100:2008, 4.3.7).
    offset_s, unsure_s, said, _ = reference(drafted=True)
    assert offset_s == pytest.approx(0.010 - 0.010)
    assert unsure_s == pytest.approx(0.005 / math.sqrt(3))
    assert said == "the quickest striker taken as 10 ms"
    # By the palette's 10 ms each: 3 ms and none off, in the median.
    offset_s, unsure_s, said, _ = reference()
    assert offset_s == pytest.approx(0.0015)
    assert unsure_s == pytest.approx(0.0015)
    assert said == "the palette, in the median"


def test_a_channel_of_pulses_gives_the_clock_itself() -> None:
    commands = np.sort(np.random.default_rng(2).uniform(1, 60, 30))
    some = sound_of(*(stroke(float(at)) for at in commands))
    on_s = 3.0 + 1.00005 * commands
    lengths = np.random.default_rng(3).uniform(0.003, 0.012, 30)
    asked = analysis.RecordingConditions(
        switches=SwitchEdges(up_s=on_s + lengths, down_s=on_s), distance_m=3.4
    )
    found = analysis._latency_reference([some], palette(), CLOCK, asked)
    # The sound's way of 3.4 m at 340 m/s, known to a tenth.
    assert found[:2] == pytest.approx((0.01, 0.001))
    assert found[2] == "the switching channel, less 3.4 m of air"
    assert found[3].offset_s == pytest.approx(3.0, abs=1e-6)
    assert 1e6 * found[3].skew == pytest.approx(50, abs=0.1)


def test_three_ways_to_know_how_loud_it_was() -> None:
    loud = sound_of(
        stroke(0.0, pulse_ms=12.0, level_db=-20.0),
        stroke(5.0, pulse_ms=12.5, level_db=-22.0),
        # Neither softer nor damped nor clipped strokes stand for the palette's hardest.
        stroke(9.0, pulse_ms=11.0, level_db=-60.0),
        stroke(9.0, pulse_ms=12.0, level_db=-60.0, state="damped"),
        stroke(9.0, pulse_ms=12.0, level_db=-60.0, clipped=True),
    )

    def reference(*sounds: per_striker.StrikerSound, **known: Any) -> tuple[float, str]:
        asked = analysis.RecordingConditions(distance_m=2.0, **known)
        level_db, said = analysis._level_reference(sounds, palette(), asked)
        return round(level_db, 6), said

    # Twice the distance, 6 dB less: so much is added for the level at 1 m.
    far_db = round(20 * math.log10(2), 6)
    assert reference(loud, sound_of(), full_scale_db=120.0) == (
        120 + far_db, "full scale at 120 dB SPL",
    )  # fmt: skip
    guessed = (94 + far_db, "full scale taken as 94 dB SPL")
    assert reference(loud, sound_of(), drafted=True) == guessed
    assert reference(sound_of(), sound_of()) == guessed
    # The draft says 75 dB of its longest pulse.
    assert reference(loud, sound_of()) == (
        75 + 21, "the palette's hardest strokes, in the median",
    )  # fmt: skip


def test_the_quiet_before_strokes_is_the_recordings_noise() -> None:
    samples = np.zeros(30 * RATE)
    samples[: 20 * RATE] = math.sqrt(0.5) * 0.01
    capture = capture_of(samples.astype(np.float32))
    # -40 dB re a full-scale sine before two strokes, silence before a third.
    some = [stroke(at_s) for at_s in (5.0, 10.0, 15.0)]
    assert analysis._noise_db(capture, some) == pytest.approx(-40.0, abs=0.01)
    assert analysis._noise_db(capture, [stroke(5.0, gap_s=0.1)]) == -200.0
    bad = analysis._disturbed(some, [ForeignSound(12.0, 12.05, 1.0, 2.0, tonal=True)])
    assert [one.disturbed for one in bad] == [False, True, False]


@pytest.mark.parametrize("knee_s", [0.02, 0.06])
def test_when_a_damper_falls_and_how_fast_it_damps(knee_s: float) -> None:
    samples = 1e-4 * np.random.default_rng(0).standard_normal(3 * RATE)
    free, damped = LN_1000 / 2.0, LN_1000 / 0.15
    t = np.arange(2 * RATE) / RATE
    at_s, command_s = 0.5, 0.8
    knee = command_s + knee_s - at_s
    decay = np.exp(-free * np.minimum(t, knee) - damped * np.maximum(t - knee, 0.0))
    samples[RATE // 2 : RATE // 2 + len(t)] += 0.5 * np.cos(2 * np.pi * 800 * t) * decay
    partial = modes.Mode(800.0, free, np.array([0.5]), np.array([800.0]), np.array([free]))
    take = Take(0.5, 0, 9.0, "free", 5.0, 2.0, 2.0, 0.3, lift_s=0.2, damp_s=0.8)
    some = [HeardStroke(take, 0.5, 0.5, 20.0, spoke=True)]
    clock = Alignment(0.0, 0.0, {}, 1.0)
    capture = capture_of(samples.astype(np.float32))
    (found,) = dampers.falls(capture, some, partial, 90.0, clock, None)
    assert found.after_s == pytest.approx(knee_s, abs=0.0015)
    assert found.rate == pytest.approx(damped, rel=0.05)
    assert found.share > 0.95
    (known,) = dampers.falls(capture, some, partial, 90.0, clock, damped)
    assert known.rate == damped
    # A lift the other way round: damped until the felt is clear.
    lifted = np.exp(-damped * np.minimum(t, 0.05) - free * np.maximum(t - 0.05, 0.0))
    samples[:] = 1e-4 * np.random.default_rng(0).standard_normal(3 * RATE)
    samples[RATE // 2 : RATE // 2 + len(t)] += 0.5 * np.cos(2 * np.pi * 800 * t) * lifted
    moving = Take(0.5, 0, 9.0, "moving", 5.0, 2.0, 2.0, 1.5, lift_s=0.49, damp_s=2.0)
    some = [HeardStroke(moving, 0.5, 0.5, 20.0, spoke=True)]
    capture = capture_of(samples.astype(np.float32))
    (up,) = dampers.lifts(capture, some, partial, 90.0, clock, damped)
    assert up.after_s == pytest.approx(0.06, abs=0.002)
    assert dampers.falls(capture, some, partial, 90.0, clock, damped) == []


def test_how_fast_a_resting_damper_damps() -> None:
    samples = 1e-4 * np.random.default_rng(0).standard_normal(3 * RATE)
    for at_s in (0.5, 1.5):
        first = round(at_s * RATE)
        samples[first : first + RATE] += 0.5 * ring(800.0, 0.2, 1.0)
    partial = modes.Mode(800.0, 3.0, np.array([0.5]), np.array([800.0]), np.array([3.0]))
    some = [
        HeardStroke(Take(at, 0, 9.0, "damped", 5.0, 0.9, 0.9, math.inf), at, at, 20.0, spoke=True)
        for at in (0.5, 1.5)
    ]
    found = dampers.damped_rate(capture_of(samples.astype(np.float32)), some, partial, 90.0)
    assert found is not None
    assert LN_1000 / found.value == pytest.approx(0.2, rel=0.02)
    assert found.n == 2
    free = [stroke(0.5)]
    assert dampers.damped_rate(capture_of(samples.astype(np.float32)), free, partial, 90.0) is None


def test_partials_with_their_levels_and_phases() -> None:
    hz = [500.0 * r for r in BAR]
    amplitudes, t60_s = [0.4, 0.2, 0.08, 0.02], [0.9, 0.6, 0.4, 0.3]
    rng = np.random.default_rng(0)
    clips = []
    for gain in (1.0, 0.5):
        wave = 1e-4 * rng.standard_normal(RATE)
        for f, a, t in zip(hz, amplitudes, t60_s, strict=True):
            wave += gain * a * ring(f, t, 1.0, phase=0.7)
        clips.append(modes.Clip(wave, RATE))
    found = modes.find_modes(clips)
    assert [m.hz for m in found] == pytest.approx(hz, rel=1e-5)
    assert [m.t60_s for m in found] == pytest.approx(t60_s, rel=0.01)
    for one, a in zip(found, amplitudes, strict=True):
        assert np.abs(one.phasors) == pytest.approx([a, a / 2], rel=0.02)
        assert np.angle(one.phasors) == pytest.approx([0.7, 0.7], abs=0.03)
        assert one.amplitude == pytest.approx(0.75 * a, rel=0.02)
        assert one.each_hz == pytest.approx([one.hz] * 2, rel=1e-4)
        assert one.each_rate == pytest.approx([one.rate] * 2, rel=0.03)
        assert one.sure > 0.95
    assert modes.candidates(clips) == pytest.approx(hz, rel=0.002)
    assert modes.find_modes([modes.Clip(np.zeros(RATE), RATE)]) == []
    # A fit that starts later is traced back to the onset.
    late = modes.fit_mode([c.sound for c in clips], RATE, 501.0, 60.0, skip_s=0.02)
    assert late is not None
    assert np.abs(late.phasors) == pytest.approx([0.4, 0.2], rel=0.02)
    assert late.each_hz.size == 0
    assert modes.fit_mode([clips[0].sound[:500]], RATE, 500.0, 60.0) is None


def test_a_striker_is_listened_to_and_its_damped_sound_loses_more() -> None:
    samples = 1e-4 * np.random.default_rng(0).standard_normal(9 * RATE)
    for at_s, t60_s in ((1.0, 1.0), (4.0, 1.0), (7.0, 0.2)):
        first = round(at_s * RATE)
        for n, ratio in enumerate(BAR[:3]):
            wave = 0.3 / 3**n * ring(700.0 * ratio, t60_s, 1.9)
            samples[first : first + len(wave)] += wave
    free = [Take(at, 0, 9.0, "free", 3.0, 2.0, 2.0, math.inf) for at in (1.0, 4.0)]
    takes = [*free, Take(7.0, 0, 9.0, "damped", 3.0, 1.9, 1.9, math.inf)]
    heard = [HeardStroke(t, t.at_s, t.at_s, 20.0, spoke=True) for t in takes]
    capture = capture_of(samples.astype(np.float32))
    found = per_striker.listen(capture, heard, None)
    assert found.kind == "bar"
    assert found.pitch is not None
    assert found.pitch.hz == pytest.approx(700.0, rel=1e-4)
    assert found.reference_mode is not None
    assert found.reference_mode.hz == pytest.approx(700.0, rel=1e-4)
    assert found.damped_rate is not None
    assert LN_1000 / found.damped_rate.value == pytest.approx(0.2, rel=0.03)
    added = found.damped_rate.value - found.reference_mode.rate
    assert [m.rate for m in found.damped_modes] == pytest.approx(
        [m.rate + added for m in found.modes]
    )
    wanted = 10 * math.log10(sum((0.3 / 3**n) ** 2 for n in range(3)))
    levels = [s.level_db for s in found.strokes]
    assert levels == pytest.approx([wanted] * 3, abs=0.3)
    # A short pluck has no partials; its kind stays what it was said to be.
    nothing = per_striker.listen(capture, [], "tube")
    assert (nothing.kind, nothing.modes, nothing.pitch) == ("tube", (), None)
    assert per_striker.listen(capture, [], None).kind == "block"
    clips = strokes.free_clips(capture, heard)
    assert [one.take.at_s for one, _ in clips] == [1.0, 4.0]
    assert [clip.length_s for _, clip in clips] == pytest.approx([1.97] * 2, abs=1e-4)


def test_strokes_by_hand_are_grouped_by_their_sound() -> None:
    samples = 1e-4 * np.random.default_rng(0).standard_normal(8 * RATE)
    at_s = np.linspace(1.0, 6.0, 6)
    for n, at in enumerate(at_s):
        for ratio in BAR[:2]:
            wave = 0.2 * ring((700.0, 1100.0)[n % 2] * ratio, 0.3, 0.9)
            samples[round(at * RATE) :][: len(wave)] += wave
    capture = capture_of(samples.astype(np.float32))
    rows = manual.spectra(capture, at_s)
    assert np.linalg.norm(rows, axis=1) == pytest.approx(np.ones(6))
    assert rows[0] @ rows[2] > 0.9 > 0.5 > rows[0] @ rows[1]
    assert manual.grouped(capture, at_s) == [[0, 2, 4], [1, 3, 5]]
    assert manual.grouped(capture, at_s[:1]) == [[0]]
    own = manual._strokes(capture, at_s, [1, 3, 5])
    assert [one.take.gap_s for one in own] == [math.inf, 2.0, 2.0]
    assert [one.take.room_s for one in own] == [1.0, 1.0, 2.0]
    clipped = Capture(capture.samples, RATE, np.array([4.02]))
    assert [one.clipped for one in manual._strokes(clipped, at_s, [1, 3, 5])] == [
        False,
        True,
        False,
    ]
    found = manual._findings(capture, at_s, [[0, 2, 4], [5]])
    assert [(one.kind, one.at_s, one.grave) for one in found] == [("foreign", 6.0, False)]


def test_a_soft_stroke_by_hand_is_placed_though_a_loud_one_follows() -> None:
    samples = 1e-4 * np.random.default_rng(0).standard_normal(4 * RATE)
    for at_s, loud in ((1.0, 0.05), (1.6, 0.5), (3.0, 0.05)):
        wave = loud * ring(900.0, 0.3, 0.9)
        samples[round(at_s * RATE) :][: len(wave)] += wave
    # A fourth is no stroke at all.
    times = np.array([1.003, 1.597, 2.4, 3.002])
    placed = manual._placed(capture_of(samples.astype(np.float32)), times)
    assert placed == pytest.approx([1.0, 1.6, 3.0], abs=2e-4)


def test_onsets_and_swells_are_found_where_they_are() -> None:
    rng = np.random.default_rng(0)
    samples = 1e-4 * rng.standard_normal(6 * RATE)
    for at_s in (1.0, 1.5, 4.0):
        wave = 0.2 * ring(900.0, 0.3, 0.4) + 0.1 * ring(2500.0, 0.2, 0.4)
        samples[round(at_s * RATE) :][: len(wave)] += wave
    found = onsets.find(samples.astype(np.float32), RATE)
    assert found.times_s == pytest.approx([1.0, 1.5, 4.0], abs=0.006)
    assert min(found.rises) > 0.22
    # One that swells over a tenth of a second is no onset but a swell.
    t = np.arange(RATE) / RATE
    samples[:] = 1e-4 * rng.standard_normal(6 * RATE)
    samples[2 * RATE : 3 * RATE] += 0.05 * np.minimum(t / 0.1, 1) * np.sin(2 * np.pi * 3000 * t)
    swollen = onsets.swells(samples.astype(np.float32), RATE)
    assert len(swollen) >= 1
    assert swollen[0] == pytest.approx(2.0, abs=0.08)
    levels, edges = onsets.band_levels(samples.astype(np.float32), RATE)
    assert levels.shape[0] == len(edges) - 1 == 9
    assert edges[[0, -1]] == pytest.approx([250.0, 16000.0])
    loud = levels[:, 1250]
    (band,) = [n for n in range(9) if edges[n] <= 3000 < edges[n + 1]]
    assert int(np.argmax(loud)) == band


def test_a_gust_is_told_and_a_low_striker_is_none() -> None:
    rng = np.random.default_rng(0)
    samples = 1e-3 * rng.standard_normal(12 * RATE)
    quiet = wind(capture_of(samples.astype(np.float32)), np.array([3.0]))
    assert quiet == []
    t = np.arange(2 * RATE) / RATE
    rumble = 0.1 * np.sin(2 * np.pi * 60 * t)
    samples[5 * RATE : 7 * RATE] += rumble
    (found,) = wind(capture_of(samples.astype(np.float32)), np.array([3.0]))
    assert (found.kind, found.grave) == ("wind", False)
    assert found.at_s == pytest.approx(5.0, abs=0.2)
    # Under a loud sound of 250 Hz the same is no wind, and a short thud is none.
    samples[5 * RATE : 7 * RATE] += 0.9 * np.sin(2 * np.pi * 250 * t)
    assert wind(capture_of(samples.astype(np.float32)), np.array([3.0])) == []
    assert wind(capture_of(samples[:RATE].astype(np.float32)), np.array([0.5])) == []
    # Nor is what lies further below the loudest than any recorder's noise, as in a rehearsal.
    silence = 1e-7 * samples
    silence[3 * RATE] = 0.5
    silence[5 * RATE : 7 * RATE] = 5e-5 * rumble
    assert wind(capture_of(silence.astype(np.float32)), np.array([3.0])) == []


def test_jumps_of_a_channel_that_carries_pulses() -> None:
    wire = 1e-3 * np.random.default_rng(0).standard_normal(4 * RATE)
    for at_s, length_s in ((1.0, 0.004), (2.5, 0.010)):
        wire[round(at_s * RATE) : round((at_s + length_s) * RATE)] += 0.5
    edges = switch_edges(capture_of(wire.astype(np.float32)))
    assert edges.up_s == pytest.approx([1.0, 2.5], abs=1.1 / RATE)
    assert edges.down_s == pytest.approx([1.004, 2.510], abs=1.1 / RATE)
    silent = switch_edges(capture_of(np.zeros(RATE, np.float32)))
    assert len(silent.up_s) == len(silent.down_s) == 0


def test_a_stand_in_says_nothing_of_coils() -> None:
    one = manual._stand_in("striker 1", 70, "bell")
    assert (one.name, one.kind, one.coil.channel) == ("striker 1", "bell", 63)
    assert manual._stand_in("x", 0, "odd").kind == "bar"
    assert cents(one.pitch_hz or 0.0, 1000.0) == 0.0


def test_a_recording_is_read_whole_at_48_khz_at_most_with_where_it_clips(tmp_path: Path) -> None:
    t = np.arange(96_000) / 96_000
    wave = 0.5 * np.sin(2 * np.pi * 1000 * t)
    wave[48_000:48_010] = 1.0
    write_wav(tmp_path / "fine.wav", wave.astype(np.float32), 96_000)
    found = read_capture(tmp_path / "fine.wav")
    assert (found.rate_hz, found.name, found.duration_s) == (48_000, "fine.wav", 1.0)
    assert found.samples[1000:9000] == pytest.approx(
        0.5 * np.sin(2 * np.pi * 1000 * np.arange(1000, 9000) / 48_000), abs=2e-3
    )
    assert 0.5 <= found.clipped_s.min() <= found.clipped_s.max() <= 0.5 + 10 / 96_000
    write_wav(tmp_path / "plain.wav", wave[::4].astype(np.float32), 24_000)
    plain = read_capture(tmp_path / "plain.wav")
    assert plain.rate_hz == 24_000
    assert plain.samples == pytest.approx(wave[::4], abs=1e-4)
    write_wav(tmp_path / "poor.wav", wave[::8].astype(np.float32), 12_000)
    with pytest.raises(UserError, match="has 12000 samples a second, too few for a strike test"):
        read_capture(tmp_path / "poor.wav")


def test_a_draft_says_what_was_given_and_hurts_no_common_coil() -> None:
    wired = [draft.WiredStriker('the "one"', 3, 7, "off"), draft.WiredStriker("two", 1)]
    supply = draft.CoilSupply(volts=24.0, ohms=10.0, damper_ohms=40.0, soft_ms=4.0, hard_ms=9.0)
    text = draft.draft("mine", wired, supply, title="In the shed", restrike_ms=200.0)
    palette = convert(SettingsFile(text, "mine.toml"), Palette)
    assert (palette.name, palette.description) == ("mine", "In the shed")
    assert palette.board.coil_channels == 8
    assert palette.driver[0].channels == (1, 3, 7)
    one, other = palette.striker
    assert (one.name, one.coil.channel, other.name, other.coil.channel) == (
        "the 'one'",
        3,
        "two",
        1,
    )
    assert one.damper is not None
    assert (one.damper.coil.channel, one.damper.rest, other.damper) == (7, "off", None)
    assert (one.coil.resistance_ohm, one.damper.coil.resistance_ohm) == (10.0, 40.0)
    assert [p.pulse_ms for p in one.force] == [4.0, 9.0]
    assert one.restrike_ms == 200.0
    assert one.coil.on_max_ms == 12.0
    # A stroke and a damper at once, with copper at -20 °C: 0.393 % of resistance a kelvin.
    cold_a = 24.0 / (1 - 0.00393 * 40) * (1 / 10 + 1 / 40)
    assert palette.supply.current_max_a == pytest.approx(1.2 * cold_a + 0.1, abs=0.006)
    assert palette.driver[0].current_max_a == pytest.approx(1.15 * cold_a + 0.05, abs=0.006)
    assert draft.is_draft(text)
    measured = "\n".join(
        row.split("#")[0] if row.startswith("latency_ms") else row for row in text.splitlines()
    )
    assert not draft.is_draft(measured)
