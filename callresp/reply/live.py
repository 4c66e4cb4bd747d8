"""Replying while it happens: the replier, with phrases closed from notes as they come.

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

from callresp.io.score import Note, Phrase, ReplyNote
from callresp.listen.voices.phrases import (
    LONGEST_S,
    REST_S,
    ClosedPhrase,
    PhraseCloser,
    PhraseEnding,
    sung_of,
)
from callresp.palette.model import Palette
from callresp.reply import silences
from callresp.reply.echoes import KnownEcho
from callresp.reply.memory import Recall
from callresp.reply.replier import Replier
from callresp.reply.rules import RuleSet

# A voice that has been silent for longer than this is forgotten.
GONE_S = 600.0
TIDY_EVERY_S = 60.0
# Phrases farther back are renamed no more.
ENDED_NOTES = 512


@dataclass(slots=True)
class _Ended:
    """A phrase that has ended, with the voice that each of its notes has now, by number."""

    phrase: Phrase
    recall: Recall
    voices: dict[int, str]


class LiveReplier(Replier):
    """The replier for a microphone.

    Parameters
    ----------
    palette, rules, seed, start, echo
        As of `callresp.reply.replier.Replier`.
    rest_s, longest_s
        Of the listening profile: the rest that closes a phrase, and the longest phrase.

    Attributes
    ----------
    closed : list of Phrase
        Phrases in the order in which they closed; the caller may empty it.
    renamings : list of Phrase
        Phrases closed before that turned out to be another voice's; the caller may empty it.
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
        super().__init__(palette, rules, seed, start, echo)
        self._closer = PhraseCloser[str](rest_s, longest_s)
        self._shown: list[ClosedPhrase[str]] = []  # by a note that has come since the last tick
        self._tidied_s = 0.0
        self._phrases = 0
        self._ended: dict[int, _Ended] = {}  # by number of note; not those that were answered
        self.closed: list[Phrase] = []
        self.renamings: list[Phrase] = []

    def heard(self, note: Note, key: int | None = None) -> None:
        """A note has ended; `key` is that by which it began, if it did."""
        super().heard(note, key)
        self._shown += self._closer.heard(note.voice, sung_of(note, note.id))

    def renamed(self, number: int, voice: str) -> None:
        """A note is another voice's; a phrase that has ended goes to the voice of most of it."""
        if number in self._open:
            self._open[number] = msgspec.structs.replace(self._open[number], voice=voice)
            self._shown += self._closer.moved(number, voice)
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
        self._goes_to(before, ended.phrase, ended.recall)
        self.renamings.append(ended.phrase)

    def tick(self, now_s: float) -> list[ReplyNote]:
        """What to play, decided by now: notes that start at `now_s` or later."""
        if now_s - self._tidied_s > TIDY_EVERY_S:
            self._tidy(now_s)
        begun_s = [since_s for _, since_s in self._sounding.values()]
        self._close([*self._shown, *self._closer.silent(now_s, begun_s)], now_s)
        made = super().tick(now_s)
        if made and self.answers is not None:
            for note in self.answers.notes:
                self._ended.pop(note.id, None)
        return made

    def finish(self, now_s: float) -> None:
        """The sound has ended: what is open closes, and nothing more is answered."""
        self.inhibited = self.inhibited or silences.over()
        self._close([*self._shown, *self._closer.finish()], now_s)
        self._give_up_all(self.inhibited)

    def _close(self, run: list[ClosedPhrase[str]], now_s: float) -> None:
        self._shown = []
        for closed in run:
            # In the order in which they close, as who reads the log numbers them.
            number, self._phrases = self._phrases, self._phrases + 1
            notes = sorted(
                (msgspec.structs.replace(self._open[one], phrase=number) for one in closed.notes),
                key=lambda note: (note.onset_s, note.id),
            )
            phrase = Phrase(id=number, voice=notes[0].voice, notes=tuple(notes))
            self.closed.append(phrase)
            recall = self.ended(phrase, PhraseEnding(closed.known_s, now_s, closed.goes_on))
            ended = _Ended(phrase, recall, {note.id: note.voice for note in notes})
            self._ended |= dict.fromkeys(ended.voices, ended)
            while len(self._ended) > ENDED_NOTES:
                del self._ended[next(iter(self._ended))]

    def _tidy(self, now_s: float) -> None:
        self._tidied_s = now_s
        for voice, silent_s in list(self._silent_since_s.items()):
            if silent_s < now_s - GONE_S:
                del self._silent_since_s[voice]
        self._closer.forget(now_s - GONE_S)
        for key, (_, since_s) in list(self._sounding.items()):
            if since_s < now_s - GONE_S:
                del self._sounding[key]
