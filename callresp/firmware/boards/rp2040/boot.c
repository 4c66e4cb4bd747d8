/* The 256 bytes that the RP2040's ROM loads from the flash and starts (data sheet, 2.8.1).
 *
 * The program is copied into RAM and runs there: the flash is read by the plain serial command
 * 03h alone, which every flash knows, and how fast it is matters to nobody. uf2.py puts the
 * checksum of these bytes behind them. Nothing here may call what lies elsewhere: it runs at
 * another place than it was linked for.
 */
#include "chip_registers.h"

extern const uint32_t cr_image_from;
extern uint32_t cr_image_start, cr_image_end;

__attribute__((section(".boot"), used, noreturn)) void cr_boot(void);

void cr_boot(void) {
    SSI_SSIENR = 0;
    SSI_BAUDR = 4;
    SSI_CTRLR0 = 31u << 16 | 3u << 8; /* 32 bits at once; a read after a command */
    SSI_CTRLR1 = 0;
    SSI_SPI_CTRLR0 = 0x03u << 24 | 2u << 8 | 6u << 2; /* command 03h, 24 bits of address */
    SSI_SSIENR = 1;
    const volatile uint32_t *from = &cr_image_from;
    for (volatile uint32_t *to = &cr_image_start; to < &cr_image_end;) {
        *to++ = *from++;
    }
    SCB_VTOR = (uint32_t)(uintptr_t)&cr_image_start;
    __asm volatile("ldr r1, [%0]\n"
                   "msr msp, r1\n"
                   "ldr r1, [%0, #4]\n"
                   "bx r1\n"
                   :
                   : "l"(&cr_image_start)
                   : "r1", "memory");
    __builtin_unreachable();
}
