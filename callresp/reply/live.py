"""Replying while it happens: note by note, with the same rules and manners.

Notes come in as they end, beginnings as they begin; `tick` is called often and
returns what to play from now on. When one that is given way to begins, `began`
tells from when on the running reply must be taken back. What begins has a key,
by which it ends: as a note, or as nothing.
"""

from __future__ import annotations

from collections import Counter
from dataclasses import dataclass
from datetime import datetime

import msgspec

from callresp.io.score import Note, Phrase, ReplyNote, Unanswered
from callresp.listen.voices.phrases import LONGEST_S, REST_S, Closed, PhraseCloser, sung_of
from callresp.palette.model import Palette
from callresp.reply import silences
from callresp.reply.compose import Stroke, ends_s
from callresp.reply.echoes import KnownEcho
from callresp.reply.memory import Recall
from callresp.reply.replier import Replier
from callresp.reply.rules import Rule, RuleSet
from callresp.reply.turn_taking import CUTS, SETTLE_S

# A sound that goes on for longer than this is no call to give way to.
STEADY_S = 20.0
# A voice that has been silent for longer than this is forgotten.
GONE_S = 600.0
TIDY_EVERY_S = 60.0
# Phrases farther back are renamed no more.
ENDED_NOTES = 512


@dataclass(slots=True)
class _Pending:
    """A reply that waits for a rest.

    `missed` is whether there was one, in which the machine itself still sounded, or rested.
    """

    phrase: Phrase
    goes_on: bool
    recall: Recall
    rule: Rule
    strokes: list[Stroke]
    wanted_s: float
    due_s: float
    missed: bool = False


@dataclass(slots=True)
class _Ended:
    """A phrase that has ended, with the voice that each of its notes has now, by number."""

    phrase: Phrase
    recall: Recall
    voices: dict[int, str]


@dataclass(frozen=True, slots=True)
class _Playing:
    """A reply that sounds, with the onset of its last note, and whom it leaves off for."""

    phrase: Phrase
    start_s: float
    last_s: float
    end_s: float
    watched: str | None


class LiveReplier:
    """The replier for a microphone.

    Parameters
    ----------
    palette, rules, seed, start
        As of `callresp.reply.replier.Replier`.
    rest_s, longest_s
        Of the listening profile: the rest that closes a phrase, and the longest phrase.
    echo
        The return of the place, for rules that act on it.

    Attributes
    ----------
    silences : list of Unanswered
        Phrases that were not answered, and why; the caller may empty it.
    closed : list of Phrase
        Phrases in the order in which they closed; the caller may empty it.
    renamings : list of Phrase
        Phrases closed before that turned out to be another voice's; the caller may empty it.
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
        rest_s: float = REST_S,
        longest_s: float = LONGEST_S,
        echo: KnownEcho | None = None,
    ) -> None:
        self._replier = Replier(palette, rules, seed, start, echo)
        self._palette = palette
        self._closer = PhraseCloser[str](rest_s, longest_s)
        self._open: dict[int, Note] = {}  # of phrases that have not ended, by number
        self._sounding: dict[int, tuple[str, float]] = {}
        self._silent_since_s: dict[str, float] = {}
        self._cuts: dict[str, int] = {}  # phrases in a row cut from song that goes on
        self._pending: _Pending | None = None
        self._playing: _Playing | None = None
        self._tidied_s = 0.0
        self._over: list[Closed[str]] = []
        self._phrases = 0
        self._ended: dict[int, _Ended] = {}  # by number of note; not those that were answered
        self.silences: list[Unanswered] = []
        self.closed: list[Phrase] = []
        self.renamings: list[Phrase] = []
        self.inhibited: str | None = None
        self.due_s = 0.0

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
        self._replier.turns.called(now_s)
        manners = self._replier.rules.manners
        if self._playing is None or not manners.leave_off or manners.give_way == "nobody":
            return None
        playing = self._playing
        if not playing.start_s < now_s < playing.end_s or playing.watched not in (None, voice):
            return None
        if self._ignores(voice):
            return None
        stop_s = now_s + manners.reaction_s
        if playing.last_s >= stop_s:
            self._replier.left_off(playing.phrase)
        self._playing = None
        self._replier.turns.left_off(stop_s)
        return stop_s

    @property
    def answers(self) -> Phrase | None:
        """The phrase that the reply which sounds now answers."""
        return None if self._playing is None else self._playing.phrase

    def change_rules(self, rules: RuleSet) -> None:
        """Answer by other rules from now on; a reply that waits is given up."""
        self._replier.change_rules(rules)
        if self._pending is not None:
            self._give_up(self._pending, silences.rules_changed())

    def echo_is(self, echo: KnownEcho) -> None:
        """The place's return has moved, as the air grew warmer or colder."""
        self._replier.echo = echo

    def clock_was_set(self, by_s: float) -> None:
        """The time of day was set by so much: conditions on it follow."""
        self._replier.clock_was_set(by_s)

    def left_off(self, now_s: float) -> None:
        """The reply that is being played was taken back, for whatever reason."""
        self._playing = None
        self._replier.turns.left_off(now_s)

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
        self._over += self._closer.heard(note.voice, sung_of(note, note.id))
        self._replier.heard(note)

    def renamed(self, number: int, voice: str) -> None:
        """A note is another voice's; a phrase that has ended goes to the voice of most of it."""
        if number in self._open:
            self._open[number] = msgspec.structs.replace(self._open[number], voice=voice)
            self._over += self._closer.moved(number, voice)
            return
        ended = self._ended.get(number)
        if ended is None:
            return
        ended.voices[number] = voice
        (first, count), *_ = Counter(ended.voices.values()).most_common()
        before = ended.phrase
        if first == before.voice or 2 * count <= len(before.notes):
            return
        notes = tuple(msgspec.structs.replace(note, voice=first) for note in before.notes)
        ended.phrase = Phrase(id=before.id, voice=first, notes=notes)
        if self._pending is not None and self._pending.phrase is before:
            self._pending.phrase = ended.phrase
        else:
            self._replier.memory.renamed(ended.recall, before.voice, first)
        self.renamings.append(ended.phrase)

    def tick(self, now_s: float) -> list[ReplyNote]:
        """What to play, decided by now: notes that start at `now_s` or later."""
        if now_s - self._tidied_s > TIDY_EVERY_S:
            self._tidy(now_s)
        begun_s = [since_s for _, since_s in self._sounding.values() if now_s - since_s < STEADY_S]
        over, self._over = [*self._over, *self._closer.silent(now_s, begun_s)], []
        for closed in over:
            self._close(closed, now_s)
        return self._begin(now_s)

    def finish(self, now_s: float) -> None:
        """The sound has ended: what is open closes, and nothing more is answered."""
        self.inhibited = self.inhibited or silences.over()
        over, self._over = [*self._over, *self._closer.finish()], []
        for closed in over:
            self._close(closed, now_s)
        if self._pending is not None:
            self._give_up(self._pending, self.inhibited)

    def _voices(self, now_s: float) -> set[str]:
        """Those who sing now, and are given way to."""
        return {
            voice
            for voice, since_s in self._sounding.values()
            if now_s - since_s < STEADY_S and not self._ignores(voice)
        }

    def _ignores(self, voice: str) -> bool:
        """Whether a voice hardly rests, and the machine sounds beneath it."""
        beneath = self._replier.rules.manners.sings_on == "beneath"
        return beneath and self._cuts.get(voice, 0) >= CUTS

    def _tidy(self, now_s: float) -> None:
        self._tidied_s = now_s
        for voice, silent_s in list(self._silent_since_s.items()):
            if silent_s < now_s - GONE_S:
                del self._silent_since_s[voice]
        self._closer.forget(now_s - GONE_S)
        for key, (_, since_s) in list(self._sounding.items()):
            if since_s < now_s - GONE_S:
                del self._sounding[key]

    def _close(self, closed: Closed[str], now_s: float) -> None:
        run = sorted(
            (self._open.pop(number) for number in closed.notes),
            key=lambda note: (note.onset_s, note.id),
        )
        # In the order in which they close, as who reads the log numbers them.
        number, self._phrases = self._phrases, self._phrases + 1
        notes = tuple(msgspec.structs.replace(note, phrase=number) for note in run)
        voice = notes[0].voice
        phrase = Phrase(id=number, voice=voice, notes=notes)
        self.closed.append(phrase)
        recall = self._replier.memory.recall(phrase)
        ended = _Ended(phrase, recall, {note.id: note.voice for note in notes})
        self._ended |= dict.fromkeys(ended.voices, ended)
        while len(self._ended) > ENDED_NOTES:
            del self._ended[next(iter(self._ended))]
        self._replier.ended(phrase)
        self._cuts[voice] = self._cuts.get(voice, 0) + 1 if closed.goes_on else 0
        if self.inhibited is not None:
            self._silence(phrase, recall, self.inhibited)
            return
        chosen = self._replier.consider(phrase, recall)
        if isinstance(chosen, Unanswered):
            self._replier.memory.heard(voice, recall, "")
            self.silences.append(chosen)
            return
        if self._pending is not None:
            self._silence(phrase, recall, silences.waiting(self._pending.phrase.id))
            return
        rule, strokes = chosen
        ready_s = phrase.offset_s + self._replier.wait_s(phrase)
        wanted_s, due_s = max(ready_s, now_s), max(ready_s, closed.known_s)
        self._pending = _Pending(phrase, closed.goes_on, recall, rule, strokes, wanted_s, due_s)

    def _silence(self, phrase: Phrase, recall: Recall, why: str) -> None:
        self._replier.memory.heard(phrase.voice, recall, "")
        self.silences.append(
            Unanswered(unanswered=phrase.id, at_s=phrase.onset_s, rule="manners", why=why)
        )

    def _begin(self, now_s: float) -> list[ReplyNote]:
        pending = self._pending
        if pending is None or now_s < pending.wanted_s:
            return []
        turns, manners = self._replier.turns, self._replier.rules.manners
        if self.inhibited is not None:
            return self._give_up(pending, self.inhibited)
        if quiet := turns.quiet(pending.phrase):
            return self._give_up(pending, quiet)
        rested_s, latest_s = (
            turns.last_end_s + manners.rest_s,
            pending.wanted_s + manners.patience_s,
        )
        if now_s > latest_s:
            if pending.missed or rested_s > latest_s:
                return self._give_up(pending, turns.own_reason(pending.phrase.offset_s))
            sings = self._closer.sings(pending.phrase.voice)
            why = turns.no_gap(pending.phrase, sings=sings, goes_on=pending.goes_on)
            return self._give_up(pending, why)
        watches, voice = turns.watched(pending.phrase)
        if watches and not self._settled(pending.phrase.voice, voice is None, now_s):
            return []
        if now_s < rested_s:
            pending.missed = True
            return []
        falls = self._replier.echo_falls_on(pending.phrase, pending.rule, pending.strokes, now_s)
        if falls is not None:
            return self._give_up(pending, falls)
        if ends_s(pending.strokes, self._palette) > turns.share_left_s(now_s):
            return self._give_up(pending, silences.had_its_share(manners.share_max))
        self._pending = None
        for note in pending.phrase.notes:
            self._ended.pop(note.id, None)
        self.due_s = max(
            pending.due_s, rested_s, self._settled_s() if watches and voice is None else 0.0
        )
        made = self._replier.reply(pending.phrase, pending.rule, pending.strokes, now_s, None)
        self._replier.memory.heard(pending.phrase.voice, pending.recall, pending.rule.name)
        last_s = max(now_s + stroke.at_s for stroke in pending.strokes)
        self._playing = _Playing(pending.phrase, now_s, last_s, turns.last_end_s, voice)
        return made

    def _give_up(self, pending: _Pending, why: str) -> list[ReplyNote]:
        self._pending = None
        self._silence(pending.phrase, pending.recall, why)
        return []

    def _settled_s(self) -> float:
        """When all who are given way to have been silent for a moment, as far as is known."""
        known = (at_s for v, at_s in self._silent_since_s.items() if not self._ignores(v))
        return max(known, default=0.0) + SETTLE_S

    def _settled(self, caller: str, everyone: bool, now_s: float) -> bool:
        """Whether the caller's phrase is over, and others have been silent for a moment."""
        sounding = self._voices(now_s)
        if caller in sounding or (self._closer.sings(caller) and not self._ignores(caller)):
            return False
        return not everyone or not (sounding or self._settled_s() > now_s)
