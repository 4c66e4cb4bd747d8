"""The desk's server: the page's own files at once, the desk behind them once it has loaded.

The first picture waits for the browser as much as for the desk. So the page's files, a few small
ones, are given from memory while the desk still loads; what is asked of the desk waits for it.
"""

from __future__ import annotations

import asyncio
import gc
from collections.abc import Callable
from concurrent.futures import Future
from pathlib import Path
from socket import socket
from threading import Thread

import uvicorn
from starlette.responses import Response
from starlette.types import ASGIApp, Receive, Scope, Send

from callresp.desk.address import BoundServer
from callresp.desk.security import Guard

PAGE = Path(__file__).parent / "page"
OPEN_PATHS = ("/page/",)
# Not the system's table of types, which some have wrong, and which takes as long as all files.
TYPES = {".css": "text/css", ".html": "text/html", ".js": "text/javascript"}


class PageFiles:
    """Gives the page's own files, and hands everything else to the application behind it.

    Parameters
    ----------
    app
        What is behind it, now or later.
    start, path
        The page's first file, and where it is found.
    """

    def __init__(self, app: Future[ASGIApp], start: str, path: str) -> None:
        self._app = app
        files = {f"/page/{file.name}": file for file in PAGE.iterdir() if file.suffix in TYPES}
        files[path] = PAGE / start
        self._files = {at: (file.read_bytes(), TYPES[file.suffix]) for at, file in files.items()}

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        """Answer one request."""
        found = self._files.get(scope["path"])
        if found is not None:
            answer = Response(found[0], media_type=found[1], headers={"Cache-Control": "no-cache"})
            await answer(scope, receive, send)
            return
        behind = await asyncio.wrap_future(self._app)
        await behind(scope, receive, send)


def serve(build: Callable[[], ASGIApp], opened: BoundServer) -> None:
    """Serve until the process is told to end (Ctrl-C, or a signal).

    Parameters
    ----------
    build
        Makes the application, in a thread of its own while the page's files are served already.
    opened
        Where.
    """
    app: Future[ASGIApp] = Future()
    server = server_of(app, opened)

    def make() -> None:
        # What is loaded is kept: to look through it for garbage takes a tenth of the time.
        gc.disable()
        try:
            app.set_result(build())
        except BaseException as fault:
            app.set_exception(fault)
            server.should_exit = True
        finally:
            gc.freeze()
            gc.enable()

    server.listening = Thread(target=make, name="desk build", daemon=True).start
    server.run(sockets=[opened.listener])
    if app.done():
        app.result()


class Server(uvicorn.Server):
    """Tells when it listens, by calling `listening`."""

    listening: Callable[[], None] | None = None

    async def startup(self, sockets: list[socket] | None = None) -> None:
        """Listen."""
        await super().startup(sockets)
        if self.listening is not None:
            self.listening()


def server_of(
    app: ASGIApp | Future[ASGIApp], opened: BoundServer, start: str = "index.html", path: str = "/"
) -> Server:
    """A server to be run: an application, perhaps one that is yet to come, behind page and guard.

    The page's first file is `start`, found at `path`.
    """
    if not isinstance(app, Future):
        known, app = app, Future()
        app.set_result(known)
    config = uvicorn.Config(
        Guard(PageFiles(app, start, path), opened.token, opened.hosts, OPEN_PATHS),
        log_level="critical",
        access_log=False,
        loop="asyncio",
        http="h11",
        lifespan="off",
        server_header=False,
        date_header=False,
        ws="none",
        timeout_graceful_shutdown=2,
        limit_concurrency=200,
    )
    return Server(config)
