/* Flags in a general purpose register, where setting one is a single instruction: no lost update, and an
 * interrupt that does nothing else needs to save nothing. */
#ifndef WORK_H
#define WORK_H

#include <avr/io.h>

#define WORK_EVENT 0 /* something for the main loop: do not sleep */
#define WORK_TICK 1  /* TICK_MS have passed */
#define WORK_SENDING 2 /* the transmit interrupt is at work: see usart.c */

static inline void work_announce(void)
{
    GPIOR0 |= 1u << WORK_EVENT;
}

#endif
