#include "clock.h"
#include "front.h"
#include "journal.h"
#include "logger.h"
#include "port.h"
#include "receive.h"
#include "tick.h"
#include "usart.h"
#include "work.h"

volatile bool work_waits;

uint8_t port_lock(void)
{
    uint32_t before;
    __asm__ volatile("mrs %0, primask\n\tcpsid i" : "=r"(before)::"memory");
    return (uint8_t)before;
}

void port_unlock(uint8_t before)
{
    __asm__ volatile("msr primask, %0" ::"r"((uint32_t)before) : "memory");
}

/* An interrupt between the question and the sleep must not be slept through: one that waits ends the sleep even while
 * all are off, and is carried out when they are on again. */
static void sleep_until_work(void)
{
    uint8_t before = port_lock();
    while (!work_waits) {
        __asm__ volatile("wfi" ::: "memory");
        port_unlock(before);
        __asm__ volatile("isb" ::: "memory");
        (void)port_lock();
    }
    work_waits = false;
    port_unlock(before);
}

int main(void)
{
    uint8_t cause = tick_take_reset_cause();
    clock_begin();
    tick_begin();
    front_begin();
    receive_reset();
    journal_open();
    settings_load(&logger.settings);
    usart_begin(logger.settings.baud_code);
    logger_begin(cause);
    for (;;) {
        tick_poll();
        if (!logger_poll(tick_now_ms()))
            sleep_until_work();
    }
}
