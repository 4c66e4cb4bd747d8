"""A JACK server on its dummy driver, for tests with real MIDI ports and no sound card."""

from __future__ import annotations

import os
import shutil
import subprocess
import sys
import time
from collections.abc import Iterator
from contextlib import contextmanager

import pytest


@contextmanager
def jack_server(monkeypatch: pytest.MonkeyPatch) -> Iterator[None]:
    """While inside, python-rtmidi talks to a JACK server of our own.

    Skips where there is none (Debian: jackd2), but not in CI, where `.ci/run` installs it.
    """
    name = f"doors-{os.getpid()}"
    if shutil.which("jackd") is None:
        assert not os.environ.get("CI"), "no jackd: .ci/run installs jackd2"
        pytest.skip("no JACK server here: install jackd2")
    if sys.version_info >= (3, 13):
        pytest.skip("python-rtmidi has no wheels for this Python")
    if not os.environ.get("CI"):
        pytest.importorskip("rtmidi", reason="no python-rtmidi here")
    words = ["jackd", "--no-realtime", "-n", name, "-d", "dummy", "-r", "48000", "-p", "256"]
    with subprocess.Popen(words, stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL) as server:
        monkeypatch.setenv("JACK_DEFAULT_SERVER", name)
        monkeypatch.setenv("MIDO_BACKEND", "mido.backends.rtmidi/UNIX_JACK")
        try:
            wait = ["jack_wait", "-s", name, "-w", "-t", "20"]
            subprocess.run(wait, check=True, stdout=subprocess.DEVNULL, timeout=30)
            time.sleep(0.1)
            yield
        finally:
            server.terminate()
