"""``callresp desk``: tune by ear and eye, in this machine's own browser."""

from __future__ import annotations

import contextlib
import sys
import threading
from pathlib import Path
from typing import TYPE_CHECKING

from callresp.commands import ui

if TYPE_CHECKING:
    from starlette.types import ASGIApp

SWITCH_S = 0.0001


def run(
    source: Path,
    palette: str | None,
    rules: str | None,
    port: int,
    host: str,
    machine: str | None,
    no_browser: bool,
    as_json: bool,
) -> None:
    """Open a page to tune by ear and eye: score, rules, palette, mix, machine."""
    from callresp.desk.address import LOCAL, open_server
    from callresp.desk.opening import open_job

    # Each call of a library and each write to a socket gives the interpreter to whatever loads or
    # computes. With the usual 5 ms until it comes back the page's files take a tenth of a second.
    sys.setswitchinterval(SWITCH_S)
    opening = open_job(source, palette or "", rules or "")
    opened = open_server(host, port)
    if as_json:
        ui.emit({"address": opened.address()})
    else:
        ui.say(opened.address())
    if not no_browser:
        _open_browser(opened.address())
    if host not in LOCAL:
        ui.warn("others on this network can reach the page: keep its address, it is the key")
    ui.warn("start with the volume low; Ctrl-C ends")
    # The server alone: all else is loaded while the browser takes the page.
    from callresp.desk.server import serve

    with contextlib.ExitStack() as ending:

        def build() -> ASGIApp:
            from callresp.desk.chorus import chorus_of

            chorus = chorus_of(opening.source)
            if chorus is not None:
                chorus.start()
            from callresp.desk.api import application
            from callresp.desk.desk import Desk

            desk = Desk(opening, () if machine is None else (machine,), chorus)
            ending.callback(desk.close)
            return application(desk)

        serve(build, opened)


def _open_browser(address: str) -> None:
    """Open the page; some systems' openers wait for the browser, which waits for the page."""
    import webbrowser

    threading.Thread(target=webbrowser.open, args=(address,), daemon=True).start()
