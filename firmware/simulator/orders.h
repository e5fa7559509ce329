/* Part of the simulated board, which is linked with libsimavr and used in tests only.
 * SPDX-License-Identifier: GPL-3.0-or-later */

/* What is done to the board while it runs, one order a line:
 *
 *   send HEX             bytes for the serial line
 *   circuit WORDS        see leads.h
 *   strap LEAD RANGE     range strap of lead 1 or 2: 1 to ground, 0 open
 *   reset                pull the reset pin
 *   power                supply off and on
 *   cut HEX [N]          the same amid the N-th EEPROM cell written from now (0: at once), which then holds HEX;
 *                        the supply comes by the same plug as the pty, which is unplugged with it
 *   brownout SECONDS     supply below the brown-out level for so long
 *   poke ADDRESS VALUE   write a register behind the firmware's back, both in hex
 *   deaf CYCLES          no interrupt is served for so long
 *   measure              CPU load and latency count from here on
 *   unplug, plug         the pty goes away, and comes back under the same link
 *   end                  stop
 *
 * In a script each line begins with the simulated time in seconds. Lines with # are comments. */
#ifndef ORDERS_H
#define ORDERS_H

#include "chip.h"

/* What `unplug`, `plug` and `end` do; NULL where they make no sense. */
struct order_targets {
    void (*unplug)(void);
    void (*plug)(void);
    void (*end)(void);
};

void orders_begin(avr_t *avr, const struct order_targets *targets);

/* Carry one out now. False with a message when it is no order. */
bool order_carry_out(const char *order);

/* Read a whole script; each line is carried out at its time. False with a message when it cannot be used. */
bool orders_schedule(const char *path);

#endif
