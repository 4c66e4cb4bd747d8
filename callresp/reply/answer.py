"""Answering a heard score: phrase by phrase, in order of their ends.

The replier sees a phrase when it has closed and decides with what was heard
until then, and with its own manners; a seed makes every choice repeatable.
"""

from __future__ import annotations

import random
from collections.abc import Iterable

import msgspec

from callresp.palette.model import Palette
from callresp.reply.choose import choose_rule
from callresp.reply.compose import Loudness, Stroke, compose, ends_s
from callresp.reply.rules import Rule, RuleSet
from callresp.reply.turns import Singing, Turns
from callresp.score import (
    HeardScore,
    Note,
    Phrase,
    ReplyHeader,
    ReplyNote,
    ReplyScore,
    Unanswered,
    phrases,
)


class Replier:
    """Decides on one phrase after another.

    Parameters
    ----------
    palette, rules
        What it plays on and by which rules.
    seed
        Of its choices; the rule set's own by default.
    """

    def __init__(self, palette: Palette, rules: RuleSet, seed: int | None = None) -> None:
        self.palette = palette
        self.rules = rules
        self.seed = rules.seed if seed is None else seed
        self.turns = Turns(rules.manners)
        self._loudness = Loudness()
        self._last_call_s = float("-inf")
        self._notes = 0
        self._phrases = 0

    def heard(self, note: Note) -> None:
        """Take note of a heard note, in order of onset."""
        self._loudness.heard(note)

    def closed(self, phrase: Phrase, singing: Singing) -> list[ReplyNote] | Unanswered:
        """Answer a phrase that has closed, or say why not.

        Parameters
        ----------
        phrase
            Phrases come in order of their ends.
        singing
            What sounds; only times up to the reply's own notes are asked of it.
        """
        rng = random.Random(f"{self.seed}/{phrase.id}")
        since_s = phrase.offset_s - self.turns.last_end_s
        rule = choose_rule(self.rules, phrase, since_s, rng)
        if isinstance(rule, str):
            return self._silence(phrase, "conditions", rule)
        top_db = self._loudness.top_db(phrase.offset_s)
        strokes = compose(phrase, rule, self.palette, top_db, rng)
        if not strokes:
            return self._silence(phrase, rule.name, "no striker for any of its notes")
        wait_s = rng.uniform(*self.rules.manners.wait_s)
        start_s = self.turns.start(phrase, wait_s, singing)
        if isinstance(start_s, str):
            return self._silence(phrase, "manners", start_s)
        if ends_s(strokes, self.palette) > self.turns.share_left_s(start_s):
            share = self.rules.manners.share_max
            return self._silence(phrase, "manners", f"it has had its {share:.0%} of this minute")
        stop_s = self.turns.interrupted(phrase, start_s, singing)
        return self._reply(phrase, rule, strokes, start_s, stop_s)

    def _silence(self, phrase: Phrase, rule: str, why: str) -> Unanswered:
        return Unanswered(unanswered=phrase.id, at_s=phrase.onset_s, rule=rule, why=why)

    def _reply(
        self,
        phrase: Phrase,
        rule: Rule,
        strokes: list[Stroke],
        start_s: float,
        stop_s: float | None,
    ) -> list[ReplyNote]:
        kept = [s for s in strokes if stop_s is None or start_s + s.at_s < stop_s]
        notes = [self._struck(phrase, rule, stroke, start_s) for stroke in kept]
        end_s = start_s + ends_s(kept, self.palette)
        if stop_s is not None and len(kept) < len(strokes):
            end_s = min(end_s, stop_s)
            notes = [_left_off(note, stop_s) for note in notes]
        if rule.turner and self.palette.turner_named(rule.turner):
            notes.append(self._turned(phrase, rule, start_s, end_s))
        self.turns.replied(start_s, end_s)
        self._phrases += 1
        numbered = [
            msgspec.structs.replace(note, id=self._notes + n) for n, note in enumerate(notes)
        ]
        self._notes += len(notes)
        return numbered

    def _struck(self, phrase: Phrase, rule: Rule, stroke: Stroke, start_s: float) -> ReplyNote:
        onset_s = round(start_s + stroke.at_s, 6)
        length_s = stroke.length_s
        return ReplyNote(
            id=0,
            onset_s=onset_s,
            offset_s=None if length_s is None else round(onset_s + length_s, 6),
            instrument=stroke.instrument,
            force=round(stroke.force, 4),
            phrase=self._phrases,
            heard=stroke.heard,
            heard_phrase=phrase.id,
            rule=rule.name,
            why=stroke.why,
            asked_hz=stroke.asked_hz,
        )

    def _turned(self, phrase: Phrase, rule: Rule, start_s: float, end_s: float) -> ReplyNote:
        return ReplyNote(
            id=0,
            onset_s=round(start_s, 6),
            offset_s=round(max(end_s, start_s + 0.1), 6),
            instrument=rule.turner,
            force=rule.turner_force,
            phrase=self._phrases,
            heard=None,
            heard_phrase=phrase.id,
            rule=rule.name,
            why=f"turns along with the reply to phrase {phrase.id}",
        )


def _left_off(note: ReplyNote, stop_s: float) -> ReplyNote:
    """Damp a note that would ring into the song that made us leave off."""
    end_s = round(max(stop_s, note.onset_s + 0.05), 6)
    if note.offset_s is not None and note.offset_s <= end_s:
        return note
    why = f"{note.why}; leaves off for a call"
    return msgspec.structs.replace(note, offset_s=end_s, why=why)


def answer(
    heard: HeardScore, palette: Palette, rules: RuleSet, seed: int | None = None
) -> ReplyScore:
    """Answer a whole heard score.

    Returns
    -------
    ReplyScore
        Notes in order of onset, each with the heard note and rule it came
        from, and the phrases left unanswered, each with the reason.
    """
    replier = Replier(palette, rules, seed)
    singing = Singing(heard.notes)
    coming = iter(heard.notes)
    waiting = next(coming, None)
    notes: list[ReplyNote] = []
    silences: list[Unanswered] = []
    for phrase in by_end(phrases(heard.notes)):
        while waiting is not None and waiting.onset_s <= phrase.offset_s:
            replier.heard(waiting)
            waiting = next(coming, None)
        decision = replier.closed(phrase, singing)
        if isinstance(decision, Unanswered):
            silences.append(decision)
        else:
            notes.extend(decision)
    notes.sort(key=lambda note: (note.onset_s, note.id))
    header = ReplyHeader(
        recording=heard.header.recording,
        start=heard.header.start,
        duration_s=heard.header.duration_s,
        palette=palette.name,
        rules=rules.name,
        seed=replier.seed,
    )
    silences.sort(key=lambda silence: silence.at_s)
    return ReplyScore(header=header, notes=tuple(notes), unanswered=tuple(silences))


def by_end(run: Iterable[Phrase]) -> list[Phrase]:
    """Phrases in order of their ends, as they close."""
    return sorted(run, key=lambda phrase: (phrase.offset_s, phrase.id))
