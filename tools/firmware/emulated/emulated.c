/* The other end of an emulated board's world: battery, motors, button, rain, and a test's clock.
 *
 * A second serial line takes lines of text; each is answered by any number of lines
 * "OUTPUT CHANNEL LEVEL TICK", then "." (times in 0.1 ms); a "." comes first, when it is up:
 *     L           from now on time passes only by P and I
 *     P TICKS     so many ticks, one by one, a pass of the main loop after each
 *     I TICKS     so many ticks, ten seconds at a time
 *     K TICKS     so many ticks, less than half a turn of the clock, in one leap
 *     W BYTES     wait until so many bytes of the line have been taken in all
 *     T           "ticks N", its clock
 *     V MV        of the supply
 *     J MOTOR | F MOTOR    jammed, free
 *     S | s | R | D        stop pressed, let go; wet, dry
 *     X TICKS     a reset of the chip, its clock at TICKS then: "." when it is up again
 *     B           a reset after which it runs by itself, its coils known to be rested
 *     N           what is kept over a reset is nothing
 *     Q           quiet: what is switched is no longer told, and costs nothing
 *     M           "count most mean" of the tick's work by the fine counter, and begins anew
 * Without L it runs by itself, and what is switched is told as it happens.
 */
#include "emulated.h"

#include "chip.h"
#include "core.h"
#include "cortex.h"

enum { ROWS = 256, STRIDE = 100000, NAP = 2500, TOP_RPS = 8 };

typedef struct {
    uint32_t tick;
    uint8_t kind, channel, level;
} row;

extern cr_board board;
extern cr_kept cr_kept_memory;
extern uint32_t board_clock;

/* What of this world outlives a reset: it stands behind what the board keeps. */
typedef struct {
    uint32_t magic, clock, lockstep;
} kept_world;

static kept_world *const kept = (kept_world *)((uintptr_t)&cr_kept_memory + sizeof(cr_kept));
CR_HOLDS(kept_world_fits_behind, sizeof(cr_kept) + sizeof(kept_world) <= 1024);

volatile bool emulated_lockstep;
volatile uint32_t emulated_us;

static const cr_pin_out coils[CR_COILS] = CR_COIL_PINS;
static const cr_pin_out motors[CR_MOTORS] = CR_MOTOR_PINS;
static const cr_pin_out lights[CR_LIGHTS] = CR_LIGHT_PINS;
static volatile row rows[ROWS];
static volatile uint32_t rows_in, rows_out;
static uint8_t coil_level[CR_COILS], light_level[CR_LIGHTS], motor_duty[CR_MOTORS];
static bool motor_on[CR_MOTORS], jammed[CR_MOTORS];
static uint32_t motor_counts[CR_MOTORS], motor_part[CR_MOTORS];
static uint32_t millivolts = 12000, left_ticks, stride, taken, wait_for;
static bool answering, stop_pressed, wet, up, quiet;
static uint32_t begun, most, count;
static uint64_t sum;

static void text(const char *s) {
    while (*s) {
        emulated_port_write((uint8_t)*s++);
    }
}

static void number(uint32_t value) {
    char digits[12];
    int at = 11;
    digits[at] = 0;
    do {
        digits[--at] = (char)('0' + value % 10u);
        value /= 10u;
    } while (value > 0);
    text(" ");
    text(digits + at);
}

static void tell_rows(void) {
    static const char *const names[] = {"coil", "motor", CR_DRY_RUN ? "lamp" : "light"};
    while (rows_out != rows_in) {
        row r = rows[rows_out % ROWS];
        rows_out++;
        text(names[r.kind]);
        number(r.channel);
        number(r.level);
        number(r.tick);
        text("\n");
    }
}

static void switched(uint8_t kind, int channel, uint8_t level) {
    if (!up || rows_in - rows_out >= ROWS) {
        return;
    }
    rows[rows_in % ROWS].tick = board.now;
    rows[rows_in % ROWS].kind = kind;
    rows[rows_in % ROWS].channel = (uint8_t)channel;
    rows[rows_in % ROWS].level = level;
    rows_in++;
}

void emulated_out(const cr_pin_out *out, uint8_t duty) {
    if (quiet) {
        return;
    }
    for (int n = 0; n < CR_COILS; n++) {
        if (coils[n].pin == out->pin && (coil_level[n] > 0) != (duty > 0)) {
            coil_level[n] = duty;
            switched(0, n, duty);
        }
    }
    for (int n = 0; n < CR_MOTORS; n++) {
        if (motors[n].pin == out->pin && out->pin != CR_NO_PIN) {
            bool on = board.motors_on >> n & 1u;
            motor_duty[n] = duty;
            if (on != motor_on[n]) {
                motor_on[n] = on;
                switched(1, n, on);
            }
        }
    }
    for (int n = 0; n < CR_LIGHTS; n++) {
        if (lights[n].pin == out->pin && (light_level[n] > 0) != (duty > 0)) {
            light_level[n] = duty;
            switched(2, n, duty);
        }
    }
}

bool emulated_is_high(uint8_t pin) {
    return !(stop_pressed && pin == CR_STOP_PIN) && !(wet && pin == CR_RAIN_PIN);
}

uint16_t emulated_analogue(uint8_t channel) {
#if CR_BATTERY_PIN != CR_NO_PIN
    if (channel == CR_BATTERY_ADC) {
        uint64_t at_pin_mv = (uint64_t)millivolts * CR_BATTERY_LOWER_OHM * 4096u /
                             (CR_BATTERY_UPPER_OHM + CR_BATTERY_LOWER_OHM);
        return (uint16_t)((at_pin_mv + 1650u) / 3300u);
    }
#endif
    (void)channel;
    return 2048; /* a thermistor at 25 degrees */
}

uint16_t emulated_encoder(uint8_t motor) { return (uint16_t)motor_counts[motor]; }

/* Eight turns a second at full duty. */
static void turn(uint32_t ticks) {
    for (int n = 0; n < CR_MOTORS; n++) {
        uint32_t per_rev = cr_limits.motor[n].counts_per_rev;
        motor_part[n] += jammed[n] ? 0 : motor_duty[n] * TOP_RPS * per_rev * ticks;
        motor_counts[n] += motor_part[n] / 2550000u;
        motor_part[n] %= 2550000u;
    }
}

void emulated_taken(void) { taken++; }

void emulated_tick_begins(void) {
    if (!emulated_lockstep) {
        turn(1);
    }
    begun = emulated_fine();
}

void emulated_tick_ends(void) {
    uint32_t took = emulated_fine() - begun;
    most = took > most ? took : most;
    sum += took;
    count++;
}

static void lose_kept(void) {
    uint8_t *byte = (uint8_t *)&cr_kept_memory;
    for (uint32_t n = 0; n < sizeof cr_kept_memory; n++) {
        byte[n] = (uint8_t)(n * 7u);
    }
}

static void reset_at(uint32_t clock, bool lockstep) {
    kept->magic = 0x12345678u;
    kept->clock = clock;
    kept->lockstep = lockstep;
    cpu_reset();
}

static uint32_t value_of(const char *s) {
    uint32_t value = 0;
    for (; *s >= '0' && *s <= '9'; s++) {
        value = value * 10u + (uint32_t)(*s - '0');
    }
    return value;
}

static void obey(const char *s) {
    uint32_t value = s[0] && s[1] ? value_of(s + 2) : 0;
    answering = true;
    switch (s[0]) {
    case 'L': SYST_CSR = 0; emulated_us = chip_us(); emulated_lockstep = true; break;
    case 'P': left_ticks = value; stride = 1; break;
    case 'I': left_ticks = value; stride = STRIDE; break;
    case 'K': board_clock += value; left_ticks = stride = 1; break;
    case 'W': wait_for = value; break;
    case 'T': text("ticks"); number(board.now); text("\n"); break;
    case 'V': millivolts = value; break;
    case 'J': jammed[value % CR_MOTORS] = true; break;
    case 'F': jammed[value % CR_MOTORS] = false; break;
    case 'S': stop_pressed = true; break;
    case 's': stop_pressed = false; break;
    case 'R': wet = true; break;
    case 'D': wet = false; break;
    case 'X': reset_at(value, emulated_lockstep); break;
    case 'B': cr_kept_rested(&cr_kept_memory, &cr_limits); reset_at(0, false); break;
    case 'N': lose_kept(); break;
    case 'Q': quiet = true; break;
    case 'M':
        text("measured");
        number(count);
        number(most);
        number((uint32_t)(count > 0 ? sum / count : 0));
        text("\n");
        count = most = 0;
        sum = 0;
        break;
    default: text("what\n");
    }
}

/* A line of the second port, once it is whole. */
static bool has_line(char *line, uint32_t size) {
    static char got[40];
    static uint32_t length;
    int byte;
    while ((byte = emulated_port_read()) >= 0) {
        if (byte != '\n') {
            got[length < sizeof got - 1 ? length++ : length] = (char)byte;
            continue;
        }
        got[length] = 0;
        for (uint32_t n = 0; n <= length && n < size; n++) {
            line[n] = got[n];
        }
        length = 0;
        return true;
    }
    return false;
}

/* Answers the step before, and takes lines until one lets time pass. */
static void converse(void) {
    char line[40];
    if (!up) {
        up = answering = true; /* the first ".": what came before that was lost */
    }
    tell_rows();
    if (left_ticks > 0 || (int32_t)(taken - wait_for) < 0) {
        return;
    }
    if (answering) {
        answering = false;
        text(".\n");
    }
    do {
        if (has_line(line, sizeof line)) {
            obey(line);
            return;
        }
    } while (emulated_lockstep);
}

/* After each pass of the main loop. */
void emulated_idle(void) {
    if (left_ticks == 0) {
        converse();
        return;
    }
    tell_rows();
    uint32_t ticks = left_ticks < stride ? left_ticks : stride;
    left_ticks -= ticks;
    turn(ticks);
    emulated_us += ticks * 100u;
    SCB_ICSR = 1u << 26; /* the very interrupt, now */
    __asm volatile("dsb; isb" ::: "memory");
}

bool emulated_expects(void) { return emulated_lockstep && (int32_t)(taken - wait_for) < 0; }

/* In deep sleep no tick comes. Without a test that drives the time, a moment of it. */
bool emulated_nap(void) {
    uint32_t from = chip_us();
    do {
        converse();
        if ((int32_t)(taken - wait_for) < 0) {
            return true;
        }
        if (left_ticks > 0) {
            uint32_t most = stride > NAP ? STRIDE : NAP, ticks = left_ticks < most ? left_ticks : most;
            left_ticks -= ticks;
            emulated_us += ticks * 100u;
            return false;
        }
    } while (emulated_lockstep || chip_us() - from < NAP * 100u);
    return false;
}

void emulated_start(void) {
    emulated_port_start();
    if (kept->magic == 0x12345678u) {
        kept->magic = 0;
        board_clock = kept->clock;
        emulated_lockstep = kept->lockstep != 0;
    }
}
