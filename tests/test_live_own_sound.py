"""Own sound: no stroke of ours passes the masks, and birds beside them do."""

from __future__ import annotations

import random
from collections.abc import Sequence

import msgspec
import numpy as np
import numpy.typing as npt
import pytest
from hypothesis import given
from hypothesis import strategies as st

from callresp.io.score import Note
from callresp.live.loop_detector import LoopDetector, LoopRule, lags
from callresp.live.recent_sound import RecentSound
from callresp.live.self_masking import Acoustics, Return, SelfMask, reach_s
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

Sound = npt.NDArray[np.float64]

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


@pytest.mark.parametrize(
    ("onset_s", "length_s", "pitch_hz", "ours"),
    [
        (9.95, 0.2, 1010.0, True),
        # It ended before, or lies beside the partials, or had begun long before.
        (9.95, 0.04, 1010.0, False),
        (9.95, 0.2, 1300.0, False),
        (9.80, 0.4, 1010.0, False),
    ],
)
def test_a_stroke_that_falls_into_the_end_of_a_bird_makes_no_bird_of_itself(
    onset_s: float, length_s: float, pitch_hz: float, ours: bool
) -> None:
    joined = msgspec.structs.replace(note(onset_s, pitch_hz), offset_s=onset_s + length_s)
    own = SelfMask(PALETTE, ROOM)
    own.add_command(Strike(at_s=10.0, channel=0, pulse_ms=8), 10.0)
    assert (own.owner(joined) == "tube ringing") == ours


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


RATE_HZ = 24000
STARTS_S, STROKE_S = 9.0, 10.0 + TUBE.latency_ms / 1000
WALL = Return(0.6, -30.0)


def tone(onset_s: float, hz: float, level_db: float, length_s: float = 0.1) -> Sound:
    """A tone in three seconds of sound that begin at `STARTS_S`."""
    out = np.zeros(3 * RATE_HZ)
    first, count = round((onset_s - STARTS_S) * RATE_HZ), round(length_s * RATE_HZ)
    wave = np.sin(2 * np.pi * hz * np.arange(count) / RATE_HZ)
    out[first : first + count] = 10 ** (level_db / 20) * wave[: len(out) - first]
    return out


def before_walls(
    heard: Sound | None, *walls: Return, strokes_s: Sequence[float] = (10.0,)
) -> SelfMask:
    """A mask that knows of walls, and of what was heard: of nothing where that is `None`."""
    recent = None
    if heard is not None:
        recent = RecentSound(RATE_HZ, 4.0)
        recent.feed(heard.astype(np.float32), STARTS_S)
    own = SelfMask(PALETTE, Acoustics(returns=walls), recent)
    for at_s in strokes_s:
        own.add_command(Strike(at_s=at_s, channel=0, pulse_ms=8), at_s)
    return own


@given(st.floats(-0.004, 0.05), st.floats(300, 9000))
def test_what_a_wall_gives_back_is_ours(late_s: float, pitch_hz: float) -> None:
    back_s = STROKE_S + 0.6 + late_s
    stroke, back = tone(STROKE_S + late_s, pitch_hz, -20.0), tone(back_s, pitch_hz, -50.0)
    for heard in (stroke + back, None):
        own = before_walls(heard, WALL)
        # At the pitch of a partial the tube itself may ring on still.
        assert own.owner(note(back_s, pitch_hz)) in (
            "the echo of the stroke on tube",
            "tube ringing",
        )
        assert own.owner(note(STROKE_S + late_s, pitch_hz)) == "the stroke on tube"
    # Without a wall it is nobody's echo.
    assert struck().owner(note(STROKE_S + 0.63, 4000.0)) is None


@pytest.mark.parametrize(("level_db", "bird"), [(-38.0, True), (-44.0, False)])
def test_a_bird_louder_than_the_echo_is_heard_over_it(level_db: float, bird: bool) -> None:
    # The echo can come to -50 dB, and 9 dB are to spare.
    heard = tone(STROKE_S, 4000.0, -20.0) + tone(STROKE_S + 0.6, 4000.0, level_db)
    assert (before_walls(heard, WALL).owner(note(STROKE_S + 0.6, 4000.0)) is None) == bird


def test_a_bird_where_the_stroke_was_faint_is_heard_beside_its_echo() -> None:
    # Far fainter than the stroke's own echo, an octave higher and a moment later.
    heard = tone(STROKE_S, 2000.0, -10.0) + tone(STROKE_S + 0.6, 2000.0, -40.0)
    heard += tone(STROKE_S + 0.62, 4200.0, -60.0)
    own = before_walls(heard, WALL)
    assert own.owner(note(STROKE_S + 0.6, 2000.0)) == "the echo of the stroke on tube"
    assert own.owner(note(STROKE_S + 0.62, 4200.0)) is None


def test_an_echo_into_which_another_stroke_falls_is_no_loud_bird() -> None:
    heard = tone(STROKE_S, 2000.0, -20.0) + tone(STROKE_S + 0.6, 2000.0, -50.0)
    heard += tone(STROKE_S + 0.65, 2000.0, -20.0)
    joined = note(STROKE_S + 0.6, 2000.0)
    own = before_walls(heard, WALL, strokes_s=(10.0, 10.65))
    assert own.owner(joined) == "the echo of the stroke on tube"
    assert before_walls(heard, WALL).owner(joined) is None


@pytest.mark.parametrize(("level_db", "ours"), [(-20.0, True), (-33.0, False)])
def test_a_bird_that_a_stroke_of_its_pitch_falls_into_is_ours_where_it_grows_by_it(
    level_db: float, ours: bool
) -> None:
    # A bird sings for 0.4 s; the tube is struck after 0.2 s of it.
    heard = tone(STROKE_S - 0.2, 1000.0, -30.0, 0.4) + tone(STROKE_S, 1000.0, level_db)
    sung = msgspec.structs.replace(note(STROKE_S - 0.2, 1010.0), offset_s=STROKE_S + 0.2)
    assert (before_walls(heard).owner(sung) == "tube ringing") == ours
    # Beside the tube's pitch it is a bird however it grows, and so is one that ends before.
    beside = msgspec.structs.replace(sung, pitch_hz=1300.0)
    over = msgspec.structs.replace(sung, offset_s=STROKE_S - 0.1)
    assert before_walls(heard).owner(beside) is before_walls(heard).owner(over) is None


def test_what_several_walls_give_back_adds_up() -> None:
    walls = Return(0.6, -30.0), Return(0.605, -30.0)
    heard = tone(STROKE_S, 4000.0, -20.0) + tone(STROKE_S + 0.6, 4000.0, -39.5)
    both = note(STROKE_S + 0.6, 4000.0)
    assert before_walls(heard, *walls).owner(both) == "the echo of the stroke on tube"
    assert before_walls(heard, walls[0]).owner(both) is None


def test_a_note_of_which_the_sound_is_gone_may_be_an_echo() -> None:
    heard = tone(STROKE_S + 0.6, 4000.0, -20.0)
    back = note(STROKE_S + 0.6, 4000.0)
    assert before_walls(heard, WALL).owner(back) is None
    # Of the stroke itself nothing is left, or of the note.
    for first_s in (10.3, 10.7):
        recent = RecentSound(RATE_HZ, 4.0)
        recent.feed(heard[round((first_s - STARTS_S) * RATE_HZ) :].astype(np.float32), first_s)
        own = SelfMask(PALETTE, Acoustics(returns=(WALL,)), recent)
        own.add_command(Strike(at_s=10.0, channel=0, pulse_ms=8), 10.0)
        assert own.owner(back) == "the echo of the stroke on tube"


def test_a_blow_that_comes_back_into_a_ring_is_no_bird_by_the_ring() -> None:
    heard = tone(STROKE_S, 1000.0, -25.0, 1.0) + tone(STROKE_S, 4000.0, -20.0, 0.05)
    heard += tone(STROKE_S + 0.6, 4000.0, -50.0, 0.05)
    # A harsh sound with its pitch at none of the tube's.
    blow = note(STROKE_S + 0.6, 2000.0, 800.0, 6000.0)
    assert before_walls(heard, WALL).owner(blow) == "the echo of the stroke on tube"
    loud = heard + tone(STROKE_S + 0.6, 4000.0, -20.0, 0.05)
    assert before_walls(loud, WALL).owner(blow) is None


@pytest.mark.parametrize(
    ("delay_s", "off_s"), [(0.6, -0.014), (0.6, 0.014), (1.8, -0.026), (1.8, 0.026)]
)
def test_an_echo_may_come_sooner_and_later_than_is_known(delay_s: float, off_s: float) -> None:
    back_s = STROKE_S + delay_s + off_s
    heard = tone(STROKE_S, 4000.0, -20.0) + tone(back_s, 4000.0, -50.0)
    own = before_walls(heard, Return(delay_s, -30.0))
    assert own.owner(note(back_s, 4000.0)) == "the echo of the stroke on tube"


def test_a_bird_is_heard_over_an_echo_by_the_few_milliseconds_that_there_are_yet() -> None:
    heard = tone(STROKE_S, 4000.0, -20.0) + tone(STROKE_S + 0.59, 4000.0, -20.0)
    until_now = heard[: round((STROKE_S + 0.605 - STARTS_S) * RATE_HZ)]
    assert before_walls(until_now, WALL).owner(note(STROKE_S + 0.6, 4000.0)) is None


def test_the_sound_is_kept_for_a_bird_that_sings_for_long_before_a_far_wall() -> None:
    wall = Return(3.0, -30.0)
    bird = msgspec.structs.replace(note(STROKE_S + 3.0, 4000.0), offset_s=STROKE_S + 12.5)
    time_s = STARTS_S + np.arange(round((bird.offset_s - STARTS_S) * RATE_HZ)) / RATE_HZ
    heard = np.where(time_s >= bird.onset_s, 0.1 * np.sin(2 * np.pi * 4000.0 * time_s), 0.0)
    recent = RecentSound(RATE_HZ, reach_s([wall]))
    size = RATE_HZ // 10
    for first in range(0, len(heard), size):
        recent.feed(heard[first : first + size].astype(np.float32), STARTS_S + first / RATE_HZ)
    own = SelfMask(PALETTE, Acoustics(returns=(wall,)), recent)
    own.add_command(Strike(at_s=10.0, channel=0, pulse_ms=8), 10.0)
    assert own.owner(bird) is None


def test_a_bird_that_sings_into_a_long_echo_makes_no_bird_of_it() -> None:
    heard = tone(STROKE_S, 4000.0, -20.0, 0.5) + tone(STROKE_S + 0.6, 4000.0, -50.0, 0.5)
    heard += tone(STROKE_S + 1.1, 4000.0, -20.0)
    long = msgspec.structs.replace(note(STROKE_S + 0.6, 4000.0), offset_s=STROKE_S + 1.4)
    assert before_walls(heard, WALL).owner(long) == "the echo of the stroke on tube"


def test_masks_are_kept_until_the_walls_have_answered() -> None:
    own = before_walls(None, Return(3.0, -30.0))
    own.forget_before(STROKE_S + 2.9)
    assert own.owner(note(STROKE_S + 3.0, 4000.0)) == "the echo of the stroke on tube"


@given(st.lists(st.integers(1, 700), min_size=1, max_size=30), st.data())
def test_recent_sound_is_what_was_fed(sizes: list[int], data: st.DataObject) -> None:
    recent = RecentSound(1000, 0.5)
    whole = np.arange(sum(sizes), dtype=np.float32)
    done = 0
    for size in sizes:
        recent.feed(whole[done : done + size], 7.0 + done / 1000)
        done += size
    first = data.draw(st.integers(max(done - 500, 0), done))
    last = data.draw(st.integers(first, done))
    part = recent.part(7.0 + first / 1000, 7.0 + last / 1000)
    assert part is not None
    assert np.array_equal(part, whole[first:last])
    assert recent.part(7.0 + first / 1000, 7.001 + done / 1000) is None
    assert recent.part(6.999, 7.0) is None
    # After a gap nothing of before is left.
    recent.feed(whole[:1], 8.0 + done / 1000)
    assert recent.part(7.0 + done / 1000, 8.0 + done / 1000) is None


def test_masks_follow_the_returns_as_the_air_warms() -> None:
    own = before_walls(None, WALL)
    own.returns_are((Return(0.3, -30.0),))
    assert own.owner(note(STROKE_S + 0.33, 4000.0)) == "the echo of the stroke on tube"
    assert own.owner(note(STROKE_S + 0.63, 4000.0)) is None
