"""The sessions of a server: one at a time is worked on, a few before it are as they were left."""

from __future__ import annotations

import threading
from collections import OrderedDict
from collections.abc import Callable
from importlib import import_module
from pathlib import Path
from typing import TYPE_CHECKING

import numpy as np

from callresp.desk.chorus import Chorus
from callresp.desk.opening import Opening, open_job
from callresp.desk.session import DeskSession
from callresp.desk.source import inside, jobs_in
from callresp.synthesis.job_files import stem_of
from callresp.synthesis.loudness import LoudnessMeter

if TYPE_CHECKING:
    from callresp.desk.machine import Machines

SESSIONS_KEPT = 4


class Desk:
    """The sessions of a server: one at a time is worked on, each on one source of the folder.

    Parameters
    ----------
    opening
        What is opened first.
    machine_ports
        Ports of boards that the user names.
    chorus
        Its recording, where it has one and somebody looks at it already.
    """

    def __init__(
        self,
        opening: Opening,
        machine_ports: tuple[str, ...] = (),
        chorus: Chorus | None = None,
    ) -> None:
        self.session = DeskSession(opening, chorus)
        self.session.start()
        # What was opened before is as it was left, and need not be heard again.
        self._sessions = OrderedDict({self.session.source.name: self.session})
        self._machine_ports = machine_ports
        self._machines: Machines | None = None
        self._asked: dict[str, int] = {}
        self._lock = threading.Lock()
        self._loading: threading.Thread | None = None

    @property
    def machines(self) -> Machines:
        """The strikers that one may play on; the link to them loads when it is asked for first."""
        from callresp.desk.machine import Machines

        with self._lock:
            if self._machines is None:
                self._machines = Machines(self._machine_ports)
            return self._machines

    def open(self, name: str) -> None:
        """Open another source of the same folder."""
        self.machines.stop()
        folder = self.session.source.folder
        path = next((path for path in jobs_in(folder) if path.name == name), None)
        if path is None:
            path = inside(folder, name, Path(name).suffix)
        with self._lock:
            known = self._sessions.pop(stem_of(path), None)
            fresh = known or DeskSession(open_job(path))
            self._sessions[fresh.source.name] = self.session = fresh
            while len(self._sessions) > SESSIONS_KEPT:
                self._sessions.popitem(last=False)[1].close()
        if known is None:
            fresh.start()

    def load_the_rest(self) -> None:
        """Load what the first picture did without, so that A and B, and evidence, come promptly."""
        with self._lock:
            if self._loading is None:
                chorus = self.session.chorus
                looked = None if chorus is None else chorus.looked
                self._loading = threading.Thread(target=_load, args=(looked,), daemon=True)
                self._loading.start()

    def close(self) -> None:
        """Stop the machine, and let all threads end."""
        if self._machines is not None:
            self._machines.stop()
        for session in self._sessions.values():
            session.close()

    def latest(self, what: str) -> Callable[[], bool]:
        """A test whether the same has been asked for again since: then nobody waits any more."""
        with self._lock:
            own = self._asked[what] = self._asked.get(what, 0) + 1
        return lambda: self._asked[what] != own


def _load(looked: threading.Event | None) -> None:
    if looked is not None:
        looked.wait()
    for name in ("machine", "evidence"):
        import_module(f"callresp.desk.{name}")
    LoudnessMeter(48_000, 1).push(np.zeros((1, 1)))
