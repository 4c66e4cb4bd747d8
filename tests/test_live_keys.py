"""The stop key: a real pseudo-terminal, a real key press."""

from __future__ import annotations

import io
import os
import sys
import threading

import pytest

from callresp.live.keys import stop_key

pty = pytest.importorskip("pty")
termios = pytest.importorskip("termios")


@pytest.mark.parametrize(
    ("typed", "stops"),
    [(b"s", True), (b" ", True), (b"S", True), (b"q", False)],
)
def test_space_and_s_stop_and_other_keys_do_not(
    typed: bytes, stops: bool, monkeypatch: pytest.MonkeyPatch
) -> None:
    own, other = pty.openpty()
    monkeypatch.setattr(sys, "stdin", os.fdopen(other, "r"))
    before = termios.tcgetattr(other)
    pressed = threading.Event()
    with stop_key(pressed) as has_keys:
        assert has_keys
        os.write(own, typed)
        assert pressed.wait(120.0 if stops else 0.3) == stops
    assert termios.tcgetattr(other) == before
    os.close(own)


def test_without_a_terminal_there_is_no_key(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(sys, "stdin", io.StringIO("s"))
    pressed = threading.Event()
    with stop_key(pressed) as has_keys:
        assert not has_keys
    assert not pressed.is_set()
