"""Replying while it happens: note by note, with the same rules and manners.

Notes come in as they end, beginnings as they begin; `tick` is called often and
returns what to play from now on. When one that is given way to begins, `began`
tells from when on the running reply must be taken back.
"""

from __future__ import annotations

import random
from collections.abc import Iterable
from dataclasses import dataclass
from datetime import datetime

from callresp.palette.model import Palette
from callresp.reply.answer import Replier
from callresp.reply.closing import RestGuess
from callresp.reply.compose import Stroke, ends_s
from callresp.reply.memory import Recall
from callresp.reply.rules import Rule, RuleSet
from callresp.reply.turns import SETTLE_S
from callresp.score import Note, Phrase, ReplyNote, Unanswered


@dataclass(frozen=True, slots=True)
class _Pending:
    """A reply that waits for a rest."""

    phrase: Phrase
    recall: Recall
    rule: Rule
    strokes: list[Stroke]
    wanted_s: float


class LiveReplier:
    """The replier for a microphone.

    Parameters
    ----------
    palette, rules, seed, start
        As of `callresp.reply.answer.Replier`.

    Attributes
    ----------
    silences : list of Unanswered
        Phrases that were not answered, and why; the caller may empty it.
    """

    def __init__(
        self,
        palette: Palette,
        rules: RuleSet,
        seed: int | None = None,
        start: datetime | None = None,
    ) -> None:
        self._replier = Replier(palette, rules, seed, start)
        self._palette = palette
        self._open: dict[str, list[Note]] = {}
        self._rests: dict[str, RestGuess] = {}
        self._sounding: dict[str, int] = {}
        self._silent_since_s: dict[str, float] = {}
        self._pending: _Pending | None = None
        self._playing: tuple[float, float, str | None] | None = None
        self._phrases = 0
        self.silences: list[Unanswered] = []

    def began(self, voice: str, now_s: float) -> float | None:
        """Somebody begins to sing.

        Returns
        -------
        float or None
            When the reply that is being played must have left off.
        """
        self._sounding[voice] = self._sounding.get(voice, 0) + 1
        self._replier.turns.called(now_s)
        manners = self._replier.rules.manners
        if self._playing is None or not manners.leave_off or manners.give_way == "nobody":
            return None
        start_s, end_s, watched = self._playing
        if not start_s < now_s < end_s or watched not in (None, voice):
            return None
        stop_s = now_s + manners.reaction_s
        self._playing = None
        self._replier.turns.last_end_s = min(self._replier.turns.last_end_s, stop_s)
        return stop_s

    def heard(self, note: Note) -> None:
        """A note has ended."""
        left = self._sounding.get(note.voice, 0) - 1
        self._sounding[note.voice] = max(left, 0)
        silent_s = self._silent_since_s.get(note.voice, note.offset_s)
        self._silent_since_s[note.voice] = max(silent_s, note.offset_s)
        self._rests.setdefault(note.voice, RestGuess()).heard(note.onset_s, note.offset_s)
        self._open.setdefault(note.voice, []).append(note)
        self._replier.heard(note)

    def tick(self, now_s: float) -> list[ReplyNote]:
        """What to play, decided by now: notes that start at `now_s` or later."""
        for voice in [v for v, notes in self._open.items() if notes]:
            if not self._sounding.get(voice) and self._rests[voice].ended(now_s):
                self._close(voice, now_s)
        return self._begin(now_s)

    def _close(self, voice: str, now_s: float) -> None:
        notes = tuple(self._open.pop(voice))
        phrase = Phrase(id=self._phrases, voice=voice, notes=notes)
        self._phrases += 1
        recall = self._replier.memory.recall(phrase)
        chosen = self._replier.consider(phrase, recall)
        if isinstance(chosen, Unanswered):
            self._replier.memory.heard(voice, recall, "")
            self.silences.append(chosen)
            return
        if self._pending is not None:
            self._silence(phrase, recall, "another phrase was waiting for its answer")
            return
        rule, strokes = chosen
        wait_s = random.Random(f"{self._replier.seed}/{phrase.id}/wait").uniform(
            *self._replier.rules.manners.wait_s
        )
        wanted_s = max(phrase.offset_s + wait_s, now_s)
        self._pending = _Pending(phrase, recall, rule, strokes, wanted_s)

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
        if quiet := turns.quiet(pending.phrase):
            return self._give_up(pending, quiet)
        if now_s > pending.wanted_s + manners.patience_s:
            return self._give_up(pending, f"no rest to answer in within {manners.patience_s:g} s")
        watches, voice = turns.watched(pending.phrase)
        if now_s < turns.last_end_s + manners.rest_s:
            return []
        if watches and not self._settled(voice, now_s):
            return []
        if ends_s(pending.strokes, self._palette) > turns.share_left_s(now_s):
            share = manners.share_max
            return self._give_up(pending, f"it has had its {share:.0%} of this minute")
        self._pending = None
        made = self._replier.reply(pending.phrase, pending.rule, pending.strokes, now_s, None)
        self._replier.memory.heard(pending.phrase.voice, pending.recall, pending.rule.name)
        self._playing = (now_s, turns.last_end_s, voice)
        return made

    def _give_up(self, pending: _Pending, why: str) -> list[ReplyNote]:
        self._pending = None
        self._silence(pending.phrase, pending.recall, why)
        return []

    def _settled(self, voice: str | None, now_s: float) -> bool:
        """Whether those given way to have been silent for a moment."""
        voices: Iterable[str] = self._silent_since_s if voice is None else (voice,)
        if any(self._sounding.get(name) for name in (self._sounding if voice is None else voices)):
            return False
        return all(self._silent_since_s.get(name, 0.0) + SETTLE_S <= now_s for name in voices)
