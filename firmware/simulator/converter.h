/* Part of the simulated board, which is linked with libsimavr and used in tests only.
 * SPDX-License-Identifier: GPL-3.0-or-later */

/* The analog to digital converter, as in the ATmega328P's data sheet ("Analog-to-Digital Converter"):
 *   - a conversion takes 13 converter clocks, 13.5 when a timer triggered it, 25 the first time;
 *   - the input is held 1.5, 2 and 13.5 clocks after the start;
 *   - channel and reference are those of the start;
 *   - result = input * 1024 / reference, cut to 0 ... 1023;
 *   - a trigger is the rising edge of its flag: while the flag stays set there is none. */
#ifndef CONVERTER_H
#define CONVERTER_H

#include "chip.h"

/* Volts at analog pin 0 to 7 at the instant of avr->cycle. */
typedef double (*converter_input_t)(avr_t *avr, uint8_t channel);

void converter_begin(avr_t *avr, converter_input_t input, double supply_v, double bandgap_v);

/* When the first triggered conversion of the last run was started, and how many runs there were. */
uint64_t converter_run_began(void);
uint32_t converter_runs(void);

/* Matches that found the flag still set, or the converter still busy: conversions that never were. */
uint32_t converter_missed(void);

#endif
