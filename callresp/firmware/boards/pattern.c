/* A pattern of a board layer for a chip that has none yet. NOT RUN BY ANY TEST HERE.
 *
 * Fill in the functions that touch registers; everything else is the core's.
 */
#include "core.h"

/* What the chip's own library must give. */
extern void chip_pwm(uint8_t pin, uint8_t duty);
extern void chip_uart_write(const uint8_t *data, uint16_t count); /* into a buffer: no waiting */
extern uint16_t chip_uart_room(void);
extern uint32_t chip_ticks(void); /* 0.1 ms, of a counter that runs by itself */
extern int chip_uart_read(void); /* a byte, or -1 */
extern uint16_t chip_supply_millivolts(void);
extern int8_t chip_temperature(void);
extern uint16_t chip_encoder(uint8_t motor);
extern void chip_interrupts(bool enabled);
extern void chip_watchdog_feed(void);
extern uint16_t chip_restart_count(void);
extern bool chip_stop_pressed(void); /* false for ever where there is no button */
extern bool chip_rains(void);        /* and where there is no sensor */

static cr_board board;

/* Pins are numbered: coils first, then motors, then lights. */
static void set_coil(uint8_t channel, uint8_t duty) { chip_pwm(channel, duty); }
static void set_motor(uint8_t motor, uint8_t duty) { chip_pwm((uint8_t)(CR_COILS + motor), duty); }
static void set_light(uint8_t light, uint8_t level) {
    chip_pwm((uint8_t)(CR_COILS + CR_MOTORS + light), level);
}
static void lock(void) { chip_interrupts(false); }
static void unlock(void) { chip_interrupts(true); }

/* Called by the timer every 0.1 ms. */
void board_timer_interrupt(void) { cr_tick(&board, chip_ticks()); }

int main(void) {
    static const cr_hal hal = {set_coil,       set_motor,
                               set_light,      chip_uart_write,
                               chip_uart_room, chip_supply_millivolts,
                               chip_temperature, chip_encoder,
                               lock,           unlock};
    cr_init(&board, &cr_limits, &hal, chip_ticks(), chip_restart_count());
    chip_interrupts(true);
    for (;;) {
        int byte;
        while ((byte = chip_uart_read()) >= 0) {
            cr_byte(&board, (uint8_t)byte);
        }
        if (chip_stop_pressed() && !(board.faults & CR_STOPPED)) {
            cr_press_stop(&board);
        }
        cr_sense_rain(&board, chip_rains());
        cr_poll(&board);
        chip_watchdog_feed();
    }
}
