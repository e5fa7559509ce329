/* Time since boot, and the watchdog. */
#ifndef TICK_H
#define TICK_H

#include <stdint.h>

/* The chip's reset flags, which are cleared, as ../README.md has them (hello). Call once, first of all. */
uint8_t tick_take_reset_cause(void);

/* Watchdog armed with a second or so, ticks that end a sleep. */
void tick_begin(void);

/* Look at the clock and pat the watchdog. Nothing pats it but the passing of time, so a stopped clock ends in a reset
 * as well. */
void tick_poll(void);

/* Milliseconds since boot, modulo 2^32. */
uint32_t tick_now_ms(void);

#endif
