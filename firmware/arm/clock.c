#include "clock.h"

/* A crystal starts within some milliseconds, erasing a page of flash takes 40 (data sheet, from memory); this many
 * looks, of 4 to 10 cycles, take 50 to 125 ms at 16 MHz, and twice that before the clock is set. A converter that is
 * dead is waited for three times, which is still less than the watchdog's time. */
#define MOST_LOOKS 200000u

bool clock_wait(const reg *where, uint32_t bits, uint32_t value)
{
    for (uint32_t look = 0; look < MOST_LOOKS; look++)
        if ((*where & bits) == value)
            return true;
    return false;
}

/* The phase-locked loop makes 16 MHz of 8 MHz from the crystal (times 2) or of 4 MHz from the chip's own oscillator
 * (half of it, times 4), which is 1 % off, more when hot: the line may then be garbled. 16 MHz is the least that the
 * loop is made for (data sheet, from memory), so with a slow oscillator it runs that much below. The chip's own
 * oscillator stays on: writing to the flash needs it. */
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
