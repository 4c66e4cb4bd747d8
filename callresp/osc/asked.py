"""What other software may ask for, and who may: our addresses, and the word.

==========================  =======================================================
``/callresp/stop``          release everything and end
``/callresp/mute``          1 (i): play nothing; 0 (i), word (s): play again
``/callresp/mute-striker``  striker or turner (s), 1 (i): leave it out; the same, 0 (i),
                            word (s): play it again. Several by what they are, as rule
                            sets say it: ``lowest 2``, ``any tube``
``/callresp/rules``         name (s), word (s): answer by another rule set
``/callresp/set``           setting (s), number (i or f), word (s): one setting of the
                            rules that are in force, named like ``manners.rest_s``
==========================  =======================================================

A plan that is streamed takes the first three: it is finished, no rules are in force
any more, and so the other two are answered with 0 and a line that says so. Commands
go to the board up to 3 s ahead, so that what is played again is back that much later.

Whatever can make a striker move needs the word that was given when the program
was started; what only holds it back doesn't. The answer goes back to where the
request came from: ``/callresp/answer`` with the address that was asked (s), 1 or
0 (i), and a line (s).
"""

from __future__ import annotations

import hmac
import math
from collections.abc import Sequence
from dataclasses import dataclass

from callresp.osc.codec import Message

# After a wrong word no other is heard for so long, so that none can be guessed.
DEAF_S = 1.0


@dataclass(frozen=True, slots=True)
class StopAsked:
    """Release everything and end."""


@dataclass(frozen=True, slots=True)
class MuteAsked:
    """Play nothing, or again."""

    on: bool


@dataclass(frozen=True, slots=True)
class StrikerAsked:
    """Leave out what `name` stands for, or play it again."""

    name: str
    on: bool


@dataclass(frozen=True, slots=True)
class RulesAsked:
    """Answer by another rule set."""

    name: str


@dataclass(frozen=True, slots=True)
class SettingAsked:
    """Change one setting."""

    key: str
    value: float


Asked = StopAsked | MuteAsked | StrikerAsked | RulesAsked | SettingAsked


class RefusedError(Exception):
    """A request that is not granted; its text is one line."""


class Gate:
    """Reads requests, and lets through what is allowed.

    Parameters
    ----------
    word
        Needed for what moves a striker; without one nothing of that kind is let through.
    """

    def __init__(self, word: str | None) -> None:
        self._word = word
        self._deaf_until_s = -math.inf

    def read(self, message: Message, now_s: float) -> Asked:
        """The request that a message makes.

        Raises
        ------
        RefusedError
            Where it makes none, or may not.
        """
        given = message.arguments
        match message.address, given:
            case "/callresp/stop", _:
                return StopAsked()
            case "/callresp/mute", (bool() | int() as on, *_) if on:
                return MuteAsked(True)
            case "/callresp/mute", (bool() | int(), *word):
                self._allow(word, now_s)
                return MuteAsked(False)
            case "/callresp/mute-striker", (str() as name, bool() | int() as on, *_) if on:
                return StrikerAsked(name, True)
            case "/callresp/mute-striker", (str() as name, bool() | int(), *word):
                self._allow(word, now_s)
                return StrikerAsked(name, False)
            case "/callresp/rules", (str() as name, *word):
                self._allow(word, now_s)
                return RulesAsked(name)
            case "/callresp/set", (str() as key, int() | float() as value, *word):
                self._allow(word, now_s)
                if not math.isfinite(value):
                    raise RefusedError(f"{value} is no finite number")
                return SettingAsked(key, float(value))
        known = message.address.startswith("/callresp/")
        raise RefusedError("its arguments are others" if known else "no such address here")

    def _allow(self, given: Sequence[object], now_s: float) -> None:
        if self._word is None:
            raise RefusedError("it was started without a word: nothing that moves is taken")
        if now_s < self._deaf_until_s:
            raise RefusedError("a wrong word came just before: try again")
        word = given[0] if given and isinstance(given[0], str) else ""
        if not hmac.compare_digest(word.encode(), self._word.encode()):
            self._deaf_until_s = now_s + DEAF_S
            raise RefusedError("that is not the word" if word else "the word is missing")
