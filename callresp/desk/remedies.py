"""What would have a call answered: changes of one or two settings, each tried before it is offered.

A silence's reason names the setting that would change it (`callresp.reply.silences`). Here
values of that setting are tried, the least change first, until the call is answered; what
else they change is told with them. Only a part of a long recording is answered again, with
a run-up before the call.
"""

from __future__ import annotations

import re
from collections.abc import Iterator

import msgspec

from callresp.desk.answers import RUN_UP_S, HeardIndex, RuleAnswer
from callresp.desk.messages import Value
from callresp.desk.rule_text import RuleText
from callresp.errors import UserError
from callresp.io.score import HeardScore, Phrase
from callresp.palette.model import Palette
from callresp.reply.replier import answer
from callresp.reply.rules import Rule, RuleSet

AFTER_S = 12.0
STEPS_MAX = 4
_SETTING = re.compile(r"\(([a-z_.0-9]+)\)")
Change = tuple[str, Value]


class Remedy(msgspec.Struct, frozen=True, kw_only=True):
    """Changes that have a call answered, and how many calls are answered with them."""

    changes: tuple[tuple[str, Value], ...]
    said: str
    answered_before: int
    answered_after: int
    calls: int


def remedy_for(
    heard: HeardIndex, palette: Palette, text: RuleText, made: RuleAnswer, phrase_id: int
) -> Remedy | None:
    """The least change that was found to have a phrase answered; `None` if none was.

    `made` is the answer in which the phrase is left alone.
    """
    phrase = heard.phrases.get(phrase_id)
    silence = made.silences.get(phrase_id)
    if phrase is None or silence is None:
        raise UserError(f"call {phrase_id} is not left alone", remedy="ask for another")
    part = heard.part(phrase.onset_s - 2 * RUN_UP_S, phrase.offset_s + AFTER_S)
    before = _answered(part, palette, text.rules)
    taken: list[Change] = []
    why = silence.why
    for _ in range(STEPS_MAX):
        tried = _first_that_helps(part, palette, text, phrase, why)
        if tried is None:
            return None
        text, change, why = tried
        taken = [*(own for own in taken if own[0] != change[0]), change]
        if not why:
            after = _answered(part, palette, text.rules)
            calls = len({note.phrase for note in part.notes})
            said = " and ".join(f"{key} = {_toml(value)}" for key, value in taken)
            return Remedy(
                changes=tuple(taken),
                said=said,
                answered_before=len(before),
                answered_after=len(after),
                calls=calls,
            )
    return None


def _toml(value: Value) -> str:
    return "its default" if value is None else msgspec.json.encode(value).decode()


def _first_that_helps(
    part: HeardScore, palette: Palette, text: RuleText, phrase: Phrase, why: str
) -> tuple[RuleText, Change, str] | None:
    """The first change after which the phrase is answered, or left alone for another reason."""
    other: tuple[RuleText, Change, str] | None = None
    for key, value in _candidates(text.rules, phrase, why):
        try:
            changed = text.set(key, value)
        except UserError:
            continue
        reply = answer(part, palette, changed.rules)
        if any(note.heard_phrase == phrase.id for note in reply.notes):
            return changed, (key, value), ""
        now = next((s.why for s in reply.unanswered if s.unanswered == phrase.id), "")
        if now and other is None and now.split(":")[0] != why.split(":")[0]:
            other = changed, (key, value), now
    return other


def _answered(part: HeardScore, palette: Palette, rules: RuleSet) -> set[int]:
    return {note.heard_phrase for note in answer(part, palette, rules).notes}


def setting_of(why: str) -> str:
    """The setting that a reason names; that of its first rule where it names several.

    Examples
    --------
    >>> setting_of("no rest to answer in (manners.patience_s): none within 2.5 s")
    'manners.patience_s'
    """
    named = _SETTING.findall(why)
    dotted = [name for name in named if "." in name]
    return next(iter([*dotted, *named]), "")


def _candidates(rules: RuleSet, phrase: Phrase, why: str) -> Iterator[Change]:
    """Settings to try, the least change first."""
    for setting in dict.fromkeys(name for name in _SETTING.findall(why)):
        if setting.startswith("rule.") and ".when." in setting:
            yield from _conditions(rules, phrase, setting)
        elif setting.startswith("manners."):
            yield from _manners(rules, setting)
        elif setting == "rule.at_most":
            yield "manners.patience_s", min(rules.manners.patience_s * 2 + 1, 60.0)
            yield "manners.rest_s", 0.0
            for number, rule in enumerate(rules.rule, 1):
                yield f"rule.{number}.at_most", max(rule.at_most // 2, 1)
        elif setting == "tires":
            for number, _ in enumerate(rules.rule, 1):
                yield f"rule.{number}.tires", 1.0
        elif re.fullmatch(r"rule\.\d+\.(strikers|unpitched|table)", setting):
            yield from _strikers(setting)


def _strikers(setting: str) -> Iterator[Change]:
    number, name = setting.split(".")[1:]
    if name == "table":
        yield f"rule.{number}.pitch", "nearest"
        return
    yield setting, None
    yield setting, ["any"]


def _manners(rules: RuleSet, setting: str) -> Iterator[Change]:
    now = getattr(rules.manners, setting.partition(".")[2])
    if setting == "manners.patience_s":
        for factor in (1.5, 2, 3, 5, 10):
            yield setting, round(now * factor + 0.5, 1)
        yield "manners.give_way", "caller"
        yield "manners.give_way", "nobody"
    elif setting == "manners.share_max":
        for share in (0.4, 0.5, 0.6, 0.8, 1.0):
            if share > now:
                yield setting, share
    elif setting in ("manners.rest_s", "manners.return_s"):
        for factor in (0.5, 0.25, 0.1, 0.0):
            yield setting, round(now * factor, 2)
    elif setting == "manners.quiet_share":
        yield setting, 0.0
    elif setting == "manners.sings_on":
        yield setting, "beneath"
    elif setting == "manners.crackle":
        yield setting, "answer"
    elif setting == "manners.leave_off":
        yield "manners.give_way", "caller"
        yield setting, False


def _conditions(rules: RuleSet, phrase: Phrase, setting: str) -> Iterator[Change]:
    """A condition widened as far as the call, or taken out."""
    number, key = int(setting.split(".")[1]), setting.rpartition(".")[2]
    rule: Rule = rules.rule[number - 1]
    value = _value_of(phrase, key)
    if key == "voices":
        yield setting, [*rule.when.voices, phrase.voice]
    elif key == "since_reply_s":
        yield setting, round(rule.when.since_reply_s / 2, 1)
    elif value is not None:
        low, high = getattr(rule.when, key)
        digits = 0 if key in ("notes", "pitch_hz") else 2
        least, most = round(value * 0.98, digits), round(value * 1.02, digits)
        if value < 0:
            least, most = round(value - 1), round(value + 1)
        low, high = min(low, least), max(high, most)
        if key == "tonality":
            low, high = max(low, 0.0), min(high, 1.0)
        yield setting, [int(low), int(high)] if key == "notes" else [low, high]
    yield setting, None


def _value_of(phrase: Phrase, key: str) -> float | None:
    """What a condition is held against, as `callresp.reply.choose` takes it."""
    notes = phrase.notes
    length_s = phrase.offset_s - phrase.onset_s
    if key == "pitch_hz":
        pitches = sorted(note.pitch_hz for note in notes if note.pitch_hz is not None)
        return pitches[len(pitches) // 2] if pitches else None
    return {
        "notes": float(len(notes)),
        "length_s": length_s,
        "tonality": sum(note.tonality for note in notes) / len(notes),
        "per_s": (len(notes) - 1) / length_s if length_s > 0 else 0.0,
        "level_db": max(note.level_db for note in notes),
    }.get(key)
