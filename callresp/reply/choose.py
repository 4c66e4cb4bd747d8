"""Which rule answers a phrase: those whose conditions it meets take turns by weight."""

from __future__ import annotations

import random
from dataclasses import dataclass
from datetime import time

from callresp.io.score import Phrase
from callresp.reply.rules import Rule, RuleSet, When


@dataclass(frozen=True, slots=True)
class Moment:
    """What is known beside the phrase itself when a rule is chosen.

    `clock` is the time of day, or `None` where the recording's start is not known.
    """

    since_reply_s: float
    novelty: float = 1.0
    clock: time | None = None
    last_rule: str = ""
    tiredness: int = 0


def unmet(when: When, phrase: Phrase, moment: Moment) -> str | None:
    """The first condition that a phrase does not meet, in words; `None` if it meets all."""
    notes = phrase.notes
    length_s = phrase.offset_s - phrase.onset_s
    tonality = sum(note.tonality for note in notes) / len(notes)
    loudest = max(note.level_db for note in notes)
    per_s = (len(notes) - 1) / length_s if length_s > 0 else 0.0
    if when.voices and phrase.voice not in when.voices:
        return f"voice {phrase.voice} is not one of {', '.join(when.voices)}"
    for name, value, span, unit in (
        ("notes", len(notes), when.notes, ""),
        ("length", length_s, when.length_s, " s"),
        ("tonality", tonality, when.tonality, ""),
        ("rate", per_s, when.per_s, " notes/s"),
        ("level", loudest, when.level_db, " dB"),
        ("novelty", moment.novelty, when.novelty, ""),
    ):
        if not span[0] <= value <= span[1]:
            return f"{name} {value:.3g}{unit} is outside {span[0]:g} to {span[1]:g}"
    return _pitch_unmet(when, phrase) or _time_unmet(when, moment)


def _pitch_unmet(when: When, phrase: Phrase) -> str | None:
    if when.pitch_hz is None:
        return None
    pitches = sorted(note.pitch_hz for note in phrase.notes if note.pitch_hz is not None)
    if not pitches:
        return "it has no pitch"
    middle = pitches[len(pitches) // 2]
    low, high = when.pitch_hz
    if low <= middle <= high:
        return None
    return f"pitch {middle:.0f} Hz is outside {low:g} to {high:g}"


def _time_unmet(when: When, moment: Moment) -> str | None:
    if when.since_reply_s > 0 and moment.since_reply_s < when.since_reply_s:
        return f"only {moment.since_reply_s:.1f} s since the last reply"
    if when.clock is None:
        return None
    if moment.clock is None:
        return "the time of day is not known"
    first, last = (time.fromisoformat(text) for text in when.clock)
    now = moment.clock
    inside = first <= now <= last if first <= last else (now >= first or now <= last)
    return None if inside else f"it is {now:%H:%M}, outside {when.clock[0]} to {when.clock[1]}"


def choose_rule(rules: RuleSet, phrase: Phrase, moment: Moment, rng: random.Random) -> Rule | str:
    """A rule for a phrase, drawn by weight; or why there is none."""
    reasons: list[str] = []
    fitting: list[Rule] = []
    for rule in rules.rule:
        reason = unmet(rule.when, phrase, moment)
        if reason is not None:
            reasons.append(f"{rule.name}: {reason}")
        elif rule.weight > 0:
            fitting.append(rule)
    if not fitting:
        return "no rule fits (" + "; ".join(reasons) + ")"
    others = [rule for rule in fitting if not (rule.varies and rule.name == moment.last_rule)]
    fitting = others or fitting
    weights = [rule.weight * rule.fatigue**moment.tiredness for rule in fitting]
    # The share that tiredness has taken is a share of silences.
    rested = sum(rule.weight for rule in fitting)
    if rng.random() * rested > sum(weights):
        return f"tired after {moment.tiredness} replies in five minutes"
    return rng.choices(fitting, weights=weights)[0]
