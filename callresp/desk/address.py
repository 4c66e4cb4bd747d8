"""Where the desk's server is to be found: a port that is bound, the page's address, its token.

It listens on this machine's own address alone unless another is asked for. The port is bound
before the address is told, so that what is printed can be opened at once: a browser that comes
before the server has loaded waits in the port's queue.
"""

from __future__ import annotations

import contextlib
import secrets
import socket
from dataclasses import dataclass

from callresp.errors import UserError

LOOPBACK = "127.0.0.1"
LOCAL = (LOOPBACK, "localhost", "::1")
EVERYWHERE = ("0.0.0.0", "::")


def new_token() -> str:
    """A random token of 128 bits."""
    return secrets.token_urlsafe(16)


@dataclass(frozen=True)
class BoundServer:
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

    def address(self) -> str:
        """The first of them."""
        return self.addresses()[0]


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


def open_server(host: str = LOOPBACK, port: int = 0) -> BoundServer:
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
        # Named, so that asyncio sends small answers at once: else each waits 40 ms for the next.
        listener = socket.socket(family, socket.SOCK_STREAM, socket.IPPROTO_TCP)
        listener.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
        listener.bind((host, port))
        listener.listen(64)
    except (OSError, OverflowError) as fault:
        why = getattr(fault, "strerror", None) or str(fault)
        raise UserError(
            f"can't listen there ({why})",
            where=f"{host}, port {port}",
            remedy="choose another port, or 0 for any that is free",
        ) from fault
    own = int(listener.getsockname()[1])
    known = {host, *names_of(host), *(("localhost",) if host == LOOPBACK else ())}
    hosts = {f"[{name}]:{own}" if ":" in name else f"{name}:{own}" for name in known}
    return BoundServer(listener, new_token(), frozenset(hosts))
