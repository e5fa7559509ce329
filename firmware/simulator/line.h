/* Part of the simulated board, which is linked with libsimavr and used in tests only.
 * SPDX-License-Identifier: GPL-3.0-or-later */

/* The serial line, USART0: ten bits a byte, a transmit buffer of one byte behind the shift register, a receive
 * buffer of two before it. */
#ifndef LINE_H
#define LINE_H

#include <stddef.h>

#include "chip.h"

/* Called when a byte has left the chip. */
typedef void (*line_output_t)(avr_t *avr, uint8_t byte);

void line_begin(avr_t *avr, line_output_t output);

/* Queue bytes for the chip; they arrive one after the other at the line's speed, also when the chip's receiver is
 * off. Returns how many fitted. */
size_t line_send(avr_t *avr, const uint8_t *bytes, size_t count);

/* Bytes that can be queued now. */
size_t line_room(void);

/* Bits a second, as the chip is set now. */
double line_baud(const avr_t *avr);

uint32_t line_overruns(void);
uint64_t line_bytes_sent(void);

#endif
