"""Rules changed as text: comments kept, every change checked, every change journalled."""

from __future__ import annotations

import tomllib
from pathlib import Path

import msgspec
import pytest
from desk_helpers import job
from hypothesis import given, settings
from hypothesis import strategies as st

from callresp.desk import journal as journals
from callresp.desk.form import fields
from callresp.desk.journal import Journal, journal_of, read_journal
from callresp.desk.messages import Forget, Save
from callresp.desk.opening import open_job
from callresp.desk.operations import do
from callresp.desk.rule_text import RuleText
from callresp.desk.session import DeskSession
from callresp.errors import UserError
from callresp.io.files import read_text
from callresp.io.resources import find, shipped
from callresp.io.setting_guide import settings_of
from callresp.reply.rules import RuleSet


def text_of(name: str) -> RuleText:
    return RuleText(read_text(find("rules", name)), f"{name}.toml")


def comments(text: str) -> list[str]:
    return [line.partition("#")[2] for line in text.splitlines() if "#" in line]


@pytest.mark.parametrize("name", shipped("rules"))
def test_a_set_that_is_changed_keeps_its_comments(name: str) -> None:
    text = text_of(name)
    changed = text.set("manners.rest_s", 2.5).set("rule.1.at_most", 5).set("seed", 7)
    assert comments(changed.text) == comments(text.text)
    assert changed.rules.manners.rest_s == 2.5
    assert changed.rules.rule[0].at_most == 5
    assert (
        changed.set("manners.rest_s", None).rules.manners.rest_s
        == RuleSet(name="x", description="x", rule=()).manners.rest_s
    )


def test_a_comment_behind_a_value_stays_behind_it() -> None:
    changed = text_of("answer").set("rule.1.pitch", "nearest").text
    assert 'pitch = "nearest"        # the mapping that keeps most' in changed


def test_conditions_stay_on_their_line() -> None:
    changed = text_of("answer").set("rule.1.when.notes", [3, 9])
    assert "when = { tonality = [0.2, 1.0], notes = [3, 9]" in changed.text
    assert text_of("undertow").set("rule.1.when.voices", ["A"]).rules.rule[0].when.voices == ("A",)


@settings(max_examples=15)
@given(weight=st.none() | st.floats(0.05, 100).map(lambda v: float(f"{v:g}")))
def test_a_rule_switched_off_and_on_weighs_what_it_did(weight: float | None) -> None:
    text = text_of("answer").set("rule.2.weight", weight)
    off = text.switch(2, on=False)
    assert off.rules.rule[1].weight == 0
    assert off.switch(2, on=False).rules == off.rules
    assert RuleText(off.text, "x").switch(2, on=True).rules == text.rules


@settings(max_examples=12)
@given(order=st.permutations(range(4)))
def test_rules_are_put_in_any_order(order: list[int]) -> None:
    text = text_of("answer")
    names = [rule.name for rule in text.rules.rule]
    for place, wanted in enumerate(order, 1):
        now = [rule.name for rule in text.rules.rule].index(names[wanted]) + 1
        text = text.move(now, place)
    assert [rule.name for rule in text.rules.rule] == [names[n] for n in order]
    assert sorted(comments(text.text)) == sorted(comments(text_of("answer").text))


def test_rules_are_added_and_taken_out() -> None:
    text = text_of("answer").add({"name": "again", "treatments": ["retrograde"]})
    assert text.rules.rule[-1].treatments == ("retrograde",)
    assert '\n\n[[rule]]\nname = "again"' in text.text
    assert len(text.remove(5).rules.rule) == 4
    one = text_of("undertow")
    with pytest.raises(UserError, match="the last rule stays"):
        one.remove(1)


@pytest.mark.parametrize(
    "key", ["rule.9.stretch", "nothing.here", "rule.1", "a.b.c.d.e.f", "rule.x.y", ""]
)
def test_a_key_that_is_none_is_refused(key: str) -> None:
    with pytest.raises(UserError):
        text_of("answer").set(key, 1.0)


def test_several_changes_are_made_all_or_none() -> None:
    text = text_of("answer")
    with pytest.raises(UserError, match="Expected"):
        text.set_all([("seed", 3), ("rule.1.stretch", 99.0)])
    # Neither alone would do: the pitch table needs its rows.
    rows = [{"from_hz": 200, "to_hz": 9000, "striker": "lowest"}]
    both = text.set_all([("rule.1.pitch", "table"), ("rule.1.table", rows)])
    assert both.rules.rule[0].pitch == "table"


def test_the_form_asks_for_every_setting_of_the_struct() -> None:
    told = {setting.key for setting in settings_of(RuleSet)}
    asked = {field.key for field in fields()}
    assert told - asked == {"rule", "rule.when", "manners"}
    by_key = {field.key: field for field in fields()}
    stretch = by_key["rule.stretch"]
    assert (stretch.low, stretch.high, stretch.default) == (0.1, 10.0, 1.0)
    assert by_key["rule.when.notes"].control == "pair"
    assert "retrograde" in by_key["rule.treatments"].choices
    assert by_key["manners.patience_s"].unit == "s"


@pytest.mark.parametrize(
    "field", [one for one in fields() if one.default is not None], ids=lambda f: f.key
)
def test_every_default_that_the_form_shows_is_taken(field: msgspec.Struct) -> None:
    key, default = str(field.key), field.default  # type: ignore[attr-defined]
    if key.startswith("rule.table"):
        return
    text = text_of("answer").set(key.replace("rule.", "rule.1."), default)
    tree = tomllib.loads(text.text)
    for step in key.split("."):
        tree = tree[step][0] if step == "rule" else tree[step]
    assert tree == default or list(tree) == list(default)


def test_what_was_not_saved_is_offered_again(tmp_path: Path) -> None:
    session = DeskSession(open_job(job(tmp_path)))
    session.edit("seed", lambda text: text.set("seed", 11))
    again = DeskSession(open_job(tmp_path / "dawn.wav"))
    left = again.offered()
    assert left is not None
    assert "seed = 11" in left.text
    again.resume()
    assert again.slot.text.rules.seed == 11
    assert again.offered() is None
    again.step(back=True)
    assert again.slot.text.rules.seed == 1


def test_both_sets_are_taken_up_again_and_one_that_was_saved_is_not(tmp_path: Path) -> None:
    session = DeskSession(open_job(job(tmp_path)))
    session.edit("seed", lambda text: text.set("seed", 11))
    session.choose("b")
    session.edit("seed", lambda text: text.set("seed", 12))
    again = DeskSession(open_job(tmp_path / "dawn.wav"))
    again.resume()
    assert {name: slot.text.rules.seed for name, slot in again.slots.items()} == {"a": 11, "b": 12}
    assert again.active == "b"
    do(Save(name="mine.toml"), again)
    third = DeskSession(open_job(tmp_path / "dawn.wav"))
    third.resume()
    assert {name: slot.text.rules.seed for name, slot in third.slots.items()} == {"a": 11, "b": 1}
    third.copy_set()
    fourth = DeskSession(open_job(tmp_path / "dawn.wav"))
    fourth.resume()
    assert fourth.slots["b"].text.rules.seed == 11


def test_what_is_left_is_not_offered_again_but_kept(tmp_path: Path) -> None:
    session = DeskSession(open_job(job(tmp_path)))
    session.edit("seed", lambda text: text.set("seed", 11))
    again = DeskSession(open_job(tmp_path / "dawn.wav"))
    do(Forget(), again)
    assert again.offered() is None
    assert DeskSession(open_job(tmp_path / "dawn.wav")).offered() is None
    assert any("seed = 11" in row.text for row in read_journal(again.journal.path))


def test_a_journal_cut_in_the_middle_of_a_line_gives_what_is_whole(tmp_path: Path) -> None:
    path = journal_of(tmp_path, "dawn")
    journal = Journal(path)
    for n in range(3):
        journal.add("set", "a", f"text {n}", "fettle")
    path.write_bytes(path.read_bytes()[:-9])
    assert [row.text for row in Journal(path).left] == ["text 0", "text 1"]


def test_a_journal_does_not_grow_for_ever(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(journals, "BYTES_MAX", 4_000)
    monkeypatch.setattr(journals, "ROWS_KEPT", 4)
    journal = Journal(journal_of(tmp_path, "dawn"))
    for n in range(40):
        journal.add("set", "a", f"{n} " + "x" * 400, "fettle")
    assert journal.path.stat().st_size < 8_000
    assert read_journal(journal.path)[-1].text.startswith("39 ")


def test_a_folder_that_cant_be_written_is_told_once_and_work_goes_on(tmp_path: Path) -> None:
    journal = Journal(tmp_path / "no-such-folder" / ".x.desk.jsonl")
    journal.add("set", "a", "text", "fettle")
    assert journal.trouble is not None
    assert "not journalled" in journal.trouble


def test_steps_back_are_bounded(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("callresp.desk.session.STEPS_MAX", 5)
    session = DeskSession(open_job(job(tmp_path)))
    for n in range(8):
        session.edit("seed", lambda text, n=n: text.set("seed", n + 100))  # type: ignore[misc]
    assert len(session.slot.past) == 5
