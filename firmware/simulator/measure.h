/* Part of the simulated board, which is linked with libsimavr and used in tests only.
 * SPDX-License-Identifier: GPL-3.0-or-later */

/* What a scope and a profiler would show: times, load, stack. */
#ifndef MEASURE_H
#define MEASURE_H

#include <stdio.h>

#include "chip.h"

/* After each step of the simulation: one instruction, with the entry of an interrupt or a sleep behind it. */
void measure_step(const avr_t *avr, uint64_t cycles);
void measure_interrupt(const avr_t *avr, uint8_t vector, bool entered);
void measure_conversion_done(const avr_t *avr);
void measure_trigger_cleared(const avr_t *avr);

/* Load counts from here on: the boot is over. */
void measure_from_now(const avr_t *avr);

/* Members of a JSON object, each line ending in a comma. */
void measure_write(FILE *file, const avr_t *avr);

#endif
