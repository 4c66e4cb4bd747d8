/* The core and a plan of its own, in virtual time, without a host. For tests.
 *
 * Compiled with what `callresp firmware --plan` makes. Arguments: from which tick the clock
 * starts, how many it runs, from which on it is light (lux 1000), and from which on a host
 * greets the board (0: never); with a fifth it starts as after power was off, nothing being kept.
 * Prints "tick kind channel duty" for each switching, and at the end "state executed refused
 * faults".
 */
#include <inttypes.h>
#include <stdio.h>
#include <stdlib.h>

#include "core.h"
#include "plan_player.h"

static cr_board board;
static uint64_t ticks;

static void told(const char *what, uint8_t channel, uint8_t duty) {
    printf("%" PRIu64 " %s %u %u\n", ticks, what, channel, duty);
}
static void set_coil(uint8_t channel, uint8_t duty) { told("coil", channel, duty); }
static void set_motor(uint8_t channel, uint8_t duty) { told("motor", channel, duty); }
static void set_light(uint8_t channel, uint8_t duty) { told("light", channel, duty); }
static void send_bytes(const uint8_t *data, uint16_t count) { (void)data, (void)count; }
static uint16_t room(void) { return 65535; }
static uint16_t millivolts(void) { return 65535; }
static int8_t temperature(void) { return 20; }
static uint16_t counts(uint8_t motor) { (void)motor; return (uint16_t)(ticks / 5); }
static void nothing(void) {}

static void greet(void) {
    uint8_t payload[8] = {0x01, CR_VERSION, 77, 0}, out[16];
    uint16_t crc = cr_crc(payload, 4);
    payload[4] = (uint8_t)(crc >> 8);
    payload[5] = (uint8_t)crc;
    uint16_t length = cr_cobs_encode(payload, 6, out);
    for (uint16_t n = 0; n < length; n++) {
        cr_byte(&board, out[n]);
    }
    cr_byte(&board, 0);
}

int main(int argc, char **argv) {
    if (argc != 5 && argc != 6) {
        return 2;
    }
    uint32_t start = (uint32_t)strtoull(argv[1], NULL, 10);
    uint64_t length = strtoull(argv[2], NULL, 10), light = strtoull(argv[3], NULL, 10);
    uint64_t host = strtoull(argv[4], NULL, 10);
    static const cr_hal hal = {.set_coil = set_coil, .set_motor = set_motor, .set_light = set_light,
                        .send = send_bytes, .room = room, .millivolts = millivolts, .temperature = temperature,
                        .counts = counts, .lock = nothing, .unlock = nothing};
    cr_player player;
    static cr_kept kept;
    if (argc == 5) {
        cr_kept_rested(&kept, &cr_limits);
    }
    cr_init(&board, &cr_limits, &hal, &kept, start, 0, 0);
    cr_player_init(&player, &cr_own_plan, &board, start);
    for (ticks = 1; ticks <= length; ticks++) {
        uint32_t now = start + (uint32_t)ticks;
        cr_tick(&board, now);
        if (host > 0 && ticks == host) {
            greet();
        }
        if (ticks % 10000 == 0) {
            cr_player_light(&player, ticks >= light ? 1000 : 0);
        }
        if (ticks % 10 == 0) {
            cr_player_poll(&player, now);
        }
        cr_poll(&board);
    }
    printf("end %u %u %u %u\n", player.state, board.executed, board.refused, board.faults);
    return 0;
}
