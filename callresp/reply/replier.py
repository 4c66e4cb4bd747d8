"""Answering a heard score: phrase by phrase, in order of their ends.

The replier sees a phrase when it has closed and decides with what was heard
until then, and with its own manners; a seed makes every choice repeatable.
"""

from __future__ import annotations

import random
import statistics
from collections import Counter, deque
from collections.abc import Callable
from datetime import datetime, timedelta

import msgspec

from callresp.io.score import (
    HeardScore,
    Note,
    Phrase,
    ReplyHeader,
    ReplyNote,
    ReplyScore,
    Unanswered,
    phrases,
)
from callresp.listen.voices.phrases import Ending, endings
from callresp.palette.model import Palette
from callresp.reply import silences
from callresp.reply.choose import Moment, choose_rule
from callresp.reply.compose import Loudness, Stroke, compose, considered, ends_s
from callresp.reply.crackle import Crackle
from callresp.reply.echoes import KnownEcho, SingersRests, echo_for, falls_on, joined
from callresp.reply.memory import Memory, Recall
from callresp.reply.rules import Rule, RuleSet
from callresp.reply.selection import bound
from callresp.reply.turn_taking import Turns, VoiceActivity

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


class Replier:
    """Decides on one phrase after another.

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
        into_hour_s = 0.0 if start is None else 60.0 * start.minute + start.second
        self.turns = Turns(rules.manners, into_hour_s)
        self.memory = Memory()
        self.worked: Counter[str] = Counter()
        self._loudness = Loudness()
        self._ambient = AmbientLevel()
        self._recent: deque[float] = deque()
        self._notes = 0
        self._phrases = 0

    def clock_was_set(self, by_s: float) -> None:
        """The time of day was set by so much: conditions on it follow."""
        if self._start is not None:
            self._start += timedelta(seconds=by_s)
            self.turns.hour_was_set(by_s)

    def change_rules(self, rules: RuleSet) -> None:
        """Answer by other rules from now on; what was heard and replied stays known."""
        self.rules = bound(rules, self.palette)
        self.turns.manners = rules.manners

    def ended(self, phrase: Phrase) -> None:
        """Take note of a phrase that has closed, whether or not it is answered."""
        self._rests.closed(phrase)
        self._crackle.closed(phrase)

    def heard(self, note: Note) -> None:
        """Take note of a heard note, in order of onset."""
        self._loudness.heard(note)
        self._ambient.heard(note)
        self.turns.called(note.onset_s)
        self._recent.append(note.onset_s)
        while self._recent[0] < note.onset_s - 2 * DENSITY_S:
            self._recent.popleft()

    def _density(self, at_s: float) -> float:
        """Notes a second over the last ten seconds."""
        while self._recent and self._recent[0] < at_s - DENSITY_S:
            self._recent.popleft()
        return len(self._recent) / DENSITY_S

    def _moment(self, phrase: Phrase, recall: Recall) -> Moment:
        clock = None
        if self._start is not None:
            clock = (self._start + timedelta(seconds=phrase.offset_s)).time()
        return Moment(
            since_reply_s=phrase.offset_s - self.turns.last_end_s,
            novelty=recall.novelty,
            clock=clock,
            last_rule=recall.last_rule,
            tiredness=self.memory.tiredness(phrase.offset_s),
            echo=self.echo is not None,
        )

    def closed(
        self, phrase: Phrase, ending: Ending, activity: VoiceActivity
    ) -> list[ReplyNote] | Unanswered:
        """Answer a phrase that has closed, or say why not.

        Parameters
        ----------
        phrase
            Phrases come in the order in which they were known to be over.
        ending
            When that was known.
        activity
            What sounds; only times up to the reply's own notes are asked of it.
        """
        recall = self.memory.recall(phrase)
        self.ended(phrase)
        decision = self._decide(phrase, ending, recall, activity)
        rule = decision[0].rule if isinstance(decision, list) and decision else ""
        self.memory.heard(phrase.voice, recall, rule)
        return decision

    def consider(self, phrase: Phrase, recall: Recall) -> tuple[Rule, list[Stroke]] | Unanswered:
        """The rule that answers a phrase and its strokes, whenever they may sound."""
        crackle = self._crackle.count_with(phrase)
        if crackle and self.rules.manners.crackle == "leave":
            return self._silence(phrase, "manners", silences.crackle(crackle))
        rng = random.Random(f"{self.seed}/{phrase.id}")
        phrase = self._whole(phrase)
        rule = choose_rule(self.rules, phrase, self._moment(phrase, recall), rng)
        if isinstance(rule, str):
            return self._silence(phrase, "conditions", rule)
        top_db = self._loudness.top_db(phrase.offset_s)
        strokes = compose(phrase, rule, self.palette, top_db, rng, self.worked)
        if not strokes:
            number = 1 + self.rules.rule.index(rule)
            pitched = any(tone.pitch_hz is not None for tone in considered(phrase, rule))
            why = silences.no_striker(number, rule.name, pitched, rule.pitch == "table")
            return self._silence(phrase, rule.name, why)
        return rule, joined(strokes, rule, echo_for(rule, self.echo), self.palette)

    def wait_s(self, phrase: Phrase) -> float:
        """How long after the end of a phrase its reply is to begin."""
        rng = random.Random(f"{self.seed}/{phrase.id}/wait")
        return rng.uniform(*self.rules.manners.wait_s)

    def left_off(self, phrase: Phrase) -> None:
        """The answer to a phrase was broken off: the rest of the call brings it anew."""
        self._broken_off[phrase.voice] = phrase

    def _whole(self, phrase: Phrase) -> Phrase:
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

    def _decide(
        self, phrase: Phrase, ending: Ending, recall: Recall, activity: VoiceActivity
    ) -> list[ReplyNote] | Unanswered:
        if quiet := self.turns.busy(phrase, ending.known_s):
            return self._silence(phrase, "manners", quiet)
        chosen = self.consider(phrase, recall)
        if isinstance(chosen, Unanswered):
            return chosen
        rule, strokes = chosen
        start_s = self.turns.start(phrase, ending, self.wait_s(phrase), activity)
        if isinstance(start_s, str):
            return self._silence(phrase, "manners", start_s)
        if falls := self.echo_falls_on(phrase, rule, strokes, start_s):
            return self._silence(phrase, rule.name, falls)
        if ends_s(strokes, self.palette) > self.turns.share_left_s(start_s):
            share = self.rules.manners.share_max
            return self._silence(phrase, "manners", silences.had_its_share(share))
        stop_s = self.turns.interrupted(phrase, start_s, activity)
        if stop_s is not None and start_s + strokes[0].at_s >= stop_s:
            began_s = stop_s - self.rules.manners.reaction_s
            return self._silence(phrase, "manners", silences.cut_short(began_s))
        return self.reply(phrase, rule, strokes, start_s, stop_s)

    def _silence(self, phrase: Phrase, rule: str, why: str) -> Unanswered:
        return Unanswered(unanswered=phrase.id, at_s=phrase.onset_s, rule=rule, why=why)

    def reply(
        self,
        phrase: Phrase,
        rule: Rule,
        strokes: list[Stroke],
        start_s: float,
        stop_s: float | None,
    ) -> list[ReplyNote]:
        """The notes of a reply that starts at `start_s`, and must stop by `stop_s`."""
        kept = [s for s in strokes if stop_s is None or start_s + s.at_s < stop_s]
        notes = [self._struck(phrase, rule, stroke, start_s) for stroke in kept]
        end_s = start_s + ends_s(kept, self.palette)
        if stop_s is not None and stop_s < end_s:
            end_s = stop_s
            notes = [_left_off(note, stop_s) for note in notes]
        if len(kept) < len(strokes):
            self.left_off(phrase)
        if rule.turner and self.palette.turner_named(rule.turner):
            notes.append(self._turned(phrase, rule, start_s, end_s))
        self.turns.replied(phrase, start_s, end_s)
        self.memory.replied(start_s)
        self.worked.update(stroke.instrument for stroke in kept)
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


def _left_off(note: ReplyNote, stop_s: float) -> ReplyNote:
    """Damp a note that would ring into the song that made us leave off."""
    end_s = round(max(stop_s, note.onset_s + 0.05), 6)
    if note.offset_s is not None and note.offset_s <= end_s:
        return note
    why = f"{note.why}; leaves off for a call"
    return msgspec.structs.replace(note, offset_s=end_s, why=why)


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
        """Take note of a note, in order of onset; one without `snr_db` says nothing."""
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


def answer(
    heard: HeardScore,
    palette: Palette,
    rules: RuleSet,
    seed: int | None = None,
    echo: KnownEcho | None = None,
    progress: Callable[[float], None] = lambda share: None,
) -> ReplyScore:
    """Answer a whole heard score.

    Parameters
    ----------
    heard, palette, rules, seed, echo
        As for `Replier`.
    progress
        Told before each phrase which share of them is behind; what it raises ends it all.

    Returns
    -------
    ReplyScore
        Notes in order of onset, each with the heard note and rule it came
        from, and the phrases left unanswered, each with the reason.
    """
    start = None if heard.header.start is None else datetime.fromisoformat(heard.header.start)
    replier = Replier(palette, rules, seed, start, echo)
    ends = endings(heard.notes, heard.header.rest_s, heard.header.longest_phrase_s)
    beneath = rules.manners.sings_on == "beneath"
    activity = VoiceActivity(heard.notes, ends, beneath=beneath)
    coming = iter(heard.notes)
    waiting = next(coming, None)
    notes: list[ReplyNote] = []
    silences: list[Unanswered] = []
    order = sorted(phrases(heard.notes), key=lambda one: (ends[one.id].known_s, one.id))
    for number, phrase in enumerate(order):
        progress(number / len(order))
        ending = ends[phrase.id]
        while waiting is not None and waiting.onset_s <= ending.known_s:
            replier.heard(waiting)
            waiting = next(coming, None)
        decision = replier.closed(phrase, ending, activity)
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
