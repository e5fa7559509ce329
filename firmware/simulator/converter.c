/* Part of the simulated board, which is linked with libsimavr and used in tests only.
 * SPDX-License-Identifier: GPL-3.0-or-later */

#include "converter.h"

#include <math.h>
#include <simavr/avr_adc.h>
#include <simavr/avr_timer.h>

#include "measure.h"
#include "registers.h"

#define BANDGAP_CHANNEL 14u
#define GROUND_CHANNEL 15u
#define TRIGGER_TIMER1_B 5u
#define CODES 1024.0

/* Durations in half converter clocks. */
enum { FIRST = 50, SINGLE = 26, TRIGGERED = 27, HOLD_FIRST = 27, HOLD_SINGLE = 3, HOLD_TRIGGERED = 4 };

static struct {
    avr_int_vector_t *vector;
    converter_input_t input;
    double supply_v;
    double bandgap_v;
    bool busy;
    bool first; /* since it was switched on */
    bool match_flag;
    bool triggered_before;
    uint8_t channel;
    uint16_t code;
    uint64_t run_began;
    uint32_t runs;
    uint32_t missed;
} converter;

static uint32_t half_clock(const avr_t *avr)
{
    uint32_t shift = avr->data[ADCSRA] & 7u;
    return (shift == 0 ? 2u : 1u << shift) / 2u;
}

static double pin_volts(avr_t *avr)
{
    if (converter.channel == BANDGAP_CHANNEL)
        return converter.bandgap_v;
    if (converter.channel == GROUND_CHANNEL)
        return 0;
    return converter.input(avr, converter.channel);
}

static avr_cycle_count_t hold(avr_t *avr, avr_cycle_count_t when, void *param)
{
    (void)when;
    (void)param;
    /* The ideal first transition is at half a step (data sheet, ADC Accuracy Definitions). */
    double code = floor(pin_volts(avr) * CODES / converter.supply_v + 0.5);
    converter.code = (uint16_t)fmin(fmax(code, 0), CODES - 1);
    return 0;
}

static avr_cycle_count_t complete(avr_t *avr, avr_cycle_count_t when, void *param)
{
    (void)when;
    (void)param;
    converter.busy = false;
    avr->data[ADCSRA] &= (uint8_t)~ADCSRA_ADSC;
    avr->data[ADCL] = (uint8_t)converter.code;
    avr->data[ADCH] = (uint8_t)(converter.code >> 8);
    measure_conversion_done(avr);
    avr_raise_interrupt(avr, converter.vector);
    return 0;
}

static void start(avr_t *avr, uint32_t hold_after, uint32_t done_after)
{
    uint32_t unit = half_clock(avr);
    converter.busy = true;
    converter.first = false;
    converter.channel = avr->data[ADMUX] & 0x0Fu;
    avr->data[ADCSRA] |= ADCSRA_ADSC;
    avr_cycle_timer_register(avr, hold_after * unit, hold, NULL);
    avr_cycle_timer_register(avr, done_after * unit, complete, NULL);
}

static void abandon(avr_t *avr)
{
    avr_cycle_timer_cancel(avr, hold, NULL);
    avr_cycle_timer_cancel(avr, complete, NULL);
    converter.busy = false;
    avr->data[ADCSRA] &= (uint8_t)~ADCSRA_ADSC;
}

static void write_control(avr_t *avr, avr_io_addr_t reg, uint8_t value, void *param)
{
    (void)param;
    uint8_t before = avr->data[reg];
    uint8_t flag = before & (uint8_t)~value & ADCSRA_ADIF; /* cleared by writing a one */
    uint8_t started = before & ADCSRA_ADSC;                /* not cleared by writing a zero */
    avr->data[reg] = (value & (uint8_t) ~(ADCSRA_ADIF | ADCSRA_ADSC)) | flag | started;
    if (flag == 0)
        converter.vector->pending = 0;
    if ((value & ADCSRA_ADATE) == 0)
        converter.triggered_before = false;
    if ((value & ADCSRA_ADEN) == 0) {
        abandon(avr);
        return;
    }
    if ((before & ADCSRA_ADEN) == 0)
        converter.first = true;
    if ((value & ADCSRA_ADSC) != 0 && !converter.busy)
        start(avr, converter.first ? HOLD_FIRST : HOLD_SINGLE, converter.first ? FIRST : SINGLE);
    if (flag != 0 && (value & ADCSRA_ADIE) != 0)
        avr_raise_interrupt(avr, converter.vector);
}

static bool waits_for_timer(const avr_t *avr)
{
    uint8_t needed = ADCSRA_ADEN | ADCSRA_ADATE;
    return (avr->data[ADCSRA] & needed) == needed && (avr->data[ADCSRB] & 7u) == TRIGGER_TIMER1_B;
}

/* The flag of compare match B was set (1, at every match) or cleared (0). */
static void on_match_flag(struct avr_irq_t *irq, uint32_t set, void *param)
{
    (void)irq;
    avr_t *avr = param;
    bool rising = set && !converter.match_flag;
    converter.match_flag = set != 0;
    if (!set)
        measure_trigger_cleared(avr);
    if (!set || !waits_for_timer(avr))
        return;
    if (!rising || converter.busy) {
        converter.missed++;
        return;
    }
    if (!converter.triggered_before) {
        converter.triggered_before = true;
        converter.run_began = avr->cycle;
        converter.runs++;
    }
    start(avr, HOLD_TRIGGERED, TRIGGERED);
}

static void reset(avr_t *avr)
{
    abandon(avr);
    converter.match_flag = false;
    converter.triggered_before = false;
}

void converter_begin(avr_t *avr, converter_input_t input, double supply_v, double bandgap_v)
{
    converter.vector = &((avr_adc_t *)chip_peripheral(avr, "adc", 0))->adc;
    converter.input = input;
    converter.supply_v = supply_v;
    converter.bandgap_v = bandgap_v;
    chip_replace_write(avr, ADCSRA, write_control);
    chip_replace_write(avr, ADCSRB, NULL);
    chip_replace_read(avr, ADCL, NULL);
    chip_replace_read(avr, ADCH, NULL);
    avr_irq_t *match = avr_get_interrupt_irq(avr, VECTOR_TIMER1_COMPB);
    avr_irq_register_notify(match + AVR_INT_IRQ_PENDING, on_match_flag, avr);
    chip_on_reset(avr, reset);
}

uint64_t converter_run_began(void)
{
    return converter.run_began;
}

uint32_t converter_runs(void)
{
    return converter.runs;
}

uint32_t converter_missed(void)
{
    return converter.missed;
}
