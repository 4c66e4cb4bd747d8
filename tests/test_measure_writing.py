"""Measured values in a palette that stays the user's own."""

from __future__ import annotations

import re

import msgspec
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from callresp.errors import UserError
from callresp.io.resources import corpus
from callresp.io.settings import SettingsFile, convert
from callresp.palette.model import Palette
from callresp.strike_test import draft, toml_update
from callresp.strike_test.findings import _strokes
from callresp.strike_test.results import (
    DamperResult,
    ForceResult,
    MeasuredValue,
    PartialResult,
    Repeat,
    StrikerResult,
    StrikeTestResult,
)
from callresp.strike_test.strike_pitch import PitchPartial, bell_names

TEXT = draft.draft(
    "tried", [draft.WiredStriker("one", 0, 5), draft.WiredStriker("two", 1)], draft.CoilSupply()
)


def one_of(name: str = "one", **changes: object) -> StrikerResult:
    given: dict[str, object] = {
        "name": name,
        "channel": 0,
        "kind": "tube",
        "pitch_hz": MeasuredValue(1049.2, 0.01, 4),
        "pitch_from": "its first mode",
        "base_hz": 1049.2,
        "band_hz": (900.0, 6000.0),
        "partials": (
            PartialResult(
                hz=MeasuredValue(1049.2, 0.01, 4), ratio=1.0, level_db=0.0, t60_s=MeasuredValue(5.2)
            ),
        ),
        "t60_s": MeasuredValue(5.2, 0.1, 4),
        "latency_ms": MeasuredValue(11.5, 0.02, 12),
        "latency_spread_ms": 0.15,
        "force": (
            ForceResult(
                pulse_ms=5.0, level_db=MeasuredValue(60.0), fitted_db=60.0, spoke=3, asked=3
            ),
            ForceResult(
                pulse_ms=9.0, level_db=MeasuredValue(70.0), fitted_db=70.0, spoke=3, asked=3
            ),
        ),
        "restrike_ms": MeasuredValue(83.0, 0.5, 3),
    }
    return StrikerResult(**(given | changes))  # type: ignore[arg-type]


def found(*strikers: StrikerResult) -> StrikeTestResult:
    return StrikeTestResult(
        recording="a.wav",
        duration_s=1.0,
        sample_rate_hz=48000,
        by_hand=False,
        offset_s=0.0,
        clock_skew_ppm=0.0,
        latency_from="tube 1 at 11.5 ms",
        level_from="full scale",
        noise_db=-60.0,
        strikers=strikers,
    )


def palette_of(text: str) -> Palette:
    return convert(SettingsFile(text, "written.toml"), Palette)


def test_measured_values_are_written_with_their_uncertainty() -> None:
    text = toml_update.update_palette(TEXT, found(one_of()), "a.toml").text
    striker = palette_of(text).striker[0]
    assert striker.pitch_hz == 1049.2
    assert striker.latency_ms == 11.5
    assert striker.restrike_ms == 83.0
    assert [p.level_db for p in striker.force] == [60.0, 70.0]
    assert "latency_ms = 11.5 # measured ±0.020 ms, n 12, from tube 1 at 11.5 ms" in text
    assert palette_of(text).striker[1] == palette_of(TEXT).striker[1]


def test_what_repeats_show_and_what_is_unsure_are_told_apart() -> None:
    """Latency by a reference that is itself unsure by 0.1 ms, however well strokes repeat."""
    one = one_of(latency_ms=MeasuredValue(11.5, 0.001, 12, systematic=0.1))
    text = toml_update.update_palette(TEXT, found(one), "a.toml").text
    assert "latency_ms = 11.5 # measured ±0.10 ms (repeats ±0.001), n 12" in text


def test_a_kind_that_the_user_gave_stays() -> None:
    """Also where only the value was changed, and the draft's comment left behind it."""
    text = TEXT.replace('kind = "bar"', 'kind = "bell"', 1)
    assert draft.kinds_given(TEXT) == frozenset()
    assert draft.kinds_given(text) == {"one"}
    done = toml_update.update_palette(text, found(one_of(kind="tube")), "a.toml").text
    assert palette_of(done).striker[0].kind == "bell"
    assert 'kind = "bell" # as given' in done
    assert (
        palette_of(toml_update.update_palette(TEXT, found(one_of(kind="tube")), "a.toml").text)
        .striker[0]
        .kind
        == "tube"
    )


def test_comments_and_hand_set_values_stay() -> None:
    text = TEXT.replace(
        f"latency_ms = 10.0  # {draft.NOT_YET}", "latency_ms = 9.0  # by hand, with a scope", 1
    )
    text = text.replace("resistance_ohm = 8\n", "resistance_ohm = 8  # mine\n", 1)
    text = text.replace("# Channels and supply", "# In the shed.\n# Channels and supply")
    done = toml_update.update_palette(text, found(one_of()), "a.toml")
    assert "latency_ms = 9.0  # by hand, with a scope" in done.text
    assert "resistance_ohm = 8  # mine" in done.text
    assert "# In the shed." in done.text
    assert done.kept == [("one", "latency_ms", "11.5")]


def test_measuring_again_replaces_only_our_part_of_a_comment() -> None:
    text = TEXT.replace(f"restrike_ms = 15  # {draft.NOT_YET}", "restrike_ms = 90  # felt fast", 1)
    once = toml_update.update_palette(text, found(one_of()), "a.toml").text
    again = toml_update.update_palette(
        once, found(one_of(restrike_ms=MeasuredValue(70.0, 1.0, 3))), "a.toml"
    ).text
    line = next(row for row in again.splitlines() if "felt fast" in row)
    assert line == "restrike_ms = 70.0 # felt fast; measured ±1.0 ms, n 3"


def test_keep_names_a_key() -> None:
    done = toml_update.update_palette(TEXT, found(one_of()), "a.toml", keep=["one.restrike_ms"])
    assert palette_of(done.text).striker[0].restrike_ms == 15
    assert done.kept[0][:2] == ("one", "restrike_ms")


def test_a_tests_own_repeat_limit_is_put_back() -> None:
    text = TEXT.replace(f"restrike_ms = 15  # {draft.NOT_YET}", "restrike_ms = 110  # slow", 1)
    lowered = draft.for_test(text)
    assert palette_of(lowered).striker[0].restrike_ms == draft.TEST_RESTRIKE_MS
    back = toml_update.update_palette(lowered, found(one_of(restrike_ms=None)), "a.toml").text
    assert palette_of(back).striker[0].restrike_ms == 110
    silent = toml_update.update_palette(lowered, found(), "a.toml").text
    assert palette_of(silent).striker[0].restrike_ms == 110
    assert "# slow" in silent


def test_comments_between_lines_of_an_array_stay() -> None:
    text = TEXT.replace("force = [\n", "force = [\n    # soft felt\n", 1)
    done = toml_update.update_palette(text, found(one_of()), "a.toml")
    assert "# soft felt" in done.text


def test_a_force_that_the_coil_may_not_have_is_refused() -> None:
    long = ForceResult(
        pulse_ms=90.0, level_db=MeasuredValue(75.0), fitted_db=75.0, spoke=3, asked=3
    )
    with pytest.raises(UserError, match="on_max_ms"):
        toml_update.update_palette(TEXT, found(one_of(force=(long,))), "a.toml")


@settings(max_examples=25)
@given(
    pitch=st.floats(25, 15000),
    latency=st.floats(-3, 80),
    restrike=st.floats(1, 900),
    t60=st.floats(0.002, 60),
    levels=st.lists(st.floats(-20, 160), min_size=1, max_size=6),
)
def test_whatever_is_measured_makes_a_sound_palette(
    pitch: float, latency: float, restrike: float, t60: float, levels: list[float]
) -> None:
    force = tuple(
        ForceResult(pulse_ms=2.0 + n, level_db=MeasuredValue(v), fitted_db=v, spoke=3, asked=3)
        for n, v in enumerate(sorted(levels))
    )
    partial = PartialResult(
        hz=MeasuredValue(pitch), ratio=1.0, level_db=0.0, t60_s=MeasuredValue(t60)
    )
    one = one_of(
        pitch_hz=MeasuredValue(pitch),
        base_hz=pitch,
        latency_ms=MeasuredValue(latency),
        restrike_ms=MeasuredValue(restrike),
        partials=(partial,),
        t60_s=MeasuredValue(t60),
        force=force,
    )
    text = toml_update.update_palette(TEXT, found(one), "a.toml").text
    striker = palette_of(text).striker[0]
    assert striker.pitch_hz == pytest.approx(pitch, abs=1e-3)
    # Writing the same twice changes nothing.
    assert toml_update.update_palette(text, found(one), "a.toml").text == text


def test_the_report_is_plain_json() -> None:
    measured = found(one_of())
    written = toml_update.update_palette(TEXT, measured, "a.toml", keep=["restrike_ms"])
    whole = msgspec.json.decode(msgspec.json.encode(toml_update.json_report(measured, written)))
    assert whole["strikers"][0]["name"] == "one"
    assert whole["kept_by_hand"] == [{"striker": "one", "key": "restrike_ms", "measured": "83.0"}]


def test_the_pins_of_a_palette_and_their_comments_are_left_alone() -> None:
    text = (corpus() / "palettes" / "fettle.toml").read_text()
    written = toml_update.update_palette(text, found(one_of("tube 1")), "fettle.toml").text
    start, end = "# Which pin does what", "# The battery. Its capacity"
    before = text.partition(start)[2].partition(end)[0]
    assert "# tubes 1 to 5" in before
    assert written.partition(start)[2].partition(end)[0] == before


def test_a_spell_of_repeats_without_a_fault_is_written_as_far_as_it_was_tried() -> None:
    tried = (Repeat(gap_ms=42.21, strength_db=0.0, clean=True),)
    one = one_of(restrike_ms=None, repeats=tried, shortest_tried_ms=42.21)
    text = toml_update.update_palette(TEXT, found(one), "a.toml").text
    assert "restrike_ms = 42.3 # measured, no stroke failed down to it" in text
    hurried = one_of(restrike_ms=None, repeats=tried, shortest_tried_ms=4.0)
    text = toml_update.update_palette(TEXT, found(hurried), "a.toml").text
    assert palette_of(text).striker[0].restrike_ms == 10.0


def test_a_pitch_that_the_user_gave_outlives_a_sound_without_one() -> None:
    given = re.sub(r"pitch_hz = .*", "pitch_hz = 700.0", TEXT, count=1)
    for text, wanted in ((given, 700.0), (TEXT, None)):
        without = one_of(pitch_hz=None, pitch_from="its strongest mode")
        done = toml_update.update_palette(text, found(without), "a.toml").text
        assert palette_of(done).striker[0].pitch_hz == wanted
        assert ("base_hz = 1049.2" in done) == (wanted is None)


@pytest.mark.parametrize(
    ("value", "note"),
    [(None, "measured"), (MeasuredValue(3.0, n=1), "measured, n 1")],
)
def test_what_was_measured_without_repeats_is_told_without_a_spread(
    value: MeasuredValue | None, note: str
) -> None:
    assert toml_update.note_of(value, "ms") == note


def test_a_striker_that_the_plan_never_strikes_is_missing() -> None:
    (only,) = _strokes("tube 1", [])
    assert (only.kind, only.striker, only.text) == (
        "missing", "tube 1", "the plan never strikes tube 1",
    )  # fmt: skip


def test_of_two_partials_near_a_bells_the_louder_has_its_name() -> None:
    parts = [
        PitchPartial(hz=2000.0, level_db=-20.0, t60_s=2.0),
        PitchPartial(hz=2010.0, level_db=-3.0, t60_s=2.0),
    ]
    named = bell_names(parts, 1000.0)
    assert named[2010.0] == "nominal"
    assert named.get(2000.0) != "nominal"


def test_figures_are_written_as_finely_as_known_within_what_a_palette_may_say() -> None:

    fine = 7.123456
    partials = tuple(
        PartialResult(hz=MeasuredValue(hz), ratio=1.0, level_db=db, t60_s=MeasuredValue(t60_s))
        for hz, db, t60_s in ((1049.2, 0.0, fine), (2892.123, -fine, 500.0), (5000.0, -150.0, 1e-6))
    )
    level = (
        ForceResult(pulse_ms=fine, level_db=None, fitted_db=-5.0, spoke=2, asked=3),
        ForceResult(
            pulse_ms=9.0, level_db=MeasuredValue(70, 0.34), fitted_db=70 + fine, spoke=3, asked=3
        ),
        ForceResult(pulse_ms=12.0, level_db=None, fitted_db=155.0, spoke=3, asked=3),
    )
    damper = DamperResult(
        lift_ms=MeasuredValue(fine),
        fall_ms=MeasuredValue(fine, 0.5, 3),
        damped_t60_s=MeasuredValue(0.2, 0.01, 3),
        noise_db=MeasuredValue(fine, 2.0, 3),
    )
    one = one_of(
        pitch_hz=MeasuredValue(1049.20001, 0.6062, 4),
        partials=partials,
        force=level,
        damper=damper,
        latency_ms=MeasuredValue(-3.0),
        latency_spread_ms=fine,
        restrike_ms=MeasuredValue(10 * fine, 2.0, 3),
    )
    text = toml_update.update_palette(TEXT, found(one), "a.toml").text
    striker = palette_of(text).striker[0]
    assert (striker.pitch_hz, striker.latency_ms, striker.restrike_ms) == (1049.2, 0.0, 71.2)
    assert striker.latency_spread_ms == 7.123
    # Two significant digits; a cent is 1049.2 Hz · (2^(1/1200) - 1) = 0.6062 Hz.
    assert "pitch_hz = 1049.2 # measured ±1.0 cents, n 4, its first mode" in text
    # What no striker has is cut to what a palette may say.
    assert [(p.ratio, p.level_db, p.t60_s) for p in striker.partials] == [
        (1.0, 0.0, 7.1235), (2.7565, -7.1, 120.0), (4.7655, -120.0, 0.001),
    ]  # fmt: skip
    assert [(p.pulse_ms, p.level_db) for p in striker.force] == [
        (7.123, 0.0), (9.0, 77.1), (12.0, 140.0),
    ]  # fmt: skip
    assert "# measured ±0.34 dB, n 8" in text
    assert striker.damper is not None
    assert (striker.damper.lift_ms, striker.damper.fall_ms) == (7.12, 7.12)
    assert (striker.damper.damped_t60_s, striker.damper.noise_db) == (0.2, 7.1)
    for line in (
        "lift_ms = 7.12 # measured, n 1",
        "fall_ms = 7.12 # measured ±0.50 ms, n 3",
        "damped_t60_s = 0.2 # measured ±5.0 %, n 3",
        "noise_db = 7.1 # measured ±2.0 dB, n 3",
    ):
        assert line in text


def test_a_damped_sound_is_written_no_longer_than_a_free_one() -> None:
    short = PartialResult(
        hz=MeasuredValue(1049.2), ratio=1.0, level_db=0.0, t60_s=MeasuredValue(0.1)
    )
    text = toml_update.update_palette(TEXT, found(one_of(partials=(short,))), "a.toml").text
    damper = palette_of(text).striker[0].damper
    assert damper is not None
    assert damper.damped_t60_s == 0.1
    assert "damped_t60_s = 0.1 # measured, no shorter than it rings free" in text


def test_a_sound_without_a_pitch_is_written_with_where_it_lies() -> None:
    one = one_of(pitch_hz=None, base_hz=833.333, band_hz=(5.0, 30000.0))
    text = toml_update.update_palette(TEXT, found(one), "a.toml").text
    striker = palette_of(text).striker[0]
    assert (striker.pitch_hz, striker.base_hz) == (None, 833.33)
    assert striker.band_hz == (20.0, 20000.0)
    assert striker.partials[0].ratio == 1.2590


def test_strokes_by_hand_tell_nothing_of_coils() -> None:
    hand = msgspec.structs.replace(found(one_of()), by_hand=True)
    striker = palette_of(toml_update.update_palette(TEXT, hand, "a.toml").text).striker[0]
    before = palette_of(TEXT).striker[0]
    assert (striker.latency_ms, striker.restrike_ms) == (before.latency_ms, before.restrike_ms)
    assert striker.force == before.force
    assert striker.pitch_hz == 1049.2
