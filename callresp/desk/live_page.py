"""A running day on a phone: what it hears and answers now, level, battery, heat, faults, stop.

Everybody who has the page's address reads; the machine is stopped from it only with the code
that the terminal shows. Wrong codes are counted: after `TRIES_MAX` no more are taken for
`LOCKED_S`, so that six digits can't be tried out.

The engine's thread only hands values over: a page that nobody reads, or a hundred readers,
hold up nothing.
"""

from __future__ import annotations

import contextlib
import hmac
import secrets
import threading
import time
from collections import deque
from collections.abc import Mapping
from datetime import datetime

import msgspec
from starlette.applications import Starlette
from starlette.requests import Request
from starlette.responses import Response
from starlette.routing import Route

from callresp.desk.address import open_server
from callresp.desk.server import server_of
from callresp.io.score import Phrase
from callresp.io.wording import band, clock, counted
from callresp.levels.level_meter import LevelMeter
from callresp.listen.profile import Profile
from callresp.live.actions import Record
from callresp.live.engine import LiveEngine
from callresp.live.runner import Hooks
from callresp.live.sources import Block

CODE_DIGITS = 6
TRIES_MAX = 5
LOCKED_S = 60.0
LINES_KEPT = 30
FAULTS_KEPT = 8
# Blocks that may wait for the meter; a meter that is late leaves some out.
BLOCKS_WAITING_MAX = 200
METER_EVERY_S = 0.2
# More than the server gives to what is being answered when it ends.
CLOSING_S = 4.0


class Line(msgspec.Struct, frozen=True, kw_only=True):
    """A phrase heard, answered or left alone; `at_s` is on the engine's clock."""

    at_s: float
    phrase: int
    kind: str
    voice: str
    text: str


class LiveState(msgspec.Struct, frozen=True, kw_only=True):
    """How a running day stands; levels are dB re full scale, `None` where nothing is known."""

    running: bool
    palette: str
    at_s: float
    wall: str
    said: str
    playing: bool
    level_db: float | None
    peak_db: float | None
    meter: str
    advice: str
    supply_v: float | None
    coil_c: float | None
    board_c: float | None
    strikes: int
    overruns: int
    phrases: int
    answered: int
    lines: tuple[Line, ...]
    faults: tuple[str, ...]
    locked: bool


class StopCode:
    """The code that the terminal shows, and how often it was wrong."""

    def __init__(self) -> None:
        self.code = f"{secrets.randbelow(10**CODE_DIGITS):0{CODE_DIGITS}d}"
        self._wrong = 0
        self._locked_s = float("-inf")
        self._lock = threading.Lock()

    @property
    def locked(self) -> bool:
        """Whether no code is taken just now."""
        return time.monotonic() < self._locked_s

    def right(self, given: str) -> bool:
        """Whether a code is right; a wrong one is counted, and none is taken while locked."""
        with self._lock:
            if self.locked:
                return False
            if hmac.compare_digest(given.encode("utf-8", "replace"), self.code.encode()):
                self._wrong = 0
                return True
            self._wrong += 1
            if self._wrong >= TRIES_MAX:
                self._wrong = 0
                self._locked_s = time.monotonic() + LOCKED_S
            return False


class LivePage:
    """Serves the page beside a live session.

    Parameters
    ----------
    host, port
        Where to serve.
    palette, profile
        What is played on, and what is listened for.
    sample_rate_hz
        Of the sound.

    Attributes
    ----------
    stop : threading.Event
        Set when somebody stopped it with the code.
    code : str
        For the terminal.
    """

    def __init__(
        self, host: str, port: int, palette: str, profile: Profile, sample_rate_hz: int
    ) -> None:
        self.stop = threading.Event()
        self._guarded = StopCode()
        self._palette = palette
        self._meter = LevelMeter(sample_rate_hz, (profile.band_low_hz, profile.band_high_hz))
        self._blocks: deque[Block] = deque(maxlen=BLOCKS_WAITING_MAX)
        self._lines: deque[Line] = deque(maxlen=LINES_KEPT)
        self._faults: deque[str] = deque(maxlen=FAULTS_KEPT)
        self._phrases = self._answered = 0
        self._voices: dict[int, str] = {}
        self._engine: LiveEngine | None = None
        self._level: tuple[float | None, float | None, str, str] = (None, None, "no sound", "")
        self._closed = threading.Event()
        self._opened = open_server(host, port)
        self._server = server_of(self._application(), self._opened, "live.html", "/live")
        self._serving = threading.Thread(
            target=self._server.run,
            kwargs={"sockets": [self._opened.listener]},
            name="page",
            daemon=True,
        )
        self._serving.start()
        threading.Thread(target=self._run_meter, name="page meter", daemon=True).start()

    @property
    def code(self) -> str:
        """The code that stops the machine."""
        return self._guarded.code

    @property
    def addresses(self) -> list[str]:
        """The page's addresses, with its token."""
        return self._opened.addresses("/live")

    def join(self, hooks: Hooks) -> None:
        """Be told of what a session's hooks are told, beside those who are told already."""
        others, looking = hooks.record, hooks.refresh

        def record(row: Record) -> None:
            others(row)
            self.record(row)

        def refresh(engine: LiveEngine) -> None:
            looking(engine)
            self._engine = engine

        hooks.record, hooks.refresh, hooks.block = record, refresh, self._blocks.append

    # Called in the engine's thread.

    def record(self, row: Record) -> None:
        """Take a row of the log."""
        body = row.body
        if isinstance(body, Phrase):
            self._phrases += 1
            self._voices[body.id] = body.voice
            while len(self._voices) > LINES_KEPT:
                del self._voices[next(iter(self._voices))]
            pitches_hz = [note.pitch_hz for note in body.notes if note.pitch_hz is not None]
            count = f"{counted(len(body.notes), 'note')}, {band(pitches_hz)}"
            self._add(row.at_s, body.id, "heard", count)
        elif row.kind == "voice" and isinstance(body, dict):
            self._rename(body["phrase"], body["voice"])
        elif row.kind == "reply" and isinstance(body, dict):
            if "notes" in body:
                self._answered += 1
                names = ", ".join(dict.fromkeys(note.instrument for note in body["notes"]))
                self._add(row.at_s, body["phrase"], "answered", f"‘{body['rule']}’ on {names}")
            else:
                self._add(row.at_s, body["phrase"], "left alone", str(body.get("unanswered", "")))
        elif row.kind == "fault" and isinstance(body, dict):
            self._faults.append(f"{clock(row.at_s)}  {body['what']}")

    def close(self) -> None:
        """Serve no more, once what is being answered has been sent: 'stopped' among it."""
        self._closed.set()
        self._server.should_exit = True
        self._serving.join(timeout=CLOSING_S)

    def _add(self, at_s: float, phrase: int, kind: str, text: str) -> None:
        voice = self._voices.get(phrase, "")
        line = Line(at_s=round(at_s, 2), phrase=phrase, kind=kind, voice=voice, text=text)
        self._lines.append(line)

    def _rename(self, phrase: int, voice: str) -> None:
        """A phrase turned out to be another voice's."""
        self._voices[phrase] = voice
        for at, line in enumerate(self._lines):
            if line.phrase == phrase:
                self._lines[at] = msgspec.structs.replace(line, voice=voice)

    # In threads of its own.

    def _run_meter(self) -> None:
        while not self._closed.wait(METER_EVERY_S):
            with contextlib.suppress(IndexError):
                while True:
                    self._meter.push(self._blocks.popleft().samples)
            reading = self._meter.reading()
            self._level = (
                reading.level_db,
                reading.peak_db,
                reading.word,
                "; ".join(reading.advice[:2]),
            )

    def state(self) -> LiveState:
        """How it stands."""
        engine = self._engine
        level_db, peak_db, word, advice = self._level
        status: Mapping[str, object] = {} if engine is None else engine.status()
        inhibited = None if engine is None else engine.inhibited
        asleep = engine is not None and engine.asleep
        said = "starting" if engine is None else "asleep" if asleep else inhibited or "listening"

        def figure(name: str) -> float | None:
            value = status.get(name)
            return float(value) if isinstance(value, int | float) else None

        return LiveState(
            running=not (self.stop.is_set() or self._closed.is_set()),
            palette=self._palette,
            at_s=0.0 if engine is None else round(engine.now_s, 1),
            wall=datetime.now().astimezone().isoformat(timespec="seconds"),
            said="stopping" if self.stop.is_set() else said,
            playing=engine is not None and inhibited is None and not asleep,
            level_db=level_db,
            peak_db=peak_db,
            meter=word,
            advice=advice,
            supply_v=figure("supply_v"),
            coil_c=figure("coil_c"),
            board_c=figure("board_c"),
            strikes=int(figure("strikes") or 0),
            overruns=int(figure("overruns") or 0),
            phrases=self._phrases,
            answered=self._answered,
            lines=tuple(self._lines),
            faults=tuple(self._faults),
            locked=self._guarded.locked,
        )

    def _application(self) -> Starlette:
        def state(request: Request) -> Response:
            return _json(self.state())

        async def stop(request: Request) -> Response:
            try:
                given = msgspec.json.decode(await request.body(), type=dict[str, str])
            except (msgspec.DecodeError, msgspec.ValidationError):
                given = {}
            if self._guarded.right(given.get("code", "")):
                self.stop.set()
                return _json({"stopped": True})
            said = "too many wrong codes: wait a minute" if self._guarded.locked else "a wrong code"
            return _json({"error": said, "where": "", "remedy": "see the terminal"}, 403)

        return Starlette(
            routes=[
                Route("/api/live", state),
                Route("/api/live/stop", stop, methods=["POST"]),
            ]
        )


def _json(value: object, status: int = 200) -> Response:
    return Response(msgspec.json.encode(value), status, media_type="application/json")
