"""What keeps the machine from playing, by name, and which of it to tell."""

from __future__ import annotations

from typing import Literal

State = Literal["asleep", "awake", "stopped", "standing down"]
# The gravest first: that one is told.
ORDER = ("stopped", "battery", "limits", "asleep", "loop", "link")


class Bars:
    """The bars that are up.

    Examples
    --------
    >>> bars = Bars()
    >>> bars.put("link", "the board is away")
    True
    >>> bars.why, bars.state
    ('the board is away', 'standing down')
    >>> bars.put("link", None), bars.why, bars.state
    (True, None, 'awake')
    """

    def __init__(self) -> None:
        self._up: dict[str, str] = {}

    def put(self, name: str, why: str | None) -> bool:
        """Put a bar up or away; returns whether that changes anything."""
        if name not in ORDER:
            raise ValueError(f"there is no bar '{name}'")
        was_up = name in self._up
        if why is None:
            self._up.pop(name, None)
            return was_up
        self._up[name] = why
        return not was_up

    def has(self, name: str) -> bool:
        """Whether a bar is up."""
        return name in self._up

    @property
    def why(self) -> str | None:
        """The gravest reason, or `None`."""
        return next((self._up[name] for name in ORDER if name in self._up), None)

    @property
    def state(self) -> State:
        """The state of the machine in the log's words."""
        if not self._up:
            return "awake"
        gravest = next(name for name in ORDER if name in self._up)
        if gravest in ("stopped", "battery", "limits"):
            return "stopped"
        return "asleep" if gravest == "asleep" else "standing down"
