/* The board's core: takes frames, plays commands on its own clock, keeps every limit.
 *
 * C99, no heap, no floating point. Everything it knows is in one cr_board; everything it
 * touches goes through cr_hal. Two threads of control share it:
 *
 *   - cr_tick, from a timer interrupt every 0.1 ms or so. It takes the time from a counter that
 *     runs by itself, so that a tick that was missed loses no time. It ends what is due, notices
 *     a silent host, and starts what is due and was judged: a bounded, small amount of work.
 *   - cr_byte and cr_poll, from the main loop: the line, and all that reckons (heat, relative
 *     on-time, motor speed, the supply). A command is judged here before its time comes.
 *
 * The main loop keeps the interrupt out only while it changes a few words, never while it sends.
 * The messages are those of the page callresp/link/PROTOCOL.md, which has worked frames.
 */
#ifndef CR_CORE_H
#define CR_CORE_H

#include <stdbool.h>
#include <stdint.h>

/* Every size, from one place: CR_COILS, CR_MOTORS, CR_LIGHTS, CR_DRIVERS, CR_QUEUE, CR_SPANS. */
#include "cr_config.h"

#ifdef __cplusplus
extern "C" {
#endif

enum {
    CR_VERSION = 2,
    CR_FIRMWARE = 5,
    CR_FRAME = 72,
    CR_LONGEST_SENT = 24,     /* bytes on the line of the longest message that the board sends */
    CR_STARTS = 3,            /* commands that one tick begins; more wait for the next */
    CR_ENDS = 6,              /* outputs that one tick ends or changes; likewise */
    CR_GRACE_TICKS = 20,      /* 2 ms: later than this a command is refused as late */
    CR_JUDGE_TICKS = 300,     /* commands are judged up to 30 ms before their time */
    CR_SETTLE_TICKS = 10,     /* the heat of one coil is brought up to date every 1 ms */
    CR_LOOP_TICKS = 200,      /* motor speed every 20 ms */
    CR_STALL_TICKS = 5000,    /* a motor that should turn is looked at every 0.5 s */
    CR_STALL_COUNTS = 8,      /* or after so many counts were due, where that takes longer */
    CR_JAM_TICKS = 100000,    /* a jammed motor rests for 10 s before it may try again */
    CR_RECEIPT_TICKS = 50,    /* one receipt in 5 ms, for all that came since the last */
    CR_STATUS_TICKS = 10000,  /* status every second */
    CR_SUPPLY_TICKS = 1000,   /* a reading of the supply every 0.1 s */
    CR_SAG_TICKS = 500,       /* after a load went off, the supply comes back in 50 ms */
    CR_BLIND_TICKS = 20000,   /* under load for 2 s, a reading under load counts, too */
    CR_LOW_TICKS = 30000,     /* low for 3 s on end: a flat battery, no sag */
    CR_GOOD_TICKS = 300000,   /* good for 30 s on end: it may play again */
    CR_SENSED_TICKS = 50000,  /* what the sensors read, every 5 s */
    CR_IDLE_TICKS = 6000000,  /* without a host for 10 min: it may sleep until it is called */
    CR_ROUSED_TICKS = 20000,  /* a byte woke it: 2 s for somebody to greet it */
    CR_SLEEP_MOST_S = 172800, /* two days: less than half a turn of the clock */
    CR_SLEEP_AFTER_MOST_S = 600,
    CR_WINDOW = 32,
    CR_KEPT = 4               /* values in a row of what is kept over a restart */
};

/* What there is no sensor of reads so. */
#define CR_NO_LUX 0xFFFFFFFFu
enum { CR_NO_AIR = 0x7FFF, CR_NO_BYTE = 0xFF };

enum { CR_STRIKE = 0x10, CR_HOLD = 0x11, CR_TURN = 0x12, CR_LIGHT = 0x13 };
enum { CR_EXECUTED, CR_LATE, CR_OVER_LIMIT, CR_NO_CHANNEL, CR_CANCELLED };
enum {
    CR_LOW_VOLTAGE = 1,
    CR_SILENCE = 2,
    CR_HOT = 4,
    CR_DAMAGED = 8,
    CR_RAIN = 16,
    CR_STOPPED = 32,
    CR_JAMMED = 64,
    CR_RESTING = 128
};

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

/* What the machine stands. It stays where it is, in flash: the core keeps a pointer. */
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

/* The hardware. lock and unlock keep cr_tick out; duties run from 0 to 255. The three set_
 * functions are called from both threads of control, and must be quick. send takes as much as
 * room promised, and must not wait. */
typedef struct {
    void (*set_coil)(uint8_t channel, uint8_t duty);
    void (*set_motor)(uint8_t channel, uint8_t duty);
    void (*set_light)(uint8_t light, uint8_t level);
    void (*send)(const uint8_t *data, uint16_t count);
    uint16_t (*room)(void); /* bytes that send can take now */
    uint16_t (*millivolts)(void);
    int8_t (*temperature)(void);
    uint16_t (*counts)(uint8_t motor);
    void (*lock)(void);
    void (*unlock)(void);
    bool sleeps; /* asks cr_may_sleep, and sleeps; else the host is told that it can't */
} cr_hal;

/* What the sensors read: light, air in hundredths of a degree, relative humidity in percent. */
typedef struct {
    uint32_t lux;
    int16_t air_centi_c;
    uint8_t humidity_pct, rain;
} cr_sensed;

typedef struct {
    uint8_t kind, sequence, channel, duty; /* of a light, duty is how bright */
    uint32_t at, length;                   /* once it has its outcome, at is when */
    uint16_t pull, speed;
    uint32_t held_ua; /* what it draws after the pull; filled in when it is judged */
    uint16_t permit;  /* its coil's when it was judged: once that has moved on, it is judged anew */
    uint8_t verdict, outcome;
} cr_command;

/* An on-time that is over: start in units of 2^shift ticks, length in ticks. */
typedef struct {
    uint16_t start, length;
} cr_span;

/* On-times of the last cycle, oldest at `first`; when there is no place, some are merged, and
 * count for longer than they should. `old_` is what would not even merge. */
typedef struct {
    cr_span span[CR_SPANS];
    uint32_t newest_end, old_ticks, old_end;
    uint16_t first, count;
    uint8_t shift;
} cr_duty;

typedef struct {
    /* The interrupt's: the on-time that is now, or was the last. */
    bool holding;
    uint8_t hold_duty;
    uint8_t begun; /* counts on-times */
    uint32_t from, pull_until, until, microamps, held_ua;
    /* Shared: a count. What was judged at an earlier one may not begin; each on-time moves it on,
     * and so does the main loop before it rewrites what is kept. */
    uint16_t permit;
    /* The main loop's. */
    uint8_t booked; /* the value of `begun` whose on-time is in `rise` and `duty` */
    uint32_t rise_at;
    uint32_t permitted_until; /* until then what was judged last may begin */
    int64_t rise_nk; /* over the air, in nanokelvin, at rise_at */
    int64_t assumed_nk; /* of it what was only assumed when it started */
    cr_duty duty;
} cr_coil;

typedef struct {
    uint8_t duty;
    bool starting, slowing; /* slowing: off, but not at rest yet */
    uint16_t wanted;
    uint32_t until, start_until, spell_start, slowing_until, microamps;
    /* The main loop's. */
    uint8_t begun, looped; /* counts runs: the loop starts anew with each */
    bool jammed, resting, turned; /* turned: by its encoder, in this run */
    uint16_t last_counts;
    uint32_t moved; /* counts since stall_from */
    uint32_t stall_from, rest_until;
    int32_t integral;
    uint32_t permitted_until; /* shared: until then a run that was judged may begin */
} cr_motor;

/* What is kept over a restart (kept.c), in retained RAM: memory that no start clears. */
typedef struct {
    uint32_t value[CR_KEPT], mark, check;
} cr_kept_row;

typedef struct {
    cr_kept_row row[1 + CR_COILS + CR_MOTORS];
} cr_kept;

typedef struct {
    const cr_config *config;
    const cr_hal *hal;
    /* Shared: written by the interrupt, or with it locked out. */
    volatile uint32_t now, heard, coils_on;
    volatile uint8_t motors_on, faults;
    volatile bool silent, dropping; /* dropping: what waits is to be cancelled */
    volatile uint16_t executed, refused;
    volatile uint32_t load_off;
    volatile bool sagging;
    uint32_t silence_ticks, total_ua, driver_ua[CR_DRIVERS];
    uint8_t light[CR_LIGHTS], lamps[CR_LIGHTS]; /* lamps: how many outputs each shows */
    cr_coil coil[CR_COILS];
    cr_motor motor[CR_MOTORS];
    /* order[] holds places in queue[], from `out` (ended, to be reported) by `head` (waiting,
     * soonest first) to `tail`. The interrupt moves head alone. */
    cr_command queue[CR_QUEUE];
    uint8_t order[CR_QUEUE];
    uint8_t out;
    volatile uint8_t ended, waiting;
    /* The main loop's. */
    uint32_t last_settle, last_loop, last_status, last_receipt;
    uint32_t last_supply, last_rested, low_since, good_since;
    cr_kept *kept;
    uint32_t kept_mark, rested_at; /* rested_at: when CR_RESTING is over */
    uint16_t millivolts; /* as last read with nothing on */
    bool overlong, owes, owes_status, low, good;
    bool told_to_sleep, has_sensed;
    uint32_t idle_since, awake_until, sleep_at, wake_at, last_sensed;
    cr_sensed sensed;
    uint16_t session, restarts;
    uint8_t expected, next_coil;
    uint32_t beyond;
    uint8_t frame[CR_FRAME];
    uint8_t frame_count;
} cr_board;

/* A file that was compiled with other sizes than the rest does not link: the names of what they
 * share have the sizes in them. */
#define CR_PASTE(name, c, m, l, d, q, s) name##_##c##_##m##_##l##_##d##_##q##_##s
#define CR_TAGGED(name, c, m, l, d, q, s) CR_PASTE(name, c, m, l, d, q, s)
#define CR_OF_SIZE(name) \
    CR_TAGGED(name, CR_COILS, CR_MOTORS, CR_LIGHTS, CR_DRIVERS, CR_QUEUE, CR_SPANS)
#define cr_limits CR_OF_SIZE(cr_limits)
#define cr_init CR_OF_SIZE(cr_init)
#define cr_byte CR_OF_SIZE(cr_byte)
#define cr_tick CR_OF_SIZE(cr_tick)
#define cr_poll CR_OF_SIZE(cr_poll)
#define cr_release CR_OF_SIZE(cr_release)
#define cr_may_sleep CR_OF_SIZE(cr_may_sleep)
#define cr_slept CR_OF_SIZE(cr_slept)
#define cr_kept_rested CR_OF_SIZE(cr_kept_rested)

/* What C can check before it runs: in C99, by arrays that must have a size. */
#define CR_HOLDS(name, condition) typedef char name[(condition) ? 1 : -1]
CR_HOLDS(cr_config_is_of_this_protocol, CR_PROTOCOL == CR_VERSION);
CR_HOLDS(cr_coils_fit_a_word, CR_COILS >= 1 && CR_COILS <= 32);
CR_HOLDS(cr_motors_fit_a_byte, CR_MOTORS >= 1 && CR_MOTORS <= 8);
CR_HOLDS(cr_sizes_are_there, CR_LIGHTS >= 1 && CR_LIGHTS <= 255 && CR_DRIVERS >= 1);
CR_HOLDS(cr_queue_fits_a_byte, CR_QUEUE >= 4 && CR_QUEUE <= 127);
CR_HOLDS(cr_spans_can_merge, CR_SPANS >= 4 && CR_SPANS <= 32768);
/* Twenty coils, four motors: no more than 16 kB, whatever else the board layer wants. */
CR_HOLDS(cr_board_fits_a_small_chip,
         CR_COILS > 20 || CR_MOTORS > 4 || sizeof(cr_board) <= 14336);

extern const cr_config cr_limits; /* made from the palette, in cr_limits.c */

/* `kept` lies in retained RAM: each row of it is held against these limits and its own checksum;
 * a coil whose row fails rests for a cycle first. `hung` is for how many ticks an
 * output may have been on beyond its end, where the watchdog made this start; else 0. */
void cr_init(cr_board *board, const cr_config *config, const cr_hal *hal, cr_kept *kept,
             uint32_t now, uint16_t restarts, uint32_t hung);
void cr_byte(cr_board *board, uint8_t byte); /* main loop: a byte from the line */
void cr_tick(cr_board *board, uint32_t now); /* timer: now, in 0.1 ms */
void cr_poll(cr_board *board);               /* main loop: judge, reckon, say what there is to say */
void cr_release(cr_board *board);            /* all off, now; with the interrupt locked out */
void cr_press_stop(cr_board *board);         /* the stop button: all off until it starts anew */
void cr_sense_rain(cr_board *board, bool rains); /* a rain sensor: the host is told */
void cr_sense(cr_board *board, const cr_sensed *sensed); /* sensors: the host is told */

/* As a board leaves it that has rested for long: for tests. */
void cr_kept_rested(cr_kept *kept, const cr_config *config);

/* Main loop: for how many ticks the chip may sleep from now on, its tick stopped; 0 is not at
 * all. Everything is off then, and nothing waits. When it is back, or `woken` before its time,
 * cr_slept is told so with the clock moved on; no tick in between. */
uint32_t cr_may_sleep(cr_board *board);
void cr_slept(cr_board *board, uint32_t now, bool woken);

uint16_t cr_crc(const uint8_t *data, uint16_t count);
uint16_t cr_cobs_encode(const uint8_t *data, uint16_t count, uint8_t *out);
int cr_cobs_decode(const uint8_t *data, uint16_t count, uint8_t *out);

#ifdef __cplusplus
}
#endif

#endif
