"""Answering what is heard, as it happens: which phrases, when, and when to leave off.

One path decides, live and at the desk. What begins, what ends and which phrases are over comes
in by its time, and `Replier.tick` gives what to play from then on. Live the sound brings that
(`callresp.reply.live`); `answer` feeds a recording's notes in the order in which they happened,
so that what is auditioned at the desk is what the machine does in the field. What comes later
than a moment can't change what was done by then.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from datetime import datetime
from itertools import pairwise

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
from callresp.listen.voices.phrases import STEADY_S, PhraseEnding, endings
from callresp.palette.model import Palette
from callresp.reply import silences
from callresp.reply.compose import Stroke, ends_s
from callresp.reply.echoes import KnownEcho
from callresp.reply.memory import Recall
from callresp.reply.reply_maker import ReplyMaker
from callresp.reply.rules import RuleSet
from callresp.reply.turn_taking import CUTS, SETTLE_S, Turns

_BEGAN, _ENDED, _OVER = range(3)  # in the order in which they are taken at one moment


@dataclass(slots=True)
class Waiting:
    """A call whose answer waits for a rest.

    `whole` is the phrase, with that before it where it is only the rest of that call. `missed` is
    whether there was a rest, in which the machine itself still sounded, or rested.
    """

    phrase: Phrase
    whole: Phrase
    goes_on: bool
    recall: Recall
    wanted_s: float
    due_s: float
    latest_s: float
    missed: bool = False


@dataclass(frozen=True, slots=True)
class _Playing:
    """A reply that sounds, and whom it leaves off for."""

    phrase: Phrase
    strokes: list[Stroke]
    start_s: float
    end_s: float
    watched: str | None


class Replier:
    """Decides on one phrase after another, and when its answer begins.

    Parameters
    ----------
    palette, rules, seed, start, echo
        As of `callresp.reply.reply_maker.ReplyMaker`.

    Attributes
    ----------
    silences : list of Unanswered
        Phrases that were not answered, and why; the caller may empty it.
    inhibited : str or None
        Why nothing is answered for now, whatever is heard.
    due_s : float
        When the last reply could have begun, by the rules and by the notes' own
        times: what it came later than this is the listener's and our delay.
    """

    def __init__(
        self,
        palette: Palette,
        rules: RuleSet,
        seed: int | None = None,
        start: datetime | None = None,
        echo: KnownEcho | None = None,
    ) -> None:
        self._palette = palette
        self._maker = ReplyMaker(palette, rules, seed, start, echo)
        into_hour_s = 0.0 if start is None else 60.0 * start.minute + start.second
        self._turns = Turns(rules.manners, into_hour_s)
        self._open: dict[int, Note] = {}  # of phrases that have not ended, by number
        self._sounding: dict[int, tuple[str, float]] = {}
        self._silent_since_s: dict[str, float] = {}
        self._cuts: dict[str, int] = {}  # phrases in a row cut from song that goes on
        self._waiting: list[Waiting] = []  # in the order in which their phrases ended
        self._playing: _Playing | None = None
        self.silences: list[Unanswered] = []
        self.inhibited: str | None = None
        self.due_s = 0.0

    @property
    def seed(self) -> int:
        """The seed of its choices."""
        return self._maker.seed

    @property
    def answers(self) -> Phrase | None:
        """The phrase that the reply which sounds now answers."""
        return None if self._playing is None else self._playing.phrase

    def change_rules(self, rules: RuleSet) -> None:
        """Answer by other rules from now on; replies that wait are given up."""
        self._maker.change_rules(rules)
        self._turns.manners = rules.manners
        self._give_up_all(silences.rules_changed())

    def echo_is(self, echo: KnownEcho) -> None:
        """The place's return has moved, as the air grew warmer or colder."""
        self._maker.echo = echo

    def clock_was_set(self, by_s: float) -> None:
        """The time of day was set by so much: conditions on it follow."""
        self._maker.clock_was_set(by_s)
        self._turns.hour_was_set(by_s)

    def left_off(self, now_s: float) -> None:
        """The reply that is being played was taken back, for whatever reason."""
        self._playing = None
        self._turns.left_off(now_s)

    def began(self, key: int, voice: str, now_s: float) -> float | None:
        """Somebody begins to sing.

        Parameters
        ----------
        key
            By which `heard` or `dropped` will end it.
        voice
            Who it may be; a guess.
        now_s

        Returns
        -------
        float or None
            When the reply that is being played must have left off.
        """
        self._sounding[key] = (voice, now_s)
        self._turns.called(now_s)
        manners, playing = self._turns.manners, self._playing
        if playing is None or not manners.leave_off or manners.give_way == "nobody":
            return None
        if not playing.start_s < now_s < playing.end_s or playing.watched not in (None, voice):
            return None
        if self._ignores(voice):
            return None
        stop_s = now_s + manners.reaction_s
        unstruck = [one for one in playing.strokes if playing.start_s + one.at_s >= stop_s]
        if unstruck:
            self._maker.left_off(playing.phrase, unstruck)
        self.left_off(stop_s)
        return stop_s

    def dropped(self, key: int) -> None:
        """What began came to nothing, or was no call."""
        self._sounding.pop(key, None)

    def heard(self, note: Note, key: int | None = None) -> None:
        """A note has ended; `key` is that by which it began, if it did."""
        if key is not None:
            self.dropped(key)
        silent_s = self._silent_since_s.get(note.voice, note.offset_s)
        self._silent_since_s[note.voice] = max(silent_s, note.offset_s)
        self._open[note.id] = note
        self._turns.called(note.onset_s)
        self._maker.heard(note)

    def ended(self, phrase: Phrase, ending: PhraseEnding) -> Recall:
        """A phrase is over: its reply waits from now on, or it is left alone.

        Parameters
        ----------
        phrase
            All of whose notes were `heard`.
        ending
            When it was over; it is known now.

        Returns
        -------
        Recall
            What was remembered of it.
        """
        for note in phrase.notes:
            self._open.pop(note.id, None)
        self._cuts[phrase.voice] = self._cuts.get(phrase.voice, 0) + 1 if ending.goes_on else 0
        recall = self._maker.ended(phrase)
        if why := self.inhibited or self._turns.quiet(phrase):
            self._maker.memory.heard(phrase.voice, recall, "")
            self.leave_alone(phrase, why)
            return recall
        whole = self._maker.whole(phrase)
        if refused := self._maker.refused(whole, recall, self._turns.last_end_s):
            self._maker.memory.heard(phrase.voice, recall, "")
            self.silences.append(refused)
            return recall
        ready_s = phrase.offset_s + self._maker.wait_s(phrase)
        wanted_s, due_s = max(ready_s, ending.known_s), max(ready_s, ending.over_s)
        # Who gives way to nobody waits for no silence, but only to know that the call is over.
        watches, _ = self._turns.watched(phrase)
        latest_s = (due_s if watches else wanted_s) + self._turns.manners.patience_s
        self._waiting.append(
            Waiting(phrase, whole, ending.goes_on, recall, wanted_s, due_s, latest_s)
        )
        return recall

    def tick(self, now_s: float) -> list[ReplyNote]:
        """What to play, decided by now: notes that start at `now_s` or later."""
        # The latest call first: to a listener an answer belongs to what was just sung. Once it has
        # begun the others miss the rest that it took, which `_begin` notes.
        latest = reversed(list(self._waiting))
        return [made for waiting in latest for made in self._begin(waiting, now_s)]

    def next_s(self, now_s: float) -> float:
        """When a reply that waits may begin or be given up, if nothing more is heard till then."""
        if not self._waiting:
            return math.inf
        times = [self._free_s(), self._settled_s()]
        times += [since_s + STEADY_S for _, since_s in self._sounding.values()]
        for one in self._waiting:
            times += [one.wanted_s, math.nextafter(one.latest_s, math.inf)]
        return min((at_s for at_s in times if at_s > now_s), default=math.inf)

    def _begin(self, waiting: Waiting, now_s: float) -> list[ReplyNote]:
        if now_s < waiting.wanted_s:
            return []
        turns, manners, phrase = self._turns, self._turns.manners, waiting.phrase
        if self.inhibited is not None:
            return self._give_up(waiting, self.inhibited)
        if now_s > waiting.latest_s:
            if waiting.missed or self._free_s() > waiting.latest_s:
                return self._give_up(waiting, turns.own_reason(phrase.offset_s))
            sings = self._sings(phrase.voice)
            return self._give_up(
                waiting, turns.no_gap(phrase, sings=sings, goes_on=waiting.goes_on)
            )
        watches, voice = turns.watched(phrase)
        # Who gives way to nobody waits for a breath, too, where a call was cut from song.
        waits = watches or waiting.goes_on
        if waits and not self._settled(phrase.voice, watches and voice is None, now_s):
            return []
        if now_s < self._free_s():
            waiting.missed = True
            return []
        made = self._maker.made(waiting.whole, waiting.recall, turns.last_end_s)
        if isinstance(made, Unanswered):
            return self._give_up(waiting, made.why, made.rule)
        rule, strokes = made
        falls = self._maker.echo_falls_on(phrase, rule, strokes, now_s)
        if falls is not None:
            return self._give_up(waiting, falls, rule.name)
        length_s = ends_s(strokes, self._palette)
        if length_s > turns.share_left_s(now_s):
            return self._give_up(waiting, silences.had_its_share(manners.share_max))
        self.due_s = max(
            waiting.due_s,
            self._free_s(),
            self._settled_s() if watches and voice is None else 0.0,
        )
        self._waiting.remove(waiting)
        notes = self._maker.reply(phrase, rule, strokes, now_s)
        turns.replied(phrase, now_s, now_s + length_s)
        self._maker.memory.heard(phrase.voice, waiting.recall, rule.name)
        self._playing = _Playing(phrase, strokes, now_s, now_s + length_s, voice)
        return notes

    def _give_up(self, waiting: Waiting, why: str, rule: str = "manners") -> list[ReplyNote]:
        self._waiting.remove(waiting)
        self._maker.memory.heard(waiting.phrase.voice, waiting.recall, "")
        self.leave_alone(waiting.phrase, why, rule)
        return []

    def _give_up_all(self, why: str) -> None:
        for waiting in list(self._waiting):
            self._give_up(waiting, why)

    def _goes_to(self, before: Phrase, phrase: Phrase, recall: Recall) -> None:
        """A phrase that has ended, and was not answered, turns out to be another voice's."""
        for waiting in self._waiting:
            if waiting.phrase is before:
                waiting.phrase = phrase
                waiting.whole = msgspec.structs.replace(waiting.whole, voice=phrase.voice)
                return
        self._maker.memory.renamed(recall, before.voice, phrase.voice)

    def leave_alone(self, phrase: Phrase, why: str, rule: str = "manners") -> None:
        """Take note of a phrase that is not answered, and of what is to blame."""
        self.silences.append(silences.left_alone(phrase, rule, why))

    def _free_s(self) -> float:
        """When the machine has sounded, and rested."""
        return self._turns.last_end_s + self._turns.manners.rest_s

    def _ignores(self, voice: str) -> bool:
        """Whether a voice hardly rests, and the machine sounds beneath it."""
        beneath = self._turns.manners.sings_on == "beneath"
        return beneath and self._cuts.get(voice, 0) >= CUTS

    def _sings(self, voice: str) -> bool:
        """Whether a voice has a phrase that is not over."""
        return any(note.voice == voice for note in self._open.values())

    def _settled_s(self) -> float:
        """When all who are given way to have been silent for a moment, as far as is known."""
        known = (at_s for v, at_s in self._silent_since_s.items() if not self._ignores(v))
        return max(known, default=0.0) + SETTLE_S

    def _settled(self, caller: str, everyone: bool, now_s: float) -> bool:
        """Whether the caller's phrase is over, and others have been silent for a moment."""
        for voice, since_s in self._sounding.values():
            heeded = (everyone or voice == caller) and not self._ignores(voice)
            if heeded and now_s < since_s + STEADY_S:
                return False
        if everyone and self._settled_s() > now_s:
            return False
        return self._ignores(caller) or not self._sings(caller)


def answer(
    heard: HeardScore,
    palette: Palette,
    rules: RuleSet,
    seed: int | None = None,
    echo: KnownEcho | None = None,
    progress: Callable[[float], None] = lambda share: None,
) -> ReplyScore:
    """Answer a whole heard score, as it would have been answered while it was sung.

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
    called = {phrase.id: phrase for phrase in phrases(heard.notes)}
    happened = sorted(
        [(note.onset_s, _BEGAN, n) for n, note in enumerate(heard.notes)]
        + [(note.offset_s, _ENDED, n) for n, note in enumerate(heard.notes)]
        + [(ends[number].known_s, _OVER, number) for number in called]
    )
    replies: list[list[ReplyNote]] = []
    over = 0
    for (at_s, what, number), (until_s, *_) in pairwise([*happened, (math.inf, _OVER, 0)]):
        if what == _BEGAN:
            stop_s = replier.began(number, heard.notes[number].voice, at_s)
            if stop_s is not None:
                reply, replies[-1] = replies[-1], _left_off(replies[-1], stop_s)
                if not replies[-1]:
                    phrase = called[reply[0].heard_phrase]
                    replier.leave_alone(phrase, silences.cut_short(at_s))
        elif what == _ENDED:
            replier.heard(heard.notes[number], number)
        else:
            progress(over / len(called))
            over += 1
            replier.ended(called[number], ends[number])
        replies += _replies(replier, at_s, until_s)
    notes = [
        msgspec.structs.replace(note, phrase=number)
        for number, reply in enumerate(filter(None, replies))
        for note in reply
    ]
    notes = [msgspec.structs.replace(note, id=number) for number, note in enumerate(notes)]
    notes.sort(key=lambda note: (note.onset_s, note.id))
    header = ReplyHeader(
        recording=heard.header.recording,
        start=heard.header.start,
        duration_s=heard.header.duration_s,
        palette=palette.name,
        rules=rules.name,
        seed=replier.seed,
    )
    unanswered = sorted(replier.silences, key=lambda silence: silence.at_s)
    return ReplyScore(header=header, notes=tuple(notes), unanswered=tuple(unanswered))


def _replies(replier: Replier, from_s: float, until_s: float) -> Iterator[list[ReplyNote]]:
    """Replies that begin in a stretch in which nothing else happens."""
    while from_s < until_s:
        if made := replier.tick(from_s):
            yield made
        from_s = replier.next_s(from_s)


def _left_off(reply: list[ReplyNote], stop_s: float) -> list[ReplyNote]:
    """What of a reply sounded: nothing is struck from `stop_s` on, and what rings is damped."""
    sounded = [_damped(note, stop_s) for note in reply if note.onset_s < stop_s]
    if sounded and sounded != reply:
        why = f"{sounded[-1].why}; leaves off for a call"
        sounded[-1] = msgspec.structs.replace(sounded[-1], why=why)
    return sounded


def _damped(note: ReplyNote, stop_s: float) -> ReplyNote:
    """A note that would ring into the song that made us leave off."""
    end_s = round(max(stop_s, note.onset_s + 0.05), 6)
    if note.offset_s is not None and note.offset_s <= end_s:
        return note
    return msgspec.structs.replace(note, offset_s=end_s)
