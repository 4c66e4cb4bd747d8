"""A running day on a phone: what it is told, who may stop it, and that it holds up nothing."""

from __future__ import annotations

import json
import re
import socket
import subprocess
import sys
import threading
import urllib.error
import urllib.request
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from desk_helpers import job, notes

from callresp.desk import live_page
from callresp.desk.live_page import TRIES_MAX, LivePage, StopCode
from callresp.errors import UserError
from callresp.io.score import Phrase
from callresp.listen.profile import Profile
from callresp.live.actions import Record
from callresp.live.runner import Hooks
from callresp.live.sources import Block

RATE_HZ = 48000


@pytest.fixture
def page() -> Iterator[LivePage]:
    one = LivePage("127.0.0.1", 0, "Fettle", Profile(), RATE_HZ)
    yield one
    one.close()


def test_a_port_that_is_taken_is_told_as_the_pages_own() -> None:
    # Both `desk --port` and `live --page` come by it, and of live --port is the board's.
    with socket.create_server(("127.0.0.1", 0)) as other:
        taken = other.getsockname()[1]
        with pytest.raises(UserError, match=f"^127.0.0.1, port {taken}: can't listen") as fault:
            LivePage("127.0.0.1", taken, "Fettle", Profile(), RATE_HZ)
    assert fault.value.argument == ""


def ask(address: str, path: str, body: object = None, token: str | None = None) -> tuple[int, Any]:
    base, known = address.split("/live?token=")
    request = urllib.request.Request(
        base + path,
        data=None if body is None else json.dumps(body).encode(),
        headers={"Authorization": f"Bearer {known if token is None else token}"},
    )
    try:
        with urllib.request.urlopen(request, timeout=20) as answer:
            return answer.status, json.loads(answer.read())
    except urllib.error.HTTPError as fault:
        return fault.code, json.loads(fault.read())


def test_readers_read_and_only_the_code_stops(page: LivePage) -> None:
    (address,) = page.addresses
    assert ask(address, "/api/live")[1]["said"] == "starting"
    assert ask(address, "/api/live", token="")[0] == 401
    for wrong in ({"code": ""}, {}, {"code": "x"}, [1]):
        assert ask(address, "/api/live/stop", wrong)[0] == 403
    assert not page.stop.is_set()
    assert ask(address, "/api/live/stop", {"code": page.code}, token="")[0] == 401
    assert ask(address, "/api/live/stop", {"code": page.code}) == (200, {"stopped": True})
    assert page.stop.is_set()


def test_what_is_being_answered_is_sent_before_it_closes(page: LivePage) -> None:
    # Without that a process that ends cuts off the answer to the stop that ended it.
    ask(page.addresses[0], "/api/live")
    page.close()
    assert not page._serving.is_alive()


def test_codes_cant_be_tried_out(monkeypatch: pytest.MonkeyPatch) -> None:
    now = [100.0]
    monkeypatch.setattr("callresp.desk.live_page.time.monotonic", lambda: now[0])
    code = StopCode()
    assert re.fullmatch(r"\d{6}", code.code)
    for _ in range(TRIES_MAX):
        assert not code.right("nothing")
    assert code.locked
    assert not code.right(code.code)
    now[0] += live_page.LOCKED_S + 1
    assert code.right(code.code)


def test_what_is_heard_and_answered_is_told(page: LivePage) -> None:
    phrase = Phrase(id=0, voice="A", notes=tuple(notes()[:3]))
    page.record(Record(1.5, "phrase", phrase))
    page.record(Record(1.6, "reply", {"phrase": 0, "rule": "manners", "unanswered": "no rest"}))
    page.record(Record(9.0, "fault", {"what": "the board has gone", "where": "link"}))
    state = page.state()
    assert [(line.kind, line.voice) for line in state.lines] == [
        ("heard", "A"),
        ("left alone", "A"),
    ]
    assert state.lines[0].text == "3 notes, 1800 to 3000 Hz"
    page.record(Record(12.0, "phrase", Phrase(id=1, voice="B", notes=tuple(notes()[:1]))))
    assert page.state().lines[-1].text == "1 note, 1800 Hz"
    page.record(Record(20.0, "voice", {"phrase": 0, "voice": "C"}))
    assert [line.voice for line in page.state().lines] == ["C", "C", "B"]
    assert state.faults == ("00:00:09  the board has gone",)
    assert (state.phrases, state.answered) == (1, 0)


def test_the_meter_reads_a_sine_at_its_level(page: LivePage) -> None:
    # A sine of peak 0.1 reads -20 dB re a full-scale sine (AES17-2015).
    wave = 0.1 * np.sin(2 * np.pi * 1000 * np.arange(RATE_HZ) / RATE_HZ).astype(np.float32)
    hooks = Hooks()
    page.join(hooks)
    for n in range(100):
        hooks.block(Block(wave[n * 480 : (n + 1) * 480], n / 100))
    waited = threading.Event()
    for _ in range(100):
        if page.state().level_db is not None and page.state().level_db != -200.0:
            break
        waited.wait(0.1)
    assert page.state().level_db == pytest.approx(-20.0, abs=0.2)


def test_a_session_serves_it_and_is_stopped_from_it(tmp_path: Path) -> None:
    words = [
        "live", "--input", str(job(tmp_path)), "--speed", "0.2", "--port", "simulated",
        "--page", "0", "--yes",
    ]  # fmt: skip
    words[-2] = str(_free_port())
    process = subprocess.Popen(
        [sys.executable, "-m", "callresp", *words],
        stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True,
    )  # fmt: skip
    try:
        assert process.stderr is not None
        told = ""
        while "who types" not in told:
            line = process.stderr.readline()
            assert line, told
            told += line
        address = re.search(r"http://\S+", told)
        code = re.search(r"who types (\d{6})", told)
        assert address
        assert code
        assert ask(address[0], "/api/live")[1]["palette"] == "Fettle"
        assert ask(address[0], "/api/live/stop", {"code": code[1]})[0] == 200
        output, _ = process.communicate(timeout=60)
        assert "stopped from the page" in output
    finally:
        process.kill()


def _free_port() -> int:
    import socket

    with socket.socket() as probe:
        probe.bind(("127.0.0.1", 0))
        return int(probe.getsockname()[1])
