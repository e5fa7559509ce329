/* Part of the simulated board, which is linked with libsimavr and used in tests only.
 * SPDX-License-Identifier: GPL-3.0-or-later */

/* The front end: leads to converter pins, bias pins to leads, range straps to port pins. Ideal: -8 V to +40 V onto
 * 0 V to 5 V but for its faults, no filter; optional noise, the same for the same seed. */
#ifndef FRONT_H
#define FRONT_H

#include "chip.h"

/* What is wrong with it: each lead's gain (1) and shift (0 V), and a bend of both, a sine over the span. */
struct front_faults {
    double gain[2];
    double offset_v[2];
    double bend_codes;
};

/* `noise_codes`: standard deviation in converter codes. */
void front_begin(avr_t *avr, double noise_codes, uint64_t seed, const struct front_faults *faults);

/* The recording's time 0 is the start of the latest run, instead of power on. */
void front_time_from_run(void);

/* Input for the converter: see converter.h. */
double front_pin_volts(avr_t *avr, uint8_t channel);

/* Tie a lead's range strap to ground (1) or leave it open (0); takes effect at once. */
void front_strap(avr_t *avr, uint8_t lead, uint8_t range);

#endif
