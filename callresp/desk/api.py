"""The server's side of the page: what can be asked, each with its function, in one table.

Everything is JSON but sound and tiles, which are bytes. The schema, an OpenAPI 3.1
document, is made from the same table and from the types in `messages`.
"""

from __future__ import annotations

import asyncio
import math
import time
from collections.abc import Awaitable, Callable
from concurrent.futures import Executor, ThreadPoolExecutor
from dataclasses import dataclass
from typing import Any, Literal

import msgspec
import numpy as np
from starlette.applications import Starlette
from starlette.requests import Request
from starlette.responses import Response
from starlette.routing import Route

from callresp import __version__
from callresp.desk import facts, form, messages, states, sweeps
from callresp.desk.answers import Cancelled, measures_of, strokes_of
from callresp.desk.chorus import LEVEL_MAX
from callresp.desk.desk import Desk
from callresp.desk.operations import do
from callresp.desk.remedies import remedy_for
from callresp.desk.session import SLOTS
from callresp.desk.sound import struck
from callresp.errors import UserError
from callresp.io.audio import BLOCK
from callresp.synthesis.levels import listening_point

LOUDNESS_MAX_S = 30.0
LOOP_MIN_S = 0.2
# Some wait: for what is heard, for a tile, for the whole of an answer.
WORKERS = 40
PASS_AHEAD_MAX_S = 60.0
# How long an answer waits for what is just being worked out, before it says that it is not there.
PATIENCE_S = 0.25
Given = dict[str, str]


@dataclass(frozen=True)
class Endpoint:
    """One thing that can be asked: `answers` is a type, or "bytes" for what is no JSON.

    What `takes` a body is asked by POST, all else by GET, with the words of `query`.
    """

    path: str
    says: str
    call: Callable[[Desk, Given, Any], object]
    answers: object = dict[str, object]
    query: tuple[str, ...] = ()
    takes: object = None

    @property
    def method(self) -> Literal["GET", "POST"]:
        """By which it is asked."""
        return "GET" if self.takes is None else "POST"


def _number(given: Given, name: str, default: float | None = None) -> float:
    text = given.get(name)
    if text is None and default is not None:
        return default
    try:
        value = float(text or "")
    except ValueError:
        value = math.nan
    if not math.isfinite(value) or abs(value) > 1e12:
        raise UserError(f"'{(text or '')[:40]}' is no number", argument=name, remedy="give one")
    return value


def _whole(given: Given, name: str) -> int:
    value = _number(given, name)
    if value != int(value):
        raise UserError(f"'{given[name][:40]}' is no whole number", argument=name)
    return int(value)


def _state(desk: Desk, given: Given, _: object) -> messages.State:
    session = desk.session
    answer = None
    ready = session.ready.wait(0.0 if given.get("wait") == "0" else PATIENCE_S)
    if ready and session.heard is not None:
        answer = session.answer_now(_number(given, "around", 0.0))
    state = states.state_of(session, answer)
    # What has been heard since is not told as ready: the page would not ask again for the answer.
    source = msgspec.structs.replace(state.source, ready=ready)
    return msgspec.structs.replace(state, source=source)


def _opened(desk: Desk, given: Given, _: object) -> messages.Opened:
    state = _state(desk, given, None)
    if not state.answer:
        return messages.Opened(state=state)
    answer = _strokes(desk, {"answer": str(state.answer)}, None)
    return messages.Opened(state=state, heard=states.heard_columns(desk.session), answer=answer)


def _do(desk: Desk, _: Given, op: Any) -> messages.State:
    if isinstance(op, messages.Open):
        desk.open(op.name)
        return states.state_of(desk.session, None)
    session = desk.session
    session.need_heard()
    told = do(op, session)
    # What is not to be heard is not struck either.
    desk.machines.mute(session.listening.muted)
    return states.state_of(session, session.answer_now(op.around_s), told)


def _whole_answer(desk: Desk, given: Given, _: object) -> messages.State:
    session = desk.session
    made = session.answer_whole(_whole(given, "answer"))
    return states.state_of(session, made)


def _strokes(desk: Desk, given: Given, _: object) -> dict[str, object]:
    session = desk.session
    number = {voice.name: n for n, voice in enumerate(states.inks_of(session))}
    return strokes_of(session.need_heard(), session.answer(_whole(given, "answer")), number)


def _measures(desk: Desk, given: Given, _: object) -> dict[str, object]:
    session = desk.session
    # The page asks for measures once its picture is there.
    desk.load_the_rest()
    return measures_of(session.need_heard(), session.answer(_whole(given, "answer")))


def _note(desk: Desk, given: Given, _: object) -> dict[str, object]:
    session = desk.session
    answer = session.answer(_whole(given, "answer"))
    return facts.note_facts(session.need_heard(), answer, _whole(given, "note"))


def _stroke(desk: Desk, given: Given, _: object) -> dict[str, object]:
    session = desk.session
    answer = session.answer(_whole(given, "answer"))
    return facts.stroke_facts(session.need_heard(), answer, _whole(given, "reply"))


def _evidence(desk: Desk, given: Given, _: object) -> dict[str, object]:
    session = desk.session
    if session.chorus is None:
        raise UserError("the recording is not here", remedy="put it beside the score")
    # The listener loads with it, which the first picture does not wait for.
    from callresp.desk.evidence import evidence_of

    return evidence_of(session.need_heard(), session.chorus, _whole(given, "note"))


def _remedy(desk: Desk, given: Given, _: object) -> object:
    session = desk.session
    answer = session.answer(_whole(given, "answer"))
    with session.lock:
        palette, text = session.palette, session.slot.text
    phrase = _whole(given, "phrase")
    return {"remedy": remedy_for(session.need_heard(), palette, text, answer, phrase)}


def _score(desk: Desk, _: Given, __: object) -> messages.HeardColumns:
    return states.heard_columns(desk.session)


def _tracks(desk: Desk, given: Given, _: object) -> dict[str, object]:
    return states.tracks_in(desk.session, _number(given, "from"), _number(given, "to"))


def _tile(desk: Desk, given: Given, _: object) -> bytes | None:
    chorus = desk.session.chorus
    level, number = _whole(given, "level"), _whole(given, "tile")
    if chorus is None or not 0 <= level <= LEVEL_MAX or not 0 <= number <= 1 << 24:
        raise UserError("no such tile")
    tile = chorus.tile(level, number, PATIENCE_S)
    if tile is None and chorus.fault is not None:
        raise UserError(chorus.fault)
    return tile


def _chunk(given: Given) -> int:
    number = _whole(given, "chunk")
    if not 0 <= number <= 1 << 20:
        raise UserError("no such chunk")
    return number


def _chorus(desk: Desk, given: Given, _: object) -> bytes:
    chorus = desk.session.chorus
    if chorus is None:
        return bytes(4 * BLOCK)
    return chorus.chunk(_chunk(given))


def _machine(desk: Desk, given: Given, _: object) -> bytes:
    sound = desk.session.sound(_whole(given, "sound"))
    return sound.chunk(_chunk(given)).astype("<f4").tobytes()


def _struck(desk: Desk, given: Given, _: object) -> bytes:
    session = desk.session
    striker = session.palette.striker_named(given.get("striker", ""))
    if striker is None:
        raise UserError("no such striker", argument="striker", remedy="name one of the palette")
    place = listening_point(session.palette, session.listening.distance_m)
    force = min(max(_number(given, "force", 0.6), 0.0), 1.0)
    damped = given.get("damped") == "1"
    return struck(striker, force, damped, place, session.rate_hz).astype("<f4").tobytes()


def _loudness(desk: Desk, given: Given, _: object) -> messages.LoudnessMatch:
    """Both sets' mixes over a stretch, and what makes them equally loud: the louder is turned."""
    session = desk.session
    rate_hz = session.rate_hz
    from_s = max(_number(given, "from"), 0.0)
    to_s = min(_number(given, "to"), from_s + LOUDNESS_MAX_S)
    first, count = int(from_s * rate_hz), max(int((to_s - from_s) * rate_hz), 0)
    silence = np.zeros(count, np.float32)
    sound = silence if session.chorus is None else session.chorus.samples(first, first + count)
    found: dict[str, float | None] = {}
    for slot in SLOTS:
        answer = session.answer_of(slot, from_s)
        found[slot] = session.sound_of(answer).loudness(sound, first)
    known = [lufs for lufs in found.values() if lufs is not None]
    target = min(known, default=0.0)
    gains = {slot: 0.0 if lufs is None else target - lufs for slot, lufs in found.items()}
    return messages.LoudnessMatch(lufs=found, gain_db=gains)


def _sweep(desk: Desk, given: Given, _: object) -> dict[str, object]:
    rows, said = sweeps.sweep(
        desk.session,
        given.get("key", ""),
        _number(given, "low"),
        _number(given, "high"),
        max(_whole(given, "steps"), 2),
        _number(given, "around", 0.0),
        desk.latest("sweep"),
    )
    return {"rows": rows, "of": said}


def _coverage(desk: Desk, _: Given, __: object) -> dict[str, object]:
    return sweeps.coverage(desk.session)


def _one_more(desk: Desk, _: Given, __: object) -> dict[str, object]:
    return sweeps.one_more(desk.session)


def _form(_: Desk, __: Given, ___: object) -> msgspec.Raw:
    return msgspec.Raw(form.as_json().encode())


def _text(desk: Desk, _: Given, __: object) -> dict[str, object]:
    slot = desk.session.slot
    return {"text": slot.text.text, "file": slot.file}


def _machine_state(desk: Desk, _: Given, __: object) -> dict[str, object]:
    from callresp.link.stream import CAUTIONS

    return {
        "state": desk.machines.state(),
        "ports": desk.machines.choices(),
        "cautions": CAUTIONS,
        "now_s": time.monotonic(),
    }


def _machine_start(desk: Desk, given: Given, asked: Any) -> dict[str, object]:
    from callresp.desk.machine import MachineRun

    session = desk.session
    if asked.to_s - asked.from_s < LOOP_MIN_S:
        raise UserError("too short a loop", remedy=f"loop at least {LOOP_MIN_S:g} s")
    answer = session.answer_now(asked.from_s)
    desk.machines.start(
        asked.port,
        asked.yes,
        lambda: MachineRun(
            session.palette,
            answer.reply.notes,
            asked.from_s,
            asked.to_s,
            asked.port,
            session.listening.muted,
        ),
    )
    return _machine_state(desk, given, None)


def _machine_passes(desk: Desk, given: Given, asked: Any) -> dict[str, object]:
    for starts_s in asked.starts_s:
        if not 0 <= starts_s - time.monotonic() <= PASS_AHEAD_MAX_S:
            raise UserError("a pass out of time", remedy="give its start by the server's clock")
        desk.machines.run().add_pass(starts_s)
    return _machine_state(desk, given, None)


def _machine_stop(desk: Desk, given: Given, _: object) -> dict[str, object]:
    desk.machines.stop()
    return _machine_state(desk, given, None)


ENDPOINTS = (
    Endpoint("/api/state", "How the session stands.", _state, messages.State, ("around", "wait")),
    Endpoint(
        "/api/opened",
        "State, heard notes and answer in one, as a page that opens needs them.",
        _opened,
        messages.Opened,
        ("around",),
    ),
    Endpoint("/api/do", "Do something to it.", _do, messages.State, takes=messages.Request),
    Endpoint("/api/score", "The heard notes, as columns.", _score, messages.HeardColumns),
    Endpoint("/api/tracks", "Pitch tracks of a stretch.", _tracks, query=("from", "to")),
    Endpoint(
        "/api/answer/{answer}", "Strokes, threads and silences of an answer, as columns.", _strokes
    ),
    Endpoint(
        "/api/answer/{answer}/whole",
        "Waits until the whole of a provisional answer is there.",
        _whole_answer,
        messages.State,
    ),
    Endpoint("/api/answer/{answer}/measures", "Its measures.", _measures),
    Endpoint("/api/answer/{answer}/note/{note}", "A heard note.", _note),
    Endpoint("/api/answer/{answer}/stroke/{reply}", "A stroke.", _stroke),
    Endpoint(
        "/api/answer/{answer}/remedy/{phrase}", "What would have a call answered, tried.", _remedy
    ),
    Endpoint("/api/evidence/{note}", "What a note was decided by.", _evidence),
    Endpoint("/api/tile/{level}/{tile}", "A tile of the spectrogram.", _tile, "bytes"),
    Endpoint("/api/chorus/{chunk}", "Samples of the recording.", _chorus, "bytes"),
    Endpoint("/api/machine/{sound}/{chunk}", "Samples of the machine.", _machine, "bytes"),
    Endpoint(
        "/api/struck", "Samples of one stroke.", _struck, "bytes", ("striker", "force", "damped")
    ),
    Endpoint(
        "/api/loudness",
        "Loudness of both sets over a stretch.",
        _loudness,
        messages.LoudnessMatch,
        ("from", "to"),
    ),
    Endpoint(
        "/api/sweep",
        "Measures at some values of a setting.",
        _sweep,
        query=("key", "low", "high", "steps", "around"),
    ),
    Endpoint("/api/coverage", "Which heard pitches strikers answer.", _coverage),
    Endpoint("/api/one-more", "What one more striker would add, tried.", _one_more),
    Endpoint("/api/form", "Every setting of a rule set: meaning, unit, range, default.", _form),
    Endpoint("/api/board", "The machine, and the server's clock.", _machine_state),
    Endpoint(
        "/api/board/start",
        "Play the loop on a board, after a yes.",
        _machine_start,
        takes=messages.StartMachine,
    ),
    Endpoint(
        "/api/board/passes",
        "When coming passes of the loop begin.",
        _machine_passes,
        takes=messages.Passes,
    ),
    Endpoint("/api/board/stop", "Stop everything.", _machine_stop, takes=messages.Nothing),
    Endpoint("/api/text", "The active rule set as TOML.", _text),
)


def _answered(
    desk: Desk, endpoint: Endpoint, workers: Executor
) -> Callable[[Request], Awaitable[Response]]:
    async def answered(request: Request) -> Response:
        given = {**request.query_params, **request.path_params}
        try:
            taken = None
            if endpoint.takes is not None:
                taken = msgspec.json.decode(await request.body(), type=endpoint.takes)
            loop = asyncio.get_running_loop()
            value = await loop.run_in_executor(workers, endpoint.call, desk, given, taken)
        except UserError as fault:
            where = fault.where or fault.argument
            body = messages.Fault(error=fault.what, where=where, remedy=fault.remedy)
            return Response(msgspec.json.encode(body), 422, media_type="application/json")
        except (msgspec.ValidationError, msgspec.DecodeError) as fault:
            body = messages.Fault(error=str(fault), where="request", remedy="see /api/schema")
            return Response(msgspec.json.encode(body), 400, media_type="application/json")
        except Cancelled:
            return Response(status_code=409)
        if endpoint.answers == "bytes":
            if value is None:
                return Response(status_code=204)
            return Response(value, media_type="application/octet-stream")
        return Response(msgspec.json.encode(value), media_type="application/json")

    return answered


def schema() -> dict[str, object]:
    """An OpenAPI 3.1 document of everything that can be asked."""
    types = [one.answers for one in ENDPOINTS if one.answers not in ("bytes", dict[str, object])]
    types += [one.takes for one in ENDPOINTS if one.takes is not None]
    types.append(messages.Fault)
    shapes, parts = msgspec.json.schema_components(
        types, ref_template="#/components/schemas/{name}"
    )
    shape_of = dict(zip(map(str, types), shapes, strict=True))
    paths: dict[str, dict[str, object]] = {}
    for one in ENDPOINTS:
        names = [(part[1:-1], "path") for part in one.path.split("/") if part.startswith("{")]
        names += [(name, "query") for name in one.query]
        shape = shape_of.get(str(one.answers), {"type": "object"})
        content = {"application/json": {"schema": shape}}
        if one.answers == "bytes":
            content = {"application/octet-stream": {}}
        operation: dict[str, object] = {
            "summary": one.says,
            "parameters": [
                {"name": name, "in": place, "required": place == "path", "schema": {}}
                for name, place in names
            ],
            "responses": {
                "200": {"description": "done", "content": content},
                "422": {
                    "description": "a mistake, told in one line",
                    "content": {"application/json": {"schema": shape_of[str(messages.Fault)]}},
                },
            },
        }
        if one.takes is not None:
            body = {"application/json": {"schema": shape_of[str(one.takes)]}}
            operation["requestBody"] = {"required": True, "content": body}
        paths.setdefault(one.path, {})[one.method.lower()] = operation
    return {
        "openapi": "3.1.0",
        "info": {"title": "callresp desk", "version": __version__},
        "security": [{"token": []}],
        "paths": paths,
        "components": {
            "schemas": parts,
            "securitySchemes": {"token": {"type": "http", "scheme": "bearer"}},
        },
    }


def _index(request: Request) -> Response:
    body = {"callresp": __version__, "schema": "/api/schema", "paths": [e.path for e in ENDPOINTS]}
    return Response(msgspec.json.encode(body), media_type="application/json")


def _schema(request: Request) -> Response:
    return Response(msgspec.json.encode(schema()), media_type="application/json")


def application(desk: Desk) -> Starlette:
    """The server's application, without its guard and the page's files."""
    # Not starlette's own: that loads for it what takes longer than the first picture's notes.
    workers = ThreadPoolExecutor(WORKERS, "desk worker")
    own = [
        Route(one.path, _answered(desk, one, workers), methods=[one.method]) for one in ENDPOINTS
    ]
    return Starlette(routes=[Route("/api", _index), Route("/api/schema", _schema), *own])
