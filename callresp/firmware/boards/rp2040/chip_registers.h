/* Registers of the RP2040 that this layer uses; names and offsets as in its data sheet. */
#ifndef CR_RP2040_H
#define CR_RP2040_H

#include "cortex.h"

/* Aliases of every peripheral's registers that set or clear bits in one write (2.1.2). */
#define SET(address) REG((address) + 0x2000u)
#define CLEAR(address) REG((address) + 0x3000u)

#define RESETS 0x4000C000u
#define RESETS_RESET_DONE REG(RESETS + 8u)
enum {
    RESET_ADC = 1 << 0,
    RESET_IO_BANK0 = 1 << 5,
    RESET_PADS_BANK0 = 1 << 8,
    RESET_PLL_SYS = 1 << 12,
    RESET_PWM = 1 << 14,
    RESET_TIMER = 1 << 21,
    RESET_UART0 = 1 << 22,
    RESET_UART1 = 1 << 23
};

#define CLK_REF_CTRL REG(0x40008030u)
#define CLK_REF_SELECTED REG(0x40008038u)
#define CLK_SYS_CTRL REG(0x4000803Cu)
#define CLK_SYS_SELECTED REG(0x40008044u)
#define CLK_PERI_CTRL REG(0x40008048u)
#define CLK_ADC_CTRL REG(0x40008060u)
#define SLEEP_EN0 REG(0x400080A8u)
#define SLEEP_EN1 REG(0x400080ACu)
enum { SLEEP0_IO = 1 << 8, SLEEP0_PADS = 1 << 11, SLEEP1_TIMER = 1 << 5, SLEEP1_WATCHDOG = 1 << 12 };
#define PSM_WDSEL REG(0x40010008u)
#define XOSC_CTRL REG(0x40024000u)
#define XOSC_STATUS REG(0x40024004u)
#define XOSC_STARTUP REG(0x4002400Cu)
#define PLL_SYS_CS REG(0x40028000u)
#define PLL_SYS_PWR REG(0x40028004u)
#define PLL_SYS_FBDIV REG(0x40028008u)
#define PLL_SYS_PRIM REG(0x4002800Cu)

#define IO_CTRL(pin) REG(0x40014004u + 8u * (pin))
#define IO_INTR(n) REG(0x400140F0u + 4u * (n))
#define IO_PROC0_INTE(n) REG(0x40014100u + 4u * (n))
#define IO_PROC0_INTS(n) REG(0x40014120u + 4u * (n))
#define PADS(pin) REG(0x4001C004u + 4u * (pin))
enum { FUNCTION_UART = 2, FUNCTION_PWM = 4, FUNCTION_SIO = 5 };
enum { PAD_PLAIN = 0x56, PAD_PULLED_UP = 0x5A, PAD_ANALOGUE = 0x80 };
enum { EDGE_LOW = 4, EDGE_HIGH = 8 };

#define SIO_GPIO_IN REG(0xD0000004u)
#define SIO_OUT_SET REG(0xD0000014u)
#define SIO_OUT_CLR REG(0xD0000018u)
#define SIO_OE_SET REG(0xD0000024u)
#define SIO_OE_CLR REG(0xD0000028u)

#define ADC_CS REG(0x4004C000u)
#define ADC_RESULT REG(0x4004C004u)
#define PWM_CSR(slice) REG(0x40050000u + 0x14u * (slice))
#define PWM_DIV(slice) REG(0x40050004u + 0x14u * (slice))
#define PWM_CC(slice) REG(0x4005000Cu + 0x14u * (slice))
#define PWM_TOP(slice) REG(0x40050010u + 0x14u * (slice))
#define TIMER_ALARM0 REG(0x40054010u)
#define TIMER_INTR REG(0x40054034u)
#define TIMER_INTE REG(0x40054038u)
#define TIMERAWL REG(0x40054028u)
#define WATCHDOG_CTRL REG(0x40058000u)
#define WATCHDOG_LOAD REG(0x40058004u)
#define WATCHDOG_REASON REG(0x40058008u)
#define WATCHDOG_SCRATCH0 REG(0x4005800Cu)
#define WATCHDOG_TICK REG(0x4005802Cu)

/* The UART is ARM's PL011. */
typedef struct {
    volatile uint32_t DR, RSR, unused[4], FR, unused2, ILPR, IBRD, FBRD, LCR_H, CR, IFLS, IMSC, RIS,
        MIS, ICR;
} uart_unit;
enum { UART_BUSY = 1 << 3, UART_RXFE = 1 << 4, UART_TXFF = 1 << 5 };
enum { UART_RXIM = 1 << 4, UART_TXIM = 1 << 5, UART_RTIM = 1 << 6 };

/* The flash's controller, for boot.c. */
#define SSI_CTRLR0 REG(0x18000000u)
#define SSI_CTRLR1 REG(0x18000004u)
#define SSI_SSIENR REG(0x18000008u)
#define SSI_BAUDR REG(0x18000014u)
#define SSI_SPI_CTRLR0 REG(0x180000F4u)

#endif
