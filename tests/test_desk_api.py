"""The desk's server: what it says, whom it says it to, and what it never does."""

from __future__ import annotations

import asyncio
import json
import re
import socket
import subprocess
import sys
import threading
import urllib.request
from collections.abc import Iterator
from concurrent.futures import Future
from pathlib import Path
from typing import Any

import numpy as np
import pyloudnorm
import pytest
import uvicorn
from desk_helpers import RATE_HZ, SECONDS, STARTS_S, Served, job, running, served
from starlette.responses import JSONResponse
from starlette.types import ASGIApp

from callresp.desk.address import open_server
from callresp.desk.api import ENDPOINTS
from callresp.desk.messages import State
from callresp.desk.security import BODY_MAX
from callresp.desk.server import serve
from callresp.desk.source import inside
from callresp.errors import UserError
from callresp.io.audio import BLOCK, open_recording
from callresp.palette.files import load_palette
from callresp.plan.planner import make_plan
from callresp.reply.replier import answer
from callresp.reply.rules import load_rules
from callresp.synthesis.mixing import PlanRenderer


@pytest.fixture(scope="module")
def folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    path = tmp_path_factory.mktemp("desk")
    job(path)
    job(path, "dusk")
    return path


@pytest.fixture(scope="module")
def desk(folder: Path) -> Iterator[Served]:
    with served(folder / "dawn.wav") as one:
        yield one


@pytest.mark.parametrize("more", [[], ["--json"]])
def test_the_command_prints_the_address_first_and_serves(folder: Path, more: list[str]) -> None:
    words = [sys.executable, "-m", "callresp", "desk", str(folder / "dusk.wav"), "--port", "0"]
    process = subprocess.Popen(
        [*words, "--no-browser", *more], stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True
    )
    try:
        assert process.stdout is not None
        first = process.stdout.readline().strip()
        address = json.loads(first)["address"] if more else first
        assert re.fullmatch(r"http://127\.0\.0\.1:\d+/\?token=[\w-]{20,}", address)
        with urllib.request.urlopen(address, timeout=30) as page:
            assert page.status == 200
            assert b"/page/picture.js" in page.read()
        base, token = address.split("/?")
        with urllib.request.urlopen(f"{base}/api/state?{token}", timeout=30) as state:
            assert json.loads(state.read())["source"]["file"] == "dusk.wav"
    finally:
        process.terminate()
        process.wait(20)


def test_what_is_heard_while_the_state_is_told_is_not_ready_without_an_answer(
    desk: Served, monkeypatch: pytest.MonkeyPatch
) -> None:
    class JustNow(threading.Event):
        def wait(self, timeout: float | None = None) -> bool:
            return False

    just_now = JustNow()
    just_now.set()
    monkeypatch.setattr(desk.desk.session, "ready", just_now)
    told = ENDPOINTS[0].call(desk.desk, {"wait": "0"}, None)
    assert isinstance(told, State)
    assert told.answer == 0
    assert not told.source.ready


def test_small_answers_go_out_at_once_and_wait_for_no_acknowledgement() -> None:
    # RFC 896 holds small segments back until what was sent is acknowledged, and RFC 1122 4.2.3.2
    # lets acknowledgements wait: together some 40 ms for each answer on a connection used again.
    opened = open_server()

    async def without_delay() -> int:
        told = asyncio.get_running_loop().create_future()

        def met(_: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
            own = writer.get_extra_info("socket")
            told.set_result(own.getsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY))
            writer.close()

        async with await asyncio.start_server(met, sock=opened.listener):
            _, writer = await asyncio.open_connection("127.0.0.1", opened.port)
            found: int = await told
            writer.close()
        return found

    assert asyncio.run(without_delay()) != 0


def test_the_page_comes_before_the_desk_has_loaded() -> None:
    app: Future[ASGIApp] = Future()
    opened = open_server()
    base = opened.address().split("/?")[0]
    with running(app, opened):
        with urllib.request.urlopen(f"{base}/page/main.js", timeout=20) as page:
            assert b"Desk" in page.read()
            # A module of any other type is not run by browsers: HTML Standard (WHATWG),
            # 'JavaScript MIME type'.
            assert page.headers["Content-Type"].startswith("text/javascript")
        with pytest.raises(TimeoutError):
            urllib.request.urlopen(f"{base}/api?token={opened.token}", timeout=0.3)
        app.set_result(JSONResponse({"here": True}))
        with urllib.request.urlopen(f"{base}/api?token={opened.token}", timeout=20) as answer:
            assert json.loads(answer.read()) == {"here": True}


def test_a_desk_that_cant_be_loaded_ends_the_server() -> None:
    def build() -> Any:
        raise UserError("nothing to build with")

    with pytest.raises(UserError, match="nothing to build with"):
        serve(build, open_server())


def test_the_desk_is_built_once_its_server_listens(monkeypatch: pytest.MonkeyPatch) -> None:
    order: list[str] = []
    own = uvicorn.Server.startup

    async def startup(self: uvicorn.Server, sockets: list[socket.socket] | None = None) -> None:
        await own(self, sockets)
        order.append("listens")

    def build() -> Any:
        order.append("builds")
        raise UserError("that will do")

    monkeypatch.setattr(uvicorn.Server, "startup", startup)
    with pytest.raises(UserError, match="that will do"):
        serve(build, open_server())
    assert order == ["listens", "builds"]


def test_the_first_picture_loads_no_listener() -> None:
    script = "import sys, callresp.desk.api; print(*{n.split('.')[0] for n in sys.modules})"
    found = subprocess.run([sys.executable, "-c", script], capture_output=True, text=True)
    assert "callresp" in found.stdout
    assert not {"numba", "scipy", "librosa", "matplotlib"} & set(found.stdout.split())


def test_the_schema_describes_all_that_can_be_asked(desk: Served) -> None:
    schema = desk.get("/api/schema")
    assert schema["openapi"] == "3.1.0"
    assert set(schema["paths"]) == {one.path for one in ENDPOINTS}
    state = schema["components"]["schemas"]["State"]
    assert set(desk.get("/api/state")) == set(state["properties"])
    ops = schema["paths"]["/api/do"]["post"]["requestBody"]["content"]["application/json"]
    assert "undo" in ops["schema"]["discriminator"]["mapping"]


def test_a_page_that_opens_is_told_all_at_once(desk: Served) -> None:
    opened = desk.get("/api/opened")
    assert opened["heard"] == desk.get("/api/score")
    assert opened["answer"] == desk.get(f"/api/answer/{opened['state']['answer']}")


@pytest.mark.parametrize("path", ["/", "/api", "/api/state", "/api/schema", "/api/chorus/0"])
def test_without_the_token_nothing_of_the_users_is_given(desk: Served, path: str) -> None:
    for token in ("", "x" * 22, "é"):
        status, body, _ = desk.ask(path, token=token)
        assert status == 401
        assert json.loads(body)["remedy"] == "open the address that was printed"


# Other pages of the same browser, and names that were made to mean this machine: Fetch (WHATWG),
# 'Origin' header; RFC 9110, section 7.2.
@pytest.mark.parametrize(
    "headers",
    [
        {"Host": "evil.example"},
        {"Host": "127.0.0.1"},
        {"Origin": "http://evil.example"},
        {"Origin": "null"},
        {"Sec-Fetch-Site": "cross-site"},
        {"Sec-Fetch-Site": "same-site"},
    ],
)
def test_other_pages_and_other_names_are_refused(desk: Served, headers: dict[str, str]) -> None:
    assert desk.ask("/api/state", **headers)[0] == 403
    assert desk.ask("/api/do", {"op": "undo"}, **headers)[0] == 403


def test_a_desk_that_others_may_reach_knows_its_own_addresses() -> None:
    opened = open_server("0.0.0.0")
    try:
        assert f"127.0.0.1:{opened.port}" in opened.hosts
        assert f"0.0.0.0:{opened.port}" not in opened.address()
        assert "evil.example" not in str(opened.hosts)
    finally:
        opened.listener.close()


def test_pages_may_not_run_what_is_written_into_them(desk: Served) -> None:
    _, page, headers = desk.ask("/?token=" + desk.token)
    policy = headers["content-security-policy"]
    assert "script-src 'self'" in policy
    assert "unsafe" not in policy
    assert not re.search(rb"<script(?![^>]*src)|\son\w+=|style=", page)
    assert headers["referrer-policy"] == "no-referrer"


def test_sizes_are_bounded(desk: Served) -> None:
    big = {"op": "set", "changes": [["name", "x" * BODY_MAX]]}
    assert desk.ask("/api/do", big)[0] == 413
    assert desk.ask("/api/tracks?from=" + "1" * 5000)[0] == 414
    assert desk.ask("/api/tile/3/99999999999")[0] == 422
    assert desk.ask("/api/machine/1/nan")[0] == 422


@pytest.mark.parametrize(
    "name", ["../dawn.toml", "/etc/x.toml", "a/b.toml", ".x.toml", "x.wav", ""]
)
def test_nothing_is_written_outside_the_folder(desk: Served, name: str, folder: Path) -> None:
    before = {path: path.stat().st_mtime_ns for path in folder.parent.rglob("*.toml")}
    assert desk.ask("/api/do", {"op": "save", "name": name, "overwrite": True})[0] == 422
    assert desk.ask("/api/do", {"op": "load rules", "name": name})[0] == 422
    assert {path: path.stat().st_mtime_ns for path in folder.parent.rglob("*.toml")} == before


def test_a_link_out_of_the_folder_is_not_followed(folder: Path, tmp_path: Path) -> None:
    (tmp_path / "mine.toml").write_text('name = "secret"')
    (folder / "link.toml").symlink_to(tmp_path / "mine.toml")
    with pytest.raises(UserError):
        inside(folder, "link.toml", ".toml")
    (folder / "link.toml").unlink()


def test_page_files_are_served_and_nothing_beside_them(desk: Served) -> None:
    assert desk.ask("/page/main.js")[0] == 200
    for path in ("/page/../api.py", "/page/%2e%2e/api.py", "/page//etc/passwd", "/page/"):
        assert desk.ask(path)[0] in (401, 404)


def test_the_machines_chunks_are_the_rehearsals_samples(desk: Served) -> None:
    state = desk.get("/api/state")
    palette = load_palette("fettle")
    plan = make_plan(
        answer(desk.desk.session.need_heard().score, palette, load_rules("answer")), palette
    )
    whole = PlanRenderer(plan.plan, palette, RATE_HZ).next(3 * BLOCK).astype(np.float32)
    # Out of order, so that each chunk but one starts a machine of its own.
    for number in (2, 0, 1):
        chunk = np.frombuffer(desk.ask(f"/api/machine/{state['sound']}/{number}")[1], "<f4")
        assert np.abs(chunk - whole[number * BLOCK : (number + 1) * BLOCK]).max() < 1e-6
    assert np.abs(whole).max() > 1e-3


def test_the_chorus_is_the_recording(desk: Served, folder: Path) -> None:
    sound = np.concatenate(list(open_recording(folder / "dawn.wav").blocks()))
    chunk = np.frombuffer(desk.ask("/api/chorus/1")[1], "<f4")
    assert np.array_equal(chunk, sound[BLOCK : 2 * BLOCK])
    assert not np.frombuffer(desk.ask("/api/chorus/9")[1], "<f4").any()


@pytest.mark.parametrize("level", [2, 5, 7])
def test_a_tile_is_dark_where_a_whistle_is(desk: Served, level: int) -> None:
    at_s, hz = STARTS_S[1] + 0.05, 2400.0
    source = desk.get("/api/state")["source"]
    column = int(1000 * at_s / 2**level)
    for _ in range(200):
        status, raw, _ = desk.ask(f"/api/tile/{level}/{column // 256}")
        if status == 200:
            break
    tile = np.frombuffer(raw, np.uint8).reshape(160, 256)
    share = np.log(hz / source["low_hz"]) / np.log(source["high_hz"] / source["low_hz"])
    row = round(share * 160)
    assert tile[row - 2 : row + 3, column % 256].max() > 200
    quiet = int(1000 * (STARTS_S[1] - 0.5) / 2**level)
    if quiet // 256 == column // 256:
        assert tile[row - 2 : row + 3, quiet % 256].max() < 120


def test_a_recording_that_could_not_be_read_has_no_tiles_to_wait_for(
    desk: Served, monkeypatch: pytest.MonkeyPatch
) -> None:
    chorus = desk.desk.session.chorus
    monkeypatch.setattr(chorus, "_floor", None)
    assert desk.ask("/api/tile/5/7")[0] == 204
    monkeypatch.setattr(chorus, "fault", "the file is cut off")
    status, body, _ = desk.ask("/api/tile/5/7")
    assert (status, json.loads(body)["error"]) == (422, "the file is cut off")


def test_a_change_is_checked_as_a_rule_file_is(desk: Served) -> None:
    before = desk.get("/api/text")
    status, body, _ = desk.ask("/api/do", {"op": "set", "changes": [["rule.1.stretch", 200]]})
    assert status == 422
    fault = json.loads(body)
    assert "rule[1].stretch" in fault["where"]
    assert fault["remedy"] == "allowed: 0.1 to 10.0"
    assert desk.get("/api/text") == before


def test_a_change_is_heard_and_undone(desk: Served) -> None:
    first = desk.get("/api/state")
    strokes = desk.get(f"/api/answer/{first['answer']}")["at_s"]
    slower = desk.do("set", changes=[["manners.wait_s", [1.8, 1.8]]])
    assert slower["answer"] != first["answer"]
    assert slower["sound"] != first["sound"]
    assert desk.get(f"/api/answer/{slower['answer']}")["at_s"][0] > strokes[0]
    back = desk.do("undo")
    assert desk.get(f"/api/answer/{back['answer']}")["at_s"] == strokes
    assert desk.do("redo")["rules"]["values"]["manners"]["wait_s"] == [1.8, 1.8]
    desk.do("undo")


def test_a_silence_has_a_remedy_that_works(desk: Served) -> None:
    state = desk.do("set", changes=[["manners.rest_s", 30.0], ["manners.patience_s", 0.0]])
    silent = desk.get(f"/api/answer/{state['answer']}")["silent"]
    assert silent
    found = desk.get(f"/api/answer/{state['answer']}/remedy/{silent[0]}")["remedy"]
    after = desk.do("set", changes=found["changes"])
    assert silent[0] not in desk.get(f"/api/answer/{after['answer']}")["silent"]
    note = desk.get(f"/api/answer/{state['answer']}/note/{3 * silent[0]}")
    assert "manners." in note["phrase"]["setting"]
    desk.do("undo")
    desk.do("undo")


def test_two_sets_are_made_equally_loud(desk: Served) -> None:
    desk.do("choose", slot="b")
    desk.do("set", changes=[[f"rule.{n}.softer_db", 40.0] for n in (1, 2, 3, 4)])
    found = desk.get(f"/api/loudness?from=0&to={SECONDS}")
    lufs, gain_db = found["lufs"], found["gain_db"]
    assert abs(lufs["a"] - lufs["b"]) > 0.5
    assert max(gain_db.values()) == 0.0
    assert lufs["a"] + gain_db["a"] == pytest.approx(lufs["b"] + gain_db["b"])
    # Beside pyloudnorm's own meter, which has the whole sound at once (ITU-R BS.1770-4).
    state = desk.get("/api/state")
    sound = [
        np.frombuffer(desk.ask(f"/api/{what}/{n}")[1], "<f4")
        for n in range(3)
        for what in ("chorus", f"machine/{state['sound']}")
    ]
    mix = np.concatenate([sound[0] + sound[1], sound[2] + sound[3], sound[4] + sound[5]])
    meter = pyloudnorm.Meter(RATE_HZ)
    wanted = meter.integrated_loudness(mix[: round(SECONDS * RATE_HZ)].astype(np.float64))
    assert lufs["b"] == pytest.approx(wanted, abs=0.1)
    desk.do("undo")
    desk.do("choose", slot="a")


def test_another_source_of_the_folder_is_opened(desk: Served) -> None:
    state = desk.do("open", name="dusk.wav")
    assert state["source"]["file"] == "dusk.wav"
    assert state["sources"] == ["dawn.wav", "dusk.wav"]
    assert desk.ask("/api/do", {"op": "open", "name": "../dawn.wav"})[0] == 422
    desk.do("open", name="dawn.wav")


def test_what_sounded_before_a_mute_sounds_on_until_it_is_exchanged(desk: Served) -> None:
    before = desk.get("/api/state")["sound"]
    muted = desk.do("listen", muted=["tube 1"])["sound"]
    assert muted != before
    assert desk.ask(f"/api/machine/{before}/0")[0] == 200
    # Listened to as before it is the sound of before, and not made anew.
    assert desk.do("listen")["sound"] == before
