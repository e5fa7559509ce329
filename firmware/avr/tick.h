/* Time since boot, and the watchdog. */
#ifndef TICK_H
#define TICK_H

#include <stdint.h>

#define TICK_MS 8u

/* Timer 2 ticks, watchdog armed with one second. */
void tick_begin(void);

/* Count a tick that has passed and pat the watchdog. Call at least once per TICK_MS. Nothing pats it but the
 * passing of time, so a stopped clock ends in a reset as well. */
void tick_poll(void);

/* Milliseconds since boot, modulo 2^32. */
uint32_t tick_now_ms(void);

/* The chip's reset flags as they were at boot: see ../README.md, hello. */
uint8_t tick_reset_cause(void);

#endif
