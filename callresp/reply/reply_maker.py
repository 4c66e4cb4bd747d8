"""By which notes a phrase is answered: a rule for it, and that rule's strokes.

By all that was heard and replied until then; when a reply is made, `callresp.reply.replier` says.
A seed makes every choice repeatable.
"""

from __future__ import annotations

import random
import statistics
from collections import Counter, deque
from collections.abc import Iterable
from datetime import datetime, timedelta

import msgspec

from callresp.io.score import Note, Phrase, ReplyNote, Unanswered
from callresp.palette.model import Palette
from callresp.reply import silences
from callresp.reply.choose import Moment, choose_rule
from callresp.reply.compose import RecentPeak, Stroke, compose, considered, ends_s
from callresp.reply.crackle import Crackle
from callresp.reply.echoes import KnownEcho, SingersRests, echo_for, falls_on, joined
from callresp.reply.memory import Memory, Recall
from callresp.reply.rules import Rule, RuleSet
from callresp.reply.selection import bound

DENSITY_S = 10.0
# Calls at this rate bring a turner that follows them to its fastest.
DENSE_PER_S = 8.0
# So much above its quietest, wind and water bring one that follows them to its fastest.
LOUD_PLACE_DB = 20.0
# Fewer notes than before, so soon after, belong to the call whose answer they broke off.
REST_OF_CALL_S = 2.0
# The place is as loud as its floor of so many seconds, against the quietest of the last hour.
PLACE_NOW_S = 15.0
PLACE_HOUR_S = 3600.0


class ReplyMaker:
    """Chooses rules and makes replies.

    Parameters
    ----------
    palette, rules
        What it plays on and by which rules.
    seed
        Of its choices; the rule set's own by default.
    start
        When second 0 was, for conditions on the time of day.
    echo
        The return of the place that rules with `echo` act on; `None` if none is known.
        It may be set anew as the air changes.
    """

    def __init__(
        self,
        palette: Palette,
        rules: RuleSet,
        seed: int | None = None,
        start: datetime | None = None,
        echo: KnownEcho | None = None,
    ) -> None:
        self.palette = palette
        self.echo = echo
        self._rests = SingersRests()
        self._crackle = Crackle()
        self._broken_off: dict[str, Phrase] = {}  # calls whose answers were, by voice
        self.rules = bound(rules, palette)
        self.seed = rules.seed if seed is None else seed
        self._start = start
        self.memory = Memory()
        self.worked: Counter[str] = Counter()
        self._loudness = RecentPeak()
        self._ambient = AmbientLevel()
        self._recent: deque[float] = deque()
        self._notes = 0
        self._phrases = 0

    def clock_was_set(self, by_s: float) -> None:
        """The time of day was set by so much: conditions on it follow."""
        if self._start is not None:
            self._start += timedelta(seconds=by_s)

    def change_rules(self, rules: RuleSet) -> None:
        """Answer by other rules from now on; what was heard and replied stays known."""
        self.rules = bound(rules, self.palette)

    def ended(self, phrase: Phrase) -> Recall:
        """Take note of a phrase that has closed; returns what is remembered of it."""
        self._rests.closed(phrase)
        self._crackle.closed(phrase)
        return self.memory.recall(phrase)

    def heard(self, note: Note) -> None:
        """Take note of a heard note, in order of its end."""
        self._loudness.heard(note)
        self._ambient.heard(note)
        self._recent.append(note.onset_s)
        while self._recent[0] < note.onset_s - 2 * DENSITY_S:
            self._recent.popleft()

    def _density(self, at_s: float) -> float:
        """Notes a second over the last ten seconds."""
        while self._recent and self._recent[0] < at_s - DENSITY_S:
            self._recent.popleft()
        return len(self._recent) / DENSITY_S

    def _moment(self, phrase: Phrase, recall: Recall, last_end_s: float) -> Moment:
        clock = None
        if self._start is not None:
            clock = (self._start + timedelta(seconds=phrase.offset_s)).time()
        return Moment(
            since_reply_s=phrase.offset_s - last_end_s,
            novelty=recall.novelty,
            clock=clock,
            last_rule=recall.last_rule,
            tiredness=self.memory.tiredness(phrase.offset_s),
            echo=self.echo is not None,
        )

    def refused(self, call: Phrase, recall: Recall, last_end_s: float) -> Unanswered | None:
        """Why a call that is over is not answered, whatever is sung next; `None` if it may be.

        `last_end_s` is the end of the last reply.
        """
        crackle = self._crackle.count_with(call)
        if crackle and self.rules.manners.crackle == "leave":
            return silences.left_alone(call, "manners", silences.crackle(crackle))
        chosen = self._chosen(call, recall, last_end_s, self._rng(call))
        return chosen if isinstance(chosen, Unanswered) else None

    def made(
        self, phrase: Phrase, recall: Recall, last_end_s: float
    ) -> tuple[Rule, list[Stroke]] | Unanswered:
        """The rule that answers a call now, and its strokes; as `refused`."""
        rng = self._rng(phrase)
        rule = self._chosen(phrase, recall, last_end_s, rng)
        if isinstance(rule, Unanswered):
            return rule
        top_db = self._loudness.top_db(phrase.offset_s)
        strokes = compose(phrase, rule, self.palette, top_db, rng, self.worked)
        if not strokes:
            number = 1 + self.rules.rule.index(rule)
            pitched = any(tone.pitch_hz is not None for tone in considered(phrase, rule))
            why = silences.no_striker(number, rule.name, pitched, rule.pitch == "table")
            return silences.left_alone(phrase, rule.name, why)
        return rule, joined(strokes, rule, echo_for(rule, self.echo), self.palette)

    def _rng(self, phrase: Phrase) -> random.Random:
        return random.Random(f"{self.seed}/{phrase.id}")

    def _chosen(
        self, phrase: Phrase, recall: Recall, last_end_s: float, rng: random.Random
    ) -> Rule | Unanswered:
        rule = choose_rule(self.rules, phrase, self._moment(phrase, recall, last_end_s), rng)
        return silences.left_alone(phrase, "conditions", rule) if isinstance(rule, str) else rule

    def wait_s(self, phrase: Phrase) -> float:
        """How long after the end of a phrase its reply is to begin."""
        rng = random.Random(f"{self.seed}/{phrase.id}/wait")
        return rng.uniform(*self.rules.manners.wait_s)

    def left_off(self, phrase: Phrase, unstruck: Iterable[Stroke]) -> None:
        """The answer to a phrase was broken off: the rest of the call brings it anew."""
        self._broken_off[phrase.voice] = phrase
        self.worked.subtract(stroke.instrument for stroke in unstruck)

    def whole(self, phrase: Phrase) -> Phrase:
        """A phrase, with that before it where it is only the rest of that call."""
        before = self._broken_off.pop(phrase.voice, None)
        if before is None or phrase.onset_s > before.offset_s + REST_OF_CALL_S:
            return phrase
        if len(phrase.notes) >= len(before.notes):
            return phrase
        return msgspec.structs.replace(phrase, notes=before.notes + phrase.notes)

    def echo_falls_on(
        self, phrase: Phrase, rule: Rule, strokes: list[Stroke], start_s: float
    ) -> str | None:
        """Why a reply must not start then, by the rule that keeps its echo off the singer."""
        echo = echo_for(rule, self.echo)
        if rule.echo != "clear" or echo is None:
            return None
        over_s = falls_on(phrase, strokes, start_s, echo, self._rests)
        return None if over_s is None else silences.echo_falls_on(phrase.voice, over_s)

    def reply(
        self, phrase: Phrase, rule: Rule, strokes: list[Stroke], start_s: float
    ) -> list[ReplyNote]:
        """The notes of a reply that starts at `start_s`."""
        notes = [self._struck(phrase, rule, stroke, start_s) for stroke in strokes]
        if rule.turner and self.palette.turner_named(rule.turner):
            end_s = start_s + ends_s(strokes, self.palette)
            notes.append(self._turned(phrase, rule, start_s, end_s))
        self.memory.replied(start_s)
        self.worked.update(stroke.instrument for stroke in strokes)
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
        force, why = rule.turner_force, f"turns along with the reply to phrase {phrase.id}"
        if rule.turner_follows == "calls":
            density = self._density(phrase.offset_s)
            force = min(1.0, force + (1 - force) * density / DENSE_PER_S)
            why += f", at {density:.1f} calls a second"
        elif rule.turner_follows == "place":
            risen_db = self._ambient.risen_db(phrase.offset_s)
            force = min(1.0, force + (1 - force) * risen_db / LOUD_PLACE_DB)
            why += f", with the place {risen_db:.0f} dB above its quietest"
        return ReplyNote(
            id=0,
            onset_s=round(start_s, 6),
            offset_s=round(max(end_s, start_s + 0.1), 6),
            instrument=rule.turner,
            force=round(force, 4),
            phrase=self._phrases,
            heard=None,
            heard_phrase=phrase.id,
            rule=rule.name,
            why=why,
        )


class AmbientLevel:
    """How loud the place is, told from the notes themselves.

    A heard note carries its level and how far it stands above the floor in its own band; the
    difference is the floor: wind and water, at that moment, near that pitch. The median over
    some seconds smooths what single notes get wrong.
    """

    def __init__(self) -> None:
        self._now: deque[tuple[float, float]] = deque()
        self._minutes: deque[tuple[float, float]] = deque()

    def heard(self, note: Note) -> None:
        """Take note of a note; one without `snr_db` says nothing."""
        if note.snr_db <= 0:
            return
        self._now.append((note.onset_s, note.level_db - note.snr_db))
        while self._now[0][0] < note.onset_s - PLACE_NOW_S:
            self._now.popleft()
        if not self._minutes or note.onset_s - self._minutes[-1][0] >= PLACE_NOW_S:
            self._minutes.append((note.onset_s, self._floor_db()))
            while self._minutes[0][0] < note.onset_s - PLACE_HOUR_S:
                self._minutes.popleft()

    def _floor_db(self) -> float:
        return statistics.median(level for _, level in self._now)

    def risen_db(self, at_s: float) -> float:
        """How far the floor stands above its quietest of the last hour; 0 while unknown."""
        if not self._now or self._now[-1][0] < at_s - PLACE_NOW_S or not self._minutes:
            return 0.0
        return max(self._floor_db() - min(level for _, level in self._minutes), 0.0)
