/* What the emulator's chips lack, and a clock that a test may drive. Never part of a real board. */
#ifndef CR_EMULATED_H
#define CR_EMULATED_H

#include <stdbool.h>
#include <stdint.h>

#include "cr_config.h"
#include "cr_pins.h"

extern volatile bool emulated_lockstep; /* time passes only as the test says */
extern volatile uint32_t emulated_us;

void emulated_start(void);
void emulated_idle(void);
bool emulated_nap(void); /* some of the test's time; whether the line moved */
bool emulated_expects(void); /* whether bytes of a test are still on the line */
void emulated_tick_begins(void);
void emulated_tick_ends(void);
void emulated_taken(void); /* a byte of the line was taken by the main loop */
bool emulated_is_high(uint8_t pin);
void emulated_out(const cr_pin_out *out, uint8_t duty);
uint16_t emulated_analogue(uint8_t channel);
uint16_t emulated_encoder(uint8_t motor);

/* From the chip: a second serial line, and a fine counter that grows. */
void emulated_port_start(void);
int emulated_port_read(void);
void emulated_port_write(uint8_t byte);
uint32_t emulated_fine(void);

#endif
