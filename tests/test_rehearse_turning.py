"""Turners: grains at the speed of the shaft, at the level of the palette."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from rehearse_helpers import bar, machine, plan, render, shaker, turn

from callresp.io.audio import level_db
from callresp.synthesis.execution import execute
from callresp.synthesis.levels import ListeningPoint
from callresp.synthesis.mixing import PlanRenderer
from callresp.synthesis.turning import Shaft, level_at

RATE = 48000
NEAR = ListeningPoint(distance_m=1.0, air=False, travel=False)


def test_speed_comes_up_and_goes_down_in_straight_lines() -> None:
    palette = machine(bar(), turner=shaker())
    (part,) = execute(plan(turn(1.0, 3.0, 2.0)), palette).turners
    expected = [(1.0, 0.0), (1.4, 2.0), (3.0, 2.0), (3.6, 0.0)]
    assert np.array(part.curve) == pytest.approx(np.array(expected))


def test_a_run_taken_up_while_slowing_goes_on_from_there() -> None:
    palette = machine(bar(), turner=shaker())
    (part,) = execute(plan(turn(1.0, 3.0, 2.0), turn(3.3, 5.0, 4.0)), palette).turners
    speeds = dict(part.curve)
    assert speeds[3.3] == pytest.approx(1.0)
    assert max(speed for _, speed in part.curve) == pytest.approx(4.0)
    times = [at_s for at_s, _ in part.curve]
    assert times == sorted(times)


@given(
    speeds=st.lists(st.floats(0.05, 5.0), min_size=1, max_size=5),
    share=st.floats(0.001, 0.999),
)
def test_shaft_angle_and_time_are_inverse(speeds: list[float], share: float) -> None:
    curve = tuple((float(i), s) for i, s in enumerate([0.0, *speeds, 0.0]))
    shaft = Shaft(curve)
    turns = share * shaft.total
    time_s = float(shaft.time_of(np.array([turns]))[0])
    assert shaft.turns_at(time_s) == pytest.approx(turns, rel=1e-6, abs=1e-6)
    assert shaft.total == pytest.approx(sum(speeds), rel=1e-9), "trapezoids of one second"


@pytest.mark.parametrize(("speed", "spl_db"), [(1.0, 50.0), (2.5, 56.0), (4.0, 62.0)])
@pytest.mark.parametrize("kind", ["shaker", "wound"])
def test_level_at_a_steady_speed(kind: str, speed: float, spl_db: float) -> None:
    turner = shaker(kind)
    sound = render(plan(turn(0.0, 12.0, speed)), machine(turner=turner), RATE, 11.0, place=NEAR)
    assert level_db(sound[RATE:]) == pytest.approx(spl_db - 94.0, abs=1.0)
    assert float(level_at(turner, speed)) == pytest.approx(spl_db)


def test_a_wound_movement_ticks_once_a_step() -> None:
    palette = machine(turner=shaker("wound"))
    sound = render(plan(turn(0.0, 6.0, 1.0)), palette, RATE, 5.0, place=NEAR)[RATE : 4 * RATE]
    frame = 240
    power = np.add.reduceat(sound.astype(np.float64) ** 2, np.arange(0, len(sound), frame))
    spectrum = np.abs(np.fft.rfft(power - power.mean()))
    hz = np.fft.rfftfreq(len(power), frame / RATE)
    # 40 grains a turn, one turn a second.
    assert hz[int(np.argmax(spectrum))] == pytest.approx(40.0, abs=0.7)


def test_nothing_sounds_before_or_after_the_run() -> None:
    palette = machine(turner=shaker())
    sound = render(plan(turn(1.0, 2.0, 3.0)), palette, RATE, 4.0, place=NEAR)
    assert not sound[: int(0.99 * RATE)].any()
    assert not sound[int(2.75 * RATE) :].any()
    assert sound[RATE : 2 * RATE].any()


@given(
    blocks=st.lists(st.integers(400, 20000), min_size=1, max_size=5), start=st.integers(0, 30000)
)
def test_blocks_of_any_size_give_the_same_grains(blocks: list[int], start: int) -> None:
    rate = 16000
    palette, score = machine(turner=shaker()), plan(turn(0.2, 2.0, 3.0))
    whole = render(score, palette, rate, 3.0)
    by_blocks = PlanRenderer(score, palette, rate, start_s=start / rate)
    parts, left, turns = [], len(whole) - start, 0
    while left > 0:
        size = min(blocks[turns % len(blocks)], left)
        parts.append(by_blocks.next(size))
        left, turns = left - size, turns + 1
    assert np.abs(np.concatenate(parts) - whole[start:]).max() < 1e-7
