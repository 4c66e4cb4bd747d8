"""Which rule answers a phrase: those whose conditions it meets take turns by weight."""

from __future__ import annotations

import random
from dataclasses import dataclass
from datetime import time

from callresp.io.score import Phrase
from callresp.reply import silences
from callresp.reply.rules import Rule, RuleSet, When


@dataclass(frozen=True, slots=True)
class Moment:
    """What is known beside the phrase itself when a rule is chosen.

    `clock` is the time of day, or `None` where the recording's start is not known; `echo`
    says whether an echo of the place is known.
    """

    since_reply_s: float
    novelty: float = 1.0
    clock: time | None = None
    last_rule: str = ""
    tiredness: int = 0
    echo: bool = False


def unmet(when: When, phrase: Phrase, moment: Moment) -> tuple[str, str] | None:
    """The first condition that a phrase does not meet and how; `None` if it meets all."""
    notes = phrase.notes
    length_s = phrase.offset_s - phrase.onset_s
    tonality = sum(note.tonality for note in notes) / len(notes)
    loudest = max(note.level_db for note in notes)
    per_s = (len(notes) - 1) / length_s if length_s > 0 else 0.0
    if when.voices and phrase.voice not in when.voices:
        return "voices", f"voice {phrase.voice} is not one of {', '.join(when.voices)}"
    for key, name, value, unit in (
        ("notes", "notes", len(notes), ""),
        ("length_s", "length", length_s, " s"),
        ("tonality", "tonality", tonality, ""),
        ("per_s", "rate", per_s, " notes/s"),
        ("level_db", "level", loudest, " dB"),
        ("novelty", "novelty", moment.novelty, ""),
    ):
        low, high = getattr(when, key)
        if not low <= value <= high:
            return key, f"{name} {value:.3g}{unit} is outside {low:g} to {high:g}"
    return _pitch_unmet(when, phrase) or _time_unmet(when, moment)


def _pitch_unmet(when: When, phrase: Phrase) -> tuple[str, str] | None:
    if when.pitch_hz is None:
        return None
    pitches = sorted(note.pitch_hz for note in phrase.notes if note.pitch_hz is not None)
    if not pitches:
        return "pitch_hz", "it has no pitch"
    middle = pitches[len(pitches) // 2]
    low, high = when.pitch_hz
    if low <= middle <= high:
        return None
    return "pitch_hz", f"pitch {middle:.0f} Hz is outside {low:g} to {high:g}"


def _time_unmet(when: When, moment: Moment) -> tuple[str, str] | None:
    if when.since_reply_s > 0 and moment.since_reply_s < when.since_reply_s:
        return "since_reply_s", f"only {moment.since_reply_s:.1f} s since the last reply"
    if when.clock is None:
        return None
    if moment.clock is None:
        return "clock", "the time of day is not known"
    first, last = (time.fromisoformat(text) for text in when.clock)
    now = moment.clock
    inside = first <= now <= last if first <= last else (now >= first or now <= last)
    if inside:
        return None
    return "clock", f"it is {now:%H.%M}, outside {when.clock[0]} to {when.clock[1]}"


def choose_rule(rules: RuleSet, phrase: Phrase, moment: Moment, rng: random.Random) -> Rule | str:
    """A rule for a phrase, drawn by weight; or why there is none."""
    reasons: list[tuple[int, str, str, str]] = []
    fitting: list[Rule] = []
    for number, rule in enumerate(rules.rule, start=1):
        missed = unmet(rule.when, phrase, moment)
        if missed is not None:
            reasons.append((number, rule.name, f"when.{missed[0]}", missed[1]))
        elif rule.echo != "none" and not (moment.echo or rule.echo_s):
            reasons.append((number, rule.name, "echo_s", "no echo of the place is known"))
        elif rule.weight > 0:
            fitting.append(rule)
    if not fitting:
        return silences.no_rule_fits(reasons)
    others = [rule for rule in fitting if not (rule.varies and rule.name == moment.last_rule)]
    fitting = others or fitting
    weights = [rule.weight * rule.fatigue**moment.tiredness for rule in fitting]
    # The share that tiredness has taken is a share of silences.
    rested = sum(rule.weight for rule in fitting)
    if rng.random() * rested > sum(weights):
        return silences.tired(moment.tiredness)
    return rng.choices(fitting, weights=weights)[0]
