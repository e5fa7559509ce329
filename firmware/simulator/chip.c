/* Part of the simulated board, which is linked with libsimavr and used in tests only.
 * SPDX-License-Identifier: GPL-3.0-or-later */

/* simavr 1.6 as it comes differs from the chip in ways that matter here; probe.c checks that it still does.
 *   - the converter is never triggered by a timer, samples when the result is read, and scales by 1023:
 *     replaced by converter.c;
 *   - the serial line takes 11 bits a byte and receives into 64 bytes: replaced by line.c;
 *   - an EEPROM write takes no time and is forgotten at the end: replaced by memory.c;
 *   - an interrupt is entered in no time: four cycles are added here;
 *   - any write to TIFR1 clears all its flags: harmless while the firmware uses only OCF1B of timer 1;
 *   - a reset drops all cycle timers: every model starts anew in its reset function;
 *   - it has no brown-out detector: a test orders its reset;
 *   - it polls INT0 and INT1 (bias pins here) in every cycle while they are low: turned off;
 *   - it sleeps in real time while the chip sleeps: it does not here.
 */
#include "chip.h"

#include <simavr/avr_adc.h>
#include <simavr/avr_extint.h>
#include <simavr/avr_uart.h>
#include <simavr/sim_elf.h>
#include <simavr/sim_io.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#include "measure.h"
#include "registers.h"

#define INTERRUPT_ENTRY_CYCLES 4u
#define MOST_RESETS 8u

static struct {
    avr_io_t io;
    void (*reset[MOST_RESETS])(avr_t *avr);
    uint8_t resets;
} models;

/* Carried out between two instructions: simavr goes on after a reset inside of one as if nothing was. */
static uint8_t wanted_reset;
static avr_cycle_count_t held_cycles;

/* A reset turns simavr's polling of INT0 and INT1 on again. */
static bool just_reset = true;

static void reset_models(avr_io_t *io)
{
    just_reset = true;
    for (uint8_t i = 0; i < models.resets; i++)
        models.reset[i](io->avr);
}

void chip_on_reset(avr_t *avr, void (*reset)(avr_t *avr))
{
    if (models.resets == MOST_RESETS)
        abort();
    models.reset[models.resets++] = reset;
    reset(avr);
}

void chip_replace_write(avr_t *avr, uint16_t reg, avr_io_write_t write)
{
    avr->io[AVR_DATA_TO_IO(reg)].w.c = write;
}

void chip_replace_read(avr_t *avr, uint16_t reg, avr_io_read_t read)
{
    avr->io[AVR_DATA_TO_IO(reg)].r.c = read;
}

void *chip_peripheral(avr_t *avr, const char *kind, char name)
{
    for (avr_io_t *io = avr->io_port; io != NULL; io = io->next)
        if (strcmp(io->kind, kind) == 0 && (name == 0 || ((avr_uart_t *)io)->name == name))
            return io;
    fprintf(stderr, "board: this simavr has no %s\n", kind);
    exit(1);
}

static void on_interrupt(struct avr_irq_t *irq, uint32_t entered, void *param)
{
    avr_t *avr = param;
    uint8_t vector = (uint8_t)(irq->irq / 256u); /* as avr_register_vector numbers them */
    if (entered)
        avr->cycle += INTERRUPT_ENTRY_CYCLES;
    measure_interrupt(avr, vector, entered != 0);
}

static void watch_interrupts(avr_t *avr)
{
    for (uint8_t vector = 1; vector <= LAST_VECTOR; vector++) {
        avr_irq_t *irq = avr_get_interrupt_irq(avr, vector);
        if (irq != NULL)
            avr_irq_register_notify(irq + AVR_INT_IRQ_RUNNING, on_interrupt, avr);
    }
}

static void do_not_wait(avr_t *avr, avr_cycle_count_t cycles)
{
    (void)avr;
    (void)cycles;
}

static void log_errors(avr_t *avr, const int level, const char *format, va_list arguments)
{
    (void)avr;
    if (level <= LOG_ERROR)
        vfprintf(stderr, format, arguments);
}

avr_t *chip_begin(const char *elf)
{
    static elf_firmware_t firmware;
    avr_global_logger_set(log_errors);
    if (elf_read_firmware(elf, &firmware) != 0) {
        fprintf(stderr, "board: %s is no firmware\n", elf);
        exit(1);
    }
    avr_t *avr = avr_make_mcu_by_name("atmega328p");
    if (avr == NULL || avr_init(avr) != 0) {
        fprintf(stderr, "board: this simavr has no atmega328p\n");
        exit(1);
    }
    avr_load_firmware(avr, &firmware);
    avr->frequency = CLOCK_HZ;
    avr->sleep = do_not_wait;
    models.io.kind = "board";
    models.io.reset = reset_models;
    avr_register_io(avr, &models.io);
    watch_interrupts(avr);
    return avr;
}

void chip_reset(uint8_t cause)
{
    wanted_reset = cause;
}

void chip_brown_out(avr_cycle_count_t cycles)
{
    wanted_reset = CAUSE_BROWN_OUT;
    held_cycles = cycles;
}

static avr_cycle_count_t deaf_until;

void chip_deafen(avr_t *avr, uint32_t cycles)
{
    deaf_until = avr->cycle + cycles;
}

static void after_reset(avr_t *avr)
{
    avr_extint_set_strict_lvl_trig(avr, 0, 0);
    avr_extint_set_strict_lvl_trig(avr, 1, 0);
    just_reset = false;
}

bool chip_run(avr_t *avr)
{
    if (just_reset)
        after_reset(avr);
    if (avr->cycle < deaf_until)
        avr->interrupt_state = -2; /* "wait two instructions before you look", again and again */
    avr_cycle_count_t before = avr->cycle;
    int state = avr_run(avr);
    measure_step(avr, avr->cycle - before);
    if (wanted_reset != 0) {
        avr->cycle += held_cycles;
        held_cycles = 0;
        avr_reset(avr);
        avr->data[MCUSR] = wanted_reset;
        wanted_reset = 0;
    }
    return state != cpu_Done && state != cpu_Crashed;
}
