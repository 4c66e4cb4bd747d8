"""A listener that is told what to hear, and does something meanwhile.

Also run as a program: ``python acting_listener.py ACT WORDS`` is ``callresp live WORDS``
with such a listener, which does ACT (Python) while the first answer sounds.
"""

from __future__ import annotations

import sys
from collections.abc import Callable

import msgspec
import numpy as np
from live_helpers import RATE_HZ, Scripted
from reply_helpers import call

from callresp.io.score import Note
from callresp.listen.online import Event
from callresp.live import setup

# The first answer sounds here, and there is more to come.
SOUNDING_S = 4.0
Act = Callable[[], object]


def four_calls() -> list[Note]:
    found: list[Note] = []
    for number in range(4):
        more = call([1900.0, 2100.0, 1750.0], 2.0 + 6.0 * number, 0.25)
        found += [msgspec.structs.replace(n, id=len(found) + k) for k, n in enumerate(more)]
    return found


class Acting(Scripted):
    """Acts once, at the first moment that `when` says; and `again` when asked for the last time."""

    def __init__(
        self, act: Act, again: Act = lambda: None, when: Callable[[float], bool] | None = None
    ) -> None:
        self._act, self._again = act, again
        self._when = when or (lambda at_s: at_s >= SOUNDING_S)
        self.acted = False
        super().__init__(four_calls())

    def push(self, block: np.ndarray) -> list[Event]:
        found = super().push(block)
        if not self.acted and self._when(self._done / RATE_HZ):
            self.acted = True
            self._act()
        return found

    def finish(self) -> list[Event]:
        if self.acted:
            self._again()
        return super().finish()


if __name__ == "__main__":
    from callresp.cli import main

    source = sys.argv.pop(1)
    acting = Acting(lambda: exec(source))
    setup.listener_of = lambda rate, profile: acting  # type: ignore[assignment]
    sys.argv.insert(1, "live")
    main()
