"""The live view of a stream: what is on, and that it keeps quiet where nobody looks."""

from __future__ import annotations

import contextlib
import io
import os
import subprocess
import sys
import threading
from pathlib import Path

import pytest
from link_helpers import FETTLE, Line, plan_of
from rich.console import Console

from callresp.commands.stream_view import Channels, headline, picture
from callresp.link.board import SimulatedBoard
from callresp.link.session import Session
from callresp.plan.files import write_plan
from callresp.plan.planner import darkened


def test_the_view_shows_what_the_board_has_on() -> None:
    """At each moment of a plan the view and the board's own log name the same channels."""
    session, board = Session(darkened(plan_of(60, 0.2))), SimulatedBoard(FETTLE)
    line, channels, seen = Line(session, board), Channels(FETTLE), 0
    while not session.finished:
        line.step()
        channels.follow(session)
        rows = channels.rows.values()
        shown = {(row.output, row.channel) for row in rows if row.state(line.now_s) == "on"}
        # A outcome takes some milliseconds to come back: what has been on for longer must be shown.
        for item in board.on_channels:
            if item.from_s + 0.02 < line.now_s < item.until_s - 0.02:
                assert (item.output, item.channel) in shown
                seen += 1
    assert seen > 50
    assert sum(row.played for row in channels.rows.values()) == session.report.commands
    assert channels.rows["light", 0].state(line.now_s) == ""
    out = io.StringIO()
    Console(file=out, width=120).print(picture(channels, session, line.now_s, 60))
    assert "damper of tube 1" in out.getvalue()
    out.truncate(0)
    Console(file=out, width=40).print(picture(channels, session, line.now_s, 60).renderables[1])
    assert len(out.getvalue().splitlines()) == 1 + len(channels.rows)  # a line each, also here
    assert f"credit {session.credit} of 64" in headline(session, line.now_s, 60)


def test_dark_puts_the_lights_out_before_the_first_stroke() -> None:
    checked = darkened(plan_of(5))
    board = SimulatedBoard(FETTLE)
    assert board.lights == [255]
    line = Line(Session(checked), board)
    line.run()
    assert board.lights == [0]
    assert board.log[0].output == "light"
    assert line.session.report.outcomes == {"executed": len(checked.plan.commands)}


@pytest.mark.skipif(not hasattr(os, "openpty"), reason="no pseudo-terminals here")
@pytest.mark.parametrize("looked_at", [True, False])
def test_a_terminal_gets_a_view_and_a_pipe_none(looked_at: bool, tmp_path: Path) -> None:
    plan = tmp_path / "a.plan.jsonl"
    write_plan(plan, plan_of(8, 0.1).plan)
    words = [sys.executable, "-m", "callresp", "stream", str(plan), "--port", "simulated", "--dark"]
    own, other = os.openpty()
    told: list[bytes] = []

    def read() -> None:
        with contextlib.suppress(OSError):
            while part := os.read(own, 65536):
                told.append(part)

    reader = threading.Thread(target=read, daemon=True)
    reader.start()
    with subprocess.Popen(
        words, stdout=subprocess.PIPE, stderr=other if looked_at else subprocess.PIPE
    ) as run:
        os.close(other)
        out, err = run.communicate(timeout=60)
    assert "commands played" in out.decode()
    reader.join(timeout=10)
    os.close(own)
    seen = b"".join(told).decode()
    if looked_at:
        assert "credit" in seen
        assert "status light" in seen
    else:
        # On a busy machine the simulated board may say that it heard nothing for too long.
        assert b"credit" not in err
        assert b"\x1b" not in err
        assert seen == ""
