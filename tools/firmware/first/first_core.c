/* What the core of version 0.1.0 does in five of its faults, on an emulated Cortex-M3.
 *
 * `tools/bench_firmware.py --only faults --before TREE` compiles it beside that tree's core.c,
 * outputs.c and framing.c, and runs it on qemu's mps2-an385, which counts instructions. Each row
 * that it prints is a fault's number, what was tried, and what was found.
 */
#include <stdio.h>
#include <string.h>

#include "pins.h"

#include "outputs.h"

enum { S = 10000, TIMED = 16 };
/* A timer of 25 MHz, and 16 ns an instruction (qemu's -icount shift=4): steps of 2.5. */
#define TIMER_CTRL (*(volatile uint32_t *)0x40001000u)
#define TIMER_VALUE (*(volatile uint32_t *)0x40001004u)
#define TIMER_RELOAD (*(volatile uint32_t *)0x40001008u)

static cr_board board;
static uint32_t now, receipts, done, coils_on, motor_duty;
static uint16_t supply_mv = 12000;

static void set_coil(uint8_t n, uint8_t duty) { coils_on = duty ? coils_on | 1u << n : coils_on & ~(1u << n); }
static void set_motor(uint8_t n, uint8_t duty) { (void)n, motor_duty = duty; }
static void set_light(uint8_t n, uint8_t level) { (void)n, (void)level; }
static uint16_t millivolts(void) { return supply_mv; }
static int8_t temperature(void) { return 20; }
static uint16_t counts(uint8_t n) { return (void)n, 0; }
static void lock(void) {}

static void sent(const uint8_t *data, uint16_t count) {
    uint8_t plain[CR_FRAME];
    if (count > 1 && cr_unstuff(data, (uint16_t)(count - 1), plain) > 2) {
        receipts += plain[0] == 0x83;
        done += plain[0] == 0x84 && plain[6] == CR_EXECUTED;
    }
}

static void say(const uint8_t *payload, uint16_t count) {
    uint8_t plain[CR_FRAME], out[CR_FRAME];
    memcpy(plain, payload, count);
    uint16_t crc = cr_crc(payload, count);
    plain[count] = (uint8_t)(crc >> 8);
    plain[count + 1] = (uint8_t)crc;
    uint16_t size = cr_stuff(plain, (uint16_t)(count + 2), out);
    for (uint16_t n = 0; n < size; n++) {
        cr_byte(&board, out[n]);
    }
    if (size == 0 || out[size - 1] != 0) {
        cr_byte(&board, 0);
    }
}

static void timed(uint8_t kind, uint8_t sequence, uint8_t channel, uint32_t at, const uint8_t *rest, uint16_t more) {
    uint8_t p[24] = {kind, sequence, channel, (uint8_t)at, (uint8_t)(at >> 8), (uint8_t)(at >> 16), (uint8_t)(at >> 24)};
    memcpy(p + 7, rest, more);
    say(p, (uint16_t)(7 + more));
}

static void strike(uint8_t sequence, uint8_t channel, uint32_t at) {
    timed(CR_STRIKE, sequence, channel, at, (const uint8_t[]){0x20, 0x03}, 2); /* 8 ms */
}

static void greet(void) { say((const uint8_t[]){0x01, CR_VERSION, 7, 0}, 4); }

/* Time passes with a host that is there, a step at a time. */
static void pass(uint32_t ticks, uint32_t step) {
    for (uint32_t gone = 0; gone < ticks; gone += step) {
        now += step;
        cr_tick(&board, now);
        if (now % 500 < step) {
            say((const uint8_t[]){0x02, 0, 0, 0, 0}, 5);
        }
        cr_poll(&board);
    }
}

static void start(uint32_t at) {
    const cr_hal hal = {set_coil, set_motor, set_light, sent, millivolts, temperature, counts, lock, lock};
    now = at;
    supply_mv = 12000;
    receipts = done = motor_duty = 0;
    cr_init(&board, &cr_limits, &hal, now, 1);
}

static void deaf(void) {
    start(0);
    now = 60u * 3600u * S;
    cr_tick(&board, now);
    cr_poll(&board);
    greet();
    for (uint8_t n = 0; n < 8; n++) {
        strike(n, n % 5, now + 1000 + 1500u * n);
    }
    pass(3 * S, 10);
    printf("1|8 strokes after 60 h of power|%u played, %u receipts\n", (unsigned)done, (unsigned)receipts);
}

static void flat(void) {
    start(0);
    greet();
    pass(S / 2, 10);
    supply_mv = 10000;
    pass(S, 10);
    supply_mv = 12000;
    pass(60 * S, 10);
    greet();
    strike(0, 0, now + 1000);
    pass(S, 10);
    printf("2|a second of 10 V, then a minute of 12 V, then a stroke|%s\n", done ? "played" : "refused");
}

static void slow(void) {
    start(0);
    greet();
    uint8_t sequence = 0;
    for (uint8_t n = 5; n < 13; n++) {
        if (cr_limits.coil[n].on_max > 50000) {
            /* Held for five seconds after a pull of 30 ms, at 76 of 255. */
            timed(CR_HOLD, sequence++, n, now + 500, (const uint8_t[]){0x50, 0xC3, 0, 0, 0x2C, 0x01, 76}, 7);
        }
    }
    pass(1000, 1);
    uint32_t most = 0, over = 0;
    TIMER_RELOAD = TIMER_VALUE = 0xFFFFFFFFu;
    TIMER_CTRL = 1;
    for (unsigned n = 0; n < 1000; n++) {
        uint32_t from = TIMER_VALUE;
        cr_tick(&board, ++now);
        uint32_t took = (from - TIMER_VALUE) * 5 / 2;
        most = took > most ? took : most;
        over += took > LONGEST;
    }
    printf("3|instructions of the longest interrupt, Fettle|%u, longer than a tick of 0.1 ms: %u of 1000\n",
           (unsigned)most, (unsigned)over);
}

static void jammed(void) {
    start(0);
    greet();
    timed(CR_TURN, 0, 0, now + 500, (const uint8_t[]){0x80, 0x4F, 0x12, 0, 0xC8, 0}, 6); /* 120 s */
    uint32_t full = 0, on = 0;
    for (unsigned n = 0; n < 1300; n++) {
        pass(S / 10, 100);
        full += motor_duty == 255;
        on += motor_duty > 0;
    }
    printf("6|a motor asked for 120 s whose encoder stands still|on for %u s, %u of them at full duty, faults 0x%02X\n",
           (unsigned)on / 10, (unsigned)full / 10, board.faults);
}

int main(void) {
    deaf();
    flat();
    slow();
    printf("4|bytes of the core's RAM, Fettle|%u\n", (unsigned)sizeof board);
    jammed();
    return 0;
}

extern void _start(void);
extern char cr_stack_top;
__attribute__((section(".vectors"), used)) static const void *const vectors[2] = {&cr_stack_top, (const void *)_start};
