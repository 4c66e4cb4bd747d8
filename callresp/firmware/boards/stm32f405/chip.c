/* STM32F405: 168 MHz from a crystal, time from timer 5, PWM at 20.6 kHz, the line by USART.
 *
 * Written by the reference manual RM0090. What qemu's model of this chip lacks or does in
 * another way stands under CR_EMULATED, which only tests define.
 */
#include "chip.h"

#include "chip_registers.h"

#ifdef CR_EMULATED
#include "emulated.h"
enum { TIMER_5_MHZ = 1000, PATIENCE = 1 }; /* qemu's timers count at 1 GHz, its clocks have no flags */
#else
enum { TIMER_5_MHZ = 84, PATIENCE = 1000000 };
#endif

enum {
    CPU_MHZ = 168,
    RX_SIZE = 512,
    TX_SIZE = 1024, /* both powers of two */
    AF_MODE = 2,
    PWM_STEPS = 255,
    NAP_COUNTS = 512, /* of 16 cycles of the 32 kHz oscillator, of which the watchdog stands 16,000 */
    NAP_LINE = 22,
    NAP_IRQ = 3,
    MAGIC = 0xC0DE
};

#define TIM5 ((timer_unit *)(uintptr_t)0x40000C00u)

static timer_unit *timer_of(uint8_t number) {
    static const uint32_t at[] = {0,           0x40010000u, 0x40000000u, 0x40000400u, 0x40000800u,
                                  0x40000C00u, 0,           0,           0x40010400u, 0x40014000u,
                                  0x40014400u, 0x40014800u, 0x40001800u, 0x40001C00u, 0x40002000u};
    return number < sizeof at / sizeof at[0] ? (timer_unit *)(uintptr_t)at[number] : 0;
}

/* Timers 1 and 8 to 11 are on the fast bus: their clock is the CPU's, the others' half of it. */
static bool is_fast(uint8_t number) { return number == 1 || (number >= 8 && number <= 11); }

static void enable_timer(uint8_t number) {
    static const uint8_t fast_bit[] = {[1] = 0, [8] = 1, [9] = 16, [10] = 17, [11] = 18};
    if (is_fast(number)) {
        RCC_APB2ENR |= (uint32_t)1 << fast_bit[number];
    } else {
        RCC_APB1ENR |= (uint32_t)1 << (number < 8 ? number - 2 : number - 6);
    }
}

/* --- clocks, time, supply ---------------------------------------------------------------- */

static bool comes(volatile uint32_t *reg, uint32_t bits, uint32_t wanted) {
    for (uint32_t n = 0; n < PATIENCE; n++) {
        if ((*reg & bits) == wanted) {
            return true;
        }
    }
    return false;
}

/* 168 MHz by the crystal; where it does not start, by the chip's own oscillator, which is off by
 * up to 1 %: the host follows that, and tells. */
static void start_clocks(void) {
    FLASH_ACR = 0x705u; /* 5 wait states, caches, prefetch */
    RCC_CR |= 1u << 16;
    bool crystal = comes(&RCC_CR, 1u << 17, 1u << 17);
    uint32_t source_mhz = crystal ? CR_CRYSTAL_MHZ : 16u;
    RCC_PLLCFGR = source_mhz | 336u << 6 | 7u << 24 | (crystal ? 1u << 22 : 0u);
    RCC_CR |= 1u << 24;
    comes(&RCC_CR, 1u << 25, 1u << 25);
    RCC_CFGR = 5u << 10 | 4u << 13 | 2u; /* APB1 a quarter, APB2 a half, from the PLL */
    comes(&RCC_CFGR, 3u << 2, 2u << 2);
}

/* Below 2.9 V the logic's supply is failing: all off, and a fresh start when it is back. */
static void watch_power(void) {
    PWR_CR |= 1u << 8 | 7u << 5 | 1u << 4; /* backup registers writable; threshold 7; on */
    EXTI_RTSR |= 1u << 16;
    EXTI_IMR |= 1u << 16;
    nvic_enable(1);
}

static void all_low(void) {
    static const cr_pin_out coils[CR_COILS] = CR_COIL_PINS;
    static const cr_pin_out motors[CR_MOTORS] = CR_MOTOR_PINS;
    for (int n = 0; n < CR_COILS; n++) {
        chip_out_start(&coils[n]);
    }
    for (int n = 0; n < CR_MOTORS; n++) {
        chip_out_start(&motors[n]);
    }
}

static void power_fails(void) {
    all_low();
    while (PWR_CSR & (1u << 2)) {
        chip_feed_watchdog();
    }
    cpu_reset();
}

uint32_t chip_us(void) {
#ifdef CR_EMULATED
    if (emulated_lockstep) {
        return emulated_us;
    }
#endif
    return TIM5->CNT;
}

void chip_wait_us(uint32_t us) {
#ifdef CR_EMULATED
    if (emulated_lockstep) {
        return;
    }
#endif
    uint32_t from = TIM5->CNT;
    while (TIM5->CNT - from <= us) {
    }
}

void chip_idle(void) {
#ifdef CR_EMULATED
    emulated_idle();
    if (emulated_lockstep) {
        return;
    }
#endif
    cpu_sleep();
}

void chip_tick_every_us(uint32_t us) {
#ifdef CR_EMULATED
    if (emulated_lockstep) {
        return;
    }
#endif
    systick_every(us * CPU_MHZ);
}

static void tick(void) {
#ifdef CR_EMULATED
    emulated_tick_begins();
#endif
    board_tick();
#ifdef CR_EMULATED
    emulated_tick_ends();
#endif
}

void chip_feed_watchdog(void) { IWDG_KR = 0xAAAAu; }

uint16_t chip_restarts(void) {
    uint32_t kept = RTC_BKP0R;
    uint16_t count = kept >> 16 == MAGIC ? (uint16_t)(kept + 1u) : 1;
    RTC_BKP0R = (uint32_t)MAGIC << 16 | count;
    return count;
}

bool chip_hung(void) {
    bool hung = (RCC_CSR & RCC_IWDGRSTF) != 0;
    RCC_CSR |= RCC_RMVF; /* or the next start would find it, too */
    return hung;
}

/* --- pins -------------------------------------------------------------------------------- */

static gpio_port *port_of(uint8_t pin) { return GPIO(pin / 16u); }

static void set_mode(uint8_t pin, uint32_t mode) {
    uint32_t shift = pin % 16u * 2u;
    gpio_port *port = port_of(pin);
    port->MODER = (port->MODER & ~((uint32_t)3 << shift)) | mode << shift;
}

static void set_function(uint8_t pin, uint8_t function) {
    uint32_t shift = pin % 8u * 4u;
    volatile uint32_t *afr = &port_of(pin)->AFR[pin % 16u / 8u];
    *afr = (*afr & ~((uint32_t)15 << shift)) | (uint32_t)function << shift;
    set_mode(pin, AF_MODE);
}

static void pull_up(uint8_t pin) {
    uint32_t shift = pin % 16u * 2u;
    gpio_port *port = port_of(pin);
    port->PUPDR = (port->PUPDR & ~((uint32_t)3 << shift)) | (uint32_t)1 << shift;
}

void chip_drive(uint8_t pin, bool high) {
    port_of(pin)->BSRR = (uint32_t)1 << (pin % 16u + (high ? 0u : 16u));
    set_mode(pin, 1);
}

void chip_release_pin(uint8_t pin) {
    pull_up(pin);
    set_mode(pin, 0);
}

bool chip_is_high(uint8_t pin) {
#ifdef CR_EMULATED
    return emulated_is_high(pin);
#endif
    return port_of(pin)->IDR >> (pin % 16u) & 1u;
}

void chip_out_start(const cr_pin_out *out) {
    if (out->pin == CR_NO_PIN) {
        return;
    }
    chip_drive(out->pin, false);
    if (out->timer == CR_NO_PIN) {
        return;
    }
    timer_unit *timer = timer_of(out->timer);
    uint32_t lane = out->channel - 1u, shift = lane % 2u * 8u;
    enable_timer(out->timer);
    timer->PSC = is_fast(out->timer) ? 31 : 15;
    timer->ARR = PWM_STEPS - 1;
    timer->CCR[lane] = 0;
    /* PWM mode 1, without preload: what is switched off is off at once. */
    timer->CCMR[lane / 2u] = (timer->CCMR[lane / 2u] & ~((uint32_t)0xFF << shift)) | 0x60u << shift;
    timer->CCER |= (uint32_t)1 << (lane * 4u);
    if (out->timer == 1 || out->timer == 8) {
        timer->BDTR = TIM_MOE;
    }
    timer->EGR = TIM_UG;
    timer->CR1 = TIM_CEN;
    set_function(out->pin, out->function);
}

void chip_out(const cr_pin_out *out, uint8_t duty) {
#ifdef CR_EMULATED
    emulated_out(out, duty);
#endif
    if (out->pin == CR_NO_PIN) {
        return;
    }
    if (out->timer == CR_NO_PIN) {
        port_of(out->pin)->BSRR = (uint32_t)1 << (out->pin % 16u + (duty > 0 ? 0u : 16u));
    } else {
        timer_of(out->timer)->CCR[out->channel - 1u] = duty;
    }
}

uint16_t chip_analogue(uint8_t channel) {
#ifdef CR_EMULATED
    return emulated_analogue(channel);
#endif
    ADC1_SQR3 = channel;
    ADC1_SR = 0;
    ADC1_CR2 |= 1u << 30;
    for (int n = 0; n < 1000 && !(ADC1_SR & 2u); n++) {
    }
    return (uint16_t)(ADC1_DR & 0xFFFu);
}

void chip_encoder_start(uint8_t motor, const cr_pin_encoder *encoder) {
    (void)motor;
    timer_unit *timer = encoder->timer == CR_NO_PIN ? 0 : timer_of(encoder->timer);
    if (timer == 0) {
        return;
    }
    enable_timer(encoder->timer);
    timer->ARR = 0xFFFF;
    timer->CCMR[0] = 0x6161u; /* channels 1 and 2 from their pins, a filter of 8 samples */
    /* Both: every edge counts. One: its rising edges are the clock. */
    timer->SMCR = encoder->b != CR_NO_PIN ? 3u : 5u << 4 | 7u;
    timer->CR1 = TIM_CEN;
    pull_up(encoder->a);
    set_function(encoder->a, encoder->function);
    if (encoder->b != CR_NO_PIN) {
        pull_up(encoder->b);
        set_function(encoder->b, encoder->function);
    }
}

uint16_t chip_encoder(uint8_t motor) {
#ifdef CR_EMULATED
    return emulated_encoder(motor);
#endif
    static const cr_pin_encoder encoders[CR_MOTORS] = CR_ENCODER_PINS;
    const cr_pin_encoder *encoder = &encoders[motor];
    return encoder->timer == CR_NO_PIN ? 0 : (uint16_t)timer_of(encoder->timer)->CNT;
}

/* --- the line ---------------------------------------------------------------------------- */

#if CR_SERIAL_UNIT == 1
#define USART ((usart_unit *)(uintptr_t)0x40011000u)
enum { USART_IRQ = 37, USART_CLOCK = 84000000 };
#elif CR_SERIAL_UNIT == 2
#define USART ((usart_unit *)(uintptr_t)0x40004400u)
enum { USART_IRQ = 38, USART_CLOCK = 42000000 };
#elif CR_SERIAL_UNIT == 3
#define USART ((usart_unit *)(uintptr_t)0x40004800u)
enum { USART_IRQ = 39, USART_CLOCK = 42000000 };
#else
#define USART ((usart_unit *)(uintptr_t)0x40011400u)
enum { USART_IRQ = 71, USART_CLOCK = 84000000 };
#endif

static volatile uint8_t received[RX_SIZE], sending[TX_SIZE];
static volatile uint16_t received_in, received_out, sending_in, sending_out;

static void line_interrupt(void) {
    while (USART->SR & USART_RXNE) {
        uint8_t byte = (uint8_t)USART->DR;
        if ((uint16_t)(received_in - received_out) < RX_SIZE) {
            received[received_in++ % RX_SIZE] = byte;
        }
    }
    if (USART->SR & USART_TXE) {
        if (sending_out != sending_in) {
            USART->DR = sending[sending_out++ % TX_SIZE];
        } else {
            USART->CR1 &= ~(uint32_t)USART_TXEIE;
        }
    }
}

static void start_line(void) {
    if (CR_SERIAL_UNIT == 1 || CR_SERIAL_UNIT == 6) {
        RCC_APB2ENR |= CR_SERIAL_UNIT == 1 ? 1u << 4 : 1u << 5;
    } else {
        RCC_APB1ENR |= (uint32_t)1 << (15 + CR_SERIAL_UNIT);
    }
    pull_up(CR_RX_PIN);
    set_function(CR_TX_PIN, CR_SERIAL_FUNCTION);
    set_function(CR_RX_PIN, CR_SERIAL_FUNCTION);
    USART->BRR = (USART_CLOCK + CR_BAUD / 2) / CR_BAUD;
    USART->CR1 = USART_UE | USART_TE | USART_RE | USART_RXNEIE;
    nvic_enable(USART_IRQ);
}

uint16_t chip_line_room(void) { return (uint16_t)(TX_SIZE - (uint16_t)(sending_in - sending_out)); }

void chip_line_send(const uint8_t *data, uint16_t count) {
    for (uint16_t n = 0; n < count; n++) {
        sending[sending_in % TX_SIZE] = data[n];
        sending_in++;
    }
    USART->CR1 |= USART_TXEIE;
#ifdef CR_EMULATED
    chip_lock(); /* qemu's model tells no empty transmitter; a byte that comes must not send, too */
    while (sending_out != sending_in) {
        line_interrupt();
    }
    chip_unlock();
#endif
}

int chip_line_read(void) {
    if (received_out == received_in) {
        return -1;
    }
#ifdef CR_EMULATED
    emulated_taken();
#endif
    return received[received_out++ % RX_SIZE];
}

/* --- sleep ------------------------------------------------------------------------------- */

/* STOP mode (RM0090, 5.3.4): memory and pins are kept, all clocks stand but the 32 kHz oscillator
 * of watchdog and wake-up timer. That is off by half (17 to 47 kHz), so it is measured first. */
#ifdef CR_EMULATED
void chip_doze(void) { SYST_CSR = 0; }

bool chip_nap(uint32_t *missed_us) {
    (void)missed_us;
    return emulated_nap() || received_in != received_out;
}

void chip_rouse(void) {
    do {
        while (chip_line_read() >= 0) {
        }
    } while (emulated_expects());
}
#else
static const uint32_t rx_line = (uint32_t)1 << (CR_RX_PIN % 16u);
static uint32_t nap_us; /* 0 where the wake-up timer does not run */

static uint32_t rx_irq(void) {
    uint32_t line = CR_RX_PIN % 16u;
    return line < 5u ? 6u + line : line < 10u ? 23u : 40u;
}

static bool nap_over(void) { return (RTC_ISR & RTC_WUTF) != 0; }
static void nap_again(void) { RTC_ISR = ~(uint32_t)(RTC_WUTF | RTC_INIT); }

static bool wait_for_nap(void) {
    uint32_t from = TIM5->CNT;
    while (!nap_over()) {
        chip_feed_watchdog();
        if (TIM5->CNT - from > 1000000u) {
            return false;
        }
    }
    nap_again();
    return true;
}

static void start_nap_timer(void) {
    RCC_CSR |= 1;
    comes(&RCC_CSR, 2, 2);
    if ((RCC_BDCR >> 8 & 3u) != 2u) {
        /* Another clock, of a program before: only a reset of the domain takes it off. */
        uint32_t kept = RTC_BKP0R;
        RCC_BDCR = 1u << 16;
        RCC_BDCR = 0;
        RCC_BDCR = 2u << 8 | 1u << 15;
        RTC_BKP0R = kept;
    }
    RTC_WPR = 0xCA;
    RTC_WPR = 0x53;
    RTC_CR &= ~(uint32_t)RTC_WUTE;
    comes(&RTC_ISR, RTC_WUTWF, RTC_WUTWF);
    RTC_WUTR = NAP_COUNTS - 1;
    RTC_CR = RTC_WUTIE | RTC_WUTE;
    RTC_WPR = 0xFF;
    nap_again();
    nap_us = 0;
    if (wait_for_nap()) {
        uint32_t from = TIM5->CNT;
        nap_us = wait_for_nap() ? TIM5->CNT - from : 0;
    }
}

void chip_doze(void) {
    uint32_t from = TIM5->CNT;
    SYST_CSR = 0;
    while ((sending_out != sending_in || !(USART->SR & USART_TC)) && TIM5->CNT - from < 500000u) {
        chip_feed_watchdog();
    }
    start_nap_timer();
    chip_lock();
    ADC1_CR2 = 0;
    uint32_t shift = CR_RX_PIN % 4u * 4u;
    volatile uint32_t *source = &SYSCFG_EXTICR(CR_RX_PIN % 16u / 4u);
    *source = (*source & ~((uint32_t)15 << shift)) | CR_RX_PIN / 16u << shift;
    EXTI_FTSR |= rx_line;
    EXTI_RTSR |= 1u << NAP_LINE;
    EXTI_PR = rx_line | 1u << NAP_LINE; /* what was before is over */
    NVIC_ICPR(0) = 1u << NAP_IRQ;
    EXTI_IMR |= rx_line | 1u << NAP_LINE;
    PWR_CR = (PWR_CR & ~2u) | 1u << 9 | 1u; /* STOP; flash and regulator at their lowest */
    nvic_enable(NAP_IRQ);
    nvic_enable(rx_irq());
}

bool chip_nap(uint32_t *missed_us) {
    if (received_in != received_out) {
        return true;
    }
    if (nap_us == 0) {
        chip_wait_us(250000);
        return (EXTI_PR & rx_line) != 0;
    }
    cpu_sleep_deeply();
    bool over = nap_over();
    nap_again();
    *missed_us += over ? nap_us : 0;
    EXTI_PR = 1u << NAP_LINE;
    NVIC_ICPR(0) = 1u << NAP_IRQ;
    return !over || (EXTI_PR & rx_line) != 0;
}

/* What has come from the line meanwhile was read by a clock that stood. */
void chip_rouse(void) {
    EXTI_IMR &= ~(rx_line | 1u << NAP_LINE);
    EXTI_PR = rx_line | 1u << NAP_LINE;
    nvic_disable(NAP_IRQ);
    nvic_disable(rx_irq());
    PWR_CR &= ~1u;
    start_clocks(); /* it comes back by its own oscillator */
    ADC1_CR2 = 1;
    chip_unlock();
    while (chip_line_read() >= 0) {
    }
}
#endif

/* --- addressable lights ------------------------------------------------------------------ */

#if CR_STRIP_COUNT > 0
static void until_cycle(uint32_t then) {
    while ((int32_t)(DWT_CYCCNT - then) < 0) {
    }
}

/* 800 kHz, high for 0.4 us (0) or 0.8 us (1) of 1.25 us, green, red, blue, high bit first:
 * common practice for such lights. Interrupts wait for the 30 us of one light at most. */
void chip_strip_show(const uint8_t *levels, uint8_t count) {
    gpio_port *port = port_of(CR_STRIP_PIN);
    uint32_t bit_high = (uint32_t)1 << (CR_STRIP_PIN % 16u), bit_low = bit_high << 16;
    for (uint8_t n = 0; n < count; n++) {
        chip_lock();
        uint32_t then = DWT_CYCCNT;
        for (int bit = 23; bit >= 0; bit--) {
            uint32_t high = levels[n] >> (bit % 8) & 1 ? CPU_MHZ * 8 / 10 : CPU_MHZ * 4 / 10;
            port->BSRR = bit_high;
            until_cycle(then + high);
            port->BSRR = bit_low;
            then += CPU_MHZ * 5 / 4;
            until_cycle(then);
        }
        chip_unlock();
    }
}
#endif

/* --- start ------------------------------------------------------------------------------- */

void chip_start(void) {
    chip_lock();
    RCC_AHB1ENR |= 0xFu; /* ports A to D */
    all_low();
    start_clocks();
    RCC_APB1ENR |= 1u << 28 | 1u << 3; /* power control, timer 5 */
    RCC_APB2ENR |= 1u << 8 | 1u << 14; /* ADC1, SYSCFG */
    watch_power();
    TIM5->PSC = TIMER_5_MHZ - 1;
    TIM5->ARR = 0xFFFFFFFFu;
    TIM5->EGR = TIM_UG;
    TIM5->CR1 = TIM_CEN;
    ADC_CCR = 1u << 16;         /* a quarter of 84 MHz */
    ADC1_SMPR1 = 0x24924924u;   /* 84 cycles, 4 us, for every channel */
    ADC1_SMPR2 = 0x24924924u;
    ADC1_SQR1 = 0;
    ADC1_CR2 = 1;
#if CR_BATTERY_PIN != CR_NO_PIN
    set_mode(CR_BATTERY_PIN, 3);
#endif
#if CR_THERMISTOR_PIN != CR_NO_PIN
    set_mode(CR_THERMISTOR_PIN, 3);
#endif
#if CR_STRIP_COUNT > 0
    DEMCR |= 1u << 24;
    DWT_CTRL |= 1;
    chip_drive(CR_STRIP_PIN, false);
#endif
    start_line();
    IWDG_KR = 0x5555u; /* 0.5 s of the watchdog's own 32 kHz */
    IWDG_PR = 2;
    IWDG_RLR = 999;
    IWDG_KR = 0xCCCCu;
#ifdef CR_EMULATED
    emulated_start();
#endif
}

/* RM0090, table 61. */
__attribute__((section(".vectors"), used)) static const cr_handler vectors[16 + 82] = {
    (cr_handler)(uintptr_t)&cr_stack_top,
    cr_reset,
    [2] = cr_fault,
    [3] = cr_fault,
    [4] = cr_fault,
    [5] = cr_fault,
    [6] = cr_fault,
    [11] = cr_fault,
    [14] = cr_fault,
    [15] = tick,
    [16 + 1] = power_fails,
    [16 + USART_IRQ] = line_interrupt,
};
