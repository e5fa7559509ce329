#include "tick.h"

#include "clock.h"
#include "interrupts.h"
#include "registers.h"
#include "work.h"

#define WAKE_MS 8u
#define LOWEST_PRIORITY 0xF0u

/* The watchdog has an oscillator of its own, 30 to 60 kHz: 0.7 to 1.3 s. The longest that is ever done without a look
 * at the clock, waiting three times for a converter that is dead, takes under 0.4 s. */
#define WATCHDOG_START 0xCCCCu
#define WATCHDOG_UNLOCK 0x5555u
#define WATCHDOG_PAT 0xAAAAu
#define WATCHDOG_BY_32 3u
#define WATCHDOG_RELOAD 1250u

enum reset_cause { POWER_ON = 1, RESET_PIN = 2, WATCHDOG = 8 };

static uint32_t now_ms;
static uint16_t seen_ms;

/* The chip has no flag for its brown-out detector beside that of power on, and pulls its own reset pin at every
 * reset: so the first of these that is set. */
uint8_t tick_take_reset_cause(void)
{
    uint32_t flags = RCC->CSR;
    RCC->CSR = flags | RMVF;
    if ((flags & (IWDGRSTF | WWDGRSTF)) != 0)
        return WATCHDOG;
    if ((flags & PORRSTF) != 0)
        return POWER_ON;
    return (flags & PINRSTF) != 0 ? RESET_PIN : 0;
}

/* Timer 2 counts milliseconds by itself: writing to the flash stops the processor for longer than a tick, and
 * interrupts would be lost then. */
static void begin_counting(void)
{
    TIM2->PSC = CLOCK_HZ / 1000u - 1u;
    TIM2->ARR = UINT16_MAX;
    TIM2->EGR = UG; /* takes over the prescaler */
    TIM2->CR1 = CEN;
    seen_ms = (uint16_t)TIM2->CNT;
}

void tick_begin(void)
{
    IWDG->KR = WATCHDOG_START;
    IWDG->KR = WATCHDOG_UNLOCK;
    IWDG->PR = WATCHDOG_BY_32;
    IWDG->RLR = WATCHDOG_RELOAD;
    begin_counting();
    SYSTICK_PRIORITY = LOWEST_PRIORITY;
    SYSTICK->LOAD = CLOCK_HZ / 1000u * WAKE_MS - 1u;
    SYSTICK->VAL = 0;
    SYSTICK->CTRL = SYSTICK_ON | SYSTICK_INTERRUPTS | SYSTICK_CORE_CLOCK;
}

void systick_interrupt(void)
{
    work_announce();
}

void tick_poll(void)
{
    uint16_t counter = (uint16_t)TIM2->CNT;
    uint16_t passed = (uint16_t)(counter - seen_ms);
    if (passed == 0)
        return;
    seen_ms = counter;
    now_ms += passed;
    IWDG->KR = WATCHDOG_PAT;
}

uint32_t tick_now_ms(void)
{
    return now_ms;
}
