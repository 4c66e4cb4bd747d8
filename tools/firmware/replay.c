/* The core in virtual time: takes commands as lines, tells what became of each. For tests.
 *
 * Reads limits up to "go", then one line a command, in order of `at`:
 *     kind channel at length_or_pulse pull duty speed
 * (decimal; as on the line). Each is sent as a frame half a second before its time, a
 * heartbeat goes between. Prints "sequence-in-all outcome at" for each, as the board's Done
 * tells it, and at the end "hottest" with each coil's highest rise in mK. Then come the limits of
 * the next board, if any.
 */
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#include "core.h"
#include "host_config.h"
#include "outputs.h"

enum { AHEAD = 5000, BEAT = 500 };

static cr_board board;
static long number_of[256];

static void set_channel(uint8_t channel, uint8_t duty) { (void)channel, (void)duty; }
static uint16_t room(void) { return 65535; }
static uint16_t millivolts(void) { return 65535; }
static int8_t temperature(void) { return 20; }
static uint16_t counts(uint8_t motor) { return (uint16_t)(board.now * 10 + motor); } /* it turns */
static void nothing(void) {}

static void send_bytes(const uint8_t *data, uint16_t count) {
    uint8_t p[CR_FRAME];
    int size = cr_cobs_decode(data, (uint16_t)(count - 1), p);
    if (size == 9 && p[0] == 0x84) {
        unsigned long at = p[2] | p[3] << 8 | p[4] << 16 | (unsigned long)p[5] << 24;
        printf("%ld %d %lu\n", number_of[p[1]], p[6], at);
    }
}

static void say(uint8_t *p, uint16_t count) {
    uint8_t out[CR_FRAME];
    uint16_t crc = cr_crc(p, count);
    p[count] = (uint8_t)(crc >> 8);
    p[count + 1] = (uint8_t)crc;
    uint16_t length = cr_cobs_encode(p, (uint16_t)(count + 2), out);
    for (uint16_t n = 0; n < length; n++) {
        cr_byte(&board, out[n]);
    }
    cr_byte(&board, 0);
}

static void put(uint8_t *p, unsigned long value, int bytes) {
    for (int n = 0; n < bytes; n++) {
        p[n] = (uint8_t)(value >> (8 * n));
    }
}

static int64_t hottest_nk[CR_COILS];

static void pass_until(uint32_t then) {
    while (board.now != then) {
        cr_tick(&board, board.now + 1);
        if (board.now % BEAT == 0) {
            uint8_t ask[16] = {0x02};
            say(ask, 5);
        }
        for (int n = 0; n < CR_COILS && board.now % 100 == 0; n++) {
            int64_t rise = board.coil[n].rise_nk;
            hottest_nk[n] = rise > hottest_nk[n] ? rise : hottest_nk[n];
        }
        cr_poll(&board);
    }
}

static void command(long number, const unsigned long *v) {
    static const uint16_t sizes[] = {9, 14, 13, 8};
    uint8_t p[32] = {(uint8_t)v[0], (uint8_t)number, (uint8_t)v[1]};
    number_of[number % 256] = number;
    put(p + 3, v[2], 4);
    if (v[0] == CR_STRIKE) {
        put(p + 7, v[3], 2);
    } else if (v[0] == CR_LIGHT) {
        p[7] = (uint8_t)v[5];
    } else {
        put(p + 7, v[3], 4);
        put(p + 11, v[0] == CR_HOLD ? v[4] : v[6], 2);
        p[13] = (uint8_t)v[5];
    }
    say(p, sizes[v[0] - CR_STRIKE]);
}

static void play(void) {
    static cr_config config;
    memset(&config, 0, sizeof config);
    memset(&board, 0, sizeof board);
    memset(hottest_nk, 0, sizeof hottest_nk);
    read_config(&config);
    static const cr_hal hal = {set_channel, set_channel, set_channel, send_bytes, room, millivolts, temperature,
                  counts,      nothing,     nothing, false};
    static cr_kept kept;
    cr_kept_rested(&kept, &config);
    cr_init(&board, &config, &hal, &kept, 0, 0, 0);
    uint8_t hello[16] = {0x01, CR_VERSION, 7, 0};
    say(hello, 4);
    unsigned long v[7];
    long number = 0;
    while (scanf("%lu %lu %lu %lu %lu %lu %lu", v, v + 1, v + 2, v + 3, v + 4, v + 5, v + 6) == 7) {
        uint32_t due = (uint32_t)(v[2] > AHEAD ? v[2] - AHEAD : 0);
        if (due > board.now) {
            pass_until(due);
        }
        /* Full: let time pass until there is room, as a host that counts credit does. */
        while (board.waiting + board.ended >= board.config->queue) {
            pass_until(board.now + 10);
        }
        command(number++, v);
    }
    pass_until(board.now + 4 * AHEAD);
    printf("hottest");
    for (int n = 0; n < config.coils; n++) {
        printf(" %ld", (long)(hottest_nk[n] / 1000000));
    }
    printf("\n");
}

int main(void) {
    int next;
    while ((next = getchar()) != EOF) {
        ungetc(next, stdin);
        play();
    }
    return 0;
}
