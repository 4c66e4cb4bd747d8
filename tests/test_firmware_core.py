"""The very code that runs on hardware, built here with sanitizers, beside the simulated board.

The same conformance tests run against both, over real pseudo-terminals.
"""

from __future__ import annotations

import json
import subprocess
import sys
import time
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

import pytest
from firmware_helpers import FIRMWARE, FLAGS, built, compiler
from link_helpers import FETTLE, plan_of

from callresp.link.framing import Deframer, cobs_encode, crc16, frame
from callresp.link.messages import (
    DRY_RUN,
    OUTCOMES,
    VERSION,
    Done,
    Hello,
    HelloAck,
    HoldAt,
    LightAt,
    Status,
    Stop,
    StrikeAt,
    TimeReply,
    TimeRequest,
    TurnAt,
    parse,
)
from callresp.link.port import open_port
from callresp.link.simulator import simulated_board
from callresp.link.stream import stream

FUZZ_ROUNDS = 500_000


@pytest.fixture(scope="module")
def board_program(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return built(tmp_path_factory.mktemp("board"), "host_board.c")


def limit_lines(*options: str) -> bytes:
    words = [sys.executable, str(FIRMWARE / "limits.py"), "fettle", "lines", *options]
    return subprocess.run(words, capture_output=True, check=True).stdout


@contextmanager
def firmware(program: Path, log: Path, *options: str, dry_run: bool = False) -> Iterator[str]:
    words = [str(program), "--log", str(log), *options]
    board = subprocess.Popen(words, stdin=subprocess.PIPE, stdout=subprocess.PIPE)
    assert board.stdin is not None
    assert board.stdout is not None
    board.stdin.write(limit_lines(*["--dry-run"] * dry_run))
    board.stdin.flush()
    try:
        yield board.stdout.readline().decode().strip()
    finally:
        board.stdin.close()
        # A sanitizer's finding is a status other than 0.
        assert board.wait(timeout=20) == 0
        board.stdout.close()


@contextmanager
def board_of(
    kind: str, program: Path, log: Path, drift_ppm: float = 0.0, dry_run: bool = False
) -> Iterator[str]:
    """A board of either kind, on a port."""
    if kind == "firmware":
        with firmware(program, log, "--drift", str(drift_ppm), dry_run=dry_run) as port:
            yield port
    else:
        with simulated_board(FETTLE, log, drift_ppm=drift_ppm, dry_run=dry_run) as port:
            yield port


@pytest.fixture(params=["firmware", "simulated"])
def served(
    request: pytest.FixtureRequest, tmp_path: Path, board_program: Path
) -> Iterator[tuple[str, Path]]:
    log = tmp_path / "board.jsonl"
    with board_of(request.param, board_program, log) as port:
        yield port, log


class Talk:
    """Says messages to a board and gathers what it answers."""

    def __init__(self, port: str) -> None:
        self.line: Any = open_port(port)
        self.deframer = Deframer()
        self.heard: list[Any] = []

    def say(self, *messages: Any) -> None:
        self.line.write(b"".join(frame(message.pack()) for message in messages))

    def wait(self, kind: type, count: int = 1, seconds: float = 5.0) -> list[Any]:
        """Gather until there are `count` of a kind."""
        until = time.monotonic() + seconds
        while time.monotonic() < until:
            for payload in self.deframer.feed(self.line.read(4096)):
                self.heard.append(parse(payload))
            found = [message for message in self.heard if isinstance(message, kind)]
            if len(found) >= count:
                return found
            time.sleep(0.001)
        raise AssertionError(f"no {kind.__name__} came in {seconds} s: {self.heard}")

    def now(self) -> int:
        """The board's clock, by a round trip."""
        before = sum(isinstance(message, TimeReply) for message in self.heard)
        self.say(TimeRequest(1))
        return int(self.wait(TimeReply, before + 1)[-1].board_ticks)


@pytest.fixture
def talk(served: tuple[str, Path]) -> Iterator[Talk]:
    started = Talk(served[0])
    started.say(Hello(VERSION, 7))
    started.wait(HelloAck)
    yield started
    started.say(Stop(0))
    started.line.close()


def rows(log: Path) -> list[dict[str, Any]]:
    return [json.loads(line) for line in log.read_text().splitlines()]


def outcomes(talk: Talk, count: int) -> list[str]:
    done = sorted(talk.wait(Done, count), key=lambda message: message.sequence)
    return [OUTCOMES[message.outcome] for message in done]


def test_the_board_introduces_itself(talk: Talk) -> None:
    hello_ack = talk.wait(HelloAck)[0]
    assert (hello_ack.version, hello_ack.session) == (VERSION, 7)
    assert (hello_ack.coils, hello_ack.motors) == (13, 1)
    assert hello_ack.buffer == 64
    assert hello_ack.silence_ms == 200


def test_each_limit_is_kept_by_the_board_itself(talk: Talk) -> None:
    at = talk.now() + 500
    talk.say(
        StrikeAt(0, 0, at, 1000),
        StrikeAt(1, 0, at + 50, 1000),
        StrikeAt(2, 1, at, 4100),
        StrikeAt(3, 19, at, 500),
        HoldAt(4, 5, at, 200_100, 300, 76),
        TurnAt(5, 0, at, 10_000, 500),
        StrikeAt(6, 2, at - 5000, 500),
    )
    assert outcomes(talk, 7) == [
        "executed",
        "over a limit",
        "over a limit",
        "no such channel",
        "over a limit",
        "over a limit",
        "late",
    ]


def test_too_much_current_at_once_is_refused(talk: Talk) -> None:
    """12.8 V: two tubes of 6 ohms draw 4.3 A of their driver's 5, a third has no room.

    Then block and box of 8 and 7 ohms: 1.6 and 1.8 A, 7.7 in all where the supply gives 6.9.
    """
    at = talk.now() + 500
    talk.say(*(StrikeAt(n, channel, at, 1000) for n, channel in enumerate((0, 1, 2, 10, 11))))
    assert outcomes(talk, 5) == ["executed", "executed", "over a limit", "executed", "over a limit"]


def test_a_channel_keeps_its_share_of_the_cycle(talk: Talk) -> None:
    """Tube 1 may be on for 12 % of 10 s: 30 pulses of 40 ms, and no more."""
    at = talk.now() + 600
    for first in range(0, 40, 10):
        talk.say(*(StrikeAt(n, 0, at + n * 600, 4000) for n in range(first, first + 10)))
        outcomes_known = sum(isinstance(message, Done) for message in talk.heard)
        while outcomes_known < first + 8:
            talk.now()
            outcomes_known = sum(isinstance(message, Done) for message in talk.heard)
    got = outcomes(talk, 38)
    assert got.count("executed") in range(28, 32)
    assert got[-1] == "over a limit"


def test_a_doubled_command_is_played_once(talk: Talk) -> None:
    at = talk.now() + 500
    talk.say(*[StrikeAt(0, 0, at, 800)] * 3)
    outcomes(talk, 1)
    talk.now()
    assert sum(isinstance(message, Done) for message in talk.heard) == 1


def test_stop_releases_at_once(talk: Talk) -> None:
    at = talk.now() + 200
    talk.say(HoldAt(0, 5, at, 100_000, 300, 76), StrikeAt(1, 0, at + 50_000, 800))
    talk.wait(Done, 1)
    talk.say(Stop(0))
    assert outcomes(talk, 2) == ["executed", "cancelled"]
    assert talk.wait(Status)


def test_silence_releases_within_a_quarter_second(served: tuple[str, Path], talk: Talk) -> None:
    at = talk.now() + 200
    talk.say(HoldAt(0, 5, at, 150_000, 300, 76))
    played = talk.wait(Done, 1)[0]
    # Say nothing more, as a host that was killed; the board's own status goes on.
    talk.wait(Status, 2, seconds=5.0)
    assert any(message.faults & 2 for message in talk.heard if isinstance(message, Status))
    assert played.at >= at


def test_lights_go_dark_at_their_time_and_stay_so(talk: Talk) -> None:
    at = talk.now() + 500
    talk.say(LightAt(0, 0, at, 0), LightAt(1, 1, at, 0), LightAt(2, 0, at + 300, 40))
    assert outcomes(talk, 3) == ["executed", "no such channel", "executed"]
    times = {message.sequence: message.at for message in talk.heard if isinstance(message, Done)}
    assert 0 <= times[0] - at <= 1
    assert 0 <= times[2] - at - 300 <= 1


def test_a_host_of_another_version_is_answered_but_not_obeyed(talk: Talk) -> None:
    """So that it can tell its user which firmware to load, and nothing moves meanwhile."""
    talk.say(Hello(VERSION - 1, 9))
    told = talk.wait(HelloAck, 2)[-1]
    assert (told.version, told.session) == (VERSION, 9)
    talk.say(StrikeAt(0, 0, talk.now() + 200, 800))
    assert talk.wait(TimeReply)[-1].session == 0
    talk.wait(Status, 1)
    assert not any(isinstance(message, Done) for message in talk.heard)


@pytest.mark.parametrize("kind", ["firmware", "simulated"])
def test_a_dry_run_lights_a_lamp_and_moves_nothing(
    kind: str, board_program: Path, tmp_path: Path
) -> None:
    log = tmp_path / "board.jsonl"
    with board_of(kind, board_program, log, dry_run=True) as port:
        talk = Talk(port)
        talk.say(Hello(VERSION, 7))
        assert talk.wait(HelloAck)[0].mode == DRY_RUN
        at = talk.now() + 500
        # Over a limit stays over a limit: a dry run tells what the machine would do.
        talk.say(LightAt(0, 0, at, 0), StrikeAt(1, 3, at + 100, 1000), StrikeAt(2, 1, at, 4100))
        assert outcomes(talk, 3) == ["executed", "executed", "over a limit"]
        while talk.now() < at + 300:
            pass
        talk.line.close()
    did = [(row["output"], row["did"]) for row in rows(log)]
    assert {output for output, _ in did} <= {"lamp", "light"}
    assert [word for _, word in did] == ["off", "on", "off"]


def test_garbage_moves_nothing_and_is_shrugged_off(talk: Talk) -> None:
    noise = bytes((n * 37 + n // 7) % 256 for n in range(4000))
    talk.line.write(noise)
    talk.line.write(b"\0")
    assert talk.now() > 0
    assert not any(isinstance(message, Done) for message in talk.heard)


def test_a_plan_streams_to_the_firmware(board_program: Path, tmp_path: Path) -> None:
    checked, log = plan_of(30, 0.15), tmp_path / "board.jsonl"
    with firmware(board_program, log, "--speed", "2", "--drift", "80") as port:
        session = stream(checked, port, speed=2.0)
    # On a busy computer a heartbeat may come late; then the board lets go, and says so.
    outcome = session.report.outcomes
    assert outcome["executed"] + outcome["cancelled"] == len(checked.plan.commands)
    assert outcome["executed"] > 0.8 * len(checked.plan.commands)
    switched = rows(log)
    assert sum(row["did"] == "on" for row in switched) == outcome["executed"]
    since: dict[int, float] = {}
    limits = {channel: coil.on_max_ms / 1000 for channel, coil in FETTLE.coils().items()}
    for row in switched:
        if row["did"] == "on":
            since[row["channel"]] = row["board_s"]
        else:
            on_s = row["board_s"] - since.pop(row["channel"])
            assert on_s <= limits[row["channel"]] + 0.0002
    assert not since


def test_a_killed_host_means_silence(board_program: Path, tmp_path: Path) -> None:
    from callresp.plan.files import write_plan

    plan, log = tmp_path / "a.plan.jsonl", tmp_path / "board.jsonl"
    write_plan(plan, plan_of(200, 0.1).plan)
    with firmware(board_program, log) as port:
        words = [sys.executable, "-m", "callresp", "stream", str(plan), "--palette", "fettle"]
        host = subprocess.Popen(
            [*words, "--port", port, "--yes"], stdout=subprocess.PIPE, stderr=subprocess.PIPE
        )
        time.sleep(4.5)
        host.kill()
        killed = time.monotonic()
        host.communicate()
        time.sleep(0.6)
        asked = Talk(port)
        killed_at = asked.now() / 10_000 - (time.monotonic() - killed)
        asked.line.close()
    switched = rows(log)
    assert sum(row["did"] == "on" for row in switched) > 10
    assert max(row["board_s"] for row in switched) <= killed_at + 0.25
    assert sum(row["did"] == "on" for row in switched) * 2 == len(switched)


def test_a_plan_across_the_wrap_of_the_boards_clock(board_program: Path, tmp_path: Path) -> None:
    checked = plan_of(20, 0.15)
    start = str(2**32 - 25_000)
    with firmware(board_program, tmp_path / "b.jsonl", "--speed", "2", "--start", start) as port:
        session = stream(checked, port, speed=2.0)
    outcome = session.report.outcomes
    assert outcome["executed"] + outcome["cancelled"] == len(checked.plan.commands)
    assert outcome["executed"] > 0.8 * len(checked.plan.commands)


def test_half_a_million_rounds_of_fuzzing_find_nothing(tmp_path: Path) -> None:
    """500,000 rounds, half noise and half well-framed messages; limits asserted after each."""
    program = built(tmp_path, "fuzz_core.c")
    done = subprocess.run(
        [str(program), str(FUZZ_ROUNDS)], capture_output=True, text=True, check=False
    )
    assert done.returncode == 0, done.stderr
    assert f"{FUZZ_ROUNDS} rounds" in done.stdout


def test_framing_in_c_is_framing_in_python(tmp_path: Path) -> None:
    program = tmp_path / "frames"
    source = tmp_path / "frames.c"
    source.write_text(
        '#include <stdio.h>\n#include "core.h"\n'
        "int main(void) { uint8_t in[64], out[96], back[96]; int n, b, i = 0;\n"
        'while (scanf("%d", &n) == 1) { for (i = 0; i < n; i++) {\n'
        'if (scanf("%d", &b) != 1) { return 1; }\nin[i] = (uint8_t)b; }\n'
        "uint16_t m = cr_cobs_encode(in, (uint16_t)n, out);\n"
        'printf("%u", cr_crc(in, (uint16_t)n));\n'
        'for (i = 0; i < m; i++) printf(" %u", out[i]);\n'
        'printf(" %d\\n", cr_cobs_decode(out, m, back) == n); } return 0; }\n'
    )
    words = [compiler(), *FLAGS, f"-I{FIRMWARE}", str(source), str(FIRMWARE / "framing.c")]
    subprocess.run([*words, "-o", str(program)], check=True)
    import random

    rng = random.Random(2)
    payloads = [
        bytes(rng.choice([0, 0, 1, 255, rng.randrange(256)]) for _ in range(n))
        for n in range(1, 60)
    ]
    payloads.append(b"123456789")
    text = "\n".join(f"{len(p)} {' '.join(map(str, p))}" for p in payloads)
    out = subprocess.run([str(program)], input=text, capture_output=True, text=True, check=True)
    for payload, line in zip(payloads, out.stdout.splitlines(), strict=True):
        crc, *stuffed, whole = map(int, line.split())
        assert crc == crc16(payload)
        assert bytes(stuffed) == cobs_encode(payload)
        assert whole == 1


def test_the_board_layer_compiles_with_a_pin_table(tmp_path: Path) -> None:
    for option, last in ((), "1, 0"), (("--dry-run",), "1, 1"):
        words = [sys.executable, str(FIRMWARE / "limits.py"), "fettle", "header", *option]
        pins = subprocess.run(words, capture_output=True, text=True, check=True).stdout
        assert "/* coil  0: tube 1 */" in pins
        assert "/* light 0: status */" in pins
        assert f"{last}, {{5000010, " in pins
        (tmp_path / "pins.h").write_text(pins)
        build = [compiler(), *FLAGS[:7], f"-I{tmp_path}", f"-I{FIRMWARE}", "-c"]
        target = ["-o", str(tmp_path / "layer.o")]
        subprocess.run([*build, str(FIRMWARE / "board_layer.c"), *target], check=True)


def test_a_plan_becomes_a_table_for_a_board_without_a_host(tmp_path: Path) -> None:
    from callresp.plan.files import write_plan

    checked = plan_of(10)
    plan = tmp_path / "a.plan.jsonl"
    write_plan(plan, checked.plan)
    words = [sys.executable, str(FIRMWARE / "limits.py"), "fettle", "plan", str(plan)]
    table = subprocess.run(words, capture_output=True, text=True, check=True).stdout
    assert table.count(".kind") == len(checked.plan.commands)
    (tmp_path / "plan.h").write_text(table)
    (tmp_path / "use.c").write_text(
        '#include "plan.h"\nint main(void) { return !cr_plan[0].length; }\n'
    )
    build = [compiler(), "-std=c99", "-Werror", f"-I{FIRMWARE}", str(tmp_path / "use.c")]
    subprocess.run([*build, "-o", str(tmp_path / "use")], check=True)
    assert subprocess.run([str(tmp_path / "use")], check=False).returncode == 0
