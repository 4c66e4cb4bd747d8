"""A desk on a small job: 12 s of whistles at known places, served in this process."""

from __future__ import annotations

import json
import threading
import urllib.error
import urllib.request
from collections.abc import Iterator
from concurrent.futures import Future
from contextlib import closing, contextmanager
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import msgspec
import numpy as np
from reply_helpers import note
from starlette.types import ASGIApp

from callresp.desk.address import BoundServer, open_server
from callresp.desk.api import application
from callresp.desk.desk import Desk
from callresp.desk.opening import open_job
from callresp.desk.server import server_of
from callresp.io.audio import write_wav
from callresp.io.score import HeardHeader, HeardScore, Note
from callresp.io.score_files import write_heard

RATE_HZ = 16000
SECONDS = 12.0
# Phrases of three whistles each, two singers in turn; the fifth is too low for most tubes.
STARTS_S = (0.8, 3.0, 5.2, 7.4, 9.6)


def notes() -> list[Note]:
    """What stands in the recording."""
    found: list[Note] = []
    for number, start_s in enumerate(STARTS_S):
        for k in range(3):
            pitch = (1800.0, 2400.0, 3000.0)[(k + number) % 3]
            one = note(
                len(found), start_s + 0.16 * k, 0.1, pitch, "AB"[number % 2], number, -24.0 - k
            )
            found.append(
                msgspec.structs.replace(
                    one,
                    low_hz=pitch,
                    high_hz=pitch,
                    track=((one.onset_s, pitch), (one.offset_s, pitch)),
                )
            )
    return found


def job(folder: Path, name: str = "dawn") -> Path:
    """Write a recording and its heard score; returns the recording."""
    wave = 0.001 * np.random.default_rng(3).standard_normal(round(SECONDS * RATE_HZ))
    for one in notes():
        first = round(one.onset_s * RATE_HZ)
        count = round(one.length_s * RATE_HZ)
        edge = np.minimum(1.0, np.minimum(np.arange(count), np.arange(count)[::-1]) / 160)
        turn = 2 * np.pi * (one.pitch_hz or 0.0) * np.arange(count) / RATE_HZ
        wave[first : first + count] += 0.1 * edge * np.sin(turn)
    path = folder / f"{name}.wav"
    write_wav(path, wave, RATE_HZ)
    header = HeardHeader(recording=path.name, duration_s=SECONDS, sample_rate_hz=RATE_HZ)
    write_heard(folder / f"{name}.heard.jsonl", HeardScore(header=header, notes=tuple(notes())))
    return path


@dataclass
class Served:
    """A desk that is served: its parts, and how to ask it."""

    desk: Desk
    address: str
    token: str

    @property
    def base(self) -> str:
        return self.address.split("/?")[0]

    def ask(
        self, path: str, body: object = None, token: str | None = None, **headers: str
    ) -> tuple[int, bytes, dict[str, str]]:
        """Status, body and headers of one request."""
        data = None if body is None else json.dumps(body).encode()
        told = {"Authorization": f"Bearer {self.token if token is None else token}", **headers}
        request = urllib.request.Request(self.base + path, data=data, headers=told)
        try:
            with urllib.request.urlopen(request, timeout=30) as answer:
                return answer.status, answer.read(), dict(answer.headers)
        except urllib.error.HTTPError as fault:
            return fault.code, fault.read(), dict(fault.headers)

    def get(self, path: str, body: object = None) -> Any:
        """What is answered, where all is well."""
        status, data, _ = self.ask(path, body)
        assert status == 200, data
        return json.loads(data)

    def do(self, op: str, **given: object) -> Any:
        """Do something; the state after it."""
        return self.get("/api/do", {"op": op, **given})


@contextmanager
def running(app: ASGIApp | Future[ASGIApp], opened: BoundServer) -> Iterator[None]:
    """Run a desk's server in a thread of this process."""
    server = server_of(app, opened)
    thread = threading.Thread(target=server.run, kwargs={"sockets": [opened.listener]}, daemon=True)
    thread.start()
    try:
        yield
    finally:
        server.should_exit = True
        thread.join(10)


@contextmanager
def served(source: Path, palette: str = "", rules: str = "") -> Iterator[Served]:
    """Serve a desk in a thread of this process."""
    opened = open_server()
    with (
        closing(Desk(open_job(source, palette, rules))) as desk,
        running(application(desk), opened),
    ):
        assert desk.session.ready.wait(60)
        yield Served(desk, opened.address(), opened.token)
