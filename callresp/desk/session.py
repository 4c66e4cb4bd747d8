"""A session of the desk: what is open, two rule sets, what they answer, and how it is heard.

Everything here is called from threads of the server, one change at a time. Nothing grows
with use: of answers and sounds the latest few are kept, of steps to undo `STEPS_MAX`.
"""

from __future__ import annotations

import contextlib
import threading
from collections import OrderedDict, deque
from collections.abc import Callable
from dataclasses import dataclass, field, replace
from functools import partial
from pathlib import Path
from typing import TypeVar

from callresp.desk.answers import Cancelled, HeardIndex, RuleAnswer, make_answer
from callresp.desk.chorus import Chorus, chorus_of
from callresp.desk.journal import Entry, Journal, journal_of
from callresp.desk.opening import Opening
from callresp.desk.rule_text import RuleText
from callresp.desk.sound import DISTANCE_MAX_M, DISTANCE_MIN_M, Listening, MachineSound
from callresp.desk.source import hear, jobs_in, named_beside, toml_files
from callresp.errors import UserError
from callresp.io.files import read_text
from callresp.io.resources import shipped
from callresp.palette.files import load_palette
from callresp.synthesis.job_files import stem_of
from callresp.synthesis.mixing import DEFAULT_RATE_HZ

STEPS_MAX = 200
KEPT = 4
SETTLED_S = 0.4
SLOTS = ("a", "b")


@dataclass
class Slot:
    """One of the two rule sets, with its steps back and forth."""

    text: RuleText
    file: str
    past: deque[str] = field(default_factory=lambda: deque(maxlen=STEPS_MAX))
    future: deque[str] = field(default_factory=lambda: deque(maxlen=STEPS_MAX))
    saved: str = ""


class DeskSession:
    """What one source is worked on with.

    Parameters
    ----------
    opening
        The source, and what it starts with.
    chorus
        Its recording, where it has one and somebody looks at it already.
    """

    def __init__(self, opening: Opening, chorus: Chorus | None = None) -> None:
        self.source = source = opening.source
        self.lock = threading.RLock()
        self.ready = threading.Event()
        self.share = 0.0
        self.fault: str | None = None
        self.heard: HeardIndex | None = None
        self.chorus = chorus or chorus_of(source)
        self.palette_name, self.palette = opening.palette_name, opening.palette
        text = opening.rules
        self.slots = {name: Slot(text, opening.rules_file, saved=text.text) for name in SLOTS}
        self.active = "a"
        self.listening = Listening()
        self.journal = Journal(journal_of(source.folder, source.name))
        self._numbers = 0
        self._answers: OrderedDict[int, RuleAnswer] = OrderedDict()
        self._sounds: OrderedDict[int, MachineSound] = OrderedDict()
        self._latest: dict[str, RuleAnswer] = {}
        self._closed = False
        self._changed = threading.Event()
        self.look_about()

    def look_about(self) -> None:
        """Look again what lies in the folder."""
        folder, own = self.source.folder, self.source.path
        # Each job by one file; the one that is open by the file that it was opened by.
        self.sources = tuple(
            own.name if stem_of(path) == self.source.name else path.name for path in jobs_in(folder)
        )
        self.own_rules = tuple(toml_files(folder, "rule set"))
        self.own_palettes = tuple(toml_files(folder, "palette"))

    @property
    def rate_hz(self) -> int:
        """Samples a second of all that the page plays."""
        return self.chorus.rate_hz if self.chorus else DEFAULT_RATE_HZ

    @property
    def slot(self) -> Slot:
        """The rule set that is worked on."""
        return self.slots[self.active]

    def start(self) -> None:
        """Read, look and hear, in threads of their own."""
        if self.chorus is not None:
            self.chorus.start()
        threading.Thread(target=self._hear, name="desk hear", daemon=True).start()

    def close(self) -> None:
        """Let the threads end; what is computed is not wanted any more."""
        self._closed = True
        # Who still waits for what is heard would else keep the program from ending.
        self.ready.set()
        if self.chorus is not None:
            self.chorus.close()

    @property
    def trouble(self) -> str | None:
        """Why it could not be read or heard."""
        return self.fault or (self.chorus.fault if self.chorus else None)

    def _hear(self) -> None:
        try:
            heard = HeardIndex(hear(self.source, self._advance))
            anew = self.chorus is not None and self.chorus.reach(heard.score)
            self.heard = heard
            # The page asks for it next.
            self._answer(self.active, 0.0)
        except UserError as fault:
            self.fault = str(fault)
            anew = False
        self.share = 1.0
        self.ready.set()
        if anew and self.chorus is not None:
            # What can't be read is told by the chorus itself.
            with contextlib.suppress(UserError):
                self.chorus.look()

    def _advance(self, share: float) -> None:
        self.share = share

    def need_heard(self) -> HeardIndex:
        """What was heard.

        Raises
        ------
        UserError
            While it is not known, or when it could not be heard.
        """
        self.ready.wait()
        if self.heard is None:
            raise UserError(self.fault or "nothing was heard", remedy="open another source")
        return self.heard

    # What is answered.

    def _number(self) -> int:
        self._numbers += 1
        return self._numbers

    def answer_now(self, around_s: float) -> RuleAnswer:
        """The active set's answer: the latest if nothing has changed, else made now.

        Of a long recording the stretch around `around_s` is answered first.
        """
        return self.answer_of(self.active, around_s)

    def answer_of(self, slot: str, around_s: float) -> RuleAnswer:
        """The same of either set."""
        self.need_heard()
        return self._answer(slot, around_s)

    def _answer(self, slot: str, around_s: float) -> RuleAnswer:
        assert self.heard is not None
        with self.lock:
            known = self._latest.get(slot)
            if known is not None and (known.whole or known.from_s <= around_s < known.to_s):
                return known
            number, palette, rules = self._number(), self.palette, self.slots[slot].text.rules
        return self._keep(slot, make_answer(number, self.heard, palette, rules, around_s))

    def answer_whole(self, number: int) -> RuleAnswer | None:
        """The whole that a provisional answer is the first part of; `None` if it is not wanted."""
        part = self.answer(number)
        if part.whole:
            return part
        with self.lock:
            slot = next((name for name, own in self._latest.items() if own is part), None)
        if slot is None:
            return None
        # A hand that still moves a slider is not held up by wholes that nobody will hear.
        if self._changed.wait(SETTLED_S) and self._latest.get(slot) is not part:
            return None
        try:
            made = make_answer(
                self._number(),
                self.need_heard(),
                part.checked.palette,
                part.rules,
                cancelled=lambda: self._closed or self._latest.get(slot) is not part,
            )
        except Cancelled:
            return None
        with self.lock:
            return self._keep(slot, made) if self._latest.get(slot) is part else None

    def _keep(self, slot: str, made: RuleAnswer) -> RuleAnswer:
        with self.lock:
            if self.slots[slot].text.rules is made.rules and self.palette is made.checked.palette:
                self._latest[slot] = made
            self._answers[made.number] = made
            _forget_old(self._answers)
        return made

    def answer(self, number: int) -> RuleAnswer:
        """An answer by its number.

        Raises
        ------
        UserError
            When it has been forgotten.
        """
        with self.lock:
            return _known(self._answers, number, "answer")

    def sound_of(self, answer: RuleAnswer) -> MachineSound:
        """The sound of an answer as it is listened to now."""
        with self.lock:
            for own in self._sounds.values():
                if own.answer is answer and own.listening == self.listening:
                    self._sounds.move_to_end(own.number)
                    return own
            made = MachineSound(self._number(), answer, self.listening, self.rate_hz)
            self._sounds[made.number] = made
            _forget_old(self._sounds)
            return made

    def sound(self, number: int) -> MachineSound:
        """A sound by its number.

        Raises
        ------
        UserError
            When it has been forgotten.
        """
        with self.lock:
            return _known(self._sounds, number, "sound")

    # What changes it.

    def edit(self, did: str, change: Callable[[RuleText], RuleText]) -> None:
        """Change the active set; journalled before anybody hears it."""
        with self.lock:
            slot = self.slot
            fresh = change(slot.text)
            if fresh.text == slot.text.text:
                return
            slot.past.append(slot.text.text)
            slot.future.clear()
            self._take(did, fresh)

    def step(self, back: bool) -> None:
        """Undo, or do again."""
        with self.lock:
            slot = self.slot
            taken, given = (slot.past, slot.future) if back else (slot.future, slot.past)
            if not taken:
                raise UserError(f"nothing to {'undo' if back else 'do again'}")
            given.append(slot.text.text)
            fresh = RuleText(taken.pop(), slot.text.name)
            self._take("undo" if back else "redo", fresh)

    def _take(self, did: str, fresh: RuleText) -> None:
        self.slot.text = fresh
        self._latest.pop(self.active, None)
        self._changed.set()
        self._changed.clear()
        self.journal.add(did, self.active, fresh.text, self.palette_name)

    def load_rules(self, name: str) -> None:
        """Take another rule set, shipped or from the folder, in place of the active one."""
        path = named_beside(self.source.folder, "rules", name)
        text = read_text(Path(path))
        file = "" if name in shipped("rules") else name
        self.edit(f"load {name}", lambda _: RuleText(text, name))
        with self.lock:
            self.slot.file = file
            self.slot.saved = text

    def load_palette(self, name: str) -> None:
        """Play on another palette, shipped or from the folder."""
        palette = load_palette(named_beside(self.source.folder, "palettes", name))
        with self.lock:
            self.palette_name, self.palette = name, palette
            self.listening = replace(self.listening, distance_m=None, muted=frozenset())
            self._latest.clear()
            self.journal.add(f"palette {name}", self.active, self.slot.text.text, name)

    def choose(self, slot: str) -> None:
        """Work on the one set or the other."""
        if slot not in SLOTS:
            raise UserError(f"no set '{slot[:20]}'", remedy="there are a and b")
        with self.lock:
            self.active = slot

    def copy_set(self) -> None:
        """Make the other set equal to the active one."""
        with self.lock:
            name = "b" if self.active == "a" else "a"
            other = self.slots[name]
            other.past.append(other.text.text)
            other.text, other.file = self.slot.text, self.slot.file
            other.saved = self.slot.saved
            self._latest.pop(name, None)
            self.journal.add("copy", name, other.text.text, self.palette_name)

    def listen(self, distance_m: float | None, muted: frozenset[str]) -> None:
        """Listen from another distance, or without some strikers."""
        if distance_m is not None and not DISTANCE_MIN_M <= distance_m <= DISTANCE_MAX_M:
            raise UserError(
                f"a distance of {distance_m:g} m",
                remedy=f"give {DISTANCE_MIN_M:g} to {DISTANCE_MAX_M:g}",
            )
        names = {one.name for one in self.palette.striker}
        names |= {one.name for one in self.palette.turner}
        with self.lock:
            # What sounded till now sounds on until the page has exchanged it.
            self.listening = Listening(distance_m, muted & names)

    def offered(self) -> Entry | None:
        """What was left unsaved when this source was last closed, if that is not what is open."""
        left = [
            entry
            for slot, entry in self.journal.latest().items()
            if slot in SLOTS and entry.text != self.slots[slot].text.text
        ]
        return left[-1] if left else None

    def resume(self) -> None:
        """Take up again what was left unsaved."""
        entry = self.offered()
        if entry is None:
            raise UserError("nothing was left unsaved")
        if entry.palette and entry.palette != self.palette_name:
            self.load_palette(entry.palette)
        left = {
            slot: RuleText(one.text, self.slots[slot].text.name)
            for slot, one in self.journal.latest().items()
            if slot in SLOTS
        }
        for slot, text in left.items():
            self.choose(slot)
            self.edit("resume", partial(_given, text))
        self.choose(entry.slot)
        self.journal.forget()


def _given(text: RuleText, _: RuleText) -> RuleText:
    return text


Kept = TypeVar("Kept")


def _known(kept: OrderedDict[int, Kept], number: int, what: str) -> Kept:
    found = kept.get(number)
    if found is None:
        raise UserError(f"{what} {number} is forgotten", remedy="ask for the latest")
    return found


def _forget_old(kept: OrderedDict[int, Kept]) -> None:
    while len(kept) > KEPT:
        kept.popitem(last=False)
