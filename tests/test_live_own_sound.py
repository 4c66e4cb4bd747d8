"""Own sound: no stroke of ours passes the masks, and birds beside them do."""

from __future__ import annotations

import random

import msgspec
import pytest
from hypothesis import given
from hypothesis import strategies as st

from callresp.io.score import Note
from callresp.live.loop_detector import LoopDetector, LoopRule, lags
from callresp.live.self_masking import Acoustics, Return, SelfMask
from callresp.palette.model import (
    Board,
    Coil,
    Damper,
    Driver,
    ForcePoint,
    Palette,
    Partial,
    Striker,
    Supply,
    Turner,
)
from callresp.plan.model import Hold, Strike, Turn

TUBE = Striker(
    name="tube",
    kind="tube",
    coil=Coil(channel=0, resistance_ohm=6, on_max_ms=50),
    latency_ms=12,
    restrike_ms=120,
    force=(ForcePoint(pulse_ms=8, level_db=70),),
    pitch_hz=1000,
    partials=(Partial(ratio=1, t60_s=6), Partial(ratio=2.756, t60_s=3)),
    damper=Damper(
        coil=Coil(channel=1, resistance_ohm=20, on_max_ms=60000),
        lift_ms=25,
        fall_ms=20,
        damped_t60_s=0.2,
        noise_db=40,
    ),
)
SHAKER = Turner(
    name="shaker",
    kind="shaker",
    channel=0,
    slowest_rps=1,
    fastest_rps=5,
    spin_up_s=0.3,
    slow_down_s=0.5,
    current_a=0.3,
    start_current_a=0.9,
)
PALETTE = Palette(
    name="bench",
    board=Board(name="b", coil_channels=2, motor_channels=1),
    supply=Supply(chemistry="mains", nominal_v=12, current_max_a=5),
    driver=(Driver(name="d", channels=(0, 1), current_max_a=5),),
    striker=(TUBE,),
    turner=(SHAKER,),
)
ROOM = Acoustics()


def note(onset_s: float, pitch_hz: float | None, low_hz: float = 0, high_hz: float = 0) -> Note:
    return Note(
        id=0,
        onset_s=onset_s,
        offset_s=onset_s + 0.1,
        pitch_hz=pitch_hz,
        level_db=-30,
        voice="A",
        low_hz=low_hz or (pitch_hz or 3000),
        high_hz=high_hz or (pitch_hz or 6000),
    )


def struck(at_s: float = 10.0, hold_ms: float = 2000) -> SelfMask:
    own = SelfMask(PALETTE, ROOM)
    own.add_command(
        Hold(at_s=at_s, channel=1, hold_ms=hold_ms, pull_ms=25, hold_duty=0.3), at_s - 0.03
    )
    own.add_command(Strike(at_s=at_s, channel=0, pulse_ms=8), at_s)
    return own


@given(
    delay_s=st.floats(0, ROOM.delay_s),
    late_ms=st.floats(-1, 1),
    partial=st.sampled_from(TUBE.partials),
    detune=st.floats(-0.02, 0.02),
)
def test_the_stroke_and_its_partials_are_ours(
    delay_s: float, late_ms: float, partial: Partial, detune: float
) -> None:
    stroke_s = 10.0 + (TUBE.latency_ms + late_ms) / 1000 + delay_s
    assert struck().owner(note(stroke_s, 1000 * partial.ratio * (1 + detune)))
    assert struck().owner(note(stroke_s, None))
    # Heard late, as when a bird's pause lets the ring through.
    assert struck().owner(note(stroke_s + 1.0, 1000 * partial.ratio * (1 + detune)))


@given(st.floats(10.2, 20.0), st.floats(200, 12000))
def test_a_bird_beside_the_partials_is_heard(onset_s: float, pitch_hz: float) -> None:
    near = any(
        abs(pitch_hz - 1000 * partial.ratio)
        <= max(ROOM.least_width_hz, ROOM.width * 1000 * partial.ratio)
        for partial in TUBE.partials
    )
    # The damper falls 2 s after it rose, and its own click closes the gate once more.
    falling = 11.96 <= onset_s <= 12.2
    if not near and not falling:
        assert struck().owner(note(onset_s, pitch_hz)) is None


def test_a_fallen_damper_gives_the_band_back() -> None:
    own = struck(hold_ms=500)
    assert own.owner(note(10.4, 1000))
    assert own.owner(note(11.5, 1000)) is None
    free = struck(hold_ms=30000)
    assert free.owner(note(11.5, 1000))


def test_a_motor_masks_noise_but_not_whistles() -> None:
    own = SelfMask(PALETTE, ROOM)
    own.add_command(Turn(at_s=5, channel=0, speed_rps=3, run_ms=4000), 5.0)
    assert own.owner(note(7.0, None))
    assert own.owner(note(7.0, 4000)) is None
    assert own.owner(note(12.0, None)) is None


def test_old_masks_are_forgotten() -> None:
    own = struck()
    own.forget_before(100.0)
    assert own.owner(note(10.012, 1000)) is None
    assert not own.gated(10.012)


def test_a_loop_is_found_and_a_repeating_bird_is_not() -> None:
    rng = random.Random(4)
    loop, birds = LoopDetector(), LoopDetector()
    for number in range(6):
        start_s = 20.0 * number
        strokes = [start_s + step for step in (0.0, 0.21, 0.34, 0.7)]
        loop.replied(strokes)
        birds.replied(strokes)
        for stroke in strokes:
            loop.heard(stroke + 0.043 + rng.uniform(-0.004, 0.004))
        # The bird sings the same phrase again, when it pleases.
        again_s = rng.uniform(0.3, 1.9)
        for stroke in strokes:
            birds.heard(stroke + again_s)
    assert loop.loops
    assert abs((loop.lag_s or 0) - 0.043) < 0.02
    assert not birds.loops
    loop.reset()
    assert not loop.loops


@given(
    st.lists(st.floats(0.05, 1.0), min_size=2, max_size=8), st.floats(0.0, 1.5), st.integers(0, 9)
)
def test_any_lag_is_found(steps: list[float], lag_s: float, seed: int) -> None:
    strokes = [sum(steps[:count]) for count in range(len(steps) + 1)]
    rng = random.Random(seed)
    heard = sorted([stroke + lag_s for stroke in strokes] + [rng.uniform(0, 5) for _ in range(3)])
    rule = LoopRule(longest_lag_s=2.0)
    assert any(abs(found - lag_s) <= rule.tolerance_s for found in lags(strokes, heard, rule))


def test_a_dense_chorus_alone_is_no_loop() -> None:
    """Ten onsets a second meet nearly every stroke at some lag, by chance."""
    for seed in range(5):
        rng = random.Random(seed)
        watch = LoopDetector()
        onsets = sorted(rng.uniform(0, 400) for _ in range(4000))
        starts = [20.0 * number for number in range(19)]
        for start in starts:
            watch.replied([start + 0.3 * k for k in range(4)])
            for onset in onsets:
                if start <= onset < start + 20:
                    watch.heard(onset)
            assert not watch.loops


def test_a_loop_in_a_dense_chorus_is_found() -> None:
    rng = random.Random(3)
    watch = LoopDetector()
    for start in (20.0 * number for number in range(6)):
        strokes = [start + 0.3 * k + rng.uniform(0, 0.05) for k in range(5)]
        echoes = [stroke + 0.085 + rng.uniform(-0.004, 0.004) for stroke in strokes]
        watch.replied(strokes)
        for onset in sorted(echoes + [rng.uniform(start, start + 20) for _ in range(120)]):
            watch.heard(onset)
    assert watch.lag_s == pytest.approx(0.085, abs=0.02)


def struck_before_a_wall(level_db: float = -30.0) -> SelfMask:
    own = SelfMask(PALETTE, Acoustics(returns=(Return(0.6, level_db),)))
    own.add_command(Strike(at_s=10.0, channel=0, pulse_ms=8), 10.0)
    return own


@given(st.floats(-0.004, 0.05), st.floats(-60, -31), st.floats(300, 9000))
def test_what_a_wall_gives_back_is_ours(late_s: float, level_db: float, pitch_hz: float) -> None:
    own = struck_before_a_wall()
    stroke_s = 10.0 + TUBE.latency_ms / 1000
    loud = msgspec.structs.replace(note(stroke_s, 1000.0), level_db=-20.0)
    assert own.owner(loud) == "the stroke on tube"
    back = note(stroke_s + 0.6 + late_s, pitch_hz)
    quiet = min(level_db, -20.0 - 30.0)
    assert own.owner(msgspec.structs.replace(back, level_db=quiet)) == "the echo of tube"


def test_a_bird_louder_than_the_echo_is_heard_over_it() -> None:
    own = struck_before_a_wall()
    stroke_s = 10.0 + TUBE.latency_ms / 1000
    assert own.owner(msgspec.structs.replace(note(stroke_s, 1000.0), level_db=-20.0))
    # The echo can come to -50 dB, and 9 dB are to spare.
    bird = note(stroke_s + 0.63, 4000.0)
    assert own.owner(msgspec.structs.replace(bird, level_db=-40.0)) is None
    assert own.owner(msgspec.structs.replace(bird, level_db=-43.0)) == "the echo of tube"
    # Without a wall it is nobody's echo.
    assert struck().owner(msgspec.structs.replace(bird, level_db=-60.0)) is None


def test_masks_follow_the_returns_as_the_air_warms() -> None:
    own = SelfMask(PALETTE, Acoustics(returns=(Return(0.6, -30.0),)))
    own.returns_are((Return(0.3, -30.0),))
    own.add_command(Strike(at_s=10.0, channel=0, pulse_ms=8), 10.0)
    stroke_s = 10.0 + TUBE.latency_ms / 1000
    assert own.owner(note(stroke_s + 0.33, 4000.0)) == "the echo of tube"
    assert own.owner(note(stroke_s + 0.63, 4000.0)) is None
