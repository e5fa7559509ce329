/* The registers of the STM32F103 that are used here, and their bits. Names, addresses and bits as in its reference
 * manual (RM0008); what was compared with what: README.md. What is not used is left out. */
#ifndef REGISTERS_H
#define REGISTERS_H

#include <stdint.h>

typedef volatile uint32_t reg;

struct rcc_block { reg CR, CFGR, CIR, APB2RSTR, APB1RSTR, AHBENR, APB2ENR, APB1ENR, BDCR, CSR; };
struct gpio_block { reg CRL, CRH, IDR, ODR, BSRR, BRR, LCKR; };
struct usart_block { reg SR, DR, BRR, CR1, CR2, CR3, GTPR; };
struct adc_block { reg SR, CR1, CR2, SMPR1, SMPR2, JOFR[4], HTR, LTR, SQR1, SQR2, SQR3, JSQR, JDR[4], DR; };
struct timer_block {
    reg CR1, CR2, SMCR, DIER, SR, EGR, CCMR1, CCMR2, CCER, CNT, PSC, ARR;
};
struct flash_block { reg ACR, KEYR, OPTKEYR, SR, CR, AR; };
struct watchdog_block { reg KR, PR, RLR, SR; };
struct systick_block { reg CTRL, LOAD, VAL; };

#define TIM2 ((struct timer_block *)0x40000000u)
#define TIM3 ((struct timer_block *)0x40000400u)
#define TIM4 ((struct timer_block *)0x40000800u)
#define IWDG ((struct watchdog_block *)0x40003000u)
#define GPIOA ((struct gpio_block *)0x40010800u)
#define GPIOB ((struct gpio_block *)0x40010C00u)
#define ADC1 ((struct adc_block *)0x40012400u)
#define USART1 ((struct usart_block *)0x40013800u)
#define RCC ((struct rcc_block *)0x40021000u)
#define FLASH ((struct flash_block *)0x40022000u)

#define SYSTICK ((struct systick_block *)0xE000E010u)
#define NVIC_ENABLE ((reg *)0xE000E100u)
#define NVIC_PRIORITY ((volatile uint8_t *)0xE000E400u)
#define SCB_VTOR (*(reg *)0xE000ED08u)
#define SCB_CCR (*(reg *)0xE000ED14u)
#define SYSTICK_PRIORITY (*(volatile uint8_t *)0xE000ED23u)

#define ADC1_INTERRUPT 18u
#define USART1_INTERRUPT 37u

enum rcc_cr { HSEON = 1 << 16, HSERDY = 1 << 17, PLLON = 1 << 24, PLLRDY = 1 << 25 };
enum rcc_cfgr { SW_PLL = 2 << 0, SWS = 3 << 2, SWS_PLL = 2 << 2, PLLSRC_HSE = 1 << 16, PLLMUL_2 = 0 << 18, PLLMUL_4 = 2 << 18 };
enum rcc_apb2 { IOPAEN = 1 << 2, IOPBEN = 1 << 3, ADC1EN = 1 << 9, USART1EN = 1 << 14 };
enum rcc_apb1 { TIM2EN = 1 << 0, TIM3EN = 1 << 1, TIM4EN = 1 << 2 };
enum rcc_csr { RMVF = 1 << 24, PINRSTF = 1 << 26, PORRSTF = 1 << 27, IWDGRSTF = 1 << 29, WWDGRSTF = 1 << 30 };

enum gpio_mode { ANALOG = 0x0, OUTPUT = 0x2, INPUT = 0x4, INPUT_PULLED = 0x8, USART_OUTPUT = 0x9 };

enum usart_sr { ORE = 1 << 3, RXNE = 1 << 5, TXE = 1 << 7 };
enum usart_cr1 { RE = 1 << 2, TE = 1 << 3, RXNEIE = 1 << 5, TXEIE = 1 << 7, UE = 1 << 13 };

enum adc_sr { EOC = 1 << 1 };
enum adc_cr1 { EOCIE = 1 << 5 };
enum adc_cr2 {
    ADON = 1 << 0,
    CAL = 1 << 2,
    RSTCAL = 1 << 3,
    EXTSEL_TIM3 = 4 << 17,
    EXTSEL_SWSTART = 7 << 17,
    EXTTRIG = 1 << 20,
    SWSTART = 1 << 22,
    TSVREFE = 1 << 23
};

enum timer_cr1 { CEN = 1 << 0 };
enum timer_cr2 { MMS_UPDATE = 2 << 4 };
enum timer_smcr { SMS_EXTERNAL = 7 << 0, TS_ITR2 = 2 << 4 };
enum timer_egr { UG = 1 << 0 };

enum flash_sr { BSY = 1 << 0, PGERR = 1 << 2, WRPRTERR = 1 << 4, EOP = 1 << 5 };
enum flash_cr { PG = 1 << 0, PER = 1 << 1, STRT = 1 << 6, LOCK = 1 << 7 };

enum systick_ctrl { SYSTICK_ON = 1 << 0, SYSTICK_INTERRUPTS = 1 << 1, SYSTICK_CORE_CLOCK = 1 << 2 };

#endif
