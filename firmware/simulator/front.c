/* Part of the simulated board, which is linked with libsimavr and used in tests only.
 * SPDX-License-Identifier: GPL-3.0-or-later */

#include "front.h"

#include <math.h>
#include <simavr/avr_ioport.h>
#include <stdio.h>

#include "converter.h"
#include "leads.h"
#include "registers.h"

static const struct {
    double lowest_v, span_v;
} ranges[] = {{-8, 48}, {-1, 6}}; /* as daq/calibration.py has them: full span, near zero */

#define PIN_SPAN_V 5.0
#define PI 3.14159265358979323846
#define CODE_V (PIN_SPAN_V / 1024)
#define BIAS_LEAD1_BIT 2
#define BIAS_LEAD2_BIT 5

static struct {
    double noise_codes;
    struct front_faults faults;
    uint64_t noise_state;
    bool time_from_run;
    uint8_t straps;
} front;

/* splitmix64: small, good enough for noise, the same everywhere. */
static uint64_t next_random(void)
{
    uint64_t z = front.noise_state += 0x9E3779B97F4A7C15u;
    z = (z ^ (z >> 30)) * 0xBF58476D1CE4E5B9u;
    z = (z ^ (z >> 27)) * 0x94D049BB133111EBu;
    return z ^ (z >> 31);
}

static double uniform(void)
{
    return ((double)(next_random() >> 11) + 0.5) / 9007199254740992.0;
}

static double gaussian(void) /* Box and Muller */
{
    double radius = sqrt(-2 * log(uniform()));
    return radius * cos(2 * PI * uniform());
}

void front_time_from_run(void)
{
    front.time_from_run = true;
}

static double lead_time(const avr_t *avr)
{
    double now = chip_seconds(avr);
    return front.time_from_run ? now - (double)converter_run_began() / CLOCK_HZ : now;
}

double front_pin_volts(avr_t *avr, uint8_t channel)
{
    if (channel > 1)
        return 0;
    const struct front_faults *faults = &front.faults;
    double lead = leads_volts(channel, lead_time(avr)) * faults->gain[channel] + faults->offset_v[channel];
    uint8_t range = front.straps >> channel & 1u;
    double volts = (lead - ranges[range].lowest_v) / ranges[range].span_v * PIN_SPAN_V;
    volts += faults->bend_codes * CODE_V * sin(2 * PI * volts / PIN_SPAN_V);
    if (front.noise_codes > 0)
        volts += gaussian() * front.noise_codes * CODE_V;
    return volts;
}

/* Three transistors a lead, whisper, up, down; two at once are a fault of the firmware. */
static uint8_t lead_bias(uint8_t pins, uint8_t first_bit)
{
    static const uint8_t bias[] = {0, 1, 2, 0xFF, 3, 0xFF, 0xFF, 0xFF};
    return bias[(pins >> first_bit) & 7u];
}

static void on_pins(struct avr_irq_t *irq, uint32_t value, void *param)
{
    (void)irq;
    avr_t *avr = param;
    uint8_t pins = (uint8_t)value & avr->data[DDRD];
    uint8_t lead1 = lead_bias(pins, BIAS_LEAD1_BIT);
    uint8_t lead2 = lead_bias(pins, BIAS_LEAD2_BIT);
    if (lead1 == 0xFF || lead2 == 0xFF) {
        fprintf(stderr, "board: two biases on one lead (port D %02x)\n", pins);
        avr->state = cpu_Crashed;
        return;
    }
    leads_set_bias((uint8_t)(lead1 | lead2 << 2));
}

static void pull_straps(avr_t *avr)
{
    avr_irq_t *port = avr_io_getirq(avr, AVR_IOCTL_IOPORT_GETIRQ('B'), 0);
    for (uint8_t lead = 0; lead < 2; lead++)
        if ((front.straps & (1u << lead)) != 0)
            avr_raise_irq(port + lead, 0);
}

/* The firmware's pull-up makes simavr raise the pin; a strap to ground wins. */
static void on_strap_pins(struct avr_irq_t *irq, uint32_t value, void *param)
{
    (void)irq;
    (void)value;
    pull_straps(param);
}

void front_strap(avr_t *avr, uint8_t lead, uint8_t range)
{
    uint8_t bit = (uint8_t)(1u << (lead - 1u));
    front.straps = range != 0 ? front.straps | bit : front.straps & (uint8_t)~bit;
    avr_irq_t *port = avr_io_getirq(avr, AVR_IOCTL_IOPORT_GETIRQ('B'), 0);
    avr_raise_irq(port + (lead - 1u), range == 0);
}

static void reset(avr_t *avr)
{
    (void)avr;
    leads_set_bias(0); /* pins float, the transistors' resistors turn them off */
}

void front_begin(avr_t *avr, double noise_codes, uint64_t seed, const struct front_faults *faults)
{
    front.faults = *faults;
    front.noise_codes = noise_codes;
    front.noise_state = seed;
    avr_irq_t *bias = avr_io_getirq(avr, AVR_IOCTL_IOPORT_GETIRQ('D'), IOPORT_IRQ_REG_PORT);
    avr_irq_register_notify(bias, on_pins, avr);
    avr_irq_t *straps = avr_io_getirq(avr, AVR_IOCTL_IOPORT_GETIRQ('B'), IOPORT_IRQ_REG_PORT);
    avr_irq_register_notify(straps, on_strap_pins, avr);
    chip_on_reset(avr, reset);
}
