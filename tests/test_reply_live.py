"""Live: the same decisions as at the desk, made while it happens."""

from __future__ import annotations

import math
import random

import msgspec
import pytest
from hypothesis import assume, given, settings
from hypothesis import strategies as st
from reply_helpers import call, heard_scores, note, score_of

from callresp.io.resources import shipped
from callresp.io.score import HeardScore, Note, ReplyNote, Unanswered
from callresp.listen.voices.phrases import STEADY_S, endings, phrased
from callresp.listen.voices.rests import LONGEST_S as LONGEST_REST_S
from callresp.palette.files import load_palette
from callresp.reply.live import LiveReplier
from callresp.reply.replier import answer
from callresp.reply.rules import Manners, Rule, RuleSet, When, load_rules
from callresp.reply.silences import kind_of

FETTLE = load_palette("fettle")
STEP_S = 0.005


def played(heard: HeardScore, rules: RuleSet) -> tuple[list[ReplyNote], list[Unanswered]]:
    """Run a heard score through the live replier on a clock of 5 ms."""
    live = LiveReplier(FETTLE, rules)
    starts = sorted((n.onset_s, n.voice, n.id) for n in heard.notes)
    ends = sorted(heard.notes, key=lambda n: n.offset_s)
    out: list[ReplyNote] = []
    now = 0.0
    while now < heard.header.duration_s + 5:
        while starts and starts[0][0] <= now:
            onset, voice, key = starts.pop(0)
            stop_s = live.began(key, voice, onset)
            if stop_s is not None:
                out = [n for n in out if n.onset_s < stop_s]
        while ends and ends[0].offset_s <= now:
            live.heard(ends[0], ends.pop(0).id)
        out += live.tick(now)
        now += STEP_S
    return out, live.silences


def spaced(seed: int) -> HeardScore:
    """Phrases with clear rests, so that live and desk close them alike."""
    rng = random.Random(seed)
    notes: list[Note] = []
    now = 1.0
    for phrase in range(8):
        for _ in range(rng.randint(2, 6)):
            length = rng.uniform(0.04, 0.15)
            notes.append(note(len(notes), now, length, rng.uniform(900, 4000), phrase=phrase))
            now += length + rng.uniform(0.03, 0.12)
        now += rng.uniform(3.0, 9.0)
    return score_of(*notes)


@pytest.mark.parametrize("seed", range(4))
@pytest.mark.parametrize("name", ["answer", "shadow", "beat"])
def test_live_says_what_the_desk_said(seed: int, name: str) -> None:
    heard, rules = spaced(seed), load_rules(name)
    manners = Manners(wait_s=(1.0, 1.4), patience_s=4.0, rest_s=0.2, share_max=0.9)
    rules = RuleSet(
        name="same", description="as shipped, but waits", rule=rules.rule, manners=manners
    )
    desk = answer(heard, FETTLE, rules)
    live, _ = played(heard, rules)
    assert [(n.instrument, n.heard, n.rule, n.force) for n in live] == [
        (n.instrument, n.heard, n.rule, n.force) for n in desk.notes
    ]
    late = [b.onset_s - a.onset_s for a, b in zip(desk.notes, live, strict=True)]
    assert max(map(abs, late), default=0.0) <= STEP_S + 1e-6


def closing(heard: HeardScore) -> tuple[HeardScore, list[float]]:
    """A score with its phrases closed by rests and numbered as they end, and when they do."""
    notes = phrased(heard.notes)
    ends = endings(notes)
    order = sorted(ends, key=lambda number: (ends[number].known_s, number))
    place = {number: n for n, number in enumerate(order)}
    notes = tuple(msgspec.structs.replace(one, phrase=place[one.phrase]) for one in notes)
    known_s = [ends[number].known_s for number in order]
    return msgspec.structs.replace(heard, notes=notes), known_s


@settings(max_examples=150, deadline=None)
@given(heard_scores(), st.sampled_from([load_rules(name) for name in shipped("rules")]))
def test_the_desk_and_live_decide_alike(heard: HeardScore, rules: RuleSet) -> None:
    """Whatever is sung and by whichever rules: the same strokes at the same times, and silences."""
    heard, known_s = closing(heard)
    assume(len(set(known_s)) == len(known_s))
    ended_s: dict[str, float] = {}
    for sung in heard.notes:
        # Which of two sums of floats is the greater is chance where they meet.
        assume(abs(sung.onset_s - ended_s.get(sung.voice, -9.0) - LONGEST_REST_S) > 1e-9)
        ended_s[sung.voice] = sung.offset_s
    desk = answer(heard, FETTLE, rules)
    live = LiveReplier(FETTLE, rules)
    happens = sorted(
        [(n.onset_s, 0, n) for n in heard.notes]
        + [(n.offset_s, 1, n) for n in heard.notes]
        + [(at_s, 2, None) for at_s in known_s],
        key=lambda one: one[:2],
    )
    out: list[ReplyNote] = []
    for number, (at_s, what, one) in enumerate(happens):
        until_s = happens[number + 1][0] if number + 1 < len(happens) else math.inf
        if one is not None and what == 0:
            stop_s = live.began(one.id, one.voice, at_s)
            if stop_s is not None:
                out = [made for made in out if made.onset_s < stop_s]
        elif one is not None:
            live.heard(one, one.id)
        while at_s < until_s:
            out += live.tick(at_s)
            at_s = live.next_s(at_s)
    assert [phrase.id for phrase in live.closed] == list(range(len(known_s)))
    strokes = [
        sorted((n.onset_s, n.instrument, n.force, n.heard, n.heard_phrase, n.rule) for n in some)
        for some in (desk.notes, out)
    ]
    assert strokes[0] == strokes[1]
    # A reply that nothing sounded of is told live as it is broken off, by the engine.
    told = {s.unanswered: s.why for s in desk.unanswered if "first stroke" not in s.why}
    assert told == {s.unanswered: s.why for s in live.silences}


@pytest.mark.parametrize(
    ("changed", "kind", "later"),
    [
        ({"share_max": 0.03}, "it has had its share of this minute (manners.share_max)", 0.0),
        ({"rest_s": 9.0}, "it was resting after a reply (manners.rest_s)", 0.0),
        # The last 19 of 20 parts of an hour begin after three minutes.
        ({"quiet_share": 0.95}, "the quiet end of the hour (manners.quiet_share)", 150.0),
        (
            {"return_s": 12.0, "quiet_after_s": 20.0},
            "calls have only come back (manners.return_s)",
            21.0,
        ),
    ],
)
def test_live_is_silent_where_the_desk_was_and_for_the_same_reason(
    changed: dict[str, object], kind: str, later: float
) -> None:
    manners = Manners(wait_s=(1.0, 1.4), patience_s=4.0, rest_s=0.2, share_max=0.9)
    rules = RuleSet(
        name="same",
        description="as shipped, but of other manners",
        rule=load_rules("answer").rule,
        manners=msgspec.structs.replace(manners, **changed),
    )
    heard = spaced(0)
    moved = [
        msgspec.structs.replace(n, onset_s=n.onset_s + later, offset_s=n.offset_s + later)
        for n in heard.notes
        if n.phrase >= 4
    ]
    heard = score_of(*(n for n in heard.notes if n.phrase < 4), *moved)
    desk = answer(heard, FETTLE, rules)
    notes, silences = played(heard, rules)
    assert [(n.instrument, n.heard) for n in notes] == [(n.instrument, n.heard) for n in desk.notes]
    told = [
        sorted((s.unanswered, s.rule, s.at_s, kind_of(s.why)) for s in some)
        for some in (desk.unanswered, silences)
    ]
    assert told[0] == told[1]
    assert kind in {why for *_, why in told[0]}


def test_live_leaves_off_when_the_caller_begins() -> None:
    rules = RuleSet(
        name="x",
        description="y",
        rule=(Rule(name="r", damping="ring"),),
        manners=Manners(wait_s=(0.2, 0.2), share_max=1.0),
    )
    heard = score_of(*call([1200, 1500, 1300, 1600, 1200, 1500]), note(9, 4.0, 0.3, phrase=1))
    notes, _ = played(heard, rules)
    first = [n for n in notes if n.heard_phrase == 0]
    assert 0 < len(first) < 6
    assert max(n.onset_s for n in first) < 4.0 + rules.manners.reaction_s


@pytest.mark.parametrize("count", [1, 3])
def test_of_a_reply_that_was_broken_off_only_what_sounded_takes_a_share(count: int) -> None:
    """Rings of seconds, each damped as another bird begins: at the desk as live."""
    rule = Rule(name="r", damping="ring", when=When(notes=(count, count)))
    manners = Manners(wait_s=(0.2, 0.2), rest_s=0.2, share_max=0.25)
    rules = RuleSet(name="x", description="y", rule=(rule,), manners=manners)
    notes: list[Note] = []
    for number in range(10):
        pitches = [1200.0, 1500.0, 1300.0][:count]
        called = call([*pitches], 1.0 + 8.0 * number, phrase=2 * number)
        after_s = called[-1].offset_s + 1.3
        notes += called
        notes += call([1400, 1600], after_s, voice="B", phrase=2 * number + 1)
    heard = score_of(*(msgspec.structs.replace(one, id=number) for number, one in enumerate(notes)))
    desk = answer(heard, FETTLE, rules)
    live, silences = played(heard, rules)
    for struck, left_alone in ((desk.notes, desk.unanswered), (live, silences)):
        assert {n.heard_phrase for n in struck} == set(range(0, 20, 2))
        assert {one.unanswered for one in left_alone} == set(range(1, 20, 2))
    assert [(n.instrument, n.heard) for n in live] == [(n.instrument, n.heard) for n in desk.notes]
    begun_s = [one.onset_s for one in heard.notes if one.voice == "B"]
    for n in desk.notes:
        assert n.offset_s is not None
        assert n.offset_s <= min(t for t in begun_s if t > n.onset_s) + manners.reaction_s + 1e-6


def test_what_comes_to_nothing_does_not_keep_a_phrase_open() -> None:
    live = LiveReplier(FETTLE, load_rules("answer"))
    live.began(1, "A", 1.0)
    live.began(2, "A", 1.05)
    live.dropped(2)
    live.heard(note(0, 1.0, 0.1), 1)
    live.tick(1.3)
    assert not live.closed
    live.tick(3.0)
    assert [phrase.voice for phrase in live.closed] == ["A"]


def test_a_note_may_come_under_another_voice_than_was_guessed() -> None:
    live = LiveReplier(FETTLE, load_rules("answer"))
    live.began(1, "B", 1.0)
    live.heard(note(0, 1.0, 0.1, voice="A"), 1)
    live.tick(3.0)
    assert [phrase.voice for phrase in live.closed] == ["A"]


def test_barred_it_listens_and_says_why_it_is_silent() -> None:
    heard = spaced(0)
    live = LiveReplier(FETTLE, load_rules("shadow"))
    live.inhibited = "it rains"
    for n in sorted(heard.notes, key=lambda n: n.offset_s):
        assert not live.tick(n.offset_s)
        live.heard(n)
    live.tick(heard.notes[-1].offset_s + 5)
    assert len(live.silences) == len(live.closed) >= 8
    assert {silence.why for silence in live.silences} == {"it rains"}


def test_a_reply_that_waits_is_given_up_when_the_rules_are_changed() -> None:
    slow = Manners(wait_s=(5.0, 5.0), quiet_share=0.0, share_max=1.0, return_s=0.0)
    live = LiveReplier(FETTLE, msgspec.structs.replace(load_rules("answer"), manners=slow))
    for one in call([1200, 1500, 1300]):
        live.heard(one)
    # It has closed by then, and a reply waits.
    now_s = 4.0
    assert not live.tick(now_s)
    assert len(live.closed) == 1
    assert not live.silences
    live.change_rules(load_rules("shadow"))
    assert [one.unanswered for one in live.silences] == [live.closed[0].id]
    assert "rules were changed" in live.silences[0].why
    assert not any(live.tick(now_s + 0.05 * step) for step in range(200))


def test_what_sounds_without_end_is_waited_for_no_longer_than_a_while() -> None:
    polite = Manners(give_way="everyone", quiet_share=0.0, share_max=1.0, return_s=0.0)
    rules = msgspec.structs.replace(load_rules("answer"), manners=polite)
    for begun_s, replies in ((100.0 - STEADY_S - 5.0, True), (99.0, False)):
        live = LiveReplier(FETTLE, rules)
        live.began(77, "B", begun_s)
        for one in call([1200, 1500, 1300], start_s=100.0):
            live.heard(one)
        made = [one for step in range(300) for one in live.tick(100.7 + 0.02 * step)]
        assert bool(made) == replies


def test_every_live_silence_is_explained() -> None:
    hasty = load_rules("slow-bells")
    _, silences = played(spaced(3), hasty)
    assert all(s.why for s in silences)


def test_a_phrase_ends_by_the_rest_of_the_profile() -> None:
    live = LiveReplier(FETTLE, load_rules("answer"), rest_s=1.5)
    live.heard(note(0, 1.0, 0.1))
    live.tick(2.5)
    assert not live.closed
    live.tick(2.61)
    assert [phrase.voice for phrase in live.closed] == ["A"]


def test_a_note_that_turns_out_to_be_another_voices_goes_to_its_phrase() -> None:
    live = LiveReplier(FETTLE, load_rules("answer"))
    live.heard(note(0, 1.0, 0.1, voice="A"))
    live.heard(note(1, 1.2, 0.1, voice="B"))
    live.renamed(1, "A")
    live.tick(3.0)
    assert [[own.voice for own in phrase.notes] for phrase in live.closed] == [["A", "A"]]
    live.renamed(1, "B")
    live.tick(4.0)
    assert len(live.closed) == 1
    assert not live.renamings  # one note of two is not most of it


def test_a_phrase_that_has_ended_is_renamed_as_a_whole_and_remembered_so() -> None:
    live = LiveReplier(FETTLE, load_rules("answer"))
    live.inhibited = "tried at a desk"
    for n in range(3):
        live.heard(note(n, 1.0 + 0.2 * n, 0.1, 1500.0 + 300.0 * n, voice="A"))
    live.tick(3.0)
    (phrase,) = live.closed
    for n in range(3):
        live.renamed(n, "B")
    (renamed,) = live.renamings
    assert (renamed.id, renamed.voice) == (phrase.id, "B")
    assert {own.voice for own in renamed.notes} == {"B"}
    memory = live._maker.memory
    assert memory.recall(phrase).novelty == 1.0  # A has sung nothing that is known
    assert memory.recall(renamed).novelty == 0.0


def test_what_was_answered_keeps_its_voice_and_what_waits_does_not() -> None:
    rules = load_rules("answer")
    waits = msgspec.structs.replace(rules.manners, wait_s=(3.0, 3.0))
    live = LiveReplier(FETTLE, msgspec.structs.replace(rules, manners=waits))
    notes = call([1900.0, 2100.0, 1750.0], 1.0, 0.2)
    for one in notes:
        live.heard(one)
    now_s = notes[-1].offset_s
    while not live.closed:
        live.tick(now_s)
        now_s += STEP_S
    for one in notes:
        live.renamed(one.id, "B")
    assert [phrase.voice for phrase in live.renamings] == ["B"]
    while not live.tick(now_s):
        now_s += STEP_S
    assert live.answers is not None
    assert live.answers.voice == "B"
    for one in notes:
        live.renamed(one.id, "C")
    assert len(live.renamings) == 1


def test_a_singer_that_does_not_rest_is_not_waited_for_without_end() -> None:
    live = LiveReplier(FETTLE, load_rules("answer"), longest_s=5.0)
    for n in range(100):
        live.heard(note(n, 0.2 * n, 0.1))
        live.tick(0.2 * n + 0.1)
    assert len(live.closed) >= 3


def test_what_closes_between_two_ticks_is_all_answered_for() -> None:
    live = LiveReplier(FETTLE, load_rules("answer"))
    for number, (at_s, voice) in enumerate([(1.0, "A"), (1.1, "B"), (20.0, "A"), (20.1, "B")]):
        live.heard(note(number, at_s, voice=voice))
    live.tick(20.3)
    assert [(phrase.voice, phrase.onset_s) for phrase in live.closed] == [("A", 1.0), ("B", 1.1)]


def test_phrases_are_numbered_as_they_close() -> None:
    live = LiveReplier(FETTLE, load_rules("answer"))
    for number, (at_s, length_s, voice) in enumerate(
        [(1.0, 0.1, "A"), (1.05, 0.1, "B"), (1.3, 0.8, "A")]
    ):
        live.heard(note(number, at_s, length_s, voice=voice))
    live.tick(5.0)
    live.tick(6.0)
    assert [(phrase.id, phrase.notes[0].phrase) for phrase in live.closed] == [(0, 0), (1, 1)]


def test_a_voice_is_remembered_until_it_has_been_silent_for_ten_minutes() -> None:
    live = LiveReplier(FETTLE, load_rules("answer"))
    live.began(7, "A", 61.0)
    live.heard(note(0, 61.0, voice="B"))
    live.tick(61.3)
    assert set(live._silent_since_s) == {"B"}
    assert set(live._sounding) == {7}
    live.tick(655.0)
    assert set(live._silent_since_s) == {"B"}
    live.tick(720.0)
    assert not live._silent_since_s
    assert not live._sounding
