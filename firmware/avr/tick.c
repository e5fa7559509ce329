#include "tick.h"

#include <avr/interrupt.h>
#include <avr/wdt.h>

#include "work.h"

#define TICK_PRESCALER 1024u
#define RESET_FLAGS 0x0Fu

static uint32_t now_ms;
static uint8_t reset_flags __attribute__((section(".noinit")));

/* After a watchdog reset the watchdog goes on with its shortest time: stop it before anything else. Runs
 * before the stack frame of main and before variables are cleared. */
static void remember_reset(void) __attribute__((naked, used, section(".init3")));
static void remember_reset(void)
{
    reset_flags = MCUSR;
    MCUSR = 0;
    wdt_disable();
}

/* Only a flag, so that the converter's interrupt hardly ever waits for this one. */
ISR(TIMER2_COMPA_vect, ISR_NAKED)
{
    __asm__ volatile("sbi %0, %1\n\tsbi %0, %2\n\treti" ::"I"(_SFR_IO_ADDR(GPIOR0)), "I"(WORK_EVENT),
                     "I"(WORK_TICK));
}

void tick_begin(void)
{
    OCR2A = (uint8_t)(F_CPU / 1000u * TICK_MS / TICK_PRESCALER - 1u);
    TCCR2A = 1u << WGM21;
    TCCR2B = (1u << CS22) | (1u << CS21) | (1u << CS20);
    TIMSK2 = 1u << OCIE2A;
    wdt_enable(WDTO_1S);
}

void tick_poll(void)
{
    if ((GPIOR0 & (1u << WORK_TICK)) == 0)
        return;
    GPIOR0 &= (uint8_t)~(1u << WORK_TICK);
    now_ms += TICK_MS;
    wdt_reset();
}

uint32_t tick_now_ms(void)
{
    return now_ms;
}

uint8_t tick_reset_cause(void)
{
    return reset_flags & RESET_FLAGS;
}
