"""What a picture will show, worked out before it is drawn."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st
from plan_helpers import reply_note
from rehearse_helpers import bar, damper, hold, machine, plan, shaker, strike, turn

from callresp.errors import UserError
from callresp.io.score import HeardHeader, HeardScore, Note, ReplyHeader, ReplyScore
from callresp.plan.model import Change, Plan
from callresp.plots.excerpt import busiest_stretch, excerpt_of, links_of, marks_of


def heard() -> HeardScore:
    rows = [(0, 1.0, 1.2, 7), (1, 1.3, 1.5, 7), (2, 4.0, 4.2, 8)]
    notes = tuple(
        Note(id=i, onset_s=a, offset_s=b, pitch_hz=2000.0, level_db=-30.0, voice="A", phrase=p)
        for i, a, b, p in rows
    )
    return HeardScore(header=HeardHeader(recording="x.wav", duration_s=6.0), notes=notes)


def reply() -> ReplyScore:
    rows = [(0, 2.0, 2.3, 0, 7), (1, 2.5, None, 0, 7), (2, 5.0, 5.2, 1, 8)]
    notes = tuple(reply_note(i, a, b, "bar", 0.5, p, heard_phrase=h) for i, a, b, p, h in rows)
    return ReplyScore(header=ReplyHeader(recording="x.wav", duration_s=6.0), notes=notes)


def test_links_go_from_the_end_of_a_call_to_the_first_answer() -> None:
    first, second = links_of(heard(), reply())
    assert (first.heard_from_s, first.heard_to_s, first.reply_from_s) == (1.0, 1.5, 2.0)
    assert (second.heard_to_s, second.reply_from_s, second.reply_to_s) == (4.2, 5.0, 5.2)
    assert links_of(heard(), None) == []


def test_a_tail_ends_at_the_damper_the_next_stroke_or_its_own_decay() -> None:
    palette = machine(bar(t60_s=(2.0,), damper=damper("on", 0.2)))
    score = plan(hold(-0.1, 0.97), strike(0.49), hold(2.0, 9.0), strike(2.49), strike(3.49))
    first, second, third = marks_of(score, None, palette)[0]
    assert first.until_s == pytest.approx(1.0)
    assert first.damped is True
    assert second.until_s == pytest.approx(3.5)
    assert second.damped is False
    assert third.until_s == pytest.approx(5.5)
    assert third.damped is False


def test_a_muted_stroke_is_short_and_has_no_bar() -> None:
    palette = machine(bar(t60_s=(2.0,), damper=damper("on", 0.2)))
    (mark,) = marks_of(plan(strike(0.49)), None, palette)[0]
    assert mark.until_s == pytest.approx(0.7)
    assert not mark.damped


def test_without_a_plan_the_reply_is_shown_as_asked() -> None:
    palette = machine(bar(t60_s=(1.0,), damper=damper()))
    first, second, third = marks_of(None, reply(), palette)[0]
    assert first.until_s == pytest.approx(2.3)
    assert first.damped is True
    assert second.until_s == pytest.approx(3.5)
    assert second.damped is False
    assert third.reply == 2


def test_dropped_notes_keep_their_lane() -> None:
    palette = machine(bar())
    change = Change(change="dropped", reply=1, at_s=2.5, limit="restrike_ms", why="too soon")
    bare = plan(strike(1.99, reply=0), duration_s=6.0)
    score = Plan(header=bare.header, commands=bare.commands, changes=(change,))
    shown = excerpt_of(heard(), reply(), score, palette)
    assert shown.changes == ((change, "bar"),)
    assert shown.answers == {0: "A", 1: "A", 2: "A"}


def test_a_short_recording_is_shown_whole_and_a_long_one_where_it_is_fullest() -> None:
    palette = machine(bar())
    assert not excerpt_of(heard(), reply(), None, palette).partial
    strokes = [strike(10.0), *(strike(300.0 + 0.5 * i) for i in range(20))]
    shown = excerpt_of(None, None, plan(*strokes, duration_s=900.0), palette)
    assert shown.partial
    assert shown.from_s < 300.0 < 310.0 < shown.to_s
    assert shown.to_s - shown.from_s == pytest.approx(40.0)


@given(
    times=st.lists(st.floats(0.0, 1000.0), max_size=30),
    length=st.floats(1.0, 100.0),
)
def test_the_fullest_stretch_lies_within_the_whole(times: list[float], length: float) -> None:
    whole_s = 1000.0
    start, end = busiest_stretch(times, whole_s, length)
    assert 0.0 <= start < end <= whole_s + 1e-9
    assert end - start == pytest.approx(length)


def test_turners_are_runs_as_a_share_of_their_fastest() -> None:
    _, (run,) = marks_of(plan(turn(1.0, 3.0, 2.0)), None, machine(turner=shaker()))
    assert max(share for _, share in run.curve) == pytest.approx(0.5)


@pytest.mark.parametrize(("from_s", "to_s"), [(7.0, 9.0), (3.0, 2.0), (float("nan"), None)])
def test_an_empty_stretch_is_refused(from_s: float, to_s: float | None) -> None:
    with pytest.raises(UserError, match="nothing lies from"):
        excerpt_of(heard(), None, None, None, from_s=from_s, to_s=to_s)


def test_nothing_to_draw_is_refused() -> None:
    with pytest.raises(UserError, match="nothing to draw"):
        excerpt_of(None, None, None, None)
