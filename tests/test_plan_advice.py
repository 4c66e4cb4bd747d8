"""Advice: pitches out of reach, overworked strikers, one striker more, and likeness."""

from __future__ import annotations

import json
import math
from pathlib import Path

import msgspec
import pytest
from click.testing import CliRunner
from plan_helpers import reply_note
from reply_helpers import note

from callresp.io.score import HeardHeader, HeardScore, ReplyHeader, ReplyScore
from callresp.io.score_files import write_heard
from callresp.palette.files import load_palette
from callresp.palette.model import Palette, Striker
from callresp.palette.similarity import pairs_of
from callresp.plan.advice.pitch_coverage import pitch_coverage
from callresp.plan.advice.what_if import NEW, answer_fit, candidates, try_adding, with_striker
from callresp.plan.planner import make_plan
from callresp.plan.summary import Workload, workload
from callresp.reply.rules import RuleSet, load_rules
from callresp.verbs import advise

FETTLE = load_palette("fettle")
SHADOW = load_rules("shadow")


def heard(*pitches: float) -> HeardScore:
    """Phrases of three notes, all on the same pitches, ten seconds apart."""
    notes = [
        note(3 * phrase + place, 10.0 * phrase + 0.4 * place, 0.15, hz, phrase=phrase)
        for phrase in range(8)
        for place, hz in enumerate(pitches)
    ]
    return HeardScore(header=HeardHeader(duration_s=80.0), notes=tuple(notes))


def only_tubes(*pitches: float) -> Palette:
    tubes = [
        msgspec.structs.replace(tube, pitch_hz=hz)
        for tube, hz in zip(FETTLE.striker, pitches, strict=False)
    ]
    return msgspec.structs.replace(FETTLE, striker=tuple(tubes), turner=())


@pytest.mark.parametrize(
    ("semitones", "where"),
    [(0.0, "direct"), (0.49, "direct"), (12.3, "by_octave"), (-24.4, "by_octave"), (6.0, "none")],
)
def test_a_pitch_is_answered_within_half_a_semitone_in_any_octave(
    semitones: float, where: str
) -> None:
    """Equal temperament: a semitone is the twelfth root of 2 (ISO 16:1975 for 440 Hz)."""
    machine = only_tubes(440.0)
    found = pitch_coverage([note(0, 1.0, 0.15, 440.0 * 2 ** (semitones / 12))], machine.striker)
    assert {key: getattr(found, key) for key in ("direct", "by_octave", "none")} == {
        key: float(key == where) for key in ("direct", "by_octave", "none")
    }


def test_gaps_say_where_and_how_far() -> None:
    machine = only_tubes(440.0, 880.0)
    notes = [note(n, n, 0.15, hz) for n, hz in enumerate((2500, 2550, 2600, 3100, 440, None))]
    found = pitch_coverage(notes, machine.striker)
    assert [(gap.low_hz, gap.high_hz, gap.notes) for gap in found.gaps] == [
        (2500, 2600, 3),
        (3100, 3100, 1),
    ]
    assert found.none == 0.8
    assert found.unpitched == 1
    off = (1200 * math.log2(440 / 3100)) % 1200
    assert found.gaps[1].off_cents == pytest.approx(off if off < 600 else off - 1200, abs=0.06)


def test_nothing_to_reach_with_nor_to_reach() -> None:
    assert pitch_coverage([], FETTLE.striker).none == 0.0
    blocks = tuple(s for s in FETTLE.striker if s.pitch_hz is None)
    assert pitch_coverage([note(0, 1, 0.15, 500.0)], blocks).none == 1.0
    assert candidates(heard(500.0, 600.0, 700.0), only_tubes(), 5) == []


def test_a_striker_that_its_limits_hold_back_is_overworked() -> None:
    times = [0.06 * n for n in range(60)]
    notes = tuple(reply_note(n, at_s, None, "tube 1") for n, at_s in enumerate(times))
    reply = ReplyScore(header=ReplyHeader(), notes=notes)
    work = workload(reply, make_plan(reply, FETTLE))
    assert work[0].striker == "tube 1"
    assert work[0].overworked
    assert work[0].lost + work[0].strokes == 60
    assert work[0].even == pytest.approx(7.0)
    assert work[0].by_limit["restrike_ms"] >= work[0].lost > 0
    assert not any(item.overworked for item in work[1:])


def work_of(*strokes: tuple[str, float]) -> dict[str, Workload]:
    """The work of each striker that is asked for strokes at these times."""
    notes = tuple(reply_note(n, at_s, None, name) for n, (name, at_s) in enumerate(strokes))
    reply = ReplyScore(header=ReplyHeader(), notes=notes)
    return {work.striker: work for work in workload(reply, make_plan(reply, FETTLE))}


@pytest.mark.parametrize(("strokes", "overworked"), [(9, False), (10, True)])
def test_twice_an_even_share_is_too_much_for_one_striker(strokes: int, overworked: bool) -> None:
    work = work_of(*(("tube 1", 2.0 * n) for n in range(strokes)))["tube 1"]
    assert (work.lost, work.even, work.overworked) == (0, 7.0, overworked)


def test_an_even_share_is_not_too_much() -> None:
    names = [striker.name for striker in FETTLE.striker]
    found = work_of(*((name, 30.0 * n) for n in range(12) for name in names))
    assert not any(work.overworked for work in found.values())


def test_one_note_lost_to_its_own_limits_is_too_much() -> None:
    found = work_of(("tube 1", 1.0), ("tube 1", 1.001), ("tube 2", 5.0))
    assert (found["tube 1"].lost, found["tube 1"].overworked) == (1, True)
    assert (found["tube 2"].lost, found["tube 2"].overworked) == (0, False)


def test_what_is_answered_is_counted_over_all_seeds() -> None:
    """Three tubes at the calls' own pitches: each note is played, and on its pitch."""
    pitches = (1000.0, 1250.0, 1900.0)
    once, strokes = answer_fit(heard(*pitches), only_tubes(*pitches), SHADOW, seeds=1)
    assert once.asked == once.played == sum(strokes.values()) == 24
    assert (once.on_pitch, once.contour, once.fit) == (1.0, 1.0, 1.0)
    thrice, _ = answer_fit(heard(*pitches), only_tubes(*pitches), SHADOW, seeds=3)
    assert thrice.asked == thrice.played == 72


def test_the_best_addition_is_where_the_calls_are() -> None:
    """All calls rise through 1500 Hz, which no tube has: nothing else helps as much."""
    machine = only_tubes(1000.0, 1250.0, 1900.0)
    score = heard(1250.0, 1500.0, 1900.0)
    now, added = try_adding(score, machine, SHADOW, 8, lambda share: None)
    assert added[0].fit_gain > 0
    assert abs(1200 * math.log2(added[0].pitch_hz / 1500.0)) <= 50
    assert added[0].outcome.on_pitch > now.on_pitch
    assert added[0].strokes > 0
    everywhere = [
        answer_fit(score, with_striker(machine, 600 * 2 ** (n / 12))[0], SHADOW)[0].fit
        for n in range(24)
    ]
    assert added[0].outcome.fit >= max(everywhere) - 1e-9


def test_an_added_striker_has_channels_of_its_own_and_says_what_it_needs() -> None:
    grown, like, needs = with_striker(FETTLE, 1100.0)
    assert like == "tube 1"
    assert needs == "2 coil channels more than the board has"
    new = grown.striker[-1]
    assert new.name == NEW
    assert new.damper is not None
    taken = {new.coil.channel, new.damper.coil.channel}
    assert taken.isdisjoint(FETTLE.coils())
    # The board grows by just what is missing, or no plan could be made with it.
    assert grown.board.coil_channels == max(taken) + 1
    ladder, like, needs = with_striker(load_palette("ladder"), 2900.0)
    assert (like, needs) == ("bar 6", "")
    assert ladder.striker[-1].damper is None


def test_rules_that_name_their_strikers_let_the_new_one_in() -> None:
    rule = msgspec.structs.replace(SHADOW.rule[0], strikers=("tube 1", "tube 3"))
    rules: RuleSet = msgspec.structs.replace(SHADOW, rule=(rule,))
    machine = only_tubes(1000.0, 1250.0, 1900.0)
    _, added = try_adding(heard(1000.0, 1500.0, 1900.0), machine, rules, 6, lambda share: None)
    assert added[0].strokes > 0


def test_equal_pitches_are_too_alike_and_a_semitone_is_not() -> None:
    def alike(one_hz: float, other_hz: float) -> bool:
        return pairs_of(only_tubes(one_hz, other_hz).striker)[0].too_alike

    assert alike(1000.0, 1000.0)
    assert alike(1000.0, 1010.0)
    assert not alike(1000.0, 1000.0 * 2 ** (1 / 12))


def test_likeness_is_of_the_sound_and_symmetric() -> None:
    block, box = FETTLE.striker[5], FETTLE.striker[6]
    twin: Striker = msgspec.structs.replace(block, name="other block")
    same = pairs_of([block, twin])[0]
    assert same.alike == pytest.approx(1.0)
    assert same.too_alike
    assert pairs_of([block, box])[0].alike == pairs_of([box, block])[0].alike < 0.5
    # A sound with pitch and one without are not taken for each other.
    mixed = pairs_of([block, msgspec.structs.replace(block, name="x", pitch_hz=820, base_hz=None)])
    assert not mixed[0].too_alike


def test_the_command_tells_all_of_it(tmp_path: Path) -> None:
    path = tmp_path / "dawn.heard.jsonl"
    write_heard(path, heard(1250.0, 1500.0, 1900.0))
    done = CliRunner().invoke(advise.command, [str(path), "--rules", "shadow", "--tries", "3"])
    assert done.exit_code == 0, done.output
    for part in ("24 of 24 heard notes have a pitch", "none can", "too alike", "as it is:"):
        assert part in done.stdout
    words = [str(path), "--tries", "2", "--palette", "pocket", "--json"]
    told = json.loads(CliRunner().invoke(advise.command, words).stdout)
    assert set(told) == {"reach", "work", "now", "added", "pairs"}
    assert len(told["added"]) == 2
