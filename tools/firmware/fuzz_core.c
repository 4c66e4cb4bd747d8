/* Throws bytes at the core: as a libFuzzer target, or alone for a stated number of rounds.
 *
 *     clang -g -O1 -fsanitize=fuzzer,address,undefined -DCR_LIBFUZZER fuzz_core.c core.c …
 *     cc -fsanitize=address,undefined fuzz_core.c core.c … && ./a.out ROUNDS
 *
 * Half of the rounds are well-framed messages of random content, so that the fuzz reaches
 * behind the checksum. After each, what must always hold is asserted.
 */
#include <assert.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#include "core.h"

static cr_board board;
static uint32_t now, on_since[CR_COILS];
static uint8_t duty_of[CR_COILS];
static cr_config config;

static uint32_t state = 1;
static uint32_t random32(void) {
    state ^= state << 13;
    state ^= state >> 17;
    return state ^= state << 5;
}

static void set_coil(uint8_t n, uint8_t duty) {
    if (duty > 0 && duty_of[n] == 0) {
        on_since[n] = board.now;
    }
    if (duty == 0 && duty_of[n] > 0) {
        assert(board.now - on_since[n] <= config.coil[n].on_max + 3);
    }
    duty_of[n] = duty;
}
static void set_motor(uint8_t n, uint8_t duty) { (void)n, (void)duty; }
static void set_light(uint8_t n, uint8_t level) { assert(n < config.lights), (void)level; }
static void send_bytes(const uint8_t *d, uint16_t n) { assert(n > 0 && d[n - 1] == 0); }
static uint16_t room(void) { return 65535; }
static uint16_t millivolts(void) { return 12000; }
static int8_t temperature(void) { return 20; }
static uint16_t counts(uint8_t n) { return (uint16_t)(now / 7 + n); }
static void nothing(void) {}

static void start(void) {
    memset(&config, 0, sizeof config);
    config.coils = CR_COILS;
    config.motors = 1;
    config.queue = CR_QUEUE;
    config.silence_ms = 200;
    config.limit_ua = 7000000;
    config.ambient_mc = 12000;
    config.lights = 2;
    config.driver_ua[0] = 7000000;
    config.driver_ua[1] = 4100000;
    for (int n = 0; n < CR_COILS; n++) {
        config.coil[n] = (cr_coil_limits){true,  400,    2000000, 336000, 2400000,
                                           118000, 12000,   100000, (uint8_t)(n / 10)};
    }
    config.motor[0] = (cr_motor_limits){true, 80, 400, 1200000, 800000, 1500000, 3000, 6000, 540};
    static const cr_hal hal = {set_coil, set_motor, set_light, send_bytes, room, millivolts, temperature, counts,
                  nothing,  nothing, true};
    cr_init(&board, &config, &hal, now, 0);
}

static void check(void) {
    uint32_t total = 0, group[2] = {0, 0};
    for (int n = 0; n < CR_COILS; n++) {
        bool on = board.coils_on >> n & 1u;
        assert(on == (duty_of[n] > 0) || board.coil[n].hold_duty == 0);
        uint32_t microamps = on ? board.coil[n].microamps : 0;
        total += microamps;
        group[config.coil[n].driver] += microamps;
        assert(board.coil[n].rise_nk >= 0);
        assert(board.coil[n].rise_nk / 1000000 <= config.coil[n].limit_mk + 500);
        assert(board.coil[n].duty.count <= CR_SPANS);
    }
    assert(total <= config.limit_ua);
    for (int n = 0; n < config.motors; n++) {
        total += board.motors_on >> n & 1u ? board.motor[n].microamps : 0;
    }
    assert(total == board.total_ua);
    assert(group[0] <= config.driver_ua[0] && group[1] <= config.driver_ua[1]);
    assert(board.waiting + board.ended <= CR_QUEUE);
    uint8_t places[CR_QUEUE] = {0};
    for (int n = 0; n < CR_QUEUE; n++) {
        assert(board.order[n] < CR_QUEUE && places[board.order[n]]++ == 0);
    }
}

static void bytes(const uint8_t *data, size_t count) {
    for (size_t n = 0; n < count; n++) {
        cr_byte(&board, data[n]);
        if (n % 8 == 0) {
            cr_tick(&board, ++now);
        }
    }
    for (int n = 0; n < 40; n++) {
        cr_tick(&board, ++now);
        if (n % 4 == 0) {
            cr_poll(&board);
        }
    }
    cr_poll(&board);
    check();
    uint32_t may = cr_may_sleep(&board);
    if (may > 0) {
        /* A chip that sleeps has nothing on, and nothing that waits. */
        assert(board.coils_on == 0 && board.motors_on == 0 && board.waiting == 0);
        uint32_t slept = random32() % 4 ? may : random32() % may + 1;
        now += slept;
        cr_slept(&board, now, slept < may);
        assert(board.session == 0 || !board.told_to_sleep);
        check();
    }
}

int LLVMFuzzerTestOneInput(const uint8_t *data, size_t count);
int LLVMFuzzerTestOneInput(const uint8_t *data, size_t count) {
    if (!board.config) {
        start();
    }
    bytes(data, count);
    return 0;
}

#ifndef CR_LIBFUZZER
static void framed(void) {
    static const uint8_t kinds[] = {0x01, 0x02, 0x03, 0x04, 0x10, 0x11, 0x12, 0x13, 0x05};
    static const uint8_t sizes[] = {4, 5, 2, 2, 9, 14, 13, 8, 7};
    uint8_t p[24], out[40];
    unsigned k = random32() % 9;
    for (unsigned n = 0; n < sizeof p; n++) {
        p[n] = (uint8_t)random32();
    }
    p[0] = kinds[k];
    if (k >= 4 && k < 8) {
        uint32_t at = now + random32() % 300;
        p[1] = (uint8_t)(board.expected + random32() % 3);
        p[2] = (uint8_t)(random32() % (CR_COILS + 2));
        for (int n = 0; n < 4; n++) {
            p[3 + n] = (uint8_t)(at >> (8 * n));
        }
        p[8] = (uint8_t)(random32() % 32);
        p[9] = p[10] = 0;
        p[12] = (uint8_t)(random32() % 2); /* a speed or a pull that may be allowed */
    }
    if (k == 0) {
        p[1] = random32() % 64 ? CR_VERSION : p[1];
        p[2] = random32() % 64 ? 7 : p[2]; /* mostly the session that we are in */
        p[3] = 0;
    }
    if (k == 8) {
        memset(p + 1, 0, 6);
        p[1] = (uint8_t)(random32() % 3); /* a second or two, at once or in one */
        p[5] = (uint8_t)(random32() % 2);
    }
    if ((k == 2 || k == 3 || k == 8) && random32() % 16) {
        return; /* not a stop at every seventh message */
    }
    uint16_t crc = cr_crc(p, sizes[k]);
    p[sizes[k]] = (uint8_t)(crc >> 8);
    p[sizes[k] + 1] = (uint8_t)crc;
    uint16_t count = cr_cobs_encode(p, (uint16_t)(sizes[k] + 2), out);
    out[count++] = 0;
    cr_byte(&board, 0); /* noise before must not swallow this one */
    bytes(out, count);
}

int main(int argc, char **argv) {
    long rounds = argc > 1 ? atol(argv[1]) : 100000;
    now = 0xFFFFF000u; /* the clock wraps on the way */
    start();
    uint8_t noise[128];
    for (long n = 0; n < rounds; n++) {
        if (n % 2) {
            framed();
            continue;
        }
        size_t count = random32() % sizeof noise;
        for (size_t m = 0; m < count; m++) {
            noise[m] = (uint8_t)random32();
        }
        bytes(noise, count);
    }
    printf("%ld rounds, %u executed, %u refused\n", rounds, board.executed, board.refused);
    return 0;
}
#endif
