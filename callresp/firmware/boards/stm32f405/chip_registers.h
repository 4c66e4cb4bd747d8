/* Registers of the STM32F405 that this layer uses; names and offsets as in RM0090. */
#ifndef CR_STM32F405_H
#define CR_STM32F405_H

#include "cortex.h"

#define RCC_CR REG(0x40023800u)
#define RCC_PLLCFGR REG(0x40023804u)
#define RCC_CFGR REG(0x40023808u)
#define RCC_AHB1ENR REG(0x40023830u)
#define RCC_APB1ENR REG(0x40023840u)
#define RCC_APB2ENR REG(0x40023844u)
#define RCC_BDCR REG(0x40023870u)
#define RCC_CSR REG(0x40023874u)
enum { RCC_RMVF = 1 << 24, RCC_IWDGRSTF = 1 << 29 };
#define FLASH_ACR REG(0x40023C00u)
#define PWR_CR REG(0x40007000u)
#define PWR_CSR REG(0x40007004u)
#define RTC_CR REG(0x40002808u)
#define RTC_ISR REG(0x4000280Cu)
#define RTC_WUTR REG(0x40002814u)
#define RTC_WPR REG(0x40002824u)
#define RTC_BKP0R REG(0x40002850u)
#define IWDG_KR REG(0x40003000u)
#define IWDG_PR REG(0x40003004u)
#define IWDG_RLR REG(0x40003008u)
#define EXTI_IMR REG(0x40013C00u)
#define EXTI_RTSR REG(0x40013C08u)
#define EXTI_FTSR REG(0x40013C0Cu)
#define EXTI_PR REG(0x40013C14u)
#define SYSCFG_EXTICR(n) REG(0x40013808u + 4u * (n))
#define DEMCR REG(0xE000EDFCu)
#define DWT_CTRL REG(0xE0001000u)
#define DWT_CYCCNT REG(0xE0001004u)

#define ADC1_SR REG(0x40012000u)
#define ADC1_CR2 REG(0x40012008u)
#define ADC1_SMPR1 REG(0x4001200Cu)
#define ADC1_SMPR2 REG(0x40012010u)
#define ADC1_SQR1 REG(0x4001202Cu)
#define ADC1_SQR3 REG(0x40012034u)
#define ADC1_DR REG(0x4001204Cu)
#define ADC_CCR REG(0x40012304u)

typedef struct {
    volatile uint32_t MODER, OTYPER, OSPEEDR, PUPDR, IDR, ODR, BSRR, LCKR, AFR[2];
} gpio_port;
#define GPIO(port) ((gpio_port *)(uintptr_t)(0x40020000u + 0x400u * (uint32_t)(port)))

typedef struct {
    volatile uint32_t SR, DR, BRR, CR1, CR2, CR3;
} usart_unit;

typedef struct {
    volatile uint32_t CR1, CR2, SMCR, DIER, SR, EGR, CCMR[2], CCER, CNT, PSC, ARR, RCR, CCR[4], BDTR;
} timer_unit;

enum { USART_RXNE = 1 << 5, USART_TC = 1 << 6, USART_TXE = 1 << 7 };
enum { USART_RE = 1 << 2, USART_TE = 1 << 3, USART_RXNEIE = 1 << 5, USART_TXEIE = 1 << 7, USART_UE = 1 << 13 };
enum { RTC_WUTWF = 1 << 2, RTC_INIT = 1 << 7, RTC_WUTF = 1 << 10, RTC_WUTE = 1 << 10, RTC_WUTIE = 1 << 14 };
enum { TIM_CEN = 1, TIM_UG = 1, TIM_MOE = 1 << 15 };

#endif
