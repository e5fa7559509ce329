/* Part of the simulated board, which is linked with libsimavr and used in tests only.
 * SPDX-License-Identifier: GPL-3.0-or-later */

/* The EEPROM: 3.4 ms a write, and it outlives the program in a file. */
#ifndef MEMORY_H
#define MEMORY_H

#include "chip.h"

/* `path` NULL: a blank chip that is forgotten. A file that does not exist is made, blank.
 * `power_lost` is called when the power goes (memory_cut_power); NULL for nothing. */
void memory_begin(avr_t *avr, const char *path, void (*power_lost)(void));

/* The power goes and comes back: at once, or amid the n-th cell written from now. A cell that is being written then
 * holds `half_written`. */
void memory_cut_power(avr_t *avr, uint8_t half_written, uint32_t writes);

/* Bytes written since the program began. */
uint32_t memory_writes(void);

#endif
