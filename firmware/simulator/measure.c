/* Part of the simulated board, which is linked with libsimavr and used in tests only.
 * SPDX-License-Identifier: GPL-3.0-or-later */

#include "measure.h"

#include "registers.h"

#define STACK_TOP 0x08FFu
#define LONGEST_STEP 10u /* the slowest instruction and the entry of an interrupt; the rest is sleep */

static struct {
    uint64_t from;
    uint64_t asleep;
    uint64_t conversion_done;
    uint64_t longest_until_cleared;
    uint64_t entered[LAST_VECTOR + 1];
    uint64_t longest[LAST_VECTOR + 1];
    uint16_t lowest_stack;
} measure = {.lowest_stack = STACK_TOP};

void measure_step(const avr_t *avr, uint64_t cycles)
{
    uint16_t stack = (uint16_t)(avr->data[SPL] | avr->data[SPH] << 8);
    if (cycles > LONGEST_STEP)
        measure.asleep += cycles - LONGEST_STEP;
    /* Between the two halves of a change the pointer makes no sense; it never does so far down. */
    if (stack < measure.lowest_stack && stack > STACK_TOP - 0x300u)
        measure.lowest_stack = stack;
}

void measure_interrupt(const avr_t *avr, uint8_t vector, bool entered)
{
    if (entered) {
        measure.entered[vector] = avr->cycle;
        return;
    }
    uint64_t taken = avr->cycle - measure.entered[vector];
    if (taken > measure.longest[vector])
        measure.longest[vector] = taken;
}

void measure_conversion_done(const avr_t *avr)
{
    measure.conversion_done = avr->cycle;
}

void measure_trigger_cleared(const avr_t *avr)
{
    uint64_t taken = avr->cycle - measure.conversion_done;
    if (measure.conversion_done != 0 && taken > measure.longest_until_cleared)
        measure.longest_until_cleared = taken;
    measure.conversion_done = 0;
}

void measure_from_now(const avr_t *avr)
{
    measure.from = avr->cycle;
    measure.asleep = 0;
    measure.longest_until_cleared = 0;
    measure.conversion_done = 0;
}

void measure_write(FILE *file, const avr_t *avr)
{
    uint64_t span = avr->cycle - measure.from;
    double load = span == 0 ? 0 : 1.0 - (double)measure.asleep / (double)span;
    fprintf(file, "  \"cpu_load\": %.4f,\n", load);
    fprintf(file, "  \"conversion_to_flag_cleared_cycles\": %llu,\n",
            (unsigned long long)measure.longest_until_cleared);
    fprintf(file, "  \"longest_interrupt_cycles\": {\"conversion\": %llu, \"receive\": %llu, \"transmit\": %llu},\n",
            (unsigned long long)measure.longest[VECTOR_ADC],
            (unsigned long long)measure.longest[VECTOR_USART_RX],
            (unsigned long long)measure.longest[VECTOR_USART_UDRE]);
    fprintf(file, "  \"deepest_stack_bytes\": %u,\n", STACK_TOP - measure.lowest_stack);
}
