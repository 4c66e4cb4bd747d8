/* Throws bytes at the core: as a libFuzzer target, or alone for a stated number of rounds.
 *
 *     clang -g -O1 -fsanitize=fuzzer,address,undefined -DCR_LIBFUZZER fuzz_core.c core.c …
 *     cc -fsanitize=address,undefined fuzz_core.c core.c … && ./a.out ROUNDS
 *
 * Half of the rounds are well-framed messages of random content, so that the fuzz reaches
 * behind the checksum. After each, what must always hold is asserted. Now and then it restarts at
 * any moment, its clock anywhere, what it keeps torn, damaged or lost; on-times are watched beyond
 * restarts, in true time.
 */
#include <assert.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#include "core.h"

static cr_board board;
static cr_kept kept, before;
static uint32_t now, restarts;
static uint64_t truth, on_since[CR_COILS];
static uint8_t duty_of[CR_COILS];
static cr_config config;

/* The on-times of a cycle, newest last: what the coils stand, in a reckoning of its own. */
enum { SEEN = 256 };
static struct {
    uint64_t from[SEEN], until[SEEN];
    unsigned count;
} seen[CR_COILS];

static void watch_duty(unsigned n) {
    uint64_t cycle = config.coil[n].cycle_ticks, used = 0, most = config.coil[n].duty_ticks;
    seen[n].from[seen[n].count % SEEN] = on_since[n];
    seen[n].until[seen[n].count++ % SEEN] = truth;
    for (unsigned k = 0; k < SEEN && k < seen[n].count; k++) {
        uint64_t since = truth > cycle ? truth - cycle : 0;
        uint64_t from = seen[n].from[k] > since ? seen[n].from[k] : since;
        if (seen[n].until[k] > from) {
            used += seen[n].until[k] - from;
            most += 3; /* the board ends in one tick six of those that are due */
        }
    }
    assert(used <= most);
}

static uint32_t state = 1;
static uint32_t random32(void) {
    state ^= state << 13;
    state ^= state >> 17;
    return state ^= state << 5;
}

static void set_coil(uint8_t n, uint8_t duty) {
    if (duty > 0 && duty_of[n] == 0) {
        on_since[n] = truth;
    }
    if (duty == 0 && duty_of[n] > 0) {
        assert(truth - on_since[n] <= config.coil[n].on_max + 3);
        watch_duty(n);
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

static void limits(void) {
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
        uint32_t duty = n % 4 ? 1000 : 12000; /* so little that many are refused for it */
        config.coil[n] = (cr_coil_limits){true,   400,  2000000, 336000, 2400000,
                                          118000, duty, 100000,  (uint8_t)(n / 10)};
    }
    config.motor[0] = (cr_motor_limits){true, 80, 400, 1200000, 800000, 1500000, 3000, 6000, 540};
}

static void start(void) {
    static const cr_hal hal = {set_coil, set_motor, set_light, send_bytes, room, millivolts, temperature, counts,
                  nothing,  nothing, true};
    cr_init(&board, &config, &hal, &kept, now, (uint16_t)++restarts, 0);
}

/* A reset, at any moment; what is kept as it was, or torn between two states, or damaged. */
static void restart(void) {
    uint8_t *byte = (uint8_t *)&kept;
    uint32_t way = random32() % 8, place = random32() % (1 + CR_COILS + CR_MOTORS);
    if (way == 1) {
        uint32_t whole = random32() % sizeof(cr_kept_row);
        uint8_t *row = (uint8_t *)&kept.row[place], *was = (uint8_t *)&before.row[place];
        if (memcmp(row, was, whole) != 0) { /* else it is as it was, before what it then allowed */
            memcpy(row + whole, was + whole, sizeof(cr_kept_row) - whole);
        }
    } else if (way == 2) {
        byte[random32() % sizeof kept] ^= (uint8_t)(1u << random32() % 8);
    } else if (way == 3) {
        memset(byte, (int)random32(), sizeof kept);
    }
    now = random32();
    start();
}

static void tick(void) {
    truth++;
    cr_tick(&board, ++now);
    if (random32() % 60000 == 0) {
        restart();
    }
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
            tick();
        }
    }
    before = kept;
    for (int n = 0; n < 40; n++) {
        tick();
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
        truth += slept;
        cr_slept(&board, now, slept < may);
        assert(board.session == 0 || !board.told_to_sleep);
        check();
    }
}

int LLVMFuzzerTestOneInput(const uint8_t *data, size_t count);
int LLVMFuzzerTestOneInput(const uint8_t *data, size_t count) {
    if (!board.config) {
        limits();
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
    limits();
    cr_kept_rested(&kept, &config);
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
    printf("%ld rounds, %u restarts, %u executed since, %u refused\n", rounds,
           (unsigned)restarts - 1u, board.executed, board.refused);
    return 0;
}
#endif
