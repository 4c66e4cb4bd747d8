"""Rule sets: the shipped ones are sound and differ; a mistake is told."""

from __future__ import annotations

from pathlib import Path

import pytest
from reply_helpers import call, score_of

from callresp.errors import UserError
from callresp.io.resources import shipped
from callresp.palette.files import load_palette
from callresp.reply.replier import answer
from callresp.reply.rules import load_rules
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
