"""Streaming a checked plan to a port: the outer runner of the session."""

from __future__ import annotations

import contextlib
import time
from collections.abc import Callable
from typing import Any

from callresp.errors import UserError
from callresp.link.port import Clock, open_port
from callresp.link.session import Session
from callresp.link.stop_request import stop_file
from callresp.plan.checked_plan import CheckedPlan

# How long a board may take to answer the first hello, in wall time.
ANSWER_S = 5.0
GONE_S = 10.0
POLL_S = 0.001
REOPEN_S = 0.2

Watch = Callable[[Session, float], None]


def stream(
    checked: CheckedPlan,
    url: str,
    *,
    speed: float = 1.0,
    watch: Watch = lambda session, now_s: None,
) -> Session:
    """Stream a plan to the board on a port, to its end.

    Parameters
    ----------
    checked
        The plan.
    url
        A serial port, or an address that pyserial knows.
    speed
        How fast time runs; only a simulated board can follow any other than 1.
    watch
        Called often with the session and its time.

    Returns
    -------
    Session
        Its `report` tells what became of each command.

    Raises
    ------
    UserError
        When there is no board, or it goes away for good.
    KeyboardInterrupt
        After everything was stopped in order.
    """
    clock = Clock(speed)
    session = Session(checked, session=int(time.time() * 1000) % 65535 + 1)
    port = open_port(url)
    try:
        while True:
            try:
                _run(session, port, clock, url, watch)
                return session
            except OSError as fault:
                port = _reopened(url, port, fault)
    except KeyboardInterrupt:
        port.write(session.stop())
        port.flush()
        raise
    finally:
        stop_file(url).unlink(missing_ok=True)
        port.close()


def _reopened(url: str, port: Any, fault: OSError) -> Any:
    """The port again after its cable was out; the session takes up what is still ahead."""
    with contextlib.suppress(OSError):
        port.close()
    until_s = time.monotonic() + GONE_S
    while time.monotonic() < until_s:
        time.sleep(REOPEN_S)
        with contextlib.suppress(UserError):
            return open_port(url)
    raise UserError(
        f"the line broke ({fault}) and did not come back in {GONE_S:g} s",
        where=url,
        remedy="check the cable; the board has let go by itself",
    )


def _run(session: Session, line: Any, clock: Clock, url: str, watch: Watch) -> None:
    word = stop_file(url)
    word.unlink(missing_ok=True)
    opened_s = time.monotonic()
    heard_s = opened_s
    while not session.finished:
        data = line.read(4096)
        now_s = clock.now_s()
        if data:
            heard_s = time.monotonic()
            session.receive(data, now_s)
        out = session.poll(now_s)
        if out:
            line.write(out)
        watch(session, now_s)
        if word.exists():
            # Another terminal asks: stop first, then say so by taking the word away.
            line.write(session.stop())
            line.flush()
            word.unlink(missing_ok=True)
            return
        silent_s = time.monotonic() - heard_s
        if session.hello_ack is None and silent_s > ANSWER_S:
            raise UserError(
                "no board answers here", where=url, remedy="check the port, the baud rate and power"
            )
        if silent_s > GONE_S:
            raise UserError(
                "the board has gone",
                where=url,
                remedy="check its power; it has let go of all coils",
            )
        if not data:
            time.sleep(POLL_S / max(clock.speed, 1.0))
    line.write(session.stop())
