/* Plays a plan that stands in the board's own memory, at a time after power-up or at light.
 *
 * It is a small host inside the board: it speaks the same messages as one on the line, so the
 * core keeps every limit as ever. A real host that greets the board takes over for good.
 */
#ifndef CR_PLAN_PLAYER_H
#define CR_PLAN_PLAYER_H

#include "core.h"

#ifdef __cplusplus
extern "C" {
#endif

enum {
    CR_PLAYER_SESSION = 0xC0DE,
    CR_PLAYER_BEAT_TICKS = 600,    /* the heartbeat of a host: 60 ms */
    CR_PLAYER_LEAD_TICKS = 10000,  /* from the start to the first command */
    CR_PLAYER_AHEAD_TICKS = 25000, /* commands go out up to 2.5 s ahead */
    CR_PLAYER_DAWN_TICKS = 300000  /* light for 30 s on end is dawn, and no torch */
};

enum { CR_PLAYER_WAITS, CR_PLAYER_PLAYS, CR_PLAYER_ENDED, CR_PLAYER_YIELDED };

/* One command of a plan: times in ticks, `at` from the first of them. The fields are
 * those of the line's messages; a strike's length is its pulse in hundredths of a millisecond. */
typedef struct {
    uint32_t at, length;
    uint16_t pull, speed;
    uint8_t kind, channel, duty;
} cr_plan_row;

/* What to play, and when: after `after_ticks` from power-up, or, where `lux` is not 0, at the
 * first light of so much from then on. Rows are in order of `at`; `end` is when all is off. */
typedef struct {
    const cr_plan_row *row;
    uint32_t count;
    uint64_t after_ticks, end;
    uint32_t lux;
} cr_plan;

extern const cr_plan cr_own_plan; /* made from the plan, in cr_plan.c */

typedef struct {
    const cr_plan *plan;
    cr_board *board;
    uint8_t state;
    bool lit;
    uint32_t last;         /* the clock at the last call */
    uint64_t ticks;        /* since power-up; it doesn't wrap */
    uint64_t lit_since, first, beat;
    uint32_t next;         /* row to be sent */
} cr_player;

void cr_player_init(cr_player *p, const cr_plan *plan, cr_board *board, uint32_t now);
void cr_player_light(cr_player *p, uint32_t lux); /* a reading of the light sensor */
void cr_player_poll(cr_player *p, uint32_t now);  /* main loop, at least every 50 ms */

#ifdef __cplusplus
}
#endif

#endif
