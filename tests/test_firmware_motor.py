"""The core's own loops, on simulated hardware: motor speed, low voltage, the coil's heat."""

from __future__ import annotations

import subprocess
from pathlib import Path

import pytest
from firmware_helpers import FIRMWARE, FLAGS, SOURCES, compiler, lines
from link_helpers import FETTLE

from callresp.link.board import SimulatedBoard
from callresp.link.framing import Deframer, frame
from callresp.link.messages import (
    OUTCOMES,
    VERSION,
    Done,
    Hello,
    HoldAt,
    StrikeAt,
    TimeRequest,
    parse,
)

# A motor that runs up to `top` turns a second at full duty, with a lag of 80 ms.
HARNESS = r"""
#include <stdio.h>
#include <stdlib.h>
#include "core.h"
#include "host_config.h"
#include "outputs.h"
static cr_board board;
static double speed, turned, top = 8;
static uint8_t duty, coil_duty[CR_COILS];
static uint16_t volts = 12000;
static void set_coil(uint8_t n, uint8_t d) { coil_duty[n] = d; }
static void set_motor(uint8_t n, uint8_t d) { if (n == 0) { duty = d; } }
static void set_light(uint8_t n, uint8_t d) { (void)n, (void)d; }
static void send_bytes(const uint8_t *p, uint16_t n) { (void)p, (void)n; }
static uint16_t millivolts(void) { return volts; }
static int8_t temperature(void) { return 20; }
static uint16_t counts(uint8_t n) {
    return n ? 0 : (uint16_t)(uint32_t)(turned * board.config.motor[0].counts_per_rev);
}
static void nothing(void) {}
static void pass(double seconds) {
    for (long n = 0; n < (long)(seconds * 10000); n++) {
        speed += (duty / 255.0 * top - speed) / 800;
        turned += speed / 10000;
        cr_tick(&board, board.now + 1);
        cr_poll(&board);
    }
}
int main(int argc, char **argv) {
    cr_config config = {0};
    read_config(&config);
    cr_hal hal = {set_coil, set_motor, set_light, send_bytes, millivolts, temperature, counts,
                  nothing,  nothing};
    cr_init(&board, &config, &hal, 4294960000u, 0);
    if (argc == 3) {
        cr_command turn = {.kind = CR_TURN, .length = 100000, .speed = (uint16_t)atoi(argv[1])};
        if (cr_execute(&board, &turn) != CR_EXECUTED) { return 1; }
        pass(2);
        top = atof(argv[2]); /* the load changes while it runs */
        pass(3);
        double before = turned;
        pass(4);
        printf("%.4f ", (turned - before) / 4);
        pass(2);
        printf("%d\n", duty);
    } else {
        cr_command hold = {.kind = CR_HOLD, .channel = 5, .length = 100000, .pull = 300,
                           .duty = 76};
        if (cr_execute(&board, &hold) != CR_EXECUTED) { return 1; }
        pass(1.5);
        printf("%d ", coil_duty[5]);
        volts = 10900;
        pass(1.1);
        printf("%d %d ", coil_duty[5], board.faults & CR_LOW_VOLTAGE);
        cr_command strike = {.kind = CR_STRIKE, .length = 80, .pull = 80, .duty = 255};
        printf("%d\n", cr_execute(&board, &strike));
    }
    return 0;
}
"""


@pytest.fixture(scope="module")
def harness(tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("harness")
    (folder / "harness.c").write_text(HARNESS)
    words = [compiler(), *FLAGS, f"-I{FIRMWARE}", str(folder / "harness.c")]
    words += [str(FIRMWARE / name) for name in SOURCES] + ["-o", str(folder / "harness")]
    done = subprocess.run(words, capture_output=True, text=True, check=False)
    assert done.returncode == 0, done.stderr
    return folder / "harness"


def told(program: Path, *words: str) -> list[float]:
    command = [str(program), *words]
    done = subprocess.run(
        command, input=lines(FETTLE), capture_output=True, text=True, check=False, timeout=60
    )
    assert done.returncode == 0, done.stderr
    return [float(word) for word in done.stdout.split()]


@pytest.mark.parametrize("wanted", [80, 150, 250, 400])
@pytest.mark.parametrize("top", [8.0, 5.5])
def test_a_motor_keeps_its_speed_by_its_encoder(harness: Path, wanted: int, top: float) -> None:
    """Hundredths of a turn a second, under a load that takes a third of its speed away."""
    speed, duty_after = told(harness, str(wanted), str(top))
    assert speed == pytest.approx(wanted / 100, rel=0.03)
    assert duty_after == 0


def test_a_flat_battery_lets_go_in_c(harness: Path) -> None:
    holding, after, fault, outcome = told(harness)
    assert holding == 76
    assert (after, fault) == (0, 1)
    assert OUTCOMES[int(outcome)] == "over a limit"


def test_a_flat_battery_lets_go_on_the_simulated_board() -> None:
    board, deframer, outcomes = SimulatedBoard(FETTLE), Deframer(), list[str]()

    def say(now_s: float, *messages: HoldAt | StrikeAt | TimeRequest | Hello) -> None:
        data = b"".join(frame(message.pack()) for message in messages)
        for payload in deframer.feed(board.receive(data, now_s)):
            message = parse(payload)
            if isinstance(message, Done):
                outcomes.append(OUTCOMES[message.outcome])

    say(0.0, Hello(VERSION, 7), HoldAt(0, 5, 1000, 100_000, 300, 76))
    for tick in range(1, 40):
        say(tick / 20, TimeRequest(0))
    assert [item.channel for item in board.on_channels] == [5]
    board.volts = 10.9
    for tick in range(40, 64):
        say(tick / 20, TimeRequest(0))
    assert board.on_channels == []
    say(3.2, StrikeAt(1, 0, 33_000, 800))
    say(3.35, TimeRequest(0))
    assert outcomes == ["executed", "over a limit"]
