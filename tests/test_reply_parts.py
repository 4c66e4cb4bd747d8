"""What each setting of a rule does to one phrase, as the guide to rule files words it."""

from __future__ import annotations

import math
import random
import re
from datetime import time
from typing import Any

import msgspec
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from reply_helpers import call, note, score_of

from callresp.io.score import Phrase, phrases
from callresp.palette.files import load_palette
from callresp.palette.model import Striker
from callresp.reply import silences
from callresp.reply.choose import Moment, choose_rule, unmet
from callresp.reply.compose import RecentPeak, compose, ends_s
from callresp.reply.mapping import by_table, choose, csim, fits, fitted, line_fit, octave_off_cents
from callresp.reply.memory import Memory, difference, signature
from callresp.reply.metrics import merged
from callresp.reply.replier import answer
from callresp.reply.reply_maker import AmbientLevel
from callresp.reply.rules import Manners, Pitched, Rule, RuleSet, When
from callresp.reply.transformations import (
    TREATMENTS,
    Tone,
    from_phrase,
    on_pulse,
    scaled,
    stretch_needed,
)
from callresp.reply.turn_taking import Turns

FETTLE = load_palette("fettle")
TUBES = [striker for striker in FETTLE.striker if striker.pitch_hz is not None]
# Five notes, each longer than the one before: 1000, 1500, 1200, 1500 and 900 Hz, one without.
PITCHES: list[float | None] = [1000.0, 1500.0, None, 1200.0, 1500.0, 900.0]
RUN = tuple(Tone(0.4 * k, 0.1 + 0.02 * k, hz, -20.0 - k, 10 + k) for k, hz in enumerate(PITCHES))


@pytest.mark.parametrize(
    ("name", "heard", "at_s", "said"),
    [
        ("echo", [10, 11, 12, 13, 14, 15], [0, 0.4, 0.8, 1.2, 1.6, 2.0], ""),
        ("retrograde", [15, 14, 13, 12, 11, 10], [0, 0.4, 0.8, 1.2, 1.6, 2.0], "backwards"),
        ("head", [10, 11, 12], [0, 0.4, 0.8], "from its head"),
        ("tail", [13, 14, 15], [0, 0.4, 0.8], "from its tail"),
        ("thin", [10, 12, 14], [0, 0.8, 1.6], "thinned"),
        # It turns at the second and at the fourth; then first and last.
        ("contour", [10, 11, 13, 14, 15], [0, 0.4, 1.2, 1.6, 2.0], "a turn of its line"),
        ("augment", [10, 11, 12, 13, 14, 15], [0, 0.8, 1.6, 2.4, 3.2, 4.0], "twice as slow"),
        ("diminish", [10, 11, 12, 13, 14, 15], [0, 0.2, 0.4, 0.6, 0.8, 1.0], "twice as fast"),
    ],
)
def test_which_notes_are_left_when_and_what_is_said_of_them(
    name: str, heard: list[int], at_s: list[float], said: str
) -> None:
    found = TREATMENTS[name](RUN)
    assert [tone.heard for tone in found] == heard
    assert [tone.at_s for tone in found] == pytest.approx(at_s)
    assert {tone.said for tone in found} == {said}
    lengths = {"augment": 2.0, "diminish": 0.5}
    before = {tone.heard: tone for tone in RUN}
    for tone in found:
        own = before[tone.heard]
        assert tone.length_s == pytest.approx(lengths.get(name, 1.0) * own.length_s)
        assert (tone.pitch_hz, tone.level_db) == (own.pitch_hz, own.level_db)


def test_half_of_a_long_phrase_is_its_head_and_a_short_one_has_no_beat_nor_turns() -> None:
    long = tuple(Tone(0.2 * k, 0.1, 1000.0, -20.0, k) for k in range(9))
    assert [tone.heard for tone in TREATMENTS["head"](long)] == [0, 1, 2, 3]
    assert TREATMENTS["ostinato"](RUN[:2]) == RUN[:2]
    assert TREATMENTS["contour"](RUN[:2]) == RUN[:2]
    assert TREATMENTS["invert"](RUN[2:3]) == RUN[2:3]


def test_longer_notes_are_ornamented_by_a_tone_above_them() -> None:
    found = TREATMENTS["ornament"](RUN)
    graces = [tone for tone in found if tone.said == "an ornament"]
    # Of the upper half by length: 1200, 1500 and 900 Hz; a whole tone is a ratio of 2^(1/6).
    assert [tone.heard for tone in graces] == [13, 14, 15]
    assert [tone.pitch_hz for tone in graces] == pytest.approx(
        [hz * 2 ** (1 / 6) for hz in (1200.0, 1500.0, 900.0)]
    )
    for grace, tone in zip(graces, RUN[3:], strict=True):
        own = next(t for t in found if t.heard == tone.heard and not t.said)
        assert own.at_s - grace.at_s == pytest.approx(grace.length_s) == pytest.approx(0.09)
        assert grace.level_db == tone.level_db - 6
    assert found[0].at_s == 0


def test_a_beat_is_as_long_as_four_fifths_of_it() -> None:
    found = TREATMENTS["ostinato"](RUN)
    assert [tone.at_s for tone in found] == pytest.approx([0, 0.4, 0.8, 1.2])
    assert {tone.said for tone in found} == {"on its beat"}
    assert {(tone.pitch_hz, tone.heard) for tone in found} == {(900.0, 15)}
    assert [tone.length_s for tone in found] == pytest.approx([0.32] * 4)


def test_a_rhythm_is_slowed_by_as_much_as_its_strikers_need() -> None:
    tube = TUBES[0]
    run = [Tone(0.05 * k, 0.02, 1000.0, -20.0, k) for k in range(3)]
    needed = stretch_needed(run, [tube, None, tube])
    assert needed == pytest.approx(tube.restrike_ms / 100, rel=2e-3)
    assert needed * 0.1 >= tube.restrike_ms / 1000
    assert stretch_needed(run, [tube, TUBES[1], None]) == 1.0
    slowed = scaled(run, 2.0)
    assert [t.at_s for t in slowed] == pytest.approx([0.0, 0.1, 0.2])
    assert [t.length_s for t in slowed] == pytest.approx([0.04] * 3)


def test_quarters_of_a_beat_are_kept_on_the_pulse() -> None:
    # Four beats of half a second, one note a quarter of a beat early, all a little off.
    times = [0.0, 0.51, 0.99, 1.5, 1.88, 2.0, 2.5, 3.01]
    run = tuple(Tone(t, 0.05, 1000.0, -20.0, k) for k, t in enumerate(times))
    moved = [tone.at_s for tone in on_pulse(run)]
    assert moved == pytest.approx([0, 0.5, 1.0, 1.5, 1.875, 2.0, 2.5, 3.0], abs=0.015)
    irregular = run[:2]
    assert on_pulse(irregular) == irregular


def one_phrase(*pitches: float | None, **more: Any) -> Phrase:
    (phrase,) = phrases(call(list(pitches), **more))
    return phrase


# Three notes over 0.7 s (two steps in 0.7 s), the loudest at -25 dB; tonality 0.9, 0.9 and 0.
CALL = phrases(
    [note(0, 1.0), note(1, 1.3, pitch_hz=2500.0, level_db=-25), note(2, 1.6, pitch_hz=None)]
)[0]  # fmt: skip
LAST = Moment(since_reply_s=10.0, novelty=0.4, clock=time(5, 30))


@pytest.mark.parametrize(
    ("key", "met", "missed"),
    [
        ("voices", (("A",), ("B", "A")), (("B",),)),
        ("notes", ((3, 3),), ((4, 9), (1, 2))),
        ("length_s", ((0.7, 0.7 + 1e-9),), ((0.71, 9.0), (0.0, 0.69))),
        ("tonality", ((0.6, 0.6 + 1e-9),), ((0.61, 1.0), (0.0, 0.59))),
        ("per_s", ((2 / 0.7 - 1e-9, 2 / 0.7 + 1e-9),), ((2.9, 9.0), (0.0, 2.8))),
        ("level_db", ((-25.0, -25.0),), ((-24.9, 0.0), (-99.0, -25.1))),
        ("novelty", ((0.4, 0.4),), ((0.41, 1.0), (0.0, 0.39))),
        ("pitch_hz", ((2500.0, 2500.0), (1000.0, 3000.0)), ((2501.0, 9000.0), (100.0, 2499.0))),
        ("since_reply_s", (10.0, 0.0), (10.1,)),
        (
            "clock",
            (("05:30", "05:30"), ("04:00", "07:00"), ("22:00", "06:00"), ("05:00", "04:00")),
            (("05:31", "07:00"), ("04:00", "05:29"), ("22:00", "05:00"), ("06:00", "05:00")),
        ),
    ],
)
def test_what_meets_a_condition_and_what_misses_it(
    key: str, met: tuple[Any, ...], missed: tuple[Any, ...]
) -> None:
    """The middle one of the pitches counts, and the upper of two middle ones."""
    for value in met:
        assert unmet(msgspec.structs.replace(When(), **{key: value}), CALL, LAST) is None
    for value in missed:
        found = unmet(msgspec.structs.replace(When(), **{key: value}), CALL, LAST)
        assert found is not None
        assert found[0] == key
    single = one_phrase(1500.0)
    assert unmet(When(per_s=(0.0, 0.0)), single, LAST) is None
    hiss = one_phrase(None, None)
    assert unmet(When(pitch_hz=(1.0, 9000.0)), hiss, LAST) == ("pitch_hz", "it has no pitch")


def test_rules_are_drawn_by_weight_and_tire() -> None:
    def drawn(*rules: Rule, tiredness: int = 0, echo: bool = False) -> list[Rule | str]:
        chosen = RuleSet(name="x", description="y", rule=rules)
        moment = Moment(since_reply_s=9.0, tiredness=tiredness, echo=echo)
        return [choose_rule(chosen, CALL, moment, random.Random(seed)) for seed in range(400)]

    one, twice = Rule(name="one"), Rule(name="twice", weight=2.0)
    # Two in three, and a standard deviation of 400 draws of 2.4 per cent: within four of them.
    assert drawn(one, twice).count(twice) / 400 == pytest.approx(2 / 3, abs=0.095)
    assert drawn(one, Rule(name="never", weight=0.0)).count(one) == 400
    weary = Rule(name="weary", fatigue=0.8)
    found = drawn(weary, tiredness=3)
    assert found.count(weary) / 400 == pytest.approx(0.8**3, abs=0.1)
    assert all(isinstance(why, str) and "3 replies" in why for why in found if why != weary)
    echoes = Rule(name="echoes", echo="once")
    (why,) = set(drawn(echoes))
    assert isinstance(why, str)
    assert "rule.1.echo_s" in why
    assert drawn(echoes, echo=True).count(echoes) == 400
    stated = msgspec.structs.replace(echoes, echo_s=0.5)
    assert drawn(stated).count(stated) == 400


def struck(rule: Rule, phrase: Phrase, top_db: float = -20.0) -> list[Any]:
    return compose(phrase, rule, FETTLE, top_db, random.Random(0))


LEVELS = phrases(
    [note(k, 1.0 + k, 0.2 * (k + 1), level_db=db) for k, db in enumerate((-20.0, -35.0, -50.0))]
)[0]


@pytest.mark.parametrize(
    ("changes", "force"),
    [
        # Over 30 dB below the loudest force runs from 1 to 0.
        ({}, [1.0, 0.5, 0.0]),
        ({"softer_db": 6.0}, [0.8, 0.3, 0.0]),
        ({"softer_db": -15.0}, [1.0, 1.0, 0.5]),
        ({"range_db": 60.0}, [1.0, 0.75, 0.5]),
        ({"dynamics": "even"}, [1.0, 1.0, 1.0]),
        # To three tenths, or from three tenths.
        ({"dynamics": "fade", "range_db": 1e9}, [1.0, 0.65, 0.3]),
        ({"dynamics": "swell", "range_db": 1e9}, [0.3, 0.65, 1.0]),
    ],
)
def test_how_hard_it_strikes(changes: dict[str, Any], force: list[float]) -> None:
    rule = msgspec.structs.replace(Rule(name="r"), **changes)
    assert [s.force for s in struck(rule, LEVELS)] == pytest.approx(force, abs=1e-6)


def test_a_reply_of_two_notes_fades_from_end_to_end_and_one_of_one_does_not() -> None:
    fade = Rule(name="r", dynamics="fade", range_db=1e9)
    for count, force in ((2, [1.0, 0.3]), (1, [1.0])):
        some = msgspec.structs.replace(LEVELS, notes=LEVELS.notes[:count])
        assert [s.force for s in struck(fade, some)] == pytest.approx(force, abs=1e-6)


@pytest.mark.parametrize(
    ("damping", "lengths_s"),
    [("ring", [None] * 3), ("short", [0.12] * 3), ("as heard", [0.2, 0.4, 0.6])],
)
def test_how_long_it_lets_ring(damping: Any, lengths_s: list[float | None]) -> None:
    found = [s.length_s for s in struck(Rule(name="r", damping=damping), LEVELS)]
    assert found == [None if s is None else pytest.approx(s) for s in lengths_s]
    # Nothing is muted sooner than a damper can follow.
    quick = phrases([note(0, 1.0, 0.01)])[0]
    assert struck(Rule(name="r"), quick)[0].length_s == pytest.approx(0.06)


def test_notes_transposed_left_out_and_stretched() -> None:
    up = one_phrase(*[striker.pitch_hz for striker in TUBES])
    an_octave_up = one_phrase(*[2 * (striker.pitch_hz or 0) for striker in TUBES])
    names = [striker.name for striker in TUBES]
    assert [s.instrument for s in struck(Rule(name="r"), up)] == names
    down = Rule(name="r", transpose_cents=-1200.0)
    assert [s.instrument for s in struck(down, an_octave_up)] == names
    few = struck(Rule(name="r", at_most=2, stretch=3.0), up)
    assert [s.instrument for s in few] == names[:2]
    assert [s.at_s for s in few] == pytest.approx([0.0, 0.9])
    assert [s.asked_hz for s in few] == pytest.approx([s.pitch_hz for s in TUBES[:2]])
    only = struck(Rule(name="r", strikers=(names[2],)), up)
    assert {s.instrument for s in only} == {names[2]}


def test_a_reply_lasts_until_its_last_damper_falls_or_half_its_ring_is_over() -> None:
    damped = struck(Rule(name="r", damping="short"), LEVELS)
    assert ends_s(damped, FETTLE) == pytest.approx(2.0 + 0.12)
    ringing = struck(Rule(name="r", damping="ring"), LEVELS)
    tube = FETTLE.striker_named(ringing[-1].instrument)
    assert tube is not None
    assert ends_s(ringing, FETTLE) == pytest.approx(2.0 + min(tube.t60_s / 2, 1.5))
    assert ends_s([], FETTLE) == 0.0


@given(st.lists(st.tuples(st.floats(0, 300), st.floats(-80, 0)), min_size=1, max_size=20))
@settings(max_examples=40)
def test_full_force_stands_for_the_loudest_of_the_last_minute(
    levels: list[tuple[float, float]],
) -> None:
    """Of all that was heard in it, or of the last note where it was longer ago."""
    levels = sorted(levels)
    loudness = RecentPeak()
    for number, (at_s, db) in enumerate(levels):
        loudness.heard(note(number, at_s, level_db=db))
    at_s = levels[-1][0] + 10.0
    assert loudness.top_db(at_s) == max(
        (db for t, db in levels if t >= at_s - 60.0), default=levels[-1][1]
    )
    assert RecentPeak().top_db(0.0) == 0.0


@given(st.lists(st.tuples(st.floats(0, 0.5), st.floats(-90, -40)), min_size=1, max_size=12))
@settings(max_examples=40)
def test_the_floor_is_told_from_levels_less_what_they_stand_above_it(
    floors: list[tuple[float, float]],
) -> None:
    place, now_s = AmbientLevel(), 0.0
    for number, (step_s, floor_db) in enumerate(floors):
        now_s += step_s
        one = note(number, now_s, level_db=floor_db + 20)
        place.heard(msgspec.structs.replace(one, snr_db=20.0))
    first, middle = floors[0][1], sorted(db for _, db in floors)
    half = len(middle) // 2
    median = middle[half] if len(middle) % 2 else (middle[half - 1] + middle[half]) / 2
    # All within 15 s of each other: one minute's floor is known, by its first note.
    assert place.risen_db(now_s) == pytest.approx(max(median - first, 0.0), abs=1e-9)
    assert place.risen_db(now_s + 15.1) == 0.0
    # A note that does not say how far it stands above the floor says nothing.
    silent = AmbientLevel()
    silent.heard(note(0, 1.0))
    assert silent.risen_db(1.0) == 0.0


def test_the_quietest_of_an_hour_is_what_the_place_rises_above() -> None:
    place = AmbientLevel()

    def hear(at_s: float, floor_db: float) -> None:
        place.heard(msgspec.structs.replace(note(0, at_s, level_db=0.0), snr_db=-floor_db))

    for at_s, floor_db in ((0.0, -70.0), (20.0, -60.0), (40.0, -50.0)):
        hear(at_s, floor_db)
    assert place.risen_db(40.0) == 20.0
    hear(3610.0, -50.0)
    # What was heard up to 15 s ago is how it is now.
    assert place.risen_db(3610.0) == place.risen_db(3625.0) == 10.0
    assert place.risen_db(3625.1) == 0.0
    hear(3650.0, -50.0)
    assert place.risen_db(3650.0) == 0.0


def test_one_song_is_known_again_and_another_is_new() -> None:
    memory = Memory()
    song = one_phrase(1000.0, 1500.0, 1200.0, 900.0)
    first = memory.recall(song)
    assert (first.novelty, first.last_rule) == (1.0, "")
    memory.heard("A", first, "back")
    # 5 % higher and 5 % faster it is the same to everybody's ear: less than a semitone.
    again = one_phrase(1050.0, 1575.0, 1260.0, 945.0, start_s=9.0, step_s=0.285)
    assert memory.recall(again).novelty == 0.0
    assert memory.recall(again).last_rule == "back"
    other = memory.recall(one_phrase(1000.0, 700.0, 1900.0, 2500.0, start_s=9.0, step_s=0.1))
    assert other.novelty > 0.34
    assert other.last_rule == ""
    # Each singer has its own songs.
    assert memory.recall(msgspec.structs.replace(again, voice="B")).novelty == 1.0
    # What was not answered keeps the rule that did.
    memory.heard("A", memory.recall(again), "")
    assert memory.recall(again).last_rule == "back"
    memory.heard("A", memory.recall(again), "turned")
    assert memory.recall(again).last_rule == "turned"
    # The nearest of all that are known, whichever came first.
    memory = Memory()
    for phrase, rule in ((one_phrase(1000.0, 700.0, 1900.0, 2500.0), "other"), (song, "back")):
        memory.heard("A", memory.recall(phrase), rule)
    assert memory.recall(again).last_rule == "back"


def test_a_song_is_its_steps_of_pitch_and_time() -> None:
    """Semitones, and fifths of an octave of time from 20 ms: 0.32 s is four octaves."""
    phrase = phrases(
        [note(0, 1.0), note(1, 1.32, pitch_hz=3000.0), note(2, 1.64, pitch_hz=None),
         note(3, 1.96, pitch_hz=1500.0)]
    )[0]  # fmt: skip
    assert signature(phrase) == ((0, 0), (12, 20), (0, 20), (-12, 20))


@given(
    st.lists(st.tuples(st.integers(-2, 2), st.integers(0, 4)), max_size=5),
    st.lists(st.tuples(st.integers(-2, 2), st.integers(0, 4)), max_size=5),
)
@settings(max_examples=60)
def test_difference_is_the_edit_distance_of_its_definition(
    one: list[tuple[int, int]], other: list[tuple[int, int]]
) -> None:
    """Wagner and Fischer's recurrence, written down as such; a class apart counts as the same."""

    def far(a: int, b: int) -> int:
        if not a or not b:
            return a + b
        (pitch, gap), (their_pitch, their_gap) = one[a - 1], other[b - 1]
        same = abs(pitch - their_pitch) <= 1 and abs(gap - their_gap) <= 1
        return min(far(a - 1, b) + 1, far(a, b - 1) + 1, far(a - 1, b - 1) + (not same))

    longer = max(len(one), len(other), 1)
    wanted = far(len(one), len(other)) / longer
    assert difference(tuple(one), tuple(other)) == pytest.approx(wanted)
    for limit in (0.2, 0.5):
        found = difference(tuple(one), tuple(other), limit)
        assert found == pytest.approx(wanted) or (found > limit and wanted > limit)


def test_replies_of_five_minutes_tire() -> None:
    memory = Memory()
    for at_s in (0.0, 100.0, 200.0):
        memory.replied(at_s)
    assert [memory.tiredness(at_s) for at_s in (200.0, 300.0, 300.1, 400.1, 501.0)] == [
        3, 3, 2, 1, 0,
    ]  # fmt: skip


def named(found: list[Striker | None]) -> list[str | None]:
    return [None if striker is None else striker.name for striker in found]


def test_a_table_gives_each_range_to_its_striker() -> None:
    rows = (
        Pitched(from_hz=500, to_hz=1000, striker="tube 2"),
        Pitched(from_hz=1000, to_hz=2000, striker="tube 1"),
        Pitched(from_hz=3000, to_hz=4000, striker="no such"),
    )
    asked = [500.0, 1000.0, 1000.1, 2000.0, 2000.1, 3500.0, None]
    wanted = ["tube 2", "tube 2", "tube 1", "tube 1", None, None, None]
    assert named(by_table(asked, TUBES, rows)) == wanted


def test_the_least_worked_of_those_about_as_near_is_struck() -> None:
    one, other = TUBES[0], msgspec.structs.replace(TUBES[0], name="twin", pitch_hz=1060.0)
    assert one.pitch_hz == 1049.2  # the twin lies 18 cents higher
    both = [one, other]
    worked = {one.name: 5, "twin": 2}
    assert named(choose([1049.2], both, "nearest", worked, 25.0)) == ["twin"]
    assert named(choose([1049.2], both, "nearest", worked, 15.0)) == [one.name]
    assert named(choose([1049.2], both, "nearest", {}, 25.0)) == [one.name]
    assert choose([1049.2], [], "nearest") == [None]


def test_how_well_a_line_is_kept() -> None:
    """Marvin and Laprade: of six pairs, those with one direction in both; near by octaves."""
    assert csim([1, 2, 3, 4], [1, 2, 3, 4]) == 1.0
    assert csim([1, 2, 3, 4], [4, 3, 2, 1]) == 0.0
    assert csim([1, 2, 3, 4], [1, 2, 4, 3]) == pytest.approx(5 / 6)
    assert csim([440.0], [880.0]) == 1.0
    # Less than 30 cents apart is level.
    assert csim([1000.0, 1000.0 * 2 ** (29 / 1200)], [500.0, 500.0]) == 1.0
    assert csim([1000.0, 1000.0 * 2 ** (31 / 1200)], [500.0, 500.0]) == 0.0
    with pytest.raises(ValueError, match="unequal"):
        csim([1.0], [1.0, 2.0])
    assert octave_off_cents(440.0, 1760.0) == pytest.approx(0.0)
    assert octave_off_cents(440.0, 660.0) == pytest.approx(-498.045, abs=1e-3)
    assert octave_off_cents(440.0, 550.0) == pytest.approx(386.314, abs=1e-3)
    low, high = TUBES[0], TUBES[1]
    heard = [low.pitch_hz or 0.0, high.pitch_hz or 0.0]
    assert line_fit(heard, [low, high]) == pytest.approx((1.0, 1.0, 1.0))
    contour, distinct, near = line_fit(heard, [low, low])
    assert (contour, distinct) == (0.0, 0.0)
    off = 1200 * math.log2(heard[1] / heard[0])
    assert near == pytest.approx((1 + max(0.0, 1 - off / 300)) / 2)


def test_the_best_mapping_of_all_is_found_and_taken() -> None:
    pitches = [striker.pitch_hz or 0.0 for striker in TUBES[:4]]
    phrase = one_phrase(*pitches)
    found = fits([phrase], FETTLE.striker)
    # Three mappings with 13 transpositions each, and rank, which asks for order only.
    assert len(found) == 3 * 13 + 1
    assert found == sorted(found, key=lambda one: (-one.fit, abs(one.transpose_cents)))
    best = found[0]
    assert (best.contour, best.distinct, best.strikers) == (1.0, 1.0, 4)
    assert (best.transpose_cents, best.near) == pytest.approx((0.0, 1.0))
    for one in found:
        assert one.fit == pytest.approx(0.6 * one.contour + 0.25 * one.distinct + 0.15 * one.near)
    assert {one.transpose_cents for one in found} == {100.0 * n for n in range(-6, 7)}
    assert fits([one_phrase(None)], FETTLE.striker) == fits([phrase], []) == []
    assert named(fitted([None, *pitches], FETTLE.striker)) == [
        None, *(striker.name for striker in TUBES[:4]),
    ]  # fmt: skip
    assert fitted([440.0, None], []) == [None, None]


def test_parts_of_a_phrase_begin_with_it_and_say_how_bright_they_are() -> None:
    heard = [note(0, 1.0), msgspec.structs.replace(note(1, 1.3), low_hz=1000.0, high_hz=4000.0)]
    first, second = from_phrase(phrases(heard)[0])
    assert (first.at_s, first.length_s, first.pitch_hz) == pytest.approx((0.0, 0.1, 1500.0))
    assert second.at_s == pytest.approx(0.3)
    assert (first.bright_hz, second.bright_hz) == (None, 2000.0)


def test_manners_of_the_hour_and_of_a_singer_that_comes_back() -> None:
    manners = Manners(quiet_share=0.25, quiet_after_s=100.0, return_s=60.0)
    turns = Turns(manners, hour_s=600.0)

    def quiet(at_s: float) -> str | None:
        turns.called(at_s)
        return turns.quiet(phrases([note(0, at_s)])[0])

    assert quiet(50.0) is None
    # The last quarter begins 45 minutes into the clock's hour: after 2100 s here.
    for at_s in range(149, 2098, 99):
        turns.called(float(at_s))
    assert quiet(2099.0) is None
    assert turns.quiet(phrases([note(0, 2099.5, 0.5)])[0]) is not None
    why = quiet(2100.0)
    assert why is not None
    assert "quiet end of the hour" in why
    turns.hour_was_set(-600.0)
    assert quiet(2150.0) is None
    why = quiet(2251.0)
    assert why is not None
    assert "only come back" in why
    assert quiet(2310.9) is not None
    assert quiet(2311.0) is None


def test_a_long_note_that_ends_after_others_began_makes_no_pause() -> None:
    turns = Turns(Manners(quiet_share=0.0, quiet_after_s=10.0, return_s=60.0))
    for at_s in (0.0, 9.0, 0.0, 15.0):  # one from 0 to 12 s is told again when it ends
        turns.called(at_s)
    assert turns.quiet(phrases([note(0, 15.0)])[0]) is None
    turns.called(26.0)
    assert turns.quiet(phrases([note(0, 26.0)])[0]) is not None


def test_the_share_of_a_minute_is_what_of_it_was_sounded() -> None:
    turns = Turns(Manners(share_max=0.5))
    phrase = phrases([note(0, 1.0)])[0]
    assert turns.share_left_s(0.0) == 30.0
    turns.replied(phrase, 10.0, 20.0)
    turns.replied(phrase, 30.0, 35.0)
    assert turns.share_left_s(40.0) == pytest.approx(15.0)
    assert turns.share_left_s(75.0) == pytest.approx(20.0)
    assert turns.share_left_s(80.0) == pytest.approx(25.0)
    assert turns.share_left_s(95.0) == pytest.approx(30.0)


def test_why_its_own_reply_kept_it_from_another() -> None:
    turns = Turns(Manners(rest_s=2.0))
    turns.replied(phrases([note(0, 1.0, phrase=7)])[0], 10.0, 20.0)
    why = {at_s: turns.own_reason(at_s) for at_s in (9.9, 10.0, 19.9, 20.0)}
    assert "call 7, answered from 10.0 s on" in why[9.9]
    assert "call 7, until 20.0 s" in why[10.0]
    assert "still answering" in why[19.9]
    assert "call 7, until 22.0 s" in why[20.0]
    assert "still answering" not in why[20.0]


@pytest.mark.parametrize(
    ("why", "told"),
    [
        (silences.began_again("B", 2.5), "voice B was singing when 2.5 s of waiting were over"),
        (silences.sings_on("B", beneath=False), "voice B sang past the longest phrase, and on"),
        (silences.no_rest(2.5), "none within 2.5 s"),
        (silences.crackle(5), "one of 5 such sounds within a minute"),
        (silences.had_its_share(0.3), "30%"),
        (silences.quiet_hour(0.25), "its last 25%"),
        (silences.echo_falls_on("B", 0.4), "voice B may be back 0.4 s before it is over"),
        (silences.come_back(60.0), "let them sing 60 s"),
        (silences.cut_short(12.3), "a call began at 12.3 s"),
        (silences.waiting(7, 9.0), "call 7, answered from 9.0 s on"),
    ],
)
def test_a_reason_names_a_setting_and_then_tells_of_the_call(why: str, told: str) -> None:
    """So that reports add up what stands before the colon, as the module's head says."""
    kind, _, detail = why.partition(": ")
    assert detail == told
    assert silences.kind_of(why) == kind
    assert re.fullmatch(r"[^:]+ \((manners|rule)\.\w+\)", kind)


def test_spans_are_one_where_they_overlap_or_touch() -> None:
    assert merged([(2.0, 3.0), (0.0, 1.0), (1.0, 2.0), (2.5, 2.6)]) == ([0.0], [3.0])


def test_a_reply_says_what_it_is_of_and_numbers_its_phrases_and_notes() -> None:
    calls = [one for k in range(3) for one in call([1200, 1500], 1 + 8.0 * k, phrase=k)]
    heard = score_of(*(msgspec.structs.replace(one, id=n) for n, one in enumerate(calls)))
    header = msgspec.structs.replace(
        heard.header, recording="dawn.wav", start="2026-05-01T04:30:00", duration_s=60.0
    )
    rules = RuleSet(
        name="mine",
        description="y",
        rule=(Rule(name="r", turner="bead shaker"),),
        manners=Manners(wait_s=(0.2, 0.2), share_max=1.0, quiet_share=0.0),
        seed=7,
    )
    reply = answer(msgspec.structs.replace(heard, header=header), FETTLE, rules)
    told = reply.header
    assert (told.recording, told.start, told.duration_s) == (
        "dawn.wav", "2026-05-01T04:30:00", 60.0,
    )  # fmt: skip
    assert (told.palette, told.rules, told.seed) == ("Fettle", "mine", 7)
    assert sorted(note.id for note in reply.notes) == list(range(9))
    assert [note.phrase for note in reply.notes] == [0] * 3 + [1] * 3 + [2] * 3
    assert [note.heard_phrase for note in reply.notes] == [0] * 3 + [1] * 3 + [2] * 3
    shares: list[float] = []
    answer(heard, FETTLE, rules, progress=shares.append)
    assert shares == pytest.approx([0, 1 / 3, 2 / 3])
