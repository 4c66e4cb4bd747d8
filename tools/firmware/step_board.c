/* The core on a computer, in steps: a test gives it bytes and lets its time pass. For tests.
 *
 * Reads limits up to "go", then a line a step:
 *     start TICKS      power it up with its clock at TICKS (once, first), its coils rested
 *     restart TICKS HUNG   a reset, by its watchdog if HUNG is not 0
 *     hang TICKS       let so many ticks pass, the main loop standing still
 *     leap TICKS       the tick comes so much later, then the main loop once
 *     lose BYTE        what is kept over a restart is all BYTE
 *     flip BIT         one bit of it
 *     tear PLACE BYTES     of that row only so many bytes are as written last
 *     other MV         another cut-off from the next start on: another machine
 *     pass TICKS       let so many ticks pass, one by one
 *     idle TICKS       let so many ticks pass, ten seconds at a time: for long idle times
 *     bytes HEX        bytes from the line
 *     volts MV         of the supply
 *     stop | rain | dry    the button, the sensor
 *     sense LUX CENTI_C PERCENT RAIN   what its sensors read
 *     jam MOTOR | free MOTOR   its shaft
 * Each is answered by any number of lines "sent HEX" and "OUTPUT CHANNEL LEVEL TICKS", then ".".
 */
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#include "core.h"
#include "host_config.h"

#define STRIDE 100000ul

static cr_board board;
static cr_kept kept, written[2]; /* written: as it was before the last change, and after it */
static uint16_t volts = 12000;
static double motor_counts[CR_MOTORS];
static uint8_t motor_duty[CR_MOTORS];
static bool jammed[CR_MOTORS];

static void switched(const char *output, uint8_t channel, uint8_t level) {
    printf("%s %u %u %lu\n", output, channel, level, (unsigned long)board.now);
}

static void set_coil(uint8_t n, uint8_t duty) { switched("coil", n, duty); }

static void set_motor(uint8_t n, uint8_t duty) {
    /* Its speed loop may well give it nothing for a moment: told is that it runs. */
    static bool was_on[CR_MOTORS];
    bool on = board.motors_on >> n & 1u;
    if (on != was_on[n]) {
        switched("motor", n, on);
    }
    was_on[n] = on;
    motor_duty[n] = duty;
}

static void set_light(uint8_t n, uint8_t level) {
    switched(board.config->dry_run ? "lamp" : "light", n, level);
}

static void send_bytes(const uint8_t *data, uint16_t count) {
    printf("sent ");
    for (uint16_t n = 0; n < count; n++) {
        printf("%02x", data[n]);
    }
    printf("\n");
}

static uint16_t room(void) { return 65535; }
static uint16_t millivolts(void) { return volts; }
static int8_t temperature(void) { return 20; }
static uint16_t counts(uint8_t n) { return (uint16_t)(uint32_t)motor_counts[n]; }
static void nothing(void) {}

/* The chip sleeps as a board layer would: `left` of it, `clock_now` its time meanwhile. */
static uint32_t left, clock_now;

static uint32_t sleep_through(uint32_t ticks) {
    if (left == 0) {
        left = cr_may_sleep(&board);
        clock_now = board.now;
    }
    uint32_t slept = left < ticks ? left : ticks;
    left -= slept;
    clock_now += slept;
    if (slept > 0 && left == 0) {
        cr_slept(&board, clock_now, false);
    }
    return slept;
}

static void pass(uint32_t ticks) {
    for (uint32_t n = sleep_through(ticks); n < ticks; n += 1 + sleep_through(ticks - n - 1)) {
        for (int m = 0; m < CR_MOTORS; m++) {
            /* Eight turns a second at full duty. */
            double turns = jammed[m] ? 0 : motor_duty[m] / 255.0 * 8.0 / 1e4;
            motor_counts[m] += turns * board.config->motor[m].counts_per_rev;
        }
        cr_tick(&board, board.now + 1);
        cr_poll(&board);
        if (memcmp(&kept, &written[1], sizeof kept) != 0) {
            written[0] = written[1];
            written[1] = kept;
        }
    }
}

static void restart(const cr_config *config, const cr_hal *hal, uint32_t ticks, uint32_t hung) {
    memset(&board, 0xA5, sizeof board);
    left = 0;
    cr_init(&board, config, hal, &kept, ticks, 0, hung);
}

static void damage(const char *row, unsigned long given) {
    unsigned long bytes = strtoul(strrchr(row, ' '), NULL, 10);
    if (row[0] == 'l') {
        memset(&kept, (int)given, sizeof kept);
    } else if (row[0] == 'f') {
        ((uint8_t *)&kept)[given / 8 % sizeof kept] ^= (uint8_t)(1u << given % 8);
    } else {
        cr_kept_row *torn = &kept.row[given], *before = &written[0].row[given];
        memcpy((uint8_t *)torn + bytes, (uint8_t *)before + bytes, sizeof *torn - bytes);
    }
}

static void take(const char *hex) {
    unsigned byte;
    if (left > 0) {
        left = 0;
        cr_slept(&board, clock_now, true);
        return; /* what woke it is lost */
    }
    for (; sscanf(hex, "%2x", &byte) == 1; hex += 2) {
        cr_byte(&board, (uint8_t)byte);
    }
    cr_poll(&board);
}

int main(void) {
    static char row[20000];
    cr_config config = {0};
    read_config(&config);
    static const cr_hal hal = {set_coil, set_motor, set_light, send_bytes, room, millivolts, temperature, counts,
                  nothing,  nothing, true};
    while (fgets(row, sizeof row, stdin)) {
        unsigned long given = strtoul(strchr(row, ' ') ? strchr(row, ' ') : "", NULL, 10);
        if (!strncmp(row, "start", 5)) {
            cr_kept_rested(&kept, &config);
            restart(&config, &hal, (uint32_t)given, 0);
        } else if (!strncmp(row, "restart", 7)) {
            restart(&config, &hal, (uint32_t)given, (uint32_t)strtoul(strrchr(row, ' '), NULL, 10));
        } else if (!strncmp(row, "hang", 4)) {
            for (unsigned long n = 0; n < given; n++) {
                cr_tick(&board, board.now + 1);
            }
        } else if (!strncmp(row, "leap", 4)) {
            cr_tick(&board, board.now + (uint32_t)given);
            cr_poll(&board);
        } else if (!strncmp(row, "other", 5)) {
            config.cutoff_mv = (uint16_t)given;
        } else if (!strncmp(row, "lose", 4) || !strncmp(row, "flip", 4) || !strncmp(row, "tear", 4)) {
            damage(row, given);
        } else if (!strncmp(row, "pass", 4)) {
            pass((uint32_t)given);
        } else if (!strncmp(row, "idle", 4)) {
            for (unsigned long more = given; more > 0;) {
                unsigned long slept = sleep_through((uint32_t)more);
                unsigned long step = more - slept < STRIDE ? more - slept : STRIDE;
                if (step > 0) {
                    cr_tick(&board, board.now + (uint32_t)step);
                    cr_poll(&board);
                }
                more -= slept + step;
            }
        } else if (!strncmp(row, "bytes", 5)) {
            take(row + 6);
        } else if (!strncmp(row, "volts", 5)) {
            volts = (uint16_t)given;
        } else if (!strncmp(row, "jam", 3) || !strncmp(row, "free", 4)) {
            jammed[given % CR_MOTORS] = row[0] == 'j';
        } else if (!strncmp(row, "sense", 5)) {
            long lux, air, humidity, rain;
            if (sscanf(row + 5, "%ld %ld %ld %ld", &lux, &air, &humidity, &rain) != 4) {
                return 2;
            }
            cr_sensed sensed = {(uint32_t)lux, (int16_t)air, (uint8_t)humidity, (uint8_t)rain};
            cr_sense(&board, &sensed);
        } else if (!strncmp(row, "stop", 4)) {
            cr_press_stop(&board);
        } else {
            cr_sense_rain(&board, row[0] == 'r');
        }
        puts(".");
        fflush(stdout);
    }
    return 0;
}
