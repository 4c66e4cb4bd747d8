"""What goes wrong in a strike test is found and said, and spoils no figure."""

from __future__ import annotations

import math
from typing import Any

import numpy as np
import pytest
import strike_machine as sm
from measure_helpers import (
    BAR,
    bell,
    block,
    capture_of,
    cents,
    drafted,
    laid_out,
    measured,
    named,
    strokes_plan,
    tube,
)
from scipy import signal

from callresp.errors import UserError
from callresp.plan.model import Plan
from callresp.strike_test import results
from callresp.strike_test.capture import switch_edges
from callresp.strike_test.results import (
    MeasuredValue,
    PartialResult,
    StrikerResult,
    StrikeTestResult,
)

QUIET = -40.0


def kinds(found: StrikeTestResult) -> set[str]:
    return {finding.kind for finding in found.findings}


def test_double_strokes_and_a_buzz() -> None:
    machine = (tube(buzz_db=-10.0), bell(bounces_ms=24.0))
    schedule = laid_out(drafted(machine)[0], runs=0)
    found = measured(machine, schedule, sm.Recorder(noise_db=QUIET))
    told = {(f.kind, f.striker) for f in found.findings}
    assert ("double", "bell") in told
    assert ("buzz", "tube") in told
    assert ("double", "tube") not in told
    assert ("buzz", "bell") not in told
    assert named(found, "bell").doubles > 4


@pytest.fixture(scope="module")
def spoilt() -> tuple[StrikeTestResult, Plan, int, int]:
    """A stroke missed, one that sounds elsewhere, a bird, a gust."""
    machine = (tube(), bell())
    schedule = laid_out(drafted(machine)[0], runs=0)
    own = [n for n, s in enumerate(schedule.strikes) if s.channel == 0]
    missed, elsewhere = own[10], own[11]
    total_s = schedule.end_s + 4
    # The bird sings into a ring-out, the gust blows over the bell's part.
    bird_s = schedule.strikes[own[5]].at_s + 2.345 + 2.5
    gust_s = next(s.at_s for s in schedule.strikes if s.channel == 1) + 4
    extra = sm.bird(48000, total_s, bird_s, -20) + sm.gust(48000, total_s, gust_s, 4, -20)
    found = measured(
        machine,
        schedule,
        sm.Recorder(noise_db=QUIET),
        faults=sm.Faults(frozenset([missed]), {elsewhere: 1}),
        extra=extra,
    )
    return found, schedule, missed, elsewhere


def test_a_missed_stroke_and_one_out_of_order(
    spoilt: tuple[StrikeTestResult, Plan, int, int],
) -> None:
    found, schedule, missed, elsewhere = spoilt
    at = {f.kind: f.at_s for f in found.findings}
    assert at["missed"] == pytest.approx(schedule.strikes[missed].at_s + 2.356, abs=0.02)
    assert at["order"] == pytest.approx(schedule.strikes[elsewhere].at_s + 2.354, abs=0.02)
    order = next(f for f in found.findings if f.kind == "order")
    assert order.text == "bell sounds where tube was struck"


def test_a_bird_and_a_gust(spoilt: tuple[StrikeTestResult, Plan, int, int]) -> None:
    assert {"bird", "wind"} <= kinds(spoilt[0])


def test_figures_stand_all_the_same(spoilt: tuple[StrikeTestResult, Plan, int, int]) -> None:
    one = named(spoilt[0], "tube")
    assert one.pitch_hz is not None
    assert one.latency_ms is not None
    assert one.t60_s is not None
    assert cents(one.pitch_hz.value, 784.3) < 1
    assert one.t60_s.value == pytest.approx(1.6, rel=0.05)
    assert one.latency_ms.value == pytest.approx(11.4, abs=0.5)


def test_clipping_is_said_and_left_out() -> None:
    machine = (tube(felt=None),)
    schedule = laid_out(drafted(machine)[0], runs=0)
    found = measured(machine, schedule, sm.Recorder(noise_db=QUIET, gain_db=15.0))
    assert "clipped" in kinds(found)
    hardest = named(found, "tube").force[-1]
    # Every hard stroke clips: no level is better than a wrong one.
    assert hardest.asked == 0 or hardest.level_db is None or hardest.spoke < 6


def test_swapped_channels_are_told_by_the_palettes_pitches() -> None:
    # Not on one of the bell's own partials.
    hz = [932.0 * r for r in BAR]
    machine = (tube(felt=None, hz=hz, t60_s=[1.2, 0.8, 0.5, 0.3]), bell(channel=1))
    _, text = drafted(machine)
    from callresp.io.settings import SettingsFile, convert
    from callresp.palette.model import Palette

    text = text.replace("pitch_hz = 1000.0", "pitch_hz = 932.0", 1)
    text = text.replace("pitch_hz = 1000.0", "pitch_hz = 523.0", 1)
    first, second = text.split('name = "bell"')
    text = first + 'name = "bell"' + second.replace('kind = "bar"', 'kind = "bell"', 1)
    palette = convert(SettingsFile(text, "known.toml"), Palette)
    schedule = laid_out(palette, runs=0, pulses=2)
    swap = {n: 1 - s.channel for n, s in enumerate(schedule.strikes)}
    found = measured(
        machine, schedule, sm.Recorder(noise_db=QUIET), palette, faults=sm.Faults(elsewhere=swap)
    )
    assert any(f.kind == "order" and f.striker == "tube" and f.grave for f in found.findings)


def _sounding(name: str, hz: float) -> StrikerResult:
    partials = tuple(
        PartialResult(
            hz=MeasuredValue(hz * r), ratio=r, level_db=-6.0 * n, t60_s=MeasuredValue(1.0)
        )
        for n, r in enumerate((1.0, 2.756, 5.404))
    )
    return StrikerResult(
        name=name,
        channel=0,
        kind="bar",
        pitch_hz=MeasuredValue(hz),
        pitch_from="its first mode",
        base_hz=hz,
        band_hz=(500.0, 5000.0),
        partials=partials,
        t60_s=MeasuredValue(1.0),
        latency_ms=None,
        latency_spread_ms=None,
        force=(),
        restrike_ms=None,
    )


def test_two_strikers_that_sound_alike() -> None:
    near, far = _sounding("near", 784.3 * 1.008), _sounding("far", 932.0)
    pairs = results.compare([_sounding("one", 784.3), near, far])
    assert {pairs[0].one, pairs[0].other} == {"one", "near"}
    assert [pair.too_alike for pair in pairs] == [True, False, False]
    assert results.compare([near, near])[0].alike == pytest.approx(1.0)


def test_another_recording_is_refused() -> None:
    machine = (block(),)
    palette = drafted(machine)[0]
    schedule = laid_out(palette)
    rng = np.random.default_rng(0)
    other = strokes_plan((float(t), 2) for t in np.sort(rng.uniform(1, 40, 30)))
    samples = sm.record(machine, other, sm.Recorder(noise_db=QUIET))
    from callresp.strike_test import analysis

    with pytest.raises(UserError, match="of the plan's strokes can be found"):
        analysis.measure(capture_of(samples), schedule, palette)


def pulses_of(schedule: Plan, recorder: Any, count: int, sign: float) -> np.ndarray:
    """A wire from the drivers: high while any coil is on, through a recorder's coupling."""
    wire = np.zeros(count)
    for command in schedule.commands:
        edges_s = (command.at_s, command.at_s + command.length_ms / 1000)
        first, last = (
            recorder.offset_s + (1 + recorder.skew_ppm * 1e-6) * at_s for at_s in edges_s
        )
        wire[math.ceil(first * recorder.rate_hz) : math.ceil(last * recorder.rate_hz)] = sign
    coupled = signal.sosfilt(
        signal.butter(1, 10.0, "high", fs=recorder.rate_hz, output="sos"), wire
    )
    noise = np.random.default_rng(2).standard_normal(count)
    return np.asarray(0.4 * coupled + 1e-3 * noise, dtype=np.float32)


@pytest.mark.parametrize(("skew_ppm", "sign"), [(30.0, 1.0), (-80.0, -1.0)])
def test_latency_from_a_channel_that_carries_the_pulses(skew_ppm: float, sign: float) -> None:
    """Rectangular pulses of unlike lengths, either way up: it is where they begin that counts."""
    machine = (block(latency_ms=8.0),)
    palette = drafted(machine)[0]
    schedule = laid_out(palette, runs=1)
    recorder = sm.Recorder(noise_db=QUIET, skew_ppm=skew_ppm)
    count = round((recorder.offset_s + schedule.end_s + 1.5) * recorder.rate_hz)
    switches = switch_edges(capture_of(pulses_of(schedule, recorder, count, sign)))
    found = measured(
        machine, schedule, recorder, known_latency=None, switches=switches, distance_m=0.34
    )
    assert found.clock_skew_ppm == pytest.approx(skew_ppm, abs=2)
    latency = named(found, "block").latency_ms
    assert latency is not None
    # A machine whose sound takes no time: what 0.34 m of air take is taken off.
    assert latency.value == pytest.approx(8.0 - 1.0, abs=0.2)
    # 0.34 m known to a tenth are 0.1 ms, beside 0.1 ms of placing an onset; repeats tell less.
    assert latency.systematic == pytest.approx(0.141, abs=0.005)
    assert latency.combined is not None
    assert abs(latency.value - 7.0) < 2 * latency.combined


def test_a_channel_without_pulses_is_refused() -> None:
    machine = (block(),)
    palette = drafted(machine)[0]
    noise = np.random.default_rng(1).standard_normal(960_000).astype(np.float32)
    switches = switch_edges(capture_of(0.01 * noise))
    with pytest.raises(UserError, match="of the plan's pulses show"):
        measured(
            machine,
            laid_out(palette, runs=0),
            sm.Recorder(noise_db=QUIET),
            known_latency=None,
            switches=switches,
        )


@pytest.mark.parametrize(
    ("hz", "t60_s", "noise_db"), [(880.0, 3.0, -85.0), (523.0, 2.0, -75.0), (1400.0, 1.0, -100.0)]
)
def test_a_plain_bar_is_measured_however_quiet_the_place(
    hz: float, t60_s: float, noise_db: float
) -> None:
    bar = tube(felt=None, hz=[hz * r for r in BAR], t60_s=[t60_s * r for r in (1, 0.5, 0.2, 0.1)])
    schedule = laid_out(drafted((bar,))[0], runs=0, pulses=2)
    found = named(measured((bar,), schedule, sm.Recorder(noise_db=noise_db)), "tube")
    assert [p.hz.value for p in found.partials] == pytest.approx(bar.hz, rel=1e-5)
    assert [p.level_db for p in found.partials] == pytest.approx(bar.level_db, abs=0.1)
    assert [p.t60_s.value for p in found.partials] == pytest.approx(bar.t60_s, rel=0.01)


def test_a_knock_without_partials_is_told() -> None:
    thud = block(level_db=[-60, -60, -60], t60_s=[0.004] * 3, contact_db=20.0, loud_db=-40.0)
    schedule = laid_out(drafted((thud,))[0], runs=0, pulses=2)
    found = measured((thud,), schedule, sm.Recorder(noise_db=-70.0))
    assert named(found, "block").partials == ()
    assert ("partials", "block") in {(f.kind, f.striker) for f in found.findings if f.grave}
