/* What every Cortex-M has (ARMv6-M and ARMv7-M Architecture Reference Manuals, B3). */
#ifndef CR_CORTEX_H
#define CR_CORTEX_H

#include <stdint.h>

#define REG(address) (*(volatile uint32_t *)(uintptr_t)(address))

#define SYST_CSR REG(0xE000E010u)
#define SYST_RVR REG(0xE000E014u)
#define SYST_CVR REG(0xE000E018u)
#define SCB_ICSR REG(0xE000ED04u)
#define SCB_VTOR REG(0xE000ED08u)
#define SCB_AIRCR REG(0xE000ED0Cu)
#define SCB_SCR REG(0xE000ED10u)
#define SCB_CPACR REG(0xE000ED88u)
#define SCB_SHPR3 REG(0xE000ED20u)
#define NVIC_ISER(n) REG(0xE000E100u + 4u * (n))
#define NVIC_ICER(n) REG(0xE000E180u + 4u * (n))
#define NVIC_ICPR(n) REG(0xE000E280u + 4u * (n))

enum { SYST_ENABLE = 1, SYST_TICKINT = 2, SYST_CPU_CLOCK = 4, SYST_COUNTFLAG = 1 << 16 };

typedef void (*cr_handler)(void);

/* From the linker's script and startup.c. */
extern uint32_t cr_stack_top;
void cr_reset(void);
void cr_fault(void);

static inline void nvic_enable(uint32_t number) {
    NVIC_ISER(number / 32u) = (uint32_t)1 << (number % 32u);
}

static inline void nvic_disable(uint32_t number) {
    NVIC_ICER(number / 32u) = (uint32_t)1 << (number % 32u);
    NVIC_ICPR(number / 32u) = (uint32_t)1 << (number % 32u);
}

/* The tick has the lowest urgency: a byte from the line may come in between. */
static inline void systick_every(uint32_t cpu_cycles) {
    SCB_SHPR3 |= 0xFF000000u;
    SYST_CSR = 0;
    SYST_RVR = cpu_cycles - 1u;
    SYST_CVR = 0;
    SYST_CSR = SYST_CPU_CLOCK | SYST_TICKINT | SYST_ENABLE;
}

static inline void cpu_sleep(void) { __asm volatile("wfi" ::: "memory"); }

/* Until an interrupt is pending; with all of them locked out none is served. */
static inline void cpu_sleep_deeply(void) {
    SCB_SCR |= 4u; /* SLEEPDEEP */
    __asm volatile("dsb" ::: "memory");
    cpu_sleep();
    SCB_SCR &= ~(uint32_t)4;
}

static inline void cpu_reset(void) {
    __asm volatile("dsb" ::: "memory");
    SCB_AIRCR = 0x05FA0004u;
    for (;;) {
    }
}

#endif
