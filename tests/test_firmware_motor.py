"""The core's own loop for motor speed, on a simulated motor."""

from __future__ import annotations

import subprocess
from pathlib import Path

import pytest
from firmware_helpers import CORE, FIRMWARE, FLAGS, compiler, core_objects, lines
from link_helpers import FETTLE

# A motor that runs up to `top` turns a second at full duty, with a lag of 80 ms.
HARNESS = r"""
#include <stdio.h>
#include <stdlib.h>
#include "core.h"
#include "host_config.h"
#include "outputs.h"
static cr_board board;
static double speed, turned, top = 8;
static uint8_t duty;
static void set_coil(uint8_t n, uint8_t d) { (void)n, (void)d; }
static void set_motor(uint8_t n, uint8_t d) { if (n == 0) { duty = d; } }
static void set_light(uint8_t n, uint8_t d) { (void)n, (void)d; }
static void send_bytes(const uint8_t *p, uint16_t n) { (void)p, (void)n; }
static uint16_t room(void) { return 65535; }
static uint16_t millivolts(void) { return 12000; }
static int8_t temperature(void) { return 20; }
static uint16_t counts(uint8_t n) {
    return n ? 0 : (uint16_t)(uint32_t)(turned * board.config->motor[0].counts_per_rev);
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
    static const cr_hal hal = {set_coil,    set_motor, set_light, send_bytes, room,
                               millivolts, temperature, counts, nothing, nothing, false};
    static cr_kept kept;
    cr_kept_rested(&kept, &config);
    cr_init(&board, &config, &hal, &kept, 4294960000u, 0, 0);
    if (argc != 3) { return 2; }
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
    return 0;
}
"""


@pytest.fixture(scope="module")
def harness(tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("harness")
    (folder / "harness.c").write_text(HARNESS)
    words = [compiler(), *FLAGS, f"-I{FIRMWARE}", f"-I{CORE}", str(folder / "harness.c")]
    words += [*core_objects(), "-o", str(folder / "harness")]
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
