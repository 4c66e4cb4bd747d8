"""Rules that act on the echo of a place: joined, kept as a pulse, or kept off the singer."""

from __future__ import annotations

import json
from itertools import pairwise
from pathlib import Path

import msgspec
import pytest
from click.testing import CliRunner
from hypothesis import given, settings
from hypothesis import strategies as st

from callresp.cli import cli
from callresp.io.place import Echo, Place, PlaceReport, write_place
from callresp.io.score import HeardHeader, HeardScore, Note, ReplyNote, phrases
from callresp.io.score_files import write_heard
from callresp.palette.files import load_palette
from callresp.plan.model import Strike
from callresp.plan.planner import make_plan
from callresp.reply.compose import Stroke
from callresp.reply.echoes import SPARE_S, KnownEcho, SingersRests, falls_on, loudest
from callresp.reply.live import LiveReplier
from callresp.reply.replier import answer
from callresp.reply.rules import EchoUse, Manners, Rule, RuleSet, load_rules

FETTLE = load_palette("fettle")
WALL = KnownEcho(0.6, -30.0)


def calls(times_s: list[float], voice: str = "A", phrase_from: int = 0) -> HeardScore:
    """Phrases of two notes each, from these times on."""
    notes: list[Note] = []
    for number, at_s in enumerate(times_s):
        for part in (0.0, 0.2):
            notes.append(
                Note(
                    id=len(notes),
                    onset_s=at_s + part,
                    offset_s=at_s + part + 0.1,
                    pitch_hz=1500.0,
                    level_db=-20.0,
                    voice=voice,
                    tonality=1.0,
                    phrase=phrase_from + number,
                    snr_db=30.0,
                    low_hz=1400.0,
                    high_hz=1600.0,
                )
            )
    return HeardScore(header=HeardHeader(duration_s=times_s[-1] + 20), notes=tuple(notes))


def rules(echo: EchoUse, **more: object) -> RuleSet:
    rule = Rule(name="wall", echo=echo, damping="short", strikers=("tube 1",), **more)  # type: ignore[arg-type]
    manners = Manners(quiet_share=0.0, share_max=1.0, rest_s=0.1, return_s=0.0)
    return RuleSet(name="walls", description="Walls", rule=(rule,), manners=manners)


def onsets(echo: EchoUse, known: KnownEcho | None = WALL, **more: object) -> list[float]:
    score = answer(calls([5.0]), FETTLE, rules(echo, **more), echo=known)
    return [note.onset_s for note in score.notes]


def test_each_stroke_is_struck_again_at_its_return() -> None:
    plain, with_echo = onsets("none"), onsets("once")
    assert with_echo == pytest.approx(sorted([*plain, *(t + 0.6 for t in plain)]), abs=1e-5)


def test_a_repeating_echo_is_joined_softer_each_time_while_it_is_heard() -> None:
    score = answer(calls([5.0]), FETTLE, rules("repeating", echo_most=9), echo=KnownEcho(0.6, -9.0))
    first = [note for note in score.notes if note.heard == 0]
    # -9 dB each time, down to 60 dB: six returns; force falls with them, to the softest.
    assert len(first) == 7
    forces = [note.force for note in first]
    assert forces == sorted(forces, reverse=True)
    assert forces[-1] == 0.0
    # Tube 1 runs from 58 to 79 dB: 9 dB of it are 9/21 of its force.
    assert forces[0] - forces[1] == pytest.approx(9 / 21, abs=1e-3)
    softer = answer(calls([5.0]), FETTLE, rules("once", echo_softer_db=5.0), echo=KnownEcho(0.6))
    struck, joins = [note.force for note in softer.notes if note.heard == 0]
    assert struck - joins == pytest.approx(5 / 21, abs=1e-3)


def test_a_phrase_is_set_to_the_pulse_of_the_echo() -> None:
    # Notes 0.2 s apart before an echo of 0.66 s: on thirds of it.
    times = onsets("pulse", KnownEcho(0.66))
    assert times[1] - times[0] == pytest.approx(0.22, abs=1e-5)
    assert times[0] == onsets("none")[0]
    made = answer(calls([5.0]), FETTLE, rules("pulse"), echo=KnownEcho(0.66)).notes
    assert all(note.why.endswith("; on the echo's pulse of 220 ms") for note in made)


def test_a_return_too_soon_for_the_striker_is_not_joined() -> None:
    # Tube 1 needs 110 ms between strokes.
    assert onsets("once", KnownEcho(0.05)) == onsets("none")


@settings(max_examples=40, deadline=None)
@given(delay_s=st.floats(0.02, 2.0), level_db=st.floats(-60, -1), most=st.integers(1, 8))
def test_whatever_is_joined_can_be_struck_and_keeps_to_the_returns(
    delay_s: float, level_db: float, most: int
) -> None:
    score = answer(
        calls([5.0]), FETTLE, rules("repeating", echo_most=most), echo=KnownEcho(delay_s, level_db)
    )
    times = [note.onset_s for note in score.notes if note.instrument == "tube 1"]
    apart = [b - a for a, b in pairwise(times)]
    assert min(apart, default=1.0) >= 0.110 - 1e-5
    plain = onsets("none")
    for at_s in times:
        assert any(
            abs(at_s - start - n * delay_s) < 1e-4 for start in plain for n in range(most + 1)
        )
    assert all(0.0 <= note.force <= 1.0 for note in score.notes)


def test_the_sound_of_a_joined_stroke_meets_the_echo() -> None:
    """The plan takes the coil's latency off: struck early, heard on the return."""
    score = answer(calls([5.0]), FETTLE, rules("once"), echo=WALL)
    plan = make_plan(score, FETTLE).plan
    tube = FETTLE.striker_named("tube 1")
    assert tube is not None
    falls = sorted(c.at_s + tube.latency_ms / 1000 for c in plan.commands if isinstance(c, Strike))
    half = len(falls) // 2
    plain = onsets("none")
    assert len(plain) == half
    for at_s in plain:
        assert min(abs(fall - at_s - 0.6) for fall in falls) < 0.002


def test_without_a_place_a_rule_on_its_echo_is_silent_and_says_why() -> None:
    score = answer(calls([5.0]), FETTLE, rules("once"))
    assert score.notes == ()
    assert "no echo of the place is known (rule.1.echo_s)" in score.unanswered[0].why
    # A delay of its own does instead; the place's goes before it.
    stated = onsets("once", None, echo_s=0.5)
    assert stated[1] - stated[0] == pytest.approx(0.2, abs=1e-5)
    assert pytest.approx(stated[2] - stated[0], abs=1e-5) == 0.5
    assert onsets("once", WALL, echo_s=0.5) == onsets("once", WALL)


def test_a_bird_is_left_alone_where_the_echo_would_fall_on_it() -> None:
    # A singer that is back 2 s after each phrase; a reply of 0.2 s, and a return after 3 s.
    quick = calls([2.3 * n for n in range(1, 9)])
    far, near = KnownEcho(3.0, -30.0), KnownEcho(0.3, -30.0)
    silent = answer(quick, FETTLE, rules("clear"), echo=far)
    answered = {note.heard_phrase for note in silent.notes}
    # Its rests are known by the fourth phrase.
    assert answered <= {0, 1, 2}
    whys = [one.why for one in silent.unanswered if "echo would fall" in one.why]
    assert len(whys) >= 5
    assert (
        len({note.heard_phrase for note in answer(quick, FETTLE, rules("clear"), echo=near).notes})
        >= 7
    )


def test_an_echo_falls_on_a_bird_from_its_first_moment_on() -> None:
    rests = SingersRests()
    heard = phrases(calls([2.0 * n for n in range(1, 6)]).notes)
    for phrase in heard:
        rests.closed(phrase)
    # It begins again 1.7 s after each end, and so at 12.0 s.
    stroke = Stroke(0.0, 0.1, "tube 1", 0.5, None, None, "")
    last_s = 12.0 - 0.3 - SPARE_S
    falls = falls_on(heard[-1], [stroke], last_s + 0.2, KnownEcho(0.3), rests)
    assert falls == pytest.approx(0.2)
    assert falls_on(heard[-1], [stroke], last_s - 0.01, KnownEcho(0.3), rests) is None


def test_live_joins_alike_and_follows_an_echo_that_moves() -> None:
    live = LiveReplier(FETTLE, rules("once"), echo=WALL)
    live.echo_is(KnownEcho(0.7, -30.0))
    score = calls([5.0])
    for note in score.notes:
        live.heard(note)
    made: list[ReplyNote] = []
    now_s = 5.3
    while now_s < 9.0 and not made:
        made = live.tick(now_s)
        now_s += 0.02
    times = [note.onset_s for note in made if note.heard == 0]
    assert times[1] - times[0] == pytest.approx(0.7, abs=1e-5)


def place(*echoes: tuple[float, float]) -> PlaceReport:
    made = tuple(
        Echo(
            delay_s=delay_s,
            delay_sd_s=1e-5,
            level_db=level_db,
            distance_m=170 * delay_s,
            distance_sd_m=0.1,
            confidence=0.999,
        )
        for delay_s, level_db in echoes
    )
    own = Place(
        place="quarry.wav",
        echoes=len(made),
        background_db=-60.0,
        air_temperature_c=10.0,
        humidity=70.0,
        speed_of_sound_m_s=337.9,
        kelvin_costs_m=0.18,
    )
    return PlaceReport(echoes=made, place=own)


def test_the_loudest_return_is_joined() -> None:
    assert loudest(place((0.3, -40.0), (0.9, -31.0))) == KnownEcho(0.9, -31.0)
    assert loudest(place()) is None


def test_the_command_takes_the_place_that_was_asked(tmp_path: Path) -> None:
    heard, asked = tmp_path / "dawn.heard.jsonl", tmp_path / "quarry.place.jsonl"
    write_heard(heard, calls([5.0]))
    write_place(asked, place((0.9, -31.0)))
    out = tmp_path / "dawn.reply.jsonl"
    words = ["reply", str(heard), "--rules", "canyon", "--place", str(asked), "-o", str(out)]
    done = CliRunner().invoke(cli, words)
    assert done.exit_code == 0, done.output
    notes = [json.loads(text) for text in out.read_text().splitlines() if '"why"' in text]
    assert any("joins its echo, 900 ms later" in note["why"] for note in notes)


def test_the_shipped_set_plays_before_a_wall_of_its_own() -> None:
    canyon = load_rules("canyon")
    assert {rule.echo for rule in canyon.rule} == {"repeating", "pulse"}
    assert all(rule.echo_s > 0 for rule in canyon.rule)
    assert msgspec.structs.asdict(canyon.rule[0])["echo_most"] == 3
