/* Part of the simulated board, which is linked with libsimavr and used in tests only.
 * SPDX-License-Identifier: GPL-3.0-or-later */

/* The EEPROM: 3.4 ms a write, and it outlives the program in a file. */
#ifndef MEMORY_H
#define MEMORY_H

#include "chip.h"

/* `path` NULL: a blank chip that is forgotten. A file that does not exist is made, blank. */
void memory_begin(avr_t *avr, const char *path);

/* Bytes written since the program began. */
uint32_t memory_writes(void);

#endif
