#include "clock.h"

/* A crystal starts within some milliseconds; this many looks take 50 ms and more at 8 MHz. */
#define MOST_LOOKS 50000u

bool clock_wait(const reg *where, uint32_t bits, uint32_t value)
{
    for (uint32_t look = 0; look < MOST_LOOKS; look++)
        if ((*where & bits) == value)
            return true;
    return false;
}

/* The phase-locked loop makes 16 MHz of 8 MHz from the crystal (times 2) or of 4 MHz from the chip's own oscillator
 * (half of it, times 4), which is a few per cent off: the line may then be garbled at high rates, but says so. The
 * chip's own oscillator stays on: writing to the flash needs it. */
void clock_begin(void)
{
    RCC->CR |= HSEON;
    bool crystal = clock_wait(&RCC->CR, HSERDY, HSERDY);
    RCC->CFGR = crystal ? PLLSRC_HSE | PLLMUL_2 : PLLMUL_4;
    RCC->CR |= PLLON;
    if (clock_wait(&RCC->CR, PLLRDY, PLLRDY)) {
        RCC->CFGR |= SW_PLL;
        (void)clock_wait(&RCC->CFGR, SWS, SWS_PLL);
    }
    RCC->APB2ENR = IOPAEN | IOPBEN | ADC1EN | USART1EN;
    RCC->APB1ENR = TIM2EN | TIM3EN | TIM4EN;
}
