/* RP2040: 125 MHz from a crystal of 12 MHz, time from its microsecond timer, PWM at 20.4 kHz.
 *
 * Written by its data sheet. All of it runs from RAM (boot.c).
 */
#include "chip.h"

#include "chip_registers.h"

enum {
    CPU_MHZ = 125,
    CRYSTAL_MHZ = 12,
    RX_SIZE = 512,
    TX_SIZE = 1024, /* both powers of two */
    PWM_STEPS = 255,
    PWM_DIVIDER = 24,
    WATCHDOG_US = 500000,
    NAP_US = 250000,
    MAGIC = 0xC0DE,
    IRQ_ALARM = 0,
    IRQ_IO = 13,
    IRQ_UART = 20
};

static const cr_pin_encoder encoders[CR_MOTORS] = CR_ENCODER_PINS;

/* --- clocks, time, watchdog -------------------------------------------------------------- */

/* As after power-up, whatever a program before this one did with them. */
static void start_fresh(uint32_t parts) {
    SET(RESETS) = parts;
    CLEAR(RESETS) = parts;
    while ((RESETS_RESET_DONE & parts) != parts) {
    }
}

/* 125 MHz from the crystal's 12. */
static void run_from_loop(void) {
    start_fresh(RESET_PLL_SYS);
    PLL_SYS_CS = 1;
    PLL_SYS_FBDIV = 125;                          /* 1500 MHz */
    CLEAR(0x40028004u) = 1u << 0 | 1u << 5;       /* power to the loop and its oscillator */
    while (!(PLL_SYS_CS & 0x80000000u)) {
    }
    PLL_SYS_PRIM = 6u << 16 | 2u << 12;
    CLEAR(0x40028004u) = 1u << 3;
    CLK_SYS_CTRL = 1; /* from the loop */
    while (!(CLK_SYS_SELECTED & 2u)) {
    }
}

static void run_from_crystal(void) {
    CLK_SYS_CTRL = 0;
    while (!(CLK_SYS_SELECTED & 1u)) {
    }
}

static void start_clocks(void) {
    XOSC_STARTUP = 47; /* 1 ms */
    XOSC_CTRL = 0xFABu << 12 | 0xAA0u;
    while (!(XOSC_STATUS & 0x80000000u)) {
    }
    run_from_crystal();
    CLK_REF_CTRL = 2;
    while (!(CLK_REF_SELECTED & 4u)) {
    }
    run_from_loop();
    CLK_PERI_CTRL = 1u << 11;          /* as the system's */
    CLK_ADC_CTRL = 1u << 11 | 3u << 5; /* the crystal's: 8 us a conversion */
    WATCHDOG_TICK = 1u << 9 | CRYSTAL_MHZ; /* the microsecond */
}

uint32_t chip_us(void) { return TIMERAWL; }

void chip_wait_us(uint32_t us) {
    uint32_t from = TIMERAWL;
    while (TIMERAWL - from <= us) {
    }
}

void chip_idle(void) { cpu_sleep(); }
void chip_tick_every_us(uint32_t us) { systick_every(us * CPU_MHZ); }

/* Its counter goes down twice as fast as told (RP2040-E1). */
void chip_feed_watchdog(void) { WATCHDOG_LOAD = 2 * WATCHDOG_US; }

static void start_watchdog(void) {
    PSM_WDSEL = 0x0001FFFCu; /* all but the oscillators */
    chip_feed_watchdog();
    WATCHDOG_CTRL = 1u << 30;
}

uint16_t chip_restarts(void) {
    uint32_t kept = WATCHDOG_SCRATCH0; /* kept over a reset, not without power */
    uint16_t count = kept >> 16 == MAGIC ? (uint16_t)(kept + 1u) : 1;
    WATCHDOG_SCRATCH0 = (uint32_t)MAGIC << 16 | count;
    return count;
}

bool chip_hung(void) { return WATCHDOG_REASON & 1u; }

/* --- pins -------------------------------------------------------------------------------- */

void chip_drive(uint8_t pin, bool high) {
    uint32_t bit = (uint32_t)1 << pin;
    if (high) {
        SIO_OUT_SET = bit;
    } else {
        SIO_OUT_CLR = bit;
    }
    SIO_OE_SET = bit;
    PADS(pin) = PAD_PLAIN;
    IO_CTRL(pin) = FUNCTION_SIO;
}

void chip_release_pin(uint8_t pin) {
    PADS(pin) = PAD_PULLED_UP;
    SIO_OE_CLR = (uint32_t)1 << pin;
    IO_CTRL(pin) = FUNCTION_SIO;
}

bool chip_is_high(uint8_t pin) { return SIO_GPIO_IN >> pin & 1u; }

void chip_out_start(const cr_pin_out *out) {
    if (out->pin == CR_NO_PIN) {
        return;
    }
    chip_drive(out->pin, false);
    if (out->timer != CR_NO_PIN) {
        PWM_DIV(out->timer) = PWM_DIVIDER << 4;
        PWM_TOP(out->timer) = PWM_STEPS - 1;
        PWM_CSR(out->timer) = 1;
    }
}

/* Off and fully on go past the PWM, whose levels change only when it begins anew. Two channels
 * share a register, and this is called from the interrupt, too. */
void chip_out(const cr_pin_out *out, uint8_t duty) {
    if (out->pin == CR_NO_PIN) {
        return;
    }
    if (duty == 0 || duty == PWM_STEPS || out->timer == CR_NO_PIN) {
        chip_drive(out->pin, duty > 0);
        return;
    }
    uint32_t shift = out->channel * 16u, before;
    __asm volatile("mrs %0, primask\n cpsid i" : "=r"(before)::"memory");
    uint32_t levels = PWM_CC(out->timer) & ~((uint32_t)0xFFFF << shift);
    PWM_CC(out->timer) = levels | (uint32_t)duty << shift;
    IO_CTRL(out->pin) = FUNCTION_PWM;
    __asm volatile("msr primask, %0" ::"r"(before) : "memory");
}

uint16_t chip_analogue(uint8_t channel) {
    ADC_CS = 1u | (uint32_t)channel << 12;
    ADC_CS = 1u | 1u << 2 | (uint32_t)channel << 12;
    for (int n = 0; n < 10000 && !(ADC_CS & 1u << 8); n++) {
    }
    return (uint16_t)(ADC_RESULT & 0xFFFu);
}

/* Edges are counted by the pins' interrupt; with one channel its rising ones. */
static volatile uint16_t edges[CR_MOTORS];

static void watch_edges(uint8_t pin, uint32_t which) {
    chip_release_pin(pin);
    IO_INTR(pin / 8u) = which << (pin % 8u * 4u);
    IO_PROC0_INTE(pin / 8u) |= which << (pin % 8u * 4u);
}

void chip_encoder_start(uint8_t motor, const cr_pin_encoder *encoder) {
    (void)motor;
    if (encoder->a == CR_NO_PIN) {
        return;
    }
    bool both = encoder->b != CR_NO_PIN;
    watch_edges(encoder->a, both ? EDGE_LOW | EDGE_HIGH : EDGE_HIGH);
    if (both) {
        watch_edges(encoder->b, EDGE_LOW | EDGE_HIGH);
    }
    nvic_enable(IRQ_IO);
}

static uint16_t edges_at(uint8_t pin) {
    if (pin == CR_NO_PIN) {
        return 0;
    }
    uint32_t shift = pin % 8u * 4u;
    uint32_t seen = IO_PROC0_INTS(pin / 8u) >> shift & (EDGE_LOW | EDGE_HIGH);
    IO_INTR(pin / 8u) = seen << shift;
    return (uint16_t)((seen & EDGE_LOW ? 1 : 0) + (seen & EDGE_HIGH ? 1 : 0));
}

static void pins_interrupt(void) {
    for (int n = 0; n < CR_MOTORS; n++) {
        uint16_t seen = (uint16_t)(edges_at(encoders[n].a) + edges_at(encoders[n].b));
        edges[n] = (uint16_t)(edges[n] + seen);
    }
}

uint16_t chip_encoder(uint8_t motor) { return edges[motor]; }

/* --- the line ---------------------------------------------------------------------------- */

#define UART ((uart_unit *)(uintptr_t)(CR_SERIAL_UNIT == 0 ? 0x40034000u : 0x40038000u))

static volatile uint8_t received[RX_SIZE], sending[TX_SIZE];
static volatile uint16_t received_in, received_out, sending_in, sending_out;

static void fill_line(void) {
    while (sending_out != sending_in && !(UART->FR & UART_TXFF)) {
        UART->DR = sending[sending_out++ % TX_SIZE];
    }
}

static void line_interrupt(void) {
    while (!(UART->FR & UART_RXFE)) {
        uint8_t byte = (uint8_t)UART->DR;
        if ((uint16_t)(received_in - received_out) < RX_SIZE) {
            received[received_in++ % RX_SIZE] = byte;
        }
    }
    UART->ICR = UART_RXIM | UART_TXIM | UART_RTIM;
    fill_line();
}

static void start_line(void) {
    start_fresh(CR_SERIAL_UNIT == 0 ? RESET_UART0 : RESET_UART1);
    uint32_t divisor = (CPU_MHZ * 1000000u * 4u + CR_BAUD / 2u) / CR_BAUD; /* in 64ths */
    UART->IBRD = divisor >> 6;
    UART->FBRD = divisor & 63u;
    UART->LCR_H = 3u << 5 | 1u << 4; /* 8 bits, with its queues */
    UART->IFLS = 0;
    UART->IMSC = UART_RXIM | UART_TXIM | UART_RTIM;
    UART->CR = 1u << 9 | 1u << 8 | 1u;
    PADS(CR_RX_PIN) = PAD_PULLED_UP;
    PADS(CR_TX_PIN) = PAD_PLAIN;
    IO_CTRL(CR_RX_PIN) = FUNCTION_UART;
    IO_CTRL(CR_TX_PIN) = FUNCTION_UART;
    nvic_enable(IRQ_UART + CR_SERIAL_UNIT);
}

uint16_t chip_line_room(void) { return (uint16_t)(TX_SIZE - (uint16_t)(sending_in - sending_out)); }

void chip_line_send(const uint8_t *data, uint16_t count) {
    for (uint16_t n = 0; n < count; n++) {
        sending[sending_in % TX_SIZE] = data[n];
        sending_in++;
    }
    /* The first of them; the interrupt goes on. It is kept out for 32 bytes' writing at most. */
    uint32_t before;
    __asm volatile("mrs %0, primask\n cpsid i" : "=r"(before)::"memory");
    fill_line();
    __asm volatile("msr primask, %0" ::"r"(before) : "memory");
}

int chip_line_read(void) {
    return received_out == received_in ? -1 : received[received_out++ % RX_SIZE];
}

/* --- sleep ------------------------------------------------------------------------------- */

/* SLEEP state (data sheet, 2.11.3 and 2.15.3.5): with both cores in deep sleep only the clocks in
 * SLEEP_EN run, here those of timer, watchdog and pins, from the crystal: the time is kept. The
 * other core sleeps so since its start in the ROM. DORMANT, which stops the crystal, too, has no
 * timer that could end it. */
static uint32_t kept_edges[4];

void chip_doze(void) {
    uint32_t from = TIMERAWL;
    SYST_CSR = 0;
    while ((sending_out != sending_in || (UART->FR & UART_BUSY)) && TIMERAWL - from < 400000u) {
    }
    chip_lock();
    for (unsigned n = 0; n < 4u; n++) {
        kept_edges[n] = IO_PROC0_INTE(n);
        IO_PROC0_INTE(n) = 0; /* a shaft that the wind turns must not wake it */
    }
    IO_INTR(CR_RX_PIN / 8u) = (uint32_t)EDGE_LOW << (CR_RX_PIN % 8u * 4u);
    IO_PROC0_INTE(CR_RX_PIN / 8u) = (uint32_t)EDGE_LOW << (CR_RX_PIN % 8u * 4u);
    TIMER_INTE = 1;
    nvic_enable(IRQ_ALARM);
    nvic_enable(IRQ_IO);
    run_from_crystal();
    SET(0x40028004u) = 1u << 0 | 1u << 3 | 1u << 5; /* no power to the loop */
    SLEEP_EN0 = SLEEP0_IO | SLEEP0_PADS;
    SLEEP_EN1 = SLEEP1_TIMER | SLEEP1_WATCHDOG;
}

bool chip_nap(uint32_t *missed_us) {
    (void)missed_us; /* none */
    if (received_in != received_out) {
        return true;
    }
    TIMER_INTR = 1;
    NVIC_ICPR(0) = 1u << IRQ_ALARM;
    TIMER_ALARM0 = TIMERAWL + NAP_US;
    cpu_sleep_deeply();
    uint32_t moved = IO_PROC0_INTS(CR_RX_PIN / 8u) >> (CR_RX_PIN % 8u * 4u) & EDGE_LOW;
    return moved != 0 || !(TIMER_INTR & 1u);
}

/* What has come from the line meanwhile was read at another speed. */
void chip_rouse(void) {
    SLEEP_EN0 = SLEEP_EN1 = 0xFFFFFFFFu;
    run_from_loop();
    TIMER_INTE = 0;
    TIMER_INTR = 1;
    IO_INTR(CR_RX_PIN / 8u) = (uint32_t)EDGE_LOW << (CR_RX_PIN % 8u * 4u);
    for (unsigned n = 0; n < 4u; n++) {
        IO_PROC0_INTE(n) = kept_edges[n];
    }
    nvic_disable(IRQ_ALARM);
    chip_unlock();
    while (chip_line_read() >= 0) {
    }
}

/* --- addressable lights ------------------------------------------------------------------ */

#if CR_STRIP_COUNT > 0
/* Three cycles a turn, from RAM; what stands around it takes one turn before, two after. */
static inline void turns(uint32_t count) {
    __asm volatile("1: sub %0, #1\n bne 1b" : "+l"(count)::"cc");
}

/* 800 kHz, high for 0.4 us (0) or 0.8 us (1) of 1.25 us, green, red, blue, high bit first:
 * common practice for such lights. Interrupts wait for the 30 us of one light at most. */
void chip_strip_show(const uint8_t *levels, uint8_t count) {
    uint32_t pin = (uint32_t)1 << CR_STRIP_PIN;
    for (uint8_t n = 0; n < count; n++) {
        chip_lock();
        for (int bit = 23; bit >= 0; bit--) {
            bool one = levels[n] >> (bit % 8) & 1;
            SIO_OUT_SET = pin;
            turns((one ? CPU_MHZ * 8u / 30u : CPU_MHZ * 4u / 30u) - 1u);
            SIO_OUT_CLR = pin;
            turns((one ? CPU_MHZ * 4u / 30u : CPU_MHZ * 8u / 30u) - 2u);
        }
        chip_unlock();
    }
}
#endif

/* --- start ------------------------------------------------------------------------------- */

void chip_start(void) {
    static const cr_pin_out coils[CR_COILS] = CR_COIL_PINS;
    static const cr_pin_out motors[CR_MOTORS] = CR_MOTOR_PINS;
    chip_lock();
    start_fresh(RESET_IO_BANK0 | RESET_PADS_BANK0 | RESET_PWM);
    for (int n = 0; n < CR_COILS; n++) {
        chip_out_start(&coils[n]);
    }
    for (int n = 0; n < CR_MOTORS; n++) {
        chip_out_start(&motors[n]);
    }
    start_clocks();
    start_fresh(RESET_TIMER | RESET_ADC);
    ADC_CS = 1;
#if CR_BATTERY_PIN != CR_NO_PIN
    PADS(CR_BATTERY_PIN) = PAD_ANALOGUE;
#endif
#if CR_THERMISTOR_PIN != CR_NO_PIN
    PADS(CR_THERMISTOR_PIN) = PAD_ANALOGUE;
#endif
#if CR_STRIP_COUNT > 0
    chip_drive(CR_STRIP_PIN, false);
#endif
    start_line();
    start_watchdog();
}

/* Data sheet, 2.3.2. */
__attribute__((section(".vectors"), used)) static const cr_handler vectors[16 + 26] = {
    (cr_handler)(uintptr_t)&cr_stack_top,
    cr_reset,
    [2] = cr_fault,
    [3] = cr_fault,
    [11] = cr_fault,
    [14] = cr_fault,
    [15] = board_tick,
    [16 + IRQ_IO] = pins_interrupt,
    [16 + IRQ_UART + CR_SERIAL_UNIT] = line_interrupt,
};
