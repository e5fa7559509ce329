/* Part of the simulated board, which is linked with libsimavr and used in tests only.
 * SPDX-License-Identifier: GPL-3.0-or-later */

/* The ATmega328P in simavr, and what the board replaces in it: see chip.c. */
#ifndef CHIP_H
#define CHIP_H

#include <simavr/sim_avr.h>
#include <stdbool.h>
#include <stdint.h>

#define CLOCK_HZ 16000000u

/* Reset causes: bits of MCUSR. */
#define CAUSE_POWER_ON 0x01u
#define CAUSE_RESET_PIN 0x02u
#define CAUSE_BROWN_OUT 0x04u

/* Load the firmware and put the models in place; exits with a message when the file is no firmware. */
avr_t *chip_begin(const char *elf);

/* As if the reset pin was pulled, or the supply came back; after the present instruction. */
void chip_reset(uint8_t cause);

/* The supply is below the brown-out level for so long: the chip is held in reset, then starts. simavr knows no
 * brown-out detector; what is emulated is what it does, not when it does it. */
void chip_brown_out(avr_cycle_count_t cycles);

/* Have `reset` called after every reset of the chip, watchdog included (simavr drops all cycle timers then), and
 * once now. */
void chip_on_reset(avr_t *avr, void (*reset)(avr_t *avr));

/* Replace what simavr does when a register is written or read; NULL: plain memory. */
void chip_replace_write(avr_t *avr, uint16_t reg, avr_io_write_t write);
void chip_replace_read(avr_t *avr, uint16_t reg, avr_io_read_t read);

/* The state of one of simavr's own peripherals, for its interrupt vectors. */
void *chip_peripheral(avr_t *avr, const char *kind, char name);

/* No interrupt is served for so many cycles, as if something held them up. */
void chip_deafen(avr_t *avr, uint32_t cycles);

/* Next instruction, or sleep up to the next event. False when the chip has stopped for good. */
bool chip_run(avr_t *avr);

static inline double chip_seconds(const avr_t *avr)
{
    return (double)avr->cycle / CLOCK_HZ;
}

#endif
