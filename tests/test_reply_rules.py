"""Rule sets: the shipped ones are sound and differ; a mistake is told."""

from __future__ import annotations

import random
from pathlib import Path

import msgspec
import pytest
from reply_helpers import call, score_of

from callresp.errors import UserError
from callresp.io.resources import shipped
from callresp.io.score import phrases
from callresp.palette.files import load_palette
from callresp.reply.choose import Moment, choose_rule
from callresp.reply.compose import LONG_S, SHORT_S
from callresp.reply.replier import answer
from callresp.reply.rules import Manners, Rule, RuleSet, load_rules
from callresp.reply.selection import missing

FETTLE = load_palette("fettle")


@pytest.mark.parametrize("name", shipped("rules"))
def test_shipped_rules_are_sound(name: str) -> None:
    rules = load_rules(name)
    assert rules.name == name
    assert len(rules.description) > 20
    assert missing(rules, FETTLE) == []


def test_shipped_rules_differ_to_the_ear() -> None:
    heard = score_of(*call([1200, 1800, 1500, 2400, 1300]))
    made = {
        name: tuple(
            (round(n.onset_s, 2), n.instrument, n.force, n.offset_s)
            for n in answer(heard, FETTLE, load_rules(name)).notes
        )
        for name in shipped("rules")
    }
    assert len(set(made.values())) == len(made)


@pytest.mark.parametrize(
    ("text", "told"),
    [
        ("", "name"),
        ('name = "x"\ndescription = "y"', "rule"),
        ('name="x"\ndescription="y"\n[[rule]]\nname="r"\npitch="nearby"', "allowed: 'nearest'"),
        ('name="x"\ndescription="y"\n[[rule]]\nname="r"\npich="nearest"', "did you mean 'pitch'"),
        ('name="x"\ndescription="y"\n[[rule]]\nname="r"\nstretch=99', "line 5, rule[1].stretch"),
        ('name="x"\ndescription="y"\n[[rule]]\nname="r"\nwhen={notes=[9,2]}', "from high to low"),
    ],
)
def test_a_mistake_is_told(tmp_path: Path, text: str, told: str) -> None:
    path = tmp_path / "mine.toml"
    path.write_text(text)
    with pytest.raises(UserError) as fault:
        load_rules(str(path))
    assert told in str(fault.value)
    assert "mine.toml" in str(fault.value)
    assert "\n" not in str(fault.value)


def plain(name: str, **more: object) -> Rule:
    return msgspec.structs.replace(Rule(name=name), **more)


def test_only_a_rule_that_varies_gives_way_after_its_turn() -> None:
    rules = RuleSet(
        name="two",
        description="in turn",
        rule=(plain("new", varies=True), plain("old", varies=False)),
    )
    (phrase,) = phrases(call([1200, 1500]))

    def drawn(last: str) -> set[str]:
        moment = Moment(since_reply_s=100.0, last_rule=last)
        found = [choose_rule(rules, phrase, moment, random.Random(seed)) for seed in range(40)]
        return {rule.name for rule in found if isinstance(rule, Rule)}

    assert drawn("new") == {"old"}
    assert drawn("old") == drawn("") == {"new", "old"}
    alone = msgspec.structs.replace(rules, rule=rules.rule[:1])
    moment = Moment(since_reply_s=100.0, last_rule="new")
    # Better the same again than none.
    assert choose_rule(alone, phrase, moment, random.Random(0)) == alone.rule[0]


@pytest.mark.parametrize("damping", ["short to long", "long to short"])
def test_notes_grow_or_shrink_from_end_to_end(damping: str) -> None:
    quiet = Manners(quiet_share=0.0, share_max=1.0)
    rules = RuleSet(
        name="g", description="grows", rule=(plain("g", damping=damping),), manners=quiet
    )
    made = answer(score_of(*call([700, 800, 900, 1000])), FETTLE, rules).notes
    lengths_s = [one.offset_s - one.onset_s for one in made if one.offset_s is not None]
    assert len(lengths_s) == len(made) == 4
    wanted_s = [SHORT_S, LONG_S] if damping == "short to long" else [LONG_S, SHORT_S]
    assert [lengths_s[0], lengths_s[-1]] == pytest.approx(wanted_s, abs=1e-4)
    assert lengths_s == sorted(lengths_s, reverse=damping == "long to short")


@pytest.mark.parametrize(
    ("treatment", "said"), [("invert", "mirrored"), ("ornament", "an ornament")]
)
def test_what_was_done_to_a_note_is_said(treatment: str, said: str) -> None:
    quiet = Manners(quiet_share=0.0, share_max=1.0)
    one = plain("t", treatments=(treatment,))
    rules = RuleSet(name="t", description="treats", rule=(one,), manners=quiet)
    made = answer(score_of(*call([700, 900, 800])), FETTLE, rules).notes
    assert any(said in note.why for note in made)
