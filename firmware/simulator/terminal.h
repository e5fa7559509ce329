/* Part of the simulated board, which is linked with libsimavr and used in tests only.
 * SPDX-License-Identifier: GPL-3.0-or-later */

/* The serial line as a pseudo-terminal, where a program finds it like a USB adapter's port.
 *
 * Like a USB adapter it goes on when nobody reads: what does not fit is lost and counted, in real time; when the
 * simulation may run as fast as it can, it waits instead. */
#ifndef TERMINAL_H
#define TERMINAL_H

#include "chip.h"

struct terminal_options {
    const char *link;   /* a symbolic link to the pty's name is kept here */
    bool fast;          /* no real time */
    bool mind_baud;     /* a wrong line speed on the other side garbles every byte */
    bool reset_on_open; /* opening the port pulls the reset pin, as the usual boards do */
    double boot_loader_s; /* after a pulled reset pin a boot loader listens this long: bytes to the chip vanish */
};

/* Exits with a message when there is no pty. */
void terminal_begin(avr_t *avr, const struct terminal_options *options);

/* For the serial line: a byte from the chip. */
void terminal_put(avr_t *avr, uint8_t byte);

/* Call often (every millisecond of simulated time): keeps time, moves bytes, watches for openings. */
void terminal_poll(avr_t *avr);

void terminal_unplug(void);
void terminal_plug(void);

uint64_t terminal_lost(void);      /* bytes nobody read in time */
double terminal_latest_s(void);    /* how far real time was ever ahead of the simulation */

#endif
