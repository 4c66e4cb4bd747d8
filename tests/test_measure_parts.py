"""Steps of the strike test one at a time, on sounds and figures made for the purpose."""

from __future__ import annotations

import math

import msgspec
import numpy as np
import numpy.typing as npt
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from measure_helpers import bell, capture_of, drafted, laid_out, strokes_plan, tube
from scipy import stats

from callresp.errors import UserError
from callresp.palette.model import ForcePoint, Palette
from callresp.palette.similarity import SoundPair
from callresp.plan.model import Hold, Plan
from callresp.strike_test import (
    align,
    dampers,
    decay,
    findings,
    force,
    interference,
    manual,
    onsets,
    per_striker,
    protocol,
    stroke_faults,
)
from callresp.strike_test.modes import Mode, powers, with_added_loss
from callresp.strike_test.results import (
    DamperResult,
    ForceResult,
    MeasuredValue,
    PartialResult,
    Repeat,
    StrikerResult,
)
from callresp.strike_test.strike_amplitude import added_by_stroke, power_db, state
from callresp.strike_test.strokes import HeardStroke, Take, place, takes

Wave = npt.NDArray[np.float64]
RATE = 48000
PHASORS = np.array([0.5 * np.exp(0.3j), 0.2 * np.exp(-1.2j)])


def mode(hz: float, t60_s: float, phasor: complex = 1.0) -> Mode:
    """A partial that falls to a thousandth in `t60_s`."""
    rate = math.log(1000) / t60_s
    return Mode(hz, rate, np.array([phasor]), np.array([hz]), np.array([rate]))


MODES = (mode(700.0, 0.4), mode(1930.0, 1.2))


def ringing(phasors: npt.NDArray[np.generic], first_s: float, count: int) -> Wave:
    """Decaying cosines of given phasors at time 0, from `first_s` on."""
    t = first_s + np.arange(count) / RATE
    waves = [
        abs(p) * 10 ** (-3 * t / m.t60_s) * np.cos(2 * np.pi * m.hz * t + np.angle(p))
        for p, m in zip(phasors.tolist(), MODES, strict=True)
    ]
    return np.asarray(np.sum(waves, axis=0))


@pytest.mark.parametrize("first_s", [0.0, 0.004, -0.0608])
def test_a_stretch_tells_how_partials_stand_at_the_stroke(first_s: float) -> None:
    found = state(ringing(PHASORS, first_s, 2880), RATE, first_s, MODES)
    assert found == pytest.approx(PHASORS, rel=0.01)


def test_what_a_stroke_adds_is_told_from_what_rang_before() -> None:
    own = np.array([0.3 * np.exp(2.0j), 0.1 * np.exp(0.4j)])
    samples = ringing(PHASORS, -0.5, RATE)
    samples[RATE // 2 :] += ringing(own, 0.0, RATE // 2)
    sound = samples.astype(np.float32)
    found = added_by_stroke(sound, RATE, 0.5, MODES, 0.3, 0.3)
    assert found == pytest.approx(own, rel=0.02)
    # A full-scale sine has level 0; powers of partials add.
    assert power_db(own) == pytest.approx(10 * math.log10(0.09 + 0.01))
    damped = with_added_loss(MODES, 20.0)
    assert [m.rate for m in damped] == [m.rate + 20.0 for m in MODES]
    # Before the recording begins, or after it ends, nothing can be told; nor without partials.
    assert added_by_stroke(sound, RATE, 0.1, MODES, 0.3, 0.3) is None
    assert added_by_stroke(sound, RATE, 0.95, MODES, 0.3, 0.3) is None
    assert added_by_stroke(sound, RATE, 0.5, (), 0.3, 0.3) is None


@settings(max_examples=30)
@given(count=st.integers(1, 200), hz=st.floats(0, 20000), t60_s=st.floats(0.01, 10))
def test_powers_are_those_of_the_exponential(count: int, hz: float, t60_s: float) -> None:
    step = (2j * np.pi * hz - 6.9 / t60_s) / RATE
    assert powers(step, count) == pytest.approx(np.exp(step * np.arange(count)), rel=1e-9)


@settings(max_examples=30)
@given(
    st.lists(st.floats(0, 100), min_size=1, max_size=20),
    st.lists(st.floats(-10, 110), min_size=1, max_size=5),
)
def test_the_nearest_time_is_the_nearest(times: list[float], wanted: list[float]) -> None:
    found = align.nearest(np.sort(times), np.array(wanted))
    assert [abs(f - w) for f, w in zip(found, wanted, strict=True)] == [
        min(abs(t - w) for t in times) for w in wanted
    ]


@pytest.mark.parametrize("skew_ppm", [-200.0, 45.0])
def test_a_recording_is_aligned_in_offset_rate_and_delay(skew_ppm: float) -> None:
    rng = np.random.default_rng(3)
    commands = np.sort(rng.uniform(1, 120, 60))
    who = np.arange(60) % 2
    heard = 2.5 + (1 + skew_ppm * 1e-6) * commands + np.where(who == 0, 0.011, 0.008)
    strays = np.sort(np.r_[heard, rng.uniform(0, 125, 20)])
    start = align.align(commands, strays, "a.wav")
    assert start.share == 1.0
    # The commoner delay is taken into the offset, within a bin of 5 ms.
    assert start.offset_s == pytest.approx(2.5095, abs=0.006)
    heard[7], heard[11] = np.nan, heard[11] + 0.02
    clock = align.fine(commands, who, heard, start)
    assert 1e6 * clock.skew == pytest.approx(skew_ppm, abs=0.1)
    assert clock.time_of(0.0) + clock.delays_s[0] == pytest.approx(2.511, abs=1e-5)
    assert clock.delays_s[0] - clock.delays_s[1] == pytest.approx(0.003, abs=1e-6)
    with pytest.raises(UserError, match="of the plan's strokes can be found"):
        align.align(commands, np.sort(rng.uniform(0, 125, 20)), "a.wav")


@pytest.mark.parametrize("at_s", [0.4921, 0.5078])
def test_an_onset_over_ringing_is_placed_to_a_fifth_of_a_millisecond(at_s: float) -> None:
    samples = 0.001 * np.random.default_rng(0).standard_normal(RATE)
    samples += ringing(PHASORS / 4, -0.01, RATE)
    first = math.ceil(at_s * RATE)
    samples[first:] += ringing(PHASORS.conj(), first / RATE - at_s, RATE - first)
    got = onsets.pick(samples.astype(np.float32), RATE, 0.5, 0.014, 0.03, 0.08)
    assert got is not None
    assert got.at_s == pytest.approx(at_s, abs=2e-4)
    assert got.rise_db > 12
    for edge_s in (0.01, 0.99):
        assert onsets.pick(samples.astype(np.float32), RATE, edge_s, 0.014, 0.03, 0.08) is None


def test_readings_are_summed_up_robustly() -> None:
    """Standard error by the normal-scaled median absolute deviation (scipy); s / √n for few."""
    many = [1.0, 1.2, 0.9, 1.1, 1.05, 7.0, math.nan, math.inf]
    found = MeasuredValue.of(many)
    good = many[:6]
    spread = stats.median_abs_deviation(good, scale="normal") / math.sqrt(6)
    assert found is not None
    assert found.value == pytest.approx(np.median(good))
    assert found.n == 6
    assert found.uncertainty == pytest.approx(spread, rel=1e-4)
    few = MeasuredValue.of([1.0, 1.2, 0.9, 1.4])
    assert few is not None
    assert few.uncertainty == pytest.approx(stats.sem([1.0, 1.2, 0.9, 1.4]))
    assert MeasuredValue.of([2.0]) == MeasuredValue(2.0, None, 1)
    assert MeasuredValue.of([2.0], floor=0.1) == MeasuredValue(2.0, 0.1, 1)
    assert MeasuredValue.of([2.0, 2.0], floor=0.1) == MeasuredValue(2.0, 0.1, 2)
    assert MeasuredValue.of([math.nan]) is None
    # JCGM 100:2008, 5.1.2: by the root of the sum of squares.
    assert MeasuredValue(1.0, 3.0, 4, systematic=4.0).combined == 5.0
    assert MeasuredValue(1.0, 3.0).combined == 3.0
    assert MeasuredValue(1.0, systematic=4.0).combined == 4.0
    assert MeasuredValue(1.0).combined is None


def with_hold(strokes: list[tuple[float, int]], hold: Hold) -> Plan:
    plan = strokes_plan(strokes)
    commands = sorted((*plan.commands, hold), key=lambda command: command.at_s)
    return msgspec.structs.replace(plan, commands=tuple(commands))


def holds_and_strokes() -> tuple[Palette, list[Take]]:
    palette = drafted((tube(), bell()))[0]
    felt = Hold(at_s=4.0, channel=5, hold_ms=1000.0, pull_ms=30.0, hold_duty=0.3)
    strokes = [(1.0, 0), (2.0, 1), (4.0, 0), (4.5, 0), (5.02, 0), (6.0, 9)]
    return palette, takes(with_hold(strokes, felt), palette)


def test_what_surrounds_a_stroke() -> None:
    _, found = holds_and_strokes()
    inf = math.inf
    assert [(t.striker, t.state) for t in found] == [
        (0, "damped"), (1, "free"), (0, "moving"), (0, "free"), (0, "damped"),
    ]  # fmt: skip
    assert [t.gap_s for t in found] == pytest.approx([inf, inf, 3.0, 0.5, 0.52])
    assert [t.room_s for t in found] == pytest.approx([3.0, inf, 0.5, 0.52, inf])
    # Until any other striker's: one that the palette does not know counts as well.
    assert [t.quiet_s for t in found] == pytest.approx([1.0, 2.0, 2.0, 1.5, 0.98])
    assert [t.damped_in_s for t in found] == pytest.approx([inf, inf, 1.0, 0.5, inf])
    assert [t.lift_s for t in found] == [None, None, 4.0, 4.0, None]
    assert [t.damp_s for t in found] == [None, None, 5.0, 5.0, None]


def test_a_damper_that_rests_off_damps_while_it_is_pressed() -> None:
    palette = holds_and_strokes()[0]
    one = palette.striker[0]
    assert one.damper is not None
    off = msgspec.structs.replace(one, damper=msgspec.structs.replace(one.damper, rest="off"))
    palette = msgspec.structs.replace(palette, striker=(off, palette.striker[1]))
    felt = Hold(at_s=4.0, channel=5, hold_ms=1000.0, pull_ms=30.0, hold_duty=0.3)
    found = takes(with_hold([(1.0, 0), (4.5, 0), (5.05, 0), (5.2, 0)], felt), palette)
    assert [t.state for t in found] == ["free", "damped", "damped", "free"]
    assert [t.damped_in_s for t in found] == [3.0, math.inf, math.inf, math.inf]


def test_what_a_damper_does_in_the_palettes_terms() -> None:
    damper = drafted((tube(),))[0].striker[0].damper
    assert damper is not None
    fallen = [dampers.DecayKnee(after_s, 69.08, 0.9) for after_s in (0.030, 0.032)]
    lifted = [dampers.DecayKnee(0.025, 5.0, 0.9)]
    found = dampers.measured(damper, fallen, lifted, None, MeasuredValue(40.0))
    assert found.lift_ms is not None
    assert found.fall_ms is not None
    assert found.damped_t60_s is not None
    assert found.quiet_ms is not None
    assert found.lift_ms.value == pytest.approx(25.0)
    assert found.fall_ms.value == pytest.approx(31.0)
    # A rate of ln 1000 / 0.1 s falls by 60 dB in 0.1 s, so by 40 dB in two thirds of it.
    assert found.damped_t60_s.value == pytest.approx(0.1, rel=1e-3)
    assert found.quiet_ms.value == pytest.approx(31.0 + 66.67, abs=0.1)
    assert found.noise_db == MeasuredValue(40.0)
    resting = dampers.measured(damper, fallen, [], MeasuredValue(34.54, 3.454, 3), None)
    assert resting.damped_t60_s is not None
    assert resting.damped_t60_s.value == pytest.approx(0.2, rel=1e-3)
    assert resting.damped_t60_s.uncertainty == pytest.approx(0.02, rel=1e-3)
    assert resting.lift_ms is None
    # One stroke on the damper tells less than two falls.
    single = dampers.measured(damper, fallen, [], MeasuredValue(34.54), None)
    assert single.damped_t60_s == found.damped_t60_s
    off = msgspec.structs.replace(damper, rest="off")
    pressed = dampers.measured(off, fallen, lifted, None, None)
    assert (pressed.lift_ms, pressed.fall_ms) == (found.fall_ms, None)
    assert dampers.measured(damper, [], [], None, None) == DamperResult()


def test_a_dampers_own_noise_is_the_power_of_its_loudest_5_ms() -> None:
    samples = 1e-4 * np.random.default_rng(0).standard_normal(4 * RATE)
    t = np.arange(round(0.02 * RATE)) / RATE
    # Two knocks: after the command, and the louder one where power ends; -20 dB re a sine.
    for at_s, amplitude in ((1.01, 0.05), (2.01, 0.1)):
        samples[round(at_s * RATE) :][: len(t)] += amplitude * np.sin(2 * np.pi * 1000 * t)
    hold = Hold(at_s=1.0, channel=5, hold_ms=1000.0, pull_ms=30.0, hold_duty=0.3)
    capture = capture_of(samples.astype(np.float32))
    clock = align.Alignment(0.0, 0.0, {}, 1.0)
    levels, alone = dampers.own_noise(capture, [hold], [3.5], clock)
    assert alone == 1
    assert levels == pytest.approx([-20.0], abs=0.2)
    assert dampers.own_noise(capture, [hold], [2.25], clock) == ([], 0)
    silent = capture_of((samples[: 2 * RATE] * 0 + 1e-4).astype(np.float32))
    assert dampers.own_noise(silent, [hold], [], clock) == ([], 1)


def test_sounds_from_elsewhere_are_joined_and_named() -> None:
    rng = np.random.default_rng(0)
    samples = 1e-4 * rng.standard_normal(8 * RATE)
    t = np.arange(round(0.2 * RATE)) / RATE
    for at_s, hz in ((2.0, 3000.0), (2.4, 3100.0), (6.0, 300.0)):
        samples[round(at_s * RATE) :][: len(t)] += 0.1 * np.sin(2 * np.pi * hz * t)
    samples[4 * RATE :][: len(t)] += 0.1 * rng.standard_normal(len(t))
    found = onsets.Onsets(np.array([1.0, 2.0, 4.0, 6.0, 7.0]), np.array([1.0, 1, 1, 1, 0.1]))
    groups = interference.foreign(
        capture_of(samples.astype(np.float32)),
        found,
        np.array([2.4]),
        expected_s=np.array([0.9, 3.9]),
        quiet_after_s=np.array([0.25, 0.05]),
    )
    told = [group.finding for group in groups]
    assert [one.kind for one in told] == ["bird", "foreign", "foreign"]
    assert [one.at_s for one in told] == [1.95, 3.95, 5.95]
    assert not any(one.grave for one in told)
    assert [group.tonal for group in groups] == [True, False, True]
    bird = groups[0]
    assert bird.until_s == pytest.approx(2.7)
    assert 2900 < bird.low_hz < bird.high_hz < 3200


def test_an_onset_after_which_nothing_is_louder_is_nothing_else_that_sounds() -> None:
    """In a rehearsal, which has no noise, rounding brought a dozen of them."""
    found = onsets.Onsets(np.array([2.0]), np.array([1.0]))
    silent = capture_of(np.zeros(4 * RATE, np.float32))
    assert interference.foreign(silent, found, np.zeros(0), np.array([0.5]), np.array([0.25])) == []


def alike(**changes: object) -> StrikerResult:
    """A striker with nothing to tell of it."""
    given: dict[str, object] = {
        "name": "tube",
        "channel": 0,
        "kind": "tube",
        "pitch_hz": MeasuredValue(1000.0),
        "pitch_from": "its first mode",
        "base_hz": 1000.0,
        "band_hz": (900.0, 6000.0),
        "partials": (ringer(1000.0),),
        "t60_s": MeasuredValue(2.0),
        "latency_ms": MeasuredValue(11.0),
        "latency_spread_ms": 0.1,
        "force": (),
        "restrike_ms": MeasuredValue(80.0),
    }
    return StrikerResult(**(given | changes))  # type: ignore[arg-type]


def ringer(
    hz: float, level_db: float = 0.0, t60_s: float = 2.0, schroeder_s: float | None = None
) -> PartialResult:
    return PartialResult(
        hz=MeasuredValue(hz),
        ratio=hz / 1000,
        level_db=level_db,
        t60_s=MeasuredValue(t60_s),
        schroeder_s=schroeder_s,
    )


def point(pulse_ms: float, level_db: float | None, latency_ms: float | None = None) -> ForceResult:
    return ForceResult(
        pulse_ms=pulse_ms,
        level_db=None,
        fitted_db=level_db,
        spoke=3,
        asked=3,
        latency_ms=latency_ms,
    )


@pytest.mark.parametrize(
    ("changes", "told"),
    [
        ({}, []),
        ({"doubles": 2}, [("double", True)]),
        ({"buzz_db": -10.0}, [("buzz", True)]),
        # A buzz looks like second blows; a block's own noise like a buzz.
        ({"buzz_db": -10.0, "doubles": 2}, [("buzz", True)]),
        ({"buzz_db": -10.0, "kind": "block"}, []),
        ({"buzz_db": -20.0}, []),
        ({"partials": (ringer(1000.0, schroeder_s=1.5),)}, [("decay", False)]),
        ({"partials": (ringer(1000.0, schroeder_s=1.9),)}, []),
        ({"partials": (ringer(1000.0), ringer(2756.0, -20.0, schroeder_s=1.0))}, []),
        ({"partials": (ringer(1000.0, t60_s=0.1, schroeder_s=0.05),)}, []),
        ({"force": (point(3, 60, 13.0), point(9, 70, 11.0))}, [("latency", False)]),
        ({"force": (point(3, 60, 12.0), point(9, 70, 11.0))}, []),
        ({"restrike_ms": None, "shortest_tried_ms": 30.0}, [("repeat", False)]),
        ({"restrike_ms": None}, []),
        ({"force": (point(3, 60), point(6, 70), point(9, 70.1))}, [("force", False)]),
        ({"force": (point(3, 60), point(6, 70), point(9, 71))}, []),
        ({"force": (point(3, 60), point(6, 60.1))}, []),
        # Another striker's pitch, and not its own.
        (
            {"pitch_hz": MeasuredValue(525.0), "partials": (ringer(525.0),)},
            [("order", True)],
        ),
        ({"pitch_hz": MeasuredValue(560.0), "partials": (ringer(560.0),)}, []),
        ({"partials": (ringer(525.0), ringer(1010.0, -10.0)), "pitch_hz": None}, []),
        (
            {"partials": (ringer(525.0), ringer(1010.0, -30.0)), "pitch_hz": None},
            [("order", True)],
        ),
    ],
)
def test_what_is_told_of_a_striker(
    changes: dict[str, object], told: list[tuple[str, bool]]
) -> None:
    palette = drafted((tube(), bell()))[0]
    one, other = palette.striker
    other = msgspec.structs.replace(other, pitch_hz=523.0)
    palette = msgspec.structs.replace(palette, striker=(one, other))
    quiet = per_striker.StrikerSound((heard(),), (MODES[0],), (), None, None, "tube")
    found = findings.findings(
        capture_of(np.zeros(RATE, np.float32)), palette, (quiet, quiet), [alike(**changes)], (),
        drafted=False,
    )  # fmt: skip
    assert [(f.kind, f.grave) for f in found] == told
    assert all(f.striker == "tube" for f in found)
    if told and told[0][0] == "order":
        assert not findings.findings(
            capture_of(np.zeros(RATE, np.float32)), palette, (quiet, quiet), [alike(**changes)],
            (), drafted=True,
        )  # fmt: skip


def heard(from_s: float = 0.0, pulse_ms: float = 9.0, **changes: object) -> HeardStroke:
    """A stroke that stands alone, and was heard but for its onset."""
    take = Take(from_s, 0, pulse_ms, "free", gap_s=1.0, room_s=1.0, quiet_s=1.0, damped_in_s=1.0)
    given: dict[str, object] = {"spoke": True}
    return HeardStroke(take, from_s, **(given | changes))  # type: ignore[arg-type]


def test_what_is_told_of_strokes() -> None:
    def told(*strokes: HeardStroke) -> list[tuple[str, float | None, bool]]:
        return [(f.kind, f.at_s, f.grave) for f in findings._strokes("tube", strokes)]

    assert told() == [("missing", None, True)]
    assert told(heard(spoke=False)) == [("silent", None, True)]
    assert told(heard(), heard(1.0)) == []
    # A soft stroke that none of its length sounded is no miss; one among others of it is.
    soft = [heard(float(n), 2.0, spoke=False) for n in range(3)]
    assert told(*soft, heard(5.0), heard(6.0), heard(7.0, spoke=False)) == [("missed", 7.0, False)]
    assert told(heard(), heard(1.0, clipped=True)) == [("clipped", 1.0, True)]
    assert told(*(heard(float(n)) for n in range(3)), heard(3.0, clipped=True)) == [
        ("clipped", 3.0, False)
    ]


def test_pairs_that_sound_alike_are_told() -> None:
    palette = drafted((tube(),))[0]
    pairs = [SoundPair("a", "b", 1.0, 12.4, too_alike=True), SoundPair("a", "c", 0.1, 300, False)]
    quiet = per_striker.StrikerSound((heard(),), (), (), None, None, "tube")
    found = findings.findings(
        capture_of(np.zeros(RATE, np.float32)), palette, (quiet,), (), pairs, drafted=False
    )
    assert [(f.kind, f.grave) for f in found] == [("partials", True), ("alike", False)]
    assert "never rings alone" in found[0].text
    assert found[1].text.endswith("12 cents apart")


def test_strikes_by_hand_take_the_palettes_names_by_pitch() -> None:
    palette = drafted((tube(), bell()))[0]
    one, other = palette.striker
    low = msgspec.structs.replace(other, pitch_hz=523.0, kind="bell")
    palette = msgspec.structs.replace(palette, striker=(one, low))

    def named(*hz: float | None) -> tuple[list[str], list[tuple[str, bool]]]:
        struck = [
            alike(name=f"striker {n}", pitch_hz=None if f is None else MeasuredValue(f))
            for n, f in enumerate(hz, 1)
        ]
        result, found = manual._named(struck, palette)
        return [r.name for r in result], [(f.kind, f.grave) for f in found]

    assert named(1003.0, 520.0) == (["tube", "bell"], [])
    assert named(520.0, 1003.0) == (["bell", "tube"], [("order", False)])
    struck = [alike(pitch_hz=MeasuredValue(hz)) for hz in (520.0, 1003.0)]
    assert manual._named(struck, palette)[1][0].text.endswith("than the palette's: bell, tube")
    assert named(520.0) == (["bell"], [("silent", True)])
    # Nearer ones first; nothing further off than a whole tone, nor without a pitch.
    assert named(1100.0, 1010.0, 520.0)[0] == ["striker 1", "tube", "bell"]
    assert named(1130.0, 520.0) == (["striker 1", "bell"], [("unknown", True), ("silent", True)])
    assert named(None, 520.0)[0] == ["striker 1", "bell"]
    (bell_found,), _ = manual._named([alike(pitch_hz=MeasuredValue(520.0))], palette)
    assert (bell_found.channel, bell_found.kind) == (1, "bell")
    assert manual._named([alike(name="x")], None) == ([alike(name="x")], [])


def test_the_repeat_limit_lies_between_clean_strokes_and_failed_ones() -> None:
    strengths: list[float | None] = [-10, -10, -11, -10, -15, -17, None]
    at_s = [0.0, 0.5, 0.9, 1.2, 1.4, 1.5, 1.56]
    judged = force.judge(at_s, strengths)
    # Down to half the amplitude, -6 dB, of the run's slow strokes.
    assert [r.clean for r in judged] == [True, True, True, True, False, False]
    assert [r.gap_ms for r in judged] == pytest.approx([500, 400, 300, 200, 100, 160])
    assert [r.strength_db for r in judged] == [0.0, -1.0, 0.0, -5.0, -7.0, -60.0]
    assert force.judge(at_s[:3], strengths[:3]) == []
    limit = force.limit([judged], 0.04)
    assert limit is not None
    assert 160 < limit.value < 200
    assert limit.n == 1
    # A rectangle of one step: step / √12 (JCGM 100:2008, 4.3.7).
    assert limit.uncertainty == pytest.approx(limit.value * 0.04 / math.sqrt(12))
    assert force.limit([judged[:4]], 0.04) is None
    chance = [Repeat(gap_ms=g, strength_db=0.0, clean=c) for g, c in ((90, False), (60, True))]
    assert force.limit([chance], 0.04) is None


def test_where_partials_are_heard_and_how_wide_a_band_may_be() -> None:
    parts = (ringer(1000.0), ringer(2756.0, -20.0), ringer(5404.0, -30.0))
    assert per_striker._band(parts) == (850, 3307)
    assert per_striker._band(()) == (200.0, 8000.0)
    assert per_striker._band((ringer(21.0), ringer(19000.0))) == (20, 20000)
    near = (mode(700.0, 1.0), mode(760.0, 1.0), mode(1900.0, 1.0))
    assert [per_striker._half_hz(near, n) for n in range(3)] == [30.0, 30.0, 120.0]
    assert [dampers.half_band(m, near) for m in near] == [30.0, 30.0, 180.0]


def test_backward_integration_needs_a_decay_over_the_noise() -> None:
    wave = ringing(np.array([0.0, 0.5]), 0.0, RATE)
    hz = MODES[1].hz
    found = decay.schroeder_t60(wave, RATE, hz, 60.0, 1e-9, 1.2)
    assert found == pytest.approx(1.2, rel=0.03)
    assert decay.schroeder_t60(wave, RATE, hz, 60.0, 0.2, 1.2) is None
    # A decay of some decibels only can't be extrapolated.
    assert decay.schroeder_t60(wave[:4800], RATE, hz, 60.0, 1e-9, 1.2) is None
    times, power = decay.envelope(wave, RATE, hz, 60.0)
    assert power == pytest.approx(0.25 * 10 ** (-6 * times / 1.2), rel=0.03)
    points = decay.thinned(times, power, 0.25)
    assert len(points) == 60
    assert [db for _, db in points] == pytest.approx([-50 * s for s, _ in points], abs=0.15)
    assert decay.thinned(times[:0], power[:0], 1.0) == ()


@pytest.mark.parametrize(("apart_s", "below_db"), [(0.03, 6.0), (0.08, 6.0)])
def test_a_second_blow_is_timed(apart_s: float, below_db: float) -> None:
    samples = 1e-4 * np.random.default_rng(0).standard_normal(RATE)
    samples[4800:] += ringing(PHASORS, 0.0, RATE - 4800)
    stroke = heard(0.1, at_s=0.1)
    once = capture_of(samples.astype(np.float32))
    assert stroke_faults.second_blow(once, stroke, MODES) is None
    first = 4800 + round(apart_s * RATE)
    samples[first:] += 10 ** (-below_db / 20) * ringing(PHASORS, 0.0, RATE - first)
    twice = capture_of(samples.astype(np.float32))
    assert stroke_faults.second_blow(twice, stroke, MODES) == pytest.approx(apart_s, abs=0.002)
    assert stroke_faults.second_blow(twice, stroke, ()) is None
    assert stroke_faults.explained(once, stroke, MODES) > 0.99
    assert stroke_faults.explained(once, stroke, (mode(2500.0, 1.0),)) < 0.1
    assert stroke_faults.explained(once, heard(0.1), MODES) == 0.0


def test_a_buzz_is_told_in_decibels_under_the_partials() -> None:
    rng = np.random.default_rng(0)
    samples = 0.01 * rng.standard_normal(RATE)
    ring = ringing(PHASORS, 0.0, RATE // 2)
    samples[RATE // 2 :] += ring
    stroke = heard(0.5, at_s=0.5)
    plain = stroke_faults.buzz_db(capture_of(samples.astype(np.float32)), stroke, MODES)
    assert plain is not None
    # The place's own noise, 28 dB below, is taken off.
    assert plain < -35
    span = slice(round(0.02 * RATE), round(0.16 * RATE))
    rattle = rng.standard_normal(RATE // 2) * math.sqrt(0.1 * np.mean(ring[span] ** 2))
    samples[RATE // 2 :] += rattle
    buzz = stroke_faults.buzz_db(capture_of(samples.astype(np.float32)), stroke, MODES)
    assert buzz == pytest.approx(-10.0, abs=0.5)


def in_turn(plan: Plan, channel: int) -> list[float]:
    return [c.at_s for c in plan.commands if c.channel == channel]


def test_a_test_begins_and_ends_with_strokes_at_uneven_distances() -> None:
    plan = laid_out(drafted((tube(), bell()))[0], runs=2)
    first, last = plan.strikes[:4], plan.strikes[-4:]
    for some in (first, last):
        assert [s.channel for s in some] == [0] * 4
        assert [s.pulse_ms for s in some] == [12.0] * 4
        assert np.diff([s.at_s for s in some]) == pytest.approx([0.45, 0.7, 0.55])
    assert first[0].at_s == 1.0
    assert plan.header.duration_s == pytest.approx(plan.end_s, abs=1e-3)
    # One striker after the other, each alone.
    channels = [s.channel for s in plan.strikes[4:-4]]
    assert channels == sorted(channels)
    assert set(channels) == {0, 1}


def test_what_each_striker_is_asked() -> None:
    plan = laid_out(drafted((tube(), bell()))[0], runs=2)
    own = [s for s in plan.strikes[4:-4] if s.channel == 1]
    rings, curve, runs = own[:2], own[2:8], own[8:]
    # Left to ring, six seconds where nothing is known; then soft to hard, twice, in even ratios.
    assert np.diff([s.at_s for s in [*rings, curve[0]]]) == pytest.approx([6.1, 6.1])
    assert [s.pulse_ms for s in rings] == [12.0] * 2
    assert [s.pulse_ms for s in curve] == pytest.approx([4.5, math.sqrt(54), 12.0] * 2, abs=0.01)
    # Pauses are uneven, so that the test can't be mistaken for itself shifted.
    pauses = np.diff([s.at_s for s in curve])
    assert len({round(float(p), 3) for p in pauses}) >= 3
    assert pauses == pytest.approx([1.54] * 5, abs=0.05)
    # Runs of the middle pulse: from 300 ms apart down to 30, each gap 4 % shorter.
    assert {s.pulse_ms for s in runs} == {7.35}
    gaps = np.diff([s.at_s for s in runs])
    (pause,) = np.flatnonzero(gaps > 0.35)
    one, other = gaps[:pause], gaps[pause + 1 :]
    for run in (one, other):
        assert run[1:] / run[:-1] == pytest.approx(np.full(len(run) - 1, 1 / 1.04), abs=1e-4)
        assert run[-1] < 0.030 <= run[-2]
    # The gaps of the second lie between those of the first.
    assert (one[0], other[0]) == pytest.approx((0.3, 0.3 / math.sqrt(1.04)), abs=1e-5)


def test_a_damper_is_lifted_well_before_and_tried_alone() -> None:
    plan = laid_out(drafted((tube(), bell()))[0], runs=2)
    lifted = {round(h.at_s + 0.13, 3): h for h in plan.holds}
    free = [s for s in plan.strikes if round(s.at_s, 3) in lifted]
    # Two ring-outs, six of the curve, and the first stroke of the first run.
    assert [s.pulse_ms for s in free] == pytest.approx([12, 12, *[4.5, 7.35, 12] * 2, 7.35])
    # A ring-out is damped after six seconds, one of the curve after 0.28.
    lengths = [lifted[round(s.at_s, 3)].hold_ms for s in free]
    assert lengths[:8] == pytest.approx([6130.0] * 2 + [410.0] * 6)
    others = [h for h in plan.holds if all(h != lifted[round(s.at_s, 3)] for s in free)]
    # Twice as a stroke falls, at its latency (10 ms in a draft); twice with no stroke near.
    assert [h.hold_ms for h in others] == [500.0] * 4
    near = [min(abs(h.at_s - s.at_s) for s in plan.strikes) for h in others]
    assert near[:2] == pytest.approx([0.01] * 2)
    assert min(near[2:]) > 1.0
    assert not laid_out(drafted((tube(),))[0], lifts=False, runs=0).holds[8:-2]


def test_what_is_known_of_a_machine_shortens_its_test() -> None:
    (one,) = drafted((bell(channel=0),))[0].striker
    known = msgspec.structs.replace(
        one,
        restrike_ms=100.0,
        partials=(msgspec.structs.replace(one.partials[0], t60_s=2.0),),
        force=(ForcePoint(pulse_ms=4.0, level_db=60), ForcePoint(pulse_ms=10.0, level_db=70)),
    )
    palette = msgspec.structs.replace(drafted((bell(channel=0),))[0], striker=(known,))
    plan = laid_out(palette, known=True, runs=1, pulses=4)
    own = plan.strikes[4:-4]
    # A little below the softest, the known points themselves, and between.
    pulses = protocol.pulses(known, protocol.StrikeTestSettings(pulses=4))
    assert pulses[0] == pytest.approx(0.85 * 4.0)
    assert {4.0, 10.0} <= set(pulses)
    assert pulses == sorted(pulses)
    # A ring-out is left for 1.05 of its T60, and 0.1 s between.
    assert own[1].at_s - own[0].at_s == pytest.approx(2.1 + 0.1)
    # The run goes from twice the known limit to less than half of it.
    gaps = np.diff([s.at_s for s in own])
    run = gaps[gaps < 0.2001]
    assert run[0] == pytest.approx(0.2)
    assert run[-1] == pytest.approx(0.045, rel=0.05)
    slow = laid_out(palette, known=True, runs=0, pulses=4, pace=2.0)
    assert slow.strikes[5].at_s - slow.strikes[4].at_s == pytest.approx(2 * 2.2)


def test_strokes_are_placed_by_the_recordings_own_clock() -> None:
    """Over two minutes 200 ppm are 24 ms: strokes are looked for where that clock has them."""
    skew = 2e-4
    rng = np.random.default_rng(1)
    commands = np.arange(12) * 11.0 + 1.0
    samples = 1e-4 * rng.standard_normal(125 * RATE)
    for at_s in 0.5 + (1 + skew) * commands + 0.010:
        first = math.ceil(at_s * RATE)
        samples[first : first + RATE] += ringing(PHASORS, first / RATE - at_s, RATE)
    capture = capture_of(samples.astype(np.float32))
    some = [Take(float(at_s), 0, 9.0, "free", 11.0, 11.0, 11.0, math.inf) for at_s in commands]
    found = onsets.Onsets(np.asarray(0.5 + (1 + skew) * commands + 0.010), np.ones(12))
    placed, clock = place(capture, some, found, align.Alignment(0.5, skew, {}, 1.0))
    assert 1e6 * clock.skew == pytest.approx(1e6 * skew, abs=1)
    assert all(stroke.spoke and not stroke.clipped for stroke in placed)
    for stroke, at_s in zip(placed, commands, strict=True):
        assert stroke.at_s == pytest.approx(0.5 + (1 + skew) * at_s + 0.010, abs=2e-4)
        assert stroke.expected_s == pytest.approx(stroke.at_s, abs=2e-4)
