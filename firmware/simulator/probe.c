/* Part of the simulated board, which is linked with libsimavr and used in tests only.
 * SPDX-License-Identifier: GPL-3.0-or-later */

/* What simavr does differently from the chip, and chip.c mends or works around. Prints one fact a line; the tests
 * compare with what was found in simavr 1.6. When a line changes, look at what chip.c says about it. */
#include <simavr/avr_adc.h>
#include <simavr/avr_extint.h>
#include <simavr/avr_timer.h>
#include <simavr/avr_uart.h>
#include <simavr/avr_watchdog.h>
#include <simavr/sim_avr.h>
#include <simavr/sim_io.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#include "registers.h"

#define NOP 0x0000u
#define RETI 0x9518u
#define SEI 0x9478u
#define CLI 0x94F8u
#define SLEEP 0x9588u
#define MAIN_AT 0x100u

static void ignore(avr_t *avr, const int level, const char *format, va_list arguments)
{
    (void)avr;
    (void)level;
    (void)format;
    (void)arguments;
}

static void do_not_wait(avr_t *avr, avr_cycle_count_t cycles)
{
    (void)avr;
    (void)cycles;
}

static void put(avr_t *avr, uint32_t at, uint16_t word)
{
    avr->flash[at] = (uint8_t)word;
    avr->flash[at + 1] = (uint8_t)(word >> 8);
}

/* A chip whose interrupts all return at once, about to run `words` and then nops. */
static avr_t *chip_with(const uint16_t *words, size_t count)
{
    avr_t *avr = avr_make_mcu_by_name("atmega328p");
    if (avr == NULL || avr_init(avr) != 0)
        exit(1);
    avr->frequency = 16000000;
    avr->sleep = do_not_wait;
    for (uint32_t at = 0; at < 0x2000; at += 2)
        put(avr, at, at < 26u * 4u ? RETI : NOP);
    for (size_t i = 0; i < count; i++)
        put(avr, (uint32_t)(MAIN_AT + 2 * i), words[i]);
    avr->pc = MAIN_AT;
    avr->codeend = 0x2000;
    return avr;
}

static void *peripheral(avr_t *avr, const char *kind)
{
    for (avr_io_t *io = avr->io_port; io != NULL; io = io->next)
        if (strcmp(io->kind, kind) == 0)
            return io;
    exit(1);
}

static void write_register(avr_t *avr, uint16_t reg, uint8_t value)
{
    avr_io_addr_t io = AVR_DATA_TO_IO(reg);
    if (avr->io[io].w.c != NULL)
        avr->io[io].w.c(avr, reg, value, avr->io[io].w.param);
    else
        avr->data[reg] = value;
}

static void run_for(avr_t *avr, unsigned cycles)
{
    avr_cycle_count_t end = avr->cycle + cycles;
    while (avr->cycle < end)
        avr_run(avr);
}

static void probe_interrupt_entry(void)
{
    static const uint16_t program[] = {SEI};
    avr_t *avr = chip_with(program, 1);
    avr_adc_t *adc = peripheral(avr, "adc");
    run_for(avr, 10);
    avr->data[ADCSRA] = ADCSRA_ADIE;
    avr_raise_interrupt(avr, &adc->adc);
    avr_cycle_count_t before = avr->cycle;
    unsigned instructions = 0;
    while (avr->pc != VECTOR_ADC * 4u && instructions++ < 10)
        avr_run(avr);
    printf("interrupt entry takes %u cycles\n", (unsigned)(avr->cycle - before) - instructions);
}

static void probe_sleep_with_pending(void)
{
    static const uint16_t program[] = {SEI, SLEEP, CLI, NOP};
    avr_t *avr = chip_with(program, 4);
    avr_adc_t *adc = peripheral(avr, "adc");
    avr->data[ADCSRA] = ADCSRA_ADIE;
    avr_raise_interrupt(avr, &adc->adc);
    int served = 0;
    for (int i = 0; i < 10; i++) {
        avr_run(avr);
        served = served || avr->pc < MAIN_AT;
    }
    printf("sei sleep cli serves a waiting interrupt: %s\n", served ? "yes" : "no");
}

static void probe_timer_trigger(void)
{
    avr_t *avr = chip_with(NULL, 0);
    write_register(avr, ADCSRB, 5);
    write_register(avr, ADCSRA, ADCSRA_ADEN | ADCSRA_ADATE | 7);
    write_register(avr, 0x89, 0); /* OCR1A = OCR1B = 999 */
    write_register(avr, 0x88, 0);
    avr->data[0x89] = avr->data[0x8B] = 999 >> 8;
    write_register(avr, 0x88, 999 & 0xFF);
    write_register(avr, 0x8A, 999 & 0xFF);
    write_register(avr, 0x81, 0x09); /* CTC, clock / 1 */
    int started = 0;
    for (int i = 0; i < 3000; i++) {
        avr_run(avr);
        started = started || (avr->data[ADCSRA] & ADCSRA_ADSC) != 0;
    }
    printf("timer 1 triggers the converter: %s\n", started ? "yes" : "no");
    printf("timer 1 sets its match flag: %s\n", (avr->data[TIFR1] & TIFR1_OCF1B) != 0 ? "yes" : "no");
    write_register(avr, TIFR1, TIFR1_OCF1B);
    printf("writing one match flag clears the other: %s\n", (avr->data[TIFR1] & 0x02) == 0 ? "yes" : "no");
}

static void probe_line(void)
{
    avr_t *avr = chip_with(NULL, 0);
    avr_uart_t *uart = peripheral(avr, "uart");
    write_register(avr, UCSR0A, UCSR0A_U2X);
    write_register(avr, UBRR0L, 3);
    printf("a byte takes %u bits\n", (unsigned)uart->cycles_per_byte / 32u);
    printf("the receiver holds %u bytes\n", (unsigned)(sizeof uart->input.buffer / sizeof uart->input.buffer[0]));
}

static void probe_memory(void)
{
    avr_t *avr = chip_with(NULL, 0);
    avr->data[EEARL] = 1;
    avr->data[EEDR] = 0x55;
    write_register(avr, EECR, EECR_EEMPE);
    write_register(avr, EECR, EECR_EEMPE | EECR_EEPE);
    printf("an EEPROM write keeps the memory busy: %s\n", (avr->data[EECR] & EECR_EEPE) != 0 ? "yes" : "no");
}

static avr_cycle_count_t never(avr_t *avr, avr_cycle_count_t when, void *param)
{
    (void)avr;
    (void)when;
    (void)param;
    return 0;
}

static void probe_reset(void)
{
    avr_t *avr = chip_with(NULL, 0);
    avr_cycle_timer_register(avr, 1000, never, NULL);
    avr_reset(avr);
    printf("a reset keeps cycle timers: %s\n", avr_cycle_timer_status(avr, never, NULL) != 0 ? "yes" : "no");
    printf("INT0 is polled while low: %s\n", avr_extint_is_strict_lvl_trig(avr, 0) ? "yes" : "no");
}

static void probe_sleep_jump(void)
{
    static const uint16_t program[] = {SEI, SLEEP};
    avr_t *avr = chip_with(program, 2);
    avr_cycle_timer_register(avr, 5000, never, NULL);
    unsigned runs = 0;
    while (avr->cycle < 5000 && runs < 10000) {
        avr_run(avr);
        runs++;
    }
    printf("a sleeping core jumps to its next timer: %s\n", runs < 10 ? "yes" : "no");
}

int main(void)
{
    avr_global_logger_set(ignore);
    probe_interrupt_entry();
    probe_sleep_with_pending();
    probe_timer_trigger();
    probe_line();
    probe_memory();
    probe_reset();
    probe_sleep_jump();
    return 0;
}
