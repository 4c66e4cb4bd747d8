/* The emulator's mps2-an385, which stands in for small chips: it has no pins, only lines and time. */
#include "chip.h"

#include "cortex.h"
#include "emulated.h"

/* CMSDK UART (Arm DUI 0479), FPGAIO of AN385 (Arm DAI 0385). */
#define UART(n, offset) REG(0x40004000u + 0x1000u * (n) + (offset))
#define TIMER1_CTRL REG(0x40001000u)
#define TIMER1_VALUE REG(0x40001004u)
#define TIMER1_RELOAD REG(0x40001008u)
#define FPGA_COUNTER REG(0x40028018u)
#define FPGA_PRESCALE REG(0x4002801Cu)
enum { DATA = 0, STATE = 4, CTRL = 8, INTSTATUS = 12, BAUDDIV = 16, CPU_MHZ = 25, RX_SIZE = 512 };

static volatile uint8_t received[RX_SIZE];
static volatile uint16_t received_in, received_out;

static void uart_start(uint32_t n, uint32_t control) {
    UART(n, BAUDDIV) = CPU_MHZ * 1000000u / CR_BAUD;
    UART(n, CTRL) = control;
}

static void line_interrupt(void) {
    UART(0u, INTSTATUS) = 2;
    while (UART(0u, STATE) & 2u) {
        uint8_t byte = (uint8_t)UART(0u, DATA);
        if ((uint16_t)(received_in - received_out) < RX_SIZE) {
            received[received_in++ % RX_SIZE] = byte;
        }
    }
}

void chip_start(void) {
    chip_lock();
    FPGA_PRESCALE = CPU_MHZ - 1;
    TIMER1_RELOAD = 0xFFFFFFFFu;
    TIMER1_VALUE = 0xFFFFFFFFu;
    TIMER1_CTRL = 1;
    uart_start(0u, 1u | 2u | 8u);
    nvic_enable(0);
    emulated_start();
}

uint32_t chip_us(void) { return emulated_lockstep ? emulated_us : FPGA_COUNTER; }

void chip_wait_us(uint32_t us) {
    uint32_t from = FPGA_COUNTER;
    while (!emulated_lockstep && FPGA_COUNTER - from <= us) {
    }
}

void chip_idle(void) {
    emulated_idle();
    if (!emulated_lockstep) {
        cpu_sleep();
    }
}

void chip_tick_every_us(uint32_t us) {
    if (!emulated_lockstep) {
        systick_every(us * CPU_MHZ);
    }
}

static void tick(void) {
    emulated_tick_begins();
    board_tick();
    emulated_tick_ends();
}

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

void chip_feed_watchdog(void) {}
uint16_t chip_restarts(void) { return 1; }
bool chip_hung(void) { return false; }
void chip_out_start(const cr_pin_out *out) { (void)out; }

/* Into memory, by as much work as an RP2040's registers want. */
void chip_out(const cr_pin_out *out, uint8_t duty) {
    static volatile uint32_t levels[256], set, cleared;
    emulated_out(out, duty);
    if (out->pin == CR_NO_PIN) {
        return;
    }
    uint32_t bit = (uint32_t)1 << (out->pin & 31u), before;
    if (duty == 0 || duty == 255 || out->timer == CR_NO_PIN) {
        *(duty > 0 ? &set : &cleared) = bit;
        levels[out->pin] = 5;
        return;
    }
    uint32_t shift = out->channel * 16u;
    __asm volatile("mrs %0, primask\n cpsid i" : "=r"(before)::"memory");
    levels[out->timer] = (levels[out->timer] & ~((uint32_t)0xFFFF << shift)) | (uint32_t)duty << shift;
    levels[out->pin] = 4;
    __asm volatile("msr primask, %0" ::"r"(before) : "memory");
}
void chip_drive(uint8_t pin, bool high) { (void)pin, (void)high; }
void chip_release_pin(uint8_t pin) { (void)pin; }
bool chip_is_high(uint8_t pin) { return emulated_is_high(pin); }
uint16_t chip_analogue(uint8_t channel) { return emulated_analogue(channel); }
void chip_encoder_start(uint8_t n, const cr_pin_encoder *encoder) { (void)n, (void)encoder; }
uint16_t chip_encoder(uint8_t motor) { return emulated_encoder(motor); }
uint16_t chip_line_room(void) { return 1024; }

void chip_line_send(const uint8_t *data, uint16_t count) {
    for (uint16_t n = 0; n < count; n++) {
        while (UART(0u, STATE) & 1u) {
        }
        UART(0u, DATA) = data[n];
    }
}

int chip_line_read(void) {
    if (received_out == received_in) {
        return -1;
    }
    emulated_taken();
    return received[received_out++ % RX_SIZE];
}

void emulated_port_start(void) { uart_start(1u, 1u | 2u); }
int emulated_port_read(void) { return UART(1u, STATE) & 2u ? (int)(UART(1u, DATA) & 0xFFu) : -1; }

void emulated_port_write(uint8_t byte) {
    while (UART(1u, STATE) & 1u) {
    }
    UART(1u, DATA) = byte;
}

uint32_t emulated_fine(void) { return 0xFFFFFFFFu - TIMER1_VALUE; }

__attribute__((section(".vectors"), used)) static const cr_handler vectors[16 + 32] = {
    (cr_handler)(uintptr_t)&cr_stack_top,
    cr_reset,
    [2] = cr_fault,
    [3] = cr_fault,
    [11] = cr_fault,
    [14] = cr_fault,
    [15] = tick,
    [16] = line_interrupt,
};
