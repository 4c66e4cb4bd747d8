/* Between the core's halves: outputs.c switches, core.c talks. */
#ifndef CR_OUTPUTS_H
#define CR_OUTPUTS_H

#include "core.h"

enum { CR_STRIKE = 0x10, CR_HOLD = 0x11, CR_TURN = 0x12, CR_LIGHT = 0x13 };

/* Whether `now` has reached `then`, across the wrap of the clock. */
static inline bool cr_passed(uint32_t now, uint32_t then) {
    return (uint32_t)(now - then) < 0x80000000u;
}

uint8_t cr_execute(cr_board *b, const cr_command *c);
void cr_end_due(cr_board *b);
void cr_heat_slot(cr_board *b);
void cr_motor_loop(cr_board *b);
void cr_coil_off(cr_board *b, uint8_t n);
void cr_motor_off(cr_board *b, uint8_t n);
void cr_lights_start(cr_board *b);
int16_t cr_hottest_c(const cr_board *b);

#endif
