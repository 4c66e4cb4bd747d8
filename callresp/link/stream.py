"""Streaming a checked plan to a port, to its end or until somebody stops it."""

from __future__ import annotations

import contextlib
import time
from collections.abc import Callable
from dataclasses import dataclass

from callresp.errors import UserError
from callresp.link.port import Clock, Port, board_gone, new_session, no_board, open_port
from callresp.link.session import Session
from callresp.link.signals import deferred
from callresp.link.stop_request import StopListener
from callresp.plan.checked_plan import CheckedPlan

# How long a board may take to answer the first hello, in wall time.
ANSWER_S = 5.0
GONE_S = 10.0
POLL_S = 0.001
REOPEN_S = 0.2

# Shown where something is about to move, heat or sound.
CAUTIONS = (
    "coils get hot, and strikers and turners move without warning: keep hands, hair and cloth off",
    "fuse the battery at its terminal; stay beside a machine that you run for the first time",
    "bells at arm's length can hurt ears: protect yours",
    "do not disturb wildlife: ask for the permits of the place, keep away from nests, keep quiet"
    " hours; local codes and licensed practice go before anything said here",
)

Watch = Callable[[Session, float], None]


def stream(
    checked: CheckedPlan,
    url: str,
    *,
    clock: Clock | None = None,
    watch: Watch = lambda session, now_s: None,
    ended: Callable[[], bool] = lambda: False,
) -> Session:
    """Stream a plan to the board on a port, to its end.

    Parameters
    ----------
    checked
        The plan.
    url
        A serial port, or an address that pyserial knows.
    clock
        By whose time; else the wall's.
    watch
        Called often with the session and its time.
    ended
        Asked as often: whether to end now.

    Returns
    -------
    Session
        Its `report` tells what became of each command.

    Raises
    ------
    UserError
        When there is no board, or it goes away for good.
    StoppedBySignal
        A `KeyboardInterrupt`: a signal asked for the end, and all was released.
    """
    session = Session(checked, session=new_session())
    with deferred() as signals, StopListener(url) as stop:

        def ending() -> bool:
            return stop.requested.is_set() or signals.number is not None or ended()

        stream_session(session, url, clock or Clock(), ending, watch)
        signals.raise_if_any()
    return session


def stream_session(
    session: Session,
    url: str,
    clock: Clock,
    ending: Callable[[], bool],
    watch: Watch = lambda session, now_s: None,
) -> None:
    """Stream a session to its end, or until it is to end; then the board is told to stop.

    Parameters
    ----------
    session, url, clock
        What is streamed, where, and by whose time.
    ending
        Asked often whether to end now.
    watch
        Called often with the session and its time; it may add to an open-ended one.

    Raises
    ------
    UserError
        When there is no board, or it goes away for good.
    """
    _Streaming(session, url, clock, watch, ending).run()


@dataclass(slots=True)
class _Streaming:
    """One stream: its session, and who may end it."""

    session: Session
    url: str
    clock: Clock
    watch: Watch
    ending: Callable[[], bool]

    def run(self) -> None:
        """Stream to the end; whatever happens, the board is told to stop if it can be."""
        port: Port | None = open_port(self.url)
        try:
            while port is not None:
                try:
                    self._exchange(port)
                    break
                except OSError as fault:
                    port = self._reopened(port, fault)
        finally:
            if port is not None:
                with contextlib.suppress(OSError):
                    port.write(self.session.stop())
                    port.flush()
                port.close()
            self.session.stop()

    def _exchange(self, port: Port) -> None:
        opened_s = heard_s = time.monotonic()
        while not (self.session.finished or self.ending()):
            data = port.read(4096)
            now_s = self.clock.now_s()
            # Noise on the line, or a device of another kind, is no board.
            if data and self.session.receive(data, now_s):
                heard_s = time.monotonic()
            out = self.session.poll(now_s)
            if out:
                port.write(out)
            self.watch(self.session, now_s)
            self._check_answers(time.monotonic() - opened_s, time.monotonic() - heard_s)
            if not data:
                time.sleep(POLL_S / max(self.clock.speed, 1.0))

    def _check_answers(self, open_s: float, silent_s: float) -> None:
        if self.session.hello_ack is None and open_s > ANSWER_S:
            raise no_board(self.url)
        if silent_s > GONE_S:
            raise board_gone(self.url)

    def _reopened(self, port: Port, fault: OSError) -> Port | None:
        """The port again after its cable was out; `None` when asked to end meanwhile."""
        with contextlib.suppress(OSError):
            port.close()
        until_s = time.monotonic() + GONE_S
        while time.monotonic() < until_s:
            if self.ending():
                return None
            time.sleep(REOPEN_S)
            with contextlib.suppress(UserError):
                return open_port(self.url)
        raise UserError(
            f"the line broke ({fault}) and did not come back in {GONE_S:g} s",
            where=self.url,
            remedy="check the cable; the board has released everything by itself",
        )
