/* The second line of qemu's STM32F405: USART2; and timer 2, which counts nanoseconds there. */
#include "chip_registers.h"
#include "emulated.h"

#define USART2 ((usart_unit *)(uintptr_t)0x40004400u)
#define TIM2 ((timer_unit *)(uintptr_t)0x40000000u)

void emulated_port_start(void) {
    USART2->CR1 = USART_UE | USART_TE | USART_RE;
    TIM2->PSC = 0;
    TIM2->ARR = 0xFFFFFFFFu;
    TIM2->EGR = TIM_UG;
    TIM2->CR1 = TIM_CEN;
}

int emulated_port_read(void) { return USART2->SR & USART_RXNE ? (int)(USART2->DR & 0xFFu) : -1; }

void emulated_port_write(uint8_t byte) { USART2->DR = byte; }

uint32_t emulated_fine(void) { return TIM2->CNT; }
