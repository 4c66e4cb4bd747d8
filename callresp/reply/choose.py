"""Which rule answers a phrase: those whose conditions it meets take turns by weight."""

from __future__ import annotations

import random

from callresp.reply.rules import Rule, RuleSet, When
from callresp.score import Phrase


def unmet(when: When, phrase: Phrase, since_reply_s: float) -> str | None:
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
    ):
        if not span[0] <= value <= span[1]:
            return f"{name} {value:.3g}{unit} is outside {span[0]:g} to {span[1]:g}"
    if when.pitch_hz is not None:
        pitches = sorted(note.pitch_hz for note in notes if note.pitch_hz is not None)
        if not pitches:
            return "it has no pitch"
        middle = pitches[len(pitches) // 2]
        if not when.pitch_hz[0] <= middle <= when.pitch_hz[1]:
            low, high = when.pitch_hz
            return f"pitch {middle:.0f} Hz is outside {low:g} to {high:g}"
    if when.since_reply_s > 0 and since_reply_s < when.since_reply_s:
        return f"only {since_reply_s:.1f} s since the last reply"
    return None


def choose_rule(
    rules: RuleSet, phrase: Phrase, since_reply_s: float, rng: random.Random
) -> Rule | str:
    """A rule for a phrase, drawn by weight; or why there is none."""
    reasons: list[str] = []
    fitting: list[Rule] = []
    for rule in rules.rule:
        reason = unmet(rule.when, phrase, since_reply_s)
        if reason is None and rule.weight > 0:
            fitting.append(rule)
        elif reason is not None:
            reasons.append(f"{rule.name}: {reason}")
    if not fitting:
        return "no rule fits (" + "; ".join(reasons) + ")"
    return rng.choices(fitting, weights=[rule.weight for rule in fitting])[0]
