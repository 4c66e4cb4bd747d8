/* Between the core's parts: core.c talks, outputs.c switches (in the interrupt), heat.c and
 * duty.c judge, motors.c and supply.c watch, kept.c keeps (in the main loop). */
#ifndef CR_OUTPUTS_H
#define CR_OUTPUTS_H

#include "core.h"

#ifdef __cplusplus
extern "C" {
#endif

/* Whether `now` has reached `then`, across the wrap of the clock. */
static inline bool cr_passed(uint32_t now, uint32_t then) {
    return (uint32_t)(now - then) < 0x80000000u;
}

static inline bool cr_coil_is_on(const cr_board *b, uint8_t n) {
    return (b->coils_on >> n & 1u) != 0;
}

static inline bool cr_motor_is_on(const cr_board *b, uint8_t n) {
    return (b->motors_on >> n & 1u) != 0;
}

/* The rest of a motor that may be jammed and may still turn. */
static inline uint32_t cr_longest_rest(const cr_board *b, uint8_t n) {
    uint32_t rest = b->config->motor[n].rest_ticks;
    return rest > CR_JAM_TICKS ? rest : CR_JAM_TICKS;
}

/* The place in order[] that lies `further` ones after `place`. */
static inline uint8_t cr_place(uint8_t place, uint8_t further) {
    uint16_t wanted = (uint16_t)(place + further);
    return (uint8_t)(wanted >= CR_QUEUE ? wanted - CR_QUEUE : wanted);
}

static inline cr_command *cr_waiting(cr_board *b, uint8_t number) {
    return &b->queue[b->order[cr_place(cr_place(b->out, b->ended), number)]];
}

enum { CR_UNJUDGED, CR_FIT, CR_UNFIT };

#define cr_execute CR_OF_SIZE(cr_execute)
#define cr_coil_off CR_OF_SIZE(cr_coil_off)
#define cr_motor_off CR_OF_SIZE(cr_motor_off)
#define cr_start_dark CR_OF_SIZE(cr_start_dark)
#define cr_judge CR_OF_SIZE(cr_judge)
#define cr_settle_next CR_OF_SIZE(cr_settle_next)
#define cr_hottest_c CR_OF_SIZE(cr_hottest_c)
#define cr_motor_loops CR_OF_SIZE(cr_motor_loops)
#define cr_watch_supply CR_OF_SIZE(cr_watch_supply)
#define cr_settle_all CR_OF_SIZE(cr_settle_all)
#define cr_rest_motors CR_OF_SIZE(cr_rest_motors)
#define cr_rest_supply CR_OF_SIZE(cr_rest_supply)
#define cr_tell_sleep CR_OF_SIZE(cr_tell_sleep)
#define cr_watch_sleep CR_OF_SIZE(cr_watch_sleep)
#define cr_duty_init CR_OF_SIZE(cr_duty_init)
#define cr_duty_remember CR_OF_SIZE(cr_duty_remember)
#define cr_duty_used CR_OF_SIZE(cr_duty_used)
#define cr_duty_recall CR_OF_SIZE(cr_duty_recall)
#define cr_rise_after_nk CR_OF_SIZE(cr_rise_after_nk)
#define cr_keep_stroke CR_OF_SIZE(cr_keep_stroke)
#define cr_keep_coil CR_OF_SIZE(cr_keep_coil)
#define cr_keep_motor CR_OF_SIZE(cr_keep_motor)
#define cr_keep_battery CR_OF_SIZE(cr_keep_battery)
#define cr_recall CR_OF_SIZE(cr_recall)
#define cr_watch_rest CR_OF_SIZE(cr_watch_rest)

/* outputs.c: in the interrupt, or with it locked out. */
uint8_t cr_execute(cr_board *b, const cr_command *c);
void cr_coil_off(cr_board *b, uint8_t n);
void cr_motor_off(cr_board *b, uint8_t n);
void cr_start_dark(cr_board *b);

/* heat.c */
void cr_heat_init(cr_board *b, uint32_t now);
void cr_judge(cr_board *b);
void cr_settle_next(cr_board *b);
void cr_settle_all(cr_board *b);
int16_t cr_hottest_c(const cr_board *b);
int64_t cr_rise_after_nk(const cr_board *b, uint8_t n, int64_t rise_nk, uint32_t ticks, uint8_t duty);

/* duty.c */
void cr_duty_init(cr_duty *d, uint32_t cycle_ticks, uint32_t now);
void cr_duty_remember(cr_duty *d, uint32_t cycle_ticks, uint32_t start, uint32_t length);
uint32_t cr_duty_used(const cr_duty *d, uint32_t since);
void cr_duty_forget(cr_duty *d, uint32_t cycle_ticks, uint32_t now);
void cr_duty_recall(cr_duty *d, uint32_t used, uint32_t end);

/* kept.c: what is written before it may happen */
void cr_keep_stroke(cr_board *b, uint8_t n, int64_t peak_nk, uint32_t length);
void cr_keep_coil(cr_board *b, uint8_t n);
void cr_keep_motor(cr_board *b, uint8_t n, uint32_t rests);
void cr_keep_battery(cr_board *b);
void cr_recall(cr_board *b, cr_kept *kept, uint32_t hung);

/* motors.c, supply.c, kept.c: true where the host should be told at once. */
bool cr_watch_rest(cr_board *b);
bool cr_motor_loops(cr_board *b);
bool cr_watch_supply(cr_board *b);
void cr_drop(cr_board *b); /* core.c: what waits is to be cancelled */

/* After a sleep: what has come to rest meanwhile, and readings that no longer count. */
void cr_rest_motors(cr_board *b);
void cr_rest_supply(cr_board *b);

/* sleep.c; returns for how many seconds it will sleep. */
uint32_t cr_tell_sleep(cr_board *b, uint32_t seconds, uint16_t after_s);
void cr_watch_sleep(cr_board *b);

#ifdef __cplusplus
}
#endif

#endif
