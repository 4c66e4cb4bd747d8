/* The board's core: takes frames, plays commands on its own clock, keeps every limit.
 *
 * C99, no heap, no floating point. Everything it knows is in one cr_board; everything it
 * touches goes through cr_hal. cr_tick may run in a timer interrupt every 0.1 ms; the rest
 * runs in the main loop. The messages are those of callresp/link/messages.py; the page
 * callresp/link/PROTOCOL.md has worked frames.
 */
#ifndef CR_CORE_H
#define CR_CORE_H

#include <stdbool.h>
#include <stdint.h>

/* Every size, from one place: CR_COILS, CR_MOTORS, CR_LIGHTS, CR_DRIVERS, CR_QUEUE, CR_SPANS. */
#include "cr_config.h"

enum {
    CR_VERSION = 2,
    CR_FIRMWARE = 2,
    CR_FRAME = 72,
    CR_EVENTS = 128,
    CR_GRACE_TICKS = 20,      /* 2 ms: later than this a command is refused as late */
    CR_SLOT_TICKS = 100,      /* heat is reckoned every 10 ms */
    CR_LOOP_TICKS = 200,      /* motor speed every 20 ms */
    CR_RECEIPT_TICKS = 50,    /* one receipt in 5 ms, for all that came since the last */
    CR_STATUS_TICKS = 10000,  /* status every second */
    CR_SUPPLY_TICKS = 1000,   /* a reading of the supply every 0.1 s */
    CR_SAG_TICKS = 500,       /* after a load went off, the supply comes back in 50 ms */
    CR_BLIND_TICKS = 20000,   /* under load for 2 s, a reading under load counts, too */
    CR_LOW_TICKS = 30000,     /* low for 3 s on end: a flat battery, no sag */
    CR_GOOD_TICKS = 300000,   /* good for 30 s on end: it may play again */
    CR_WINDOW = 32
};

typedef char cr_config_is_for_this_core[CR_PROTOCOL == CR_VERSION ? 1 : -1];

enum { CR_EXECUTED, CR_LATE, CR_OVER_LIMIT, CR_NO_CHANNEL, CR_CANCELLED };
enum { CR_LOW_VOLTAGE = 1, CR_SILENCE = 2, CR_HOT = 4, CR_DAMAGED = 8, CR_RAIN = 16, CR_STOPPED = 32 };

/* Limits of one coil: it may be on for duty_ticks of any cycle_ticks. goal_mk is the rise, in
 * mK, that full power into copper of 20 degrees would reach for ever; tau_ticks the time
 * constant; limit_mk the rise that is allowed. Currents are in microamperes, so that no sum of
 * them is off by a rounding. */
typedef struct {
    bool present;
    uint32_t on_max;
    uint32_t microamps;
    int32_t goal_mk;
    uint32_t tau_ticks;
    int32_t limit_mk;
    uint32_t duty_ticks, cycle_ticks;
    uint8_t driver;
} cr_coil_limits;

/* Limits of one motor; speeds in hundredths of a revolution a second. */
typedef struct {
    bool present;
    uint16_t slowest, fastest;
    uint32_t run_max;
    uint32_t microamps, start_microamps, start_ticks;
    uint32_t rest_ticks; /* in which it comes to rest: run_max counts from rest */
    uint16_t counts_per_rev;
} cr_motor_limits;

typedef struct {
    uint8_t coils, motors, queue;
    uint16_t silence_ms;
    uint32_t limit_ua;
    uint16_t cutoff_mv;
    int32_t ambient_mc; /* of the air, in thousandths of a degree */
    uint8_t lights;
    bool dry_run; /* light lamps instead of switching coils and motors */
    uint32_t driver_ua[CR_DRIVERS];
    cr_coil_limits coil[CR_COILS];
    cr_motor_limits motor[CR_MOTORS];
} cr_config;

/* The hardware. lock and unlock keep cr_tick out; duties run from 0 to 255. */
typedef struct {
    void (*set_coil)(uint8_t channel, uint8_t duty);
    void (*set_motor)(uint8_t channel, uint8_t duty);
    void (*set_light)(uint8_t light, uint8_t level);
    void (*send)(const uint8_t *data, uint16_t count);
    uint16_t (*millivolts)(void);
    int8_t (*temperature)(void);
    uint16_t (*counts)(uint8_t motor);
    void (*lock)(void);
    void (*unlock)(void);
} cr_hal;

typedef struct {
    uint8_t kind, sequence, channel, duty; /* of a light, duty is how bright */
    uint32_t at, length;
    uint16_t pull, speed;
} cr_command;

typedef struct {
    uint32_t start, length;
} cr_span;

typedef struct {
    bool on, holding;
    uint8_t hold_duty, duty;
    uint32_t until, pull_until, microamps;
    int64_t rise_nk; /* over the air, in nanokelvin, at rise_at */
    uint32_t rise_at;
    cr_span span[CR_SPANS]; /* on-times of the last cycle, oldest at span_first */
    uint16_t span_first, span_count;
} cr_coil;

typedef struct {
    bool on;
    uint8_t duty;
    uint16_t last_counts, wanted;
    int32_t integral;
    uint32_t until, start_until;
    uint32_t spell_start, slowing_until;
    bool slowing; /* off, but not at rest yet */
} cr_motor;

typedef struct {
    uint8_t sequence, outcome;
    uint32_t at;
} cr_event;

typedef struct {
    cr_config config;
    cr_hal hal;
    uint32_t now, heard, last_slot, last_loop, last_status, last_receipt;
    uint32_t last_supply, last_rested, load_off, low_since, good_since;
    uint16_t millivolts; /* as last read with nothing on */
    bool silent, overlong, owes, sagging, low, good;
    uint8_t faults;
    uint16_t session, restarts, executed, refused;
    uint8_t expected;
    uint32_t beyond;
    uint8_t waiting;
    cr_command queue[CR_QUEUE];
    cr_coil coil[CR_COILS];
    cr_motor motor[CR_MOTORS];
    uint8_t light[CR_LIGHTS];
    volatile uint8_t event_in, event_out;
    cr_event event[CR_EVENTS];
    uint8_t frame[CR_FRAME];
    uint8_t frame_count;
} cr_board;

extern const cr_config cr_limits; /* made from the palette, in cr_limits.c */

void cr_init(cr_board *board, const cr_config *config, const cr_hal *hal, uint32_t now,
             uint16_t restarts);
void cr_byte(cr_board *board, uint8_t byte); /* main loop: a byte from the line */
void cr_tick(cr_board *board, uint32_t now); /* timer: every tick of 0.1 ms */
void cr_poll(cr_board *board);               /* main loop: send what there is to say */
void cr_release(cr_board *board);            /* all off, now */
void cr_press_stop(cr_board *board);         /* the stop button: all off until it starts anew */
void cr_sense_rain(cr_board *board, bool rains); /* a rain sensor: the host is told */

uint16_t cr_crc(const uint8_t *data, uint16_t count);
uint16_t cr_cobs_encode(const uint8_t *data, uint16_t count, uint8_t *out);
int cr_cobs_decode(const uint8_t *data, uint16_t count, uint8_t *out);

#endif
