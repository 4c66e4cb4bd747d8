"""The desk's server: where it listens, the page's address, and its end.

It listens on this machine's own address alone unless another is asked for, on a port that
is bound before the address is told, so that what is printed can be opened at once.
"""

from __future__ import annotations

import contextlib
import socket
from collections.abc import Callable
from dataclasses import dataclass

import uvicorn
from starlette.types import ASGIApp

from callresp.desk.security import Guard, new_token
from callresp.errors import UserError

LOOPBACK = "127.0.0.1"
EVERYWHERE = ("0.0.0.0", "::")
OPEN_PATHS = ("/page/",)


@dataclass(frozen=True)
class Opened:
    """A server that is about to serve: its socket, token and address."""

    listener: socket.socket
    token: str
    hosts: frozenset[str]

    @property
    def port(self) -> int:
        """The port that it has."""
        return int(self.listener.getsockname()[1])

    def addresses(self, path: str = "/") -> list[str]:
        """The page's addresses with its token, that by which others reach it first."""
        host = str(self.listener.getsockname()[0])
        names = [name for name in names_of(host) if name != "localhost"] or [host]
        shown = [f"[{name}]" if ":" in name else name for name in names]
        return [f"http://{name}:{self.port}{path}?token={self.token}" for name in shown]

    def address(self, path: str = "/") -> str:
        """The first of them."""
        return self.addresses(path)[0]


def names_of(host: str) -> tuple[str, ...]:
    """Names by which a phone may reach this computer, for a host that means all its addresses."""
    if host not in EVERYWHERE:
        return ()
    own = socket.gethostname()
    found = [own, f"{own}.local"] if "." not in own else [own]
    with contextlib.suppress(OSError), socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as probe:
        # Nothing is sent: the system says by which address it would go out (TEST-NET-1, RFC 5737).
        probe.connect(("192.0.2.1", 9))
        found.insert(0, str(probe.getsockname()[0]))
    return (*found, "127.0.0.1", "localhost")


def open_server(host: str = LOOPBACK, port: int = 0) -> Opened:
    """Bind a port and make a token.

    Parameters
    ----------
    host
        Address to listen at.
    port
        0 for any that is free.

    Raises
    ------
    UserError
        When the address or port can't be had.
    """
    try:
        family = socket.AF_INET6 if ":" in host else socket.AF_INET
        listener = socket.socket(family, socket.SOCK_STREAM)
        listener.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
        listener.bind((host, port))
        listener.listen(64)
    except (OSError, OverflowError) as fault:
        why = getattr(fault, "strerror", None) or str(fault)
        raise UserError(
            f"can't listen at {host}, port {port} ({why})",
            argument="port",
            remedy="choose another, or 0 for any that is free",
        ) from fault
    own = int(listener.getsockname()[1])
    known = {host, *names_of(host), *(("localhost",) if host == LOOPBACK else ())}
    hosts = {f"[{name}]:{own}" if ":" in name else f"{name}:{own}" for name in known}
    return Opened(listener, new_token(), frozenset(hosts))


def serve(app: ASGIApp, opened: Opened, started: Callable[[], None] = lambda: None) -> None:
    """Serve until the process is told to end (Ctrl-C, or a signal).

    Parameters
    ----------
    app
        Without its guard.
    opened
        Where.
    started
        Called when it serves.
    """
    server = server_of(app, opened)
    started()
    server.run(sockets=[opened.listener])


def server_of(app: ASGIApp, opened: Opened) -> uvicorn.Server:
    """A server to be run, its application guarded."""
    guarded = Guard(app, opened.token, opened.hosts, OPEN_PATHS)
    config = uvicorn.Config(
        guarded,
        log_level="critical",
        access_log=False,
        lifespan="off",
        server_header=False,
        date_header=False,
        ws="none",
        timeout_graceful_shutdown=2,
        limit_concurrency=200,
    )
    return uvicorn.Server(config)
