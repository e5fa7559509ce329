/* Part of the simulated board, which is linked with libsimavr and used in tests only.
 * SPDX-License-Identifier: GPL-3.0-or-later */

/* What the two leads are on: a recording, or a small circuit that answers to the bias. */
#ifndef LEADS_H
#define LEADS_H

#include <stdbool.h>
#include <stdint.h>

/* A recording: CSV with the header time_s,lead1_v,lead2_v, or (".f64") records of three little-endian binary64 in
 * the same order. Straight lines between the points, the first and last value beyond them. False with a message
 * on stderr when the file cannot be used. */
bool leads_play(const char *path);

/* A circuit: words "lead1=WHAT", "lead2=WHAT", "load=OHM" separated by spaces; what is not named stays.
 * WHAT is open, grounded, feed, 1k (1 kohm to ground) or VOLTS/OHM. `load` connects the leads; "load=open" removes
 * it. False when a word makes no sense. */
bool leads_connect(const char *words);

/* Bias of both leads, as on the wire. */
void leads_set_bias(uint8_t bias);

/* Volts of lead 0 or 1 at `time_s`; times that go on are found at once, a time that goes back is looked for anew. */
double leads_volts(uint8_t lead, double time_s);

#endif
