/* The clock of everything: 16 MHz, from the crystal or, where that does not start, from the chip's own oscillator. */
#ifndef CLOCK_H
#define CLOCK_H

#include <stdbool.h>

#include "registers.h"

#define CLOCK_HZ 16000000u

void clock_begin(void);

/* Wait until a register's bits are `value`; false when they are not in time. Nothing in the chip may hang the logger. */
bool clock_wait(const reg *where, uint32_t bits, uint32_t value);

#endif
