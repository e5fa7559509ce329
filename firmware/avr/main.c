#include <avr/interrupt.h>
#include <avr/io.h>
#include <avr/sleep.h>

#include "front.h"
#include "logger.h"
#include "port.h"
#include "receive.h"
#include "tick.h"
#include "usart.h"
#include "work.h"

uint8_t port_lock(void)
{
    uint8_t before = SREG;
    cli();
    return before;
}

void port_unlock(uint8_t before)
{
    SREG = before;
}

/* An interrupt between the question and the sleep must not be slept through: `sei` lets none in before the
 * instruction after it. (The simulator needs one instruction more before it lets the interrupt in.) */
static void sleep_until_work(void)
{
    cli();
    while ((GPIOR0 & (1u << WORK_EVENT)) == 0) {
        sei();
        sleep_cpu();
        __asm__ volatile("nop");
        cli();
    }
    GPIOR0 &= (uint8_t)~(1u << WORK_EVENT);
    sei();
}

int main(void)
{
    front_begin();
    receive_reset();
    settings_load(&logger.settings);
    usart_begin(logger.settings.baud_code);
    SMCR = 1u << SE; /* idle: timers, converter and serial line go on */
    tick_begin();
    sei();
    logger_begin(tick_reset_cause());
    for (;;) {
        tick_poll();
        if (!logger_poll(tick_now_ms()))
            sleep_until_work();
    }
}
