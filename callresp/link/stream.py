"""Streaming a checked plan to a port: the outer shell of the session."""

from __future__ import annotations

import time
from collections.abc import Callable

from callresp.errors import UserError
from callresp.link.port import Clock, open_port
from callresp.link.session import Report, Session
from callresp.plan.limits import CheckedPlan

# How long a board may take to answer the first hello, in wall time.
ANSWER_S = 5.0
GONE_S = 10.0
POLL_S = 0.001

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
        _run(session, port, clock, url, watch)
    except KeyboardInterrupt:
        port.write(session.stop())
        port.flush()
        raise
    except OSError as fault:
        raise UserError(
            f"the line broke ({fault})",
            where=url,
            remedy="check the cable; the board lets go alone",
        ) from fault
    finally:
        port.close()
    return session


def _run(session: Session, port: object, clock: Clock, url: str, watch: Watch) -> None:
    from typing import Any

    line: Any = port
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
        silent_s = time.monotonic() - heard_s
        if session.welcome is None and silent_s > ANSWER_S:
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


__all__ = ["Report", "stream"]
