/* A board by the standard API of the maker's toolchain: setup, loop, and what they may call.
 *
 * For any chip with 32 kB of RAM or more. There is no timer interrupt in that API: the core is
 * called from loop, so a pulse ends as late as one round of loop takes. Measure that first, with
 * a lamp; put nothing slow in here, and a watchdog in hardware behind it.
 */
#include "callresp_board.h"

enum { TICK_US = 100, BUTTON_MS = 20, LINE_WAITS = 60 };

/* What no restart may forget. The standard API knows no retained RAM, which a reset leaves alone:
 * each start then lets all coils rest for a cycle first. Where your chip's toolchain has an
 * attribute for such memory, like __attribute__((section(".noinit"))), define CR_SKETCH_KEPT as
 * that, and CR_SKETCH_HUNG_TICKS as your watchdog's timeout, in 0.1 ms. */
#ifndef CR_SKETCH_KEPT
#define CR_SKETCH_KEPT
#define CR_SKETCH_HUNG_TICKS 0
#endif

static cr_kept kept CR_SKETCH_KEPT;
static cr_board board;
static cr_hal hal;
static uint32_t clock_ticks, counted_us;
static volatile uint16_t edges[CR_MOTORS];
#ifdef CR_PLAYS_PLAN
static cr_player player;
#endif

static const int16_t coil_pins[CR_COILS] = CR_SKETCH_COIL_PINS;
static const int16_t motor_pins[CR_MOTORS] = CR_SKETCH_MOTOR_PINS;
static const int16_t encoder_a[CR_MOTORS] = CR_SKETCH_ENCODER_A_PINS;
static const int16_t encoder_b[CR_MOTORS] = CR_SKETCH_ENCODER_B_PINS;
static const int16_t light_pins[CR_LIGHTS] = CR_SKETCH_LIGHT_PINS;

/* Time in ticks from a counter that wraps every 71 minutes and is read far more often. */
static uint32_t ticks(void) {
    uint32_t whole = (uint32_t)(micros() - counted_us) / TICK_US;
    counted_us += whole * TICK_US;
    clock_ticks += whole;
    return clock_ticks;
}

static void put_out(int16_t pin, uint8_t duty) {
    if (pin < 0) {
        return;
    }
    if (duty == 0 || duty == 255) {
        digitalWrite(pin, duty ? HIGH : LOW);
    } else {
        analogWrite(pin, duty);
    }
}

static void set_coil(uint8_t n, uint8_t duty) { put_out(coil_pins[n], duty); }
static void set_motor(uint8_t n, uint8_t duty) { put_out(motor_pins[n], duty); }
static void set_light(uint8_t n, uint8_t level) { put_out(light_pins[n], level); }

/* Never more than it said that there is room for: it must not wait. */
static void send_bytes(const uint8_t *data, uint16_t count) { Serial.write(data, count); }

static uint16_t room(void) {
    int free_bytes = Serial.availableForWrite();
    return (uint16_t)(free_bytes < 0 ? 0 : free_bytes);
}

static uint16_t millivolts(void) {
#if CR_SKETCH_HAS_BATTERY
    uint64_t mv = (uint64_t)(uint32_t)analogRead(CR_SKETCH_BATTERY_PIN) * CR_SKETCH_ANALOGUE_MV *
                  (CR_SKETCH_UPPER_OHM + CR_SKETCH_LOWER_OHM) /
                  ((uint64_t)CR_SKETCH_ANALOGUE_STEPS * CR_SKETCH_LOWER_OHM);
    return (uint16_t)(mv > 65535u ? 65535u : mv);
#else
    return 65535;
#endif
}

#if CR_SKETCH_HAS_THERMISTOR
/* Between two rows of the table, which is for 4096 steps, by a straight line. */
static int8_t temperature(void) {
    static const uint16_t table[] = CR_SKETCH_THERMISTOR_COUNTS;
    const int rows = (int)(sizeof table / sizeof table[0]);
    long counts = (long)analogRead(CR_SKETCH_THERMISTOR_PIN) * 4096 / CR_SKETCH_ANALOGUE_STEPS;
    int row = 0;
    while (row < rows - 2 && counts < table[row + 1]) {
        row++;
    }
    long span = (long)table[row] - table[row + 1];
    long part = span > 0 ? (table[row] - counts) * CR_SKETCH_STEP_C / span : 0;
    long celsius = CR_SKETCH_COLDEST_C + row * CR_SKETCH_STEP_C + part;
    return (int8_t)(celsius < -99 ? -99 : celsius > 125 ? 125 : celsius);
}
#else
static int8_t temperature(void) { return 20; }
#endif

static uint16_t counts(uint8_t n) { return edges[n]; }
static void lock(void) { noInterrupts(); }
static void unlock(void) { interrupts(); }

/* Every edge counts, whichever way it turns. */
static void edge0(void) { edges[0]++; }
#if CR_MOTORS > 1
static void edge1(void) { edges[1]++; }
#endif
#if CR_MOTORS > 2
static void edge2(void) { edges[2]++; }
#endif
#if CR_MOTORS > 3
static void edge3(void) { edges[3]++; }
#endif
static void (*const edge_of[CR_MOTORS])(void) = {
    edge0,
#if CR_MOTORS > 1
    edge1,
#endif
#if CR_MOTORS > 2
    edge2,
#endif
#if CR_MOTORS > 3
    edge3,
#endif
};

static void start_output(int16_t pin) {
    if (pin >= 0) {
        digitalWrite(pin, LOW);
        pinMode(pin, OUTPUT);
        digitalWrite(pin, LOW);
    }
}

/* With two channels every edge of both is a count; with one, its rising edges. */
static void start_encoder(uint8_t n) {
    if (encoder_a[n] < 0) {
        return;
    }
    pinMode(encoder_a[n], INPUT_PULLUP);
    attachInterrupt(digitalPinToInterrupt(encoder_a[n]), edge_of[n],
                    encoder_b[n] < 0 ? RISING : CHANGE);
    if (encoder_b[n] >= 0) {
        pinMode(encoder_b[n], INPUT_PULLUP);
        attachInterrupt(digitalPinToInterrupt(encoder_b[n]), edge_of[n], CHANGE);
    }
}

/* Whether an input to ground has been closed for 20 ms on end. */
static bool is_closed(int16_t pin, uint32_t *open_ms) {
    uint32_t now_ms = (uint32_t)millis();
    if (digitalRead(pin) != LOW) {
        *open_ms = now_ms;
    }
    return (uint32_t)(now_ms - *open_ms) >= BUTTON_MS;
}

void setup(void) {
    /* First of all: whatever the pins did during reset, all is off from here. */
    for (uint8_t n = 0; n < CR_COILS; n++) {
        start_output(coil_pins[n]);
    }
    for (uint8_t n = 0; n < CR_MOTORS; n++) {
        start_output(motor_pins[n]);
        start_encoder(n);
    }
    for (uint8_t n = 0; n < CR_LIGHTS; n++) {
        start_output(light_pins[n]);
    }
    if (CR_SKETCH_STOP_PIN >= 0) {
        pinMode(CR_SKETCH_STOP_PIN, INPUT_PULLUP);
    }
    if (CR_SKETCH_RAIN_PIN >= 0) {
        pinMode(CR_SKETCH_RAIN_PIN, INPUT_PULLUP);
    }
    Serial.begin(CR_BAUD);
    hal.set_coil = set_coil;
    hal.set_motor = set_motor;
    hal.set_light = set_light;
    hal.send = send_bytes;
    hal.room = room;
    hal.millivolts = millivolts;
    hal.temperature = temperature;
    hal.counts = counts;
    hal.lock = lock;
    hal.unlock = unlock;
    counted_us = (uint32_t)micros();
    /* Whether a watchdog made this start the API does not tell: it may always have. */
    cr_init(&board, &cr_limits, &hal, &kept, ticks(), 0, CR_SKETCH_HUNG_TICKS);
#ifdef CR_PLAYS_PLAN
    cr_player_init(&player, &cr_own_plan, &board, clock_ticks);
#endif
}

void loop(void) {
    static uint32_t stop_open_ms, rain_open_ms;
    cr_tick(&board, ticks());
    for (int n = 0; n < LINE_WAITS && Serial.available() > 0; n++) {
        cr_byte(&board, (uint8_t)Serial.read());
    }
    cr_tick(&board, ticks());
    if (CR_SKETCH_STOP_PIN >= 0 && is_closed(CR_SKETCH_STOP_PIN, &stop_open_ms) &&
        !(board.faults & CR_STOPPED)) {
        cr_press_stop(&board);
    }
    if (CR_SKETCH_RAIN_PIN >= 0) {
        cr_sense_rain(&board, is_closed(CR_SKETCH_RAIN_PIN, &rain_open_ms));
    }
#ifdef CR_PLAYS_PLAN
    cr_player_poll(&player, board.now);
#endif
    cr_poll(&board);
}
