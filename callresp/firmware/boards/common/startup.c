/* From reset to main, and what happens when the program goes astray. */
#include "chip.h"
#include "cortex.h"

extern uint32_t cr_data_from, cr_data_start, cr_data_end, cr_bss_start, cr_bss_end;

void cr_reset(void) {
    uint32_t *from = &cr_data_from;
    for (uint32_t *to = &cr_data_start; to < &cr_data_end;) {
        *to++ = *from++;
    }
    for (uint32_t *to = &cr_bss_start; to < &cr_bss_end;) {
        *to++ = 0;
    }
    main();
    cpu_reset();
}

/* A fault of the program: start anew, all outputs low; the host is told by the count of starts. */
void cr_fault(void) { cpu_reset(); }
