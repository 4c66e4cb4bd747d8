/* What a chip must give to board.c. Pins are numbered as in cr_pins.h. */
#ifndef CR_CHIP_H
#define CR_CHIP_H

#include <stdbool.h>
#include <stdint.h>

#include "cr_config.h"
#include "cr_pins.h"

/* Clocks, the counter, the line, the converter; every output low before anything else. */
void chip_start(void);
uint32_t chip_us(void);               /* a counter that runs by itself, in microseconds */
void chip_wait_us(uint32_t us);       /* a few of them, doing nothing */
void chip_idle(void);                 /* sleeps until the next interrupt */
void chip_tick_every_us(uint32_t us); /* how often board_tick is called, from an interrupt */
void chip_feed_watchdog(void);

/* Deep sleep, the tick stopped and everything off: chip_doze prepares it, and waits until all is
 * sent; chip_nap sleeps for a quarter of a second, or until the line moves, and says whether it
 * did; it adds the microseconds that chip_us missed. chip_rouse undoes it, but for the tick. */
void chip_doze(void);
bool chip_nap(uint32_t *missed_us);
void chip_rouse(void);
uint16_t chip_restarts(void); /* counts starts, kept over a reset where the chip can */
bool chip_hung(void);         /* whether the watchdog made this start; asked once */

void chip_out_start(const cr_pin_out *out);
void chip_out(const cr_pin_out *out, uint8_t duty);
void chip_drive(uint8_t pin, bool high);      /* as an output */
void chip_release_pin(uint8_t pin);           /* as an input, against a pull-up */
bool chip_is_high(uint8_t pin);
uint16_t chip_analogue(uint8_t channel);      /* 12 bits */
void chip_encoder_start(uint8_t motor, const cr_pin_encoder *encoder);
uint16_t chip_encoder(uint8_t motor);

uint16_t chip_line_room(void);
void chip_line_send(const uint8_t *data, uint16_t count); /* into a buffer: it never waits */
int chip_line_read(void);                                 /* a byte, or -1 */
void chip_strip_show(const uint8_t *levels, uint8_t count);

/* For the chip, from board.c. */
void board_tick(void);
int main(void);

/* The interrupts, all of them: for a few words, never while sending. */
static inline void chip_lock(void) { __asm volatile("cpsid i" ::: "memory"); }
static inline void chip_unlock(void) { __asm volatile("cpsie i" ::: "memory"); }

#endif
