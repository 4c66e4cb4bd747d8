/* A board: joins the core, a chip (chip.h) and the wiring (cr_pins.h, made from a palette). */
#include "chip.h"
#include "core.h"
#include "sensors.h"
#ifdef CR_PLAYS_PLAN
#include "plan_player.h"
#endif

enum {
    TICK_US = 100,
    SLEEPY_TICK_US = 1000,     /* between sessions */
    SLEEPY_AFTER_TICKS = 600000, /* a minute without a host */
    BUTTON_TICKS = 200,        /* 20 ms of one level on end: no bounce */
    STRIP_TICKS = 300,         /* addressable lights, at most every 30 ms */
    SENSOR_TICKS = 10000,
    WATCHDOG_TICKS = 10000,    /* it bites within a second at the worst */
    REFERENCE_MV = 3300,
    ADC_STEPS = 4096
};

static const cr_pin_out coil_pins[CR_COILS] = CR_COIL_PINS;
static const cr_pin_out motor_pins[CR_MOTORS] = CR_MOTOR_PINS;
static const cr_pin_out light_pins[CR_LIGHTS] = CR_LIGHT_PINS;
static const cr_pin_encoder encoder_pins[CR_MOTORS] = CR_ENCODER_PINS;

/* Retained RAM: the linker's script has 1 kB that no start clears. */
extern cr_kept cr_kept_memory;
CR_HOLDS(cr_kept_fits_its_place, sizeof(cr_kept) <= 1024);

/* Not static: the emulator's world looks in. */
cr_board board;
uint32_t board_clock;
static uint32_t counted_us;
static uint16_t encoder_at[CR_MOTORS], encoder_sum[CR_MOTORS];
#if CR_STRIP_COUNT > 0
static volatile uint8_t strip[CR_STRIP_COUNT];
static volatile bool strip_changed = true;
#endif
#ifdef CR_PLAYS_PLAN
static cr_player player;
#endif

/* Time in ticks from the microsecond counter, which wraps every 71 minutes; it is read far more
 * often. Ticks that were missed are counted all the same. */
static uint32_t ticks(void) {
    uint32_t gone = chip_us() - counted_us;
    uint32_t whole = gone < TICK_US ? 0 : gone < 2 * TICK_US ? 1 : gone / TICK_US;
    counted_us += whole * TICK_US;
    board_clock += whole;
    return board_clock;
}

void board_tick(void) { cr_tick(&board, ticks()); }

static void set_coil(uint8_t n, uint8_t duty) { chip_out(&coil_pins[n], duty); }
static void set_motor(uint8_t n, uint8_t duty) { chip_out(&motor_pins[n], duty); }

static void set_light(uint8_t n, uint8_t level) {
#if CR_STRIP_COUNT > 0
    if (n >= CR_STRIP_FIRST) {
        if (n - CR_STRIP_FIRST < CR_STRIP_COUNT) {
            strip[n - CR_STRIP_FIRST] = level;
            strip_changed = true;
        }
        return;
    }
#endif
    chip_out(&light_pins[n], level);
}

static uint16_t millivolts(void) {
#if CR_BATTERY_PIN == CR_NO_PIN
    return 65535; /* nothing to measure it by: the host is told by the highest reading */
#else
    uint32_t sum = 0;
    for (int n = 0; n < 8; n++) {
        sum += chip_analogue(CR_BATTERY_ADC);
    }
    uint64_t at_pin_uv = (uint64_t)sum * REFERENCE_MV * 1000u / (8u * ADC_STEPS);
    uint64_t mv = at_pin_uv * (CR_BATTERY_UPPER_OHM + CR_BATTERY_LOWER_OHM) /
                  ((uint64_t)CR_BATTERY_LOWER_OHM * 1000u);
    return (uint16_t)(mv > 65535u ? 65535u : mv);
#endif
}

#if CR_THERMISTOR_PIN != CR_NO_PIN
/* Between two rows of the table, by a straight line. */
static int8_t temperature(void) {
    static const uint16_t table[] = CR_THERMISTOR_COUNTS;
    const int rows = (int)(sizeof table / sizeof table[0]);
    int counts = chip_analogue(CR_THERMISTOR_ADC), row = 0;
    while (row < rows - 2 && counts < table[row + 1]) {
        row++;
    }
    int span = table[row] - table[row + 1];
    int part = span > 0 ? (table[row] - counts) * CR_THERMISTOR_STEP_C / span : 0;
    int celsius = CR_THERMISTOR_COLDEST_C + row * CR_THERMISTOR_STEP_C + part;
    return (int8_t)(celsius < -99 ? -99 : celsius > 125 ? 125 : celsius);
}
#else
/* Where nothing measures it, as warm as a room. */
static int8_t temperature(void) {
    int32_t millic = sensors_read()->air_millic;
    return (int8_t)(millic == SENSORS_NO_AIR ? 20 : millic / 1000);
}
#endif

/* Counts that only grow, whichever way the encoder is wired. */
static uint16_t counts(uint8_t n) {
    uint16_t at = chip_encoder(n);
    int16_t moved = (int16_t)(uint16_t)(at - encoder_at[n]);
    encoder_at[n] = at;
    encoder_sum[n] = (uint16_t)(encoder_sum[n] + (uint16_t)(moved < 0 ? -moved : moved));
    return encoder_sum[n];
}

static const cr_hal hal = {set_coil,   set_motor,   set_light, chip_line_send, chip_line_room,
                           millivolts, temperature, counts,    chip_lock,      chip_unlock,
                           true};

#if CR_STOP_PIN != CR_NO_PIN || CR_RAIN_PIN != CR_NO_PIN
/* Whether an input has been closed to ground for a while. */
typedef struct {
    bool was, closed;
    uint32_t since;
} contact;

static bool is_closed(contact *c, uint8_t pin, uint32_t now) {
    bool is = !chip_is_high(pin);
    if (is != c->was) {
        c->was = is;
        c->since = now;
    } else if (now - c->since >= BUTTON_TICKS) {
        c->closed = is;
        c->since = now - BUTTON_TICKS;
    }
    return c->closed;
}
#endif

static bool contact_wet;

static void watch_rain(void) { cr_sense_rain(&board, contact_wet || sensors_read()->rain == 1); }

static void watch_contacts(uint32_t now) {
    (void)now;
#if CR_STOP_PIN != CR_NO_PIN
    static contact stop;
    if (is_closed(&stop, CR_STOP_PIN, now) && !(board.faults & CR_STOPPED)) {
        cr_press_stop(&board);
    }
#endif
#if CR_RAIN_PIN != CR_NO_PIN
    static contact rain;
    contact_wet = is_closed(&rain, CR_RAIN_PIN, now);
#endif
    watch_rain();
}

/* What the host is told of the sensors, where there are any. */
static void tell_sensed(void) {
#if CR_RAIN_PIN != CR_NO_PIN || CR_SDA_PIN != CR_NO_PIN
    const sensors_readings *r = sensors_read();
    bool knows_rain = CR_RAIN_PIN != CR_NO_PIN || r->rain >= 0;
    cr_sensed sensed = {
        r->lux < 0 ? CR_NO_LUX : (uint32_t)r->lux,
        (int16_t)(r->air_millic == SENSORS_NO_AIR ? CR_NO_AIR : r->air_millic / 10),
        (uint8_t)(r->humidity < 0 ? CR_NO_BYTE : r->humidity),
        (uint8_t)(!knows_rain ? CR_NO_BYTE : board.faults & CR_RAIN ? 1 : 0),
    };
    cr_sense(&board, &sensed);
#endif
}

static void watch_sensors(uint32_t now) {
    static uint32_t last;
    if (now - last >= SENSOR_TICKS) {
        last = now;
        sensors_ask();
        watch_rain();
        tell_sensed();
#ifdef CR_PLAYS_PLAN
        if (sensors_read()->lux >= 0) {
            cr_player_light(&player, (uint32_t)sensors_read()->lux);
        }
#endif
    }
}

static void show_strip(uint32_t now) {
    (void)now;
#if CR_STRIP_COUNT > 0
    static uint32_t last;
    if (strip_changed && (int32_t)(now - last) >= STRIP_TICKS) {
        uint8_t levels[CR_STRIP_COUNT];
        last = now;
        strip_changed = false;
        for (int n = 0; n < CR_STRIP_COUNT; n++) {
            levels[n] = strip[n];
        }
        chip_strip_show(levels, CR_STRIP_COUNT);
    }
#endif
}

/* Between sessions the tick slows; a byte wakes it at once. */
static void slow_down(uint32_t now) {
    static bool sleepy;
    static uint32_t since;
    if (!board.silent || board.coils_on != 0 || board.motors_on != 0) {
        since = now;
    }
    bool wanted = now - since >= SLEEPY_AFTER_TICKS;
    if (wanted) {
        since = now - SLEEPY_AFTER_TICKS; /* or it would wake when the clock has turned */
    }
    if (wanted != sleepy) {
        sleepy = wanted;
        chip_tick_every_us(sleepy ? SLEEPY_TICK_US : TICK_US);
    }
}

/* Asleep it is dark: a lamp that is dimmed would stay as the sleep found it. */
static void power_down(bool down) {
    for (uint8_t n = 0; n < board.config->lights; n++) {
        set_light(n, down ? 0 : board.light[n]);
    }
#if CR_POWER_DOWN_PIN != CR_NO_PIN
    chip_drive(CR_POWER_DOWN_PIN, down);
#endif
}

/* The deepest sleep in which the chip's memory is kept, for as long as the core says. The chip
 * naps: it wakes for a moment to feed its watchdog, which can't be stopped, and to count. */
static void sleep_deeply(uint32_t most) {
    uint32_t slept = 0, part_us = 0;
    bool woken = false;
    uint32_t from = ticks();
    power_down(true);
    show_strip(board.now + STRIP_TICKS);
    chip_doze();
    while (!woken && slept < most) {
        uint32_t missed_us = part_us;
        woken = chip_nap(&missed_us);
        chip_feed_watchdog();
        board_clock += missed_us / TICK_US;
        part_us = missed_us % TICK_US;
        slept = ticks() - from;
    }
    chip_rouse();
    power_down(false);
    cr_slept(&board, ticks(), woken);
    chip_tick_every_us(TICK_US);
}

static void sleep_or_wake(uint32_t now) {
#ifdef CR_PLAYS_PLAN
    bool may = player.state != CR_PLAYER_WAITS; /* its time must be counted to the tick */
#else
    const bool may = true;
#endif
    uint32_t most = may ? cr_may_sleep(&board) : 0;
    if (most > 0) {
        sleep_deeply(most);
    } else {
        slow_down(now);
    }
}

static void start_pins(void) {
    for (int n = 0; n < CR_COILS; n++) {
        chip_out_start(&coil_pins[n]);
    }
    for (int n = 0; n < CR_MOTORS; n++) {
        chip_out_start(&motor_pins[n]);
        chip_encoder_start((uint8_t)n, &encoder_pins[n]);
    }
    for (int n = 0; n < CR_LIGHTS; n++) {
        chip_out_start(&light_pins[n]);
    }
#if CR_POWER_DOWN_PIN != CR_NO_PIN
    chip_drive(CR_POWER_DOWN_PIN, false);
#endif
#if CR_STOP_PIN != CR_NO_PIN
    chip_release_pin(CR_STOP_PIN);
#endif
#if CR_RAIN_PIN != CR_NO_PIN
    chip_release_pin(CR_RAIN_PIN);
#endif
}

int main(void) {
    chip_start();
    start_pins();
    sensors_start();
    cr_init(&board, &cr_limits, &hal, &cr_kept_memory, board_clock, chip_restarts(),
            chip_hung() ? WATCHDOG_TICKS : 0);
    counted_us = chip_us();
#ifdef CR_PLAYS_PLAN
    cr_player_init(&player, &cr_own_plan, &board, board_clock);
#endif
    chip_tick_every_us(TICK_US);
    chip_unlock();
    uint32_t ticked = 0;
    for (;;) {
        int byte;
        while ((byte = chip_line_read()) >= 0) {
            cr_byte(&board, (uint8_t)byte);
        }
        uint32_t now = board.now;
        watch_contacts(now);
        watch_sensors(now);
#ifdef CR_PLAYS_PLAN
        cr_player_poll(&player, now);
#endif
        cr_poll(&board);
        show_strip(now);
        sleep_or_wake(now);
        /* Fed only while the interrupt lives, too; one of them alone must not keep it on. */
        if (now != ticked) {
            ticked = now;
            chip_feed_watchdog();
        }
        chip_idle();
    }
}
