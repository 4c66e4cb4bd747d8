"""Instruments by what they are: what each wish means, on every palette, and carrying a set."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Literal

import msgspec
import pytest
from click.testing import CliRunner
from hypothesis import given, settings
from hypothesis import strategies as st
from reply_helpers import call, heard_scores, score_of

from callresp.cli import cli
from callresp.io.resources import corpus, shipped
from callresp.io.score import HeardScore
from callresp.palette.files import load_palette
from callresp.palette.model import Palette
from callresp.reply.compose import playable
from callresp.reply.replier import answer
from callresp.reply.rules import Manners, Pitched, Rule, RuleSet, load_rules
from callresp.reply.selection import bound, carried, missing, renamed, strikers_for, turner_for

PALETTES = {name: load_palette(name) for name in shipped("palettes")}
FETTLE, LADDER, POCKET = (PALETTES[name] for name in ("fettle", "ladder", "pocket"))


# Read off the palettes' own files.
@pytest.mark.parametrize(
    ("text", "palette", "names"),
    [
        ("tube 3", FETTLE, ["tube 3"]),
        ("lowest 2", FETTLE, ["tube 1", "tube 2"]),
        ("highest", FETTLE, ["tube 5"]),
        ("highest 3", LADDER, ["bar 4", "bar 5", "bar 6"]),
        ("any block", LADDER, ["soft block", "hard block"]),
        ("any unpitched", FETTLE, ["tin box", "oak block"]),
        ("lowest unpitched", LADDER, ["soft block"]),
        ("highest unpitched", LADDER, ["hard block"]),
        ("lowest 2 bar", LADDER, ["bar 1", "bar 2"]),
        ("any pitched", POCKET, ["small bell"]),
        ("lowest 4", POCKET, ["small bell"]),
        ("any", POCKET, ["bamboo", "small bell"]),
        ("any tube", LADDER, []),
        ("tube 3", LADDER, []),
        ("lowest 0", FETTLE, []),
        ("lots", FETTLE, []),
    ],
)
def test_what_a_wish_means(text: str, palette: Palette, names: list[str]) -> None:
    assert [striker.name for striker in strikers_for(text, palette)] == names


def test_turners_by_what_they_are() -> None:
    assert getattr(turner_for("any", POCKET), "name", None) == "ratchet"
    assert getattr(turner_for("any shaker", FETTLE), "name", None) == "bead shaker"
    assert turner_for("any shaker", POCKET) is None
    assert turner_for("any", LADDER) is None
    assert turner_for("bead shaker", POCKET) is None


def test_a_name_is_a_name_even_where_it_reads_like_a_wish() -> None:
    odd = msgspec.structs.replace(FETTLE.striker[4], name="lowest")
    machine = msgspec.structs.replace(FETTLE, striker=(*FETTLE.striker[:4], odd))
    assert strikers_for("lowest", machine) == [odd]


@pytest.mark.parametrize("name", shipped("rules"))
@pytest.mark.parametrize("palette", shipped("palettes"))
def test_shipped_rules_serve_any_palette(name: str, palette: str) -> None:
    """Nothing is asked for that is not there, but for a turner where a machine has none."""
    machine, rules = PALETTES[palette], load_rules(name)
    told = missing(rules, machine)
    if not machine.turner:
        told = [line for line in told if "asks for a turner" not in line]
    assert told == []
    calls = [
        n for k in range(4) for n in call([1200, 2900, 900, 2000, 1500], 1 + 12.0 * k, phrase=k)
    ]
    heard = score_of(*(msgspec.structs.replace(n, id=k) for k, n in enumerate(calls)))
    assert answer(heard, machine, rules).notes


def test_what_is_not_there_plays_nothing_and_does_not_stand_for_all() -> None:
    rule = Rule(name="r", strikers=("any bell",), turner="any fan")
    rules = RuleSet(name="x", description="y", rule=(rule,))
    (found,) = bound(rules, FETTLE).rule
    assert found == rule
    assert missing(rules, FETTLE) == [
        "rule 'r' asks for a striker, 'any bell', which Fettle has not",
        "rule 'r' asks for a turner, 'any fan', which Fettle has not",
    ]
    assert answer(score_of(*call([1200, 1500])), FETTLE, rules).notes == ()


def test_rules_play_what_they_ask_for() -> None:
    table = (Pitched(from_hz=100, to_hz=9000, striker="highest unpitched"),)
    for rule, names in (
        (Rule(name="r", strikers=("highest 2",), pitch="rank"), {"tube 4", "tube 5"}),
        (Rule(name="r", pitch="table", table=table), {"oak block"}),
    ):
        rules = RuleSet(name="x", description="y", rule=(rule,), manners=Manners(share_max=1.0))
        made = answer(score_of(*call([1200, 3000, 1500, 2000])), FETTLE, rules).notes
        assert {note.instrument for note in made} == names


NAMED = RuleSet(
    name="mine",
    description="by the names of one machine",
    rule=(
        Rule(
            name="r", strikers=("tube 1", "tube 3", "tube 5", "oak block"),
            unpitched=("oak block",), turner="bead shaker",
        ),
    ),
)  # fmt: skip


def test_a_set_is_carried_by_rank_and_kind_and_its_losses_told() -> None:
    """Lowest to lowest, middle to middle; 905 cents is 1200 log2(1049.2 / 622.0)."""
    found = carried(NAMED, FETTLE, LADDER)
    assert found.names == {
        "tube 1": "plate", "tube 3": "bar 3", "tube 5": "bar 6", "oak block": "soft block",
    }  # fmt: skip
    assert "'tube 1' becomes 'plate', 905 cents lower, a plate for a tube" in found.told
    assert "'bead shaker' has no counterpart: Ladder has nothing like it" in found.told
    small = carried(NAMED, FETTLE, POCKET)
    assert small.names["bead shaker"] == "ratchet"
    assert any("no longer apart" in line for line in small.told)
    assert "lines fall on 1 pitch that fell on 5" in small.told
    assert carried(NAMED, FETTLE, FETTLE) == type(found)({}, ())


def test_a_machine_without_dampers_is_told_of_where_a_rule_would_damp() -> None:
    bare = msgspec.structs.replace(
        FETTLE,
        name="Bare",
        striker=tuple(msgspec.structs.replace(one, damper=None) for one in FETTLE.striker),
    )
    lost = "Bare has no dampers: every note rings"
    for damping, told in (("short", (lost,)), ("ring", ())):
        rule = msgspec.structs.replace(NAMED.rule[0], damping=damping)
        assert carried(msgspec.structs.replace(NAMED, rule=(rule,)), FETTLE, bare).told == told


def test_renaming_touches_instruments_only() -> None:
    text = (
        '# "tube 1" is low\nname = "tube 1"\nstrikers = ["tube 1", # the low one\n'
        ' "oak block"]\ntable = [{ from_hz = 1, to_hz = 2, striker = "tube 1" }]\n'
    )
    assert renamed(text, {"tube 1": "bar 1"}) == (
        '# "tube 1" is low\nname = "tube 1"\nstrikers = ["bar 1", # the low one\n'
        ' "oak block"]\ntable = [{ from_hz = 1, to_hz = 2, striker = "bar 1" }]\n'
    )


def test_the_command_carries_a_file_and_keeps_its_comments(tmp_path: Path) -> None:
    text = (corpus() / "rules" / "undertow.toml").read_text()
    mine = tmp_path / "mine.toml"
    named = text.replace('"lowest 2"', '"tube 1", "tube 2"').replace('"any"', '"bead shaker"')
    mine.write_text(named)
    there = tmp_path / "there.toml"
    line = ["rules", str(mine), "--from", "fettle", "--for", "pocket"]
    told = CliRunner().invoke(cli, [*line, "--copy", str(there)])
    assert told.exit_code == 0, told.output
    assert "'tube 1' becomes 'small bell'" in told.output
    plainly = CliRunner().invoke(cli, [*line, "--copy", f"{there}.2", "--json"])
    assert "'tube 1' becomes 'small bell'" in " ".join(json.loads(plainly.stdout)["changes"])
    rules = load_rules(str(there))
    assert missing(rules, POCKET) == []
    assert rules.rule[0].turner == "ratchet"
    comments = [row.split("#")[1] for row in text.splitlines() if "#" in row]
    assert [row.split("#")[1] for row in there.read_text().splitlines() if "#" in row] == comments
    shown = CliRunner().invoke(cli, line)
    assert "names 'tube 1', which Pocket has not" in shown.output
    lone = CliRunner().invoke(cli, ["rules", "undertow", "--from", "fettle"])
    assert lone.exit_code != 0


@settings(max_examples=40)
@given(
    heard_scores(),
    st.sampled_from([(), ("lowest 2",), ("tube 5", "oak block")]),
    st.sampled_from([(), ("lowest 2",), ("oak block",)]),
    st.sampled_from(["rank", "table"]),
)
def test_only_what_a_rule_is_said_to_play_is_played(
    heard: HeardScore,
    strikers: tuple[str, ...],
    unpitched: tuple[str, ...],
    pitch: Literal["rank", "table"],
) -> None:
    table = (Pitched(from_hz=100, to_hz=9000, striker="tube 3"),) if pitch == "table" else ()
    rule = Rule(name="r", strikers=strikers, unpitched=unpitched, pitch=pitch, table=table)
    manners = Manners(wait_s=(0.2, 0.2), share_max=1.0)
    chosen = RuleSet(name="n", description="d", manners=manners, rule=(rule,))
    rule_there = bound(chosen, FETTLE).rule[0]
    able = {s.name for s in playable(rule_there, FETTLE)}
    assert {note.instrument for note in answer(heard, FETTLE, chosen).notes} <= able


def test_a_rule_with_drums_of_its_own_still_plays_the_others_by_pitch(tmp_path: Path) -> None:
    mine = tmp_path / "mine.toml"
    text = '[[rule]]\nname = "r"\npitch = "rank"\nunpitched = ["any block"]\n'
    mine.write_text('name = "n"\ndescription = "d"\n' + text)
    told = CliRunner().invoke(cli, ["rules", str(mine), "--for", "fettle"])
    assert told.output == "r: tube 1, tube 2, tube 3, tube 4, tube 5, oak block\n"
