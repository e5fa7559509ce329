/* Part of the simulated board, which is linked with libsimavr and used in tests only.
 * SPDX-License-Identifier: GPL-3.0-or-later */

#include "line.h"

#include <simavr/avr_uart.h>
#include <string.h>

#include "registers.h"

#define BITS_PER_BYTE 10u
#define QUEUE_SIZE 65536u

static struct {
    avr_int_vector_t *rx_vector;
    avr_int_vector_t *empty_vector;
    line_output_t output;
    bool shifting;
    uint8_t in_shift;
    bool buffered;
    uint8_t in_buffer;
    /* Two in the buffer and one in the shift register: the byte after that overruns. */
    uint8_t received[3];
    uint8_t received_count;
    uint8_t queue[QUEUE_SIZE];
    size_t queue_head;
    size_t queue_count;
    bool arriving;
    uint32_t overruns;
    uint64_t bytes_sent;
} line;

static uint32_t cycles_per_byte(const avr_t *avr)
{
    uint32_t divider = (avr->data[UBRR0L] | (uint32_t)avr->data[UBRR0H] << 8) + 1u;
    uint32_t per_bit = (avr->data[UCSR0A] & UCSR0A_U2X) != 0 ? 8u : 16u;
    return divider * per_bit * BITS_PER_BYTE;
}

double line_baud(const avr_t *avr)
{
    return (double)CLOCK_HZ * BITS_PER_BYTE / cycles_per_byte(avr);
}

/* Both interrupts are levels: as long as the flag is set and enabled, the interrupt is asked for. */
static void ask_for_interrupts(avr_t *avr)
{
    uint8_t flags = avr->data[UCSR0A];
    uint8_t enabled = avr->data[UCSR0B];
    if ((flags & UCSR0A_RXC) != 0 && (enabled & UCSR0B_RXCIE) != 0)
        avr_raise_interrupt(avr, line.rx_vector);
    if ((flags & UCSR0A_UDRE) != 0 && (enabled & UCSR0B_UDRIE) != 0)
        avr_raise_interrupt(avr, line.empty_vector);
}

static void on_return(struct avr_irq_t *irq, uint32_t entered, void *param)
{
    (void)irq;
    if (!entered)
        ask_for_interrupts(param);
}

/* ---- out ---- */

static avr_cycle_count_t byte_left(avr_t *avr, avr_cycle_count_t when, void *param)
{
    (void)param;
    line.bytes_sent++;
    line.output(avr, line.in_shift);
    line.shifting = line.buffered;
    if (!line.buffered) {
        avr->data[UCSR0A] |= UCSR0A_TXC;
        return 0;
    }
    line.in_shift = line.in_buffer;
    line.buffered = false;
    avr->data[UCSR0A] |= UCSR0A_UDRE;
    ask_for_interrupts(avr);
    return when + cycles_per_byte(avr);
}

static void write_data(avr_t *avr, avr_io_addr_t reg, uint8_t value, void *param)
{
    (void)reg;
    (void)param;
    if ((avr->data[UCSR0B] & UCSR0B_TXEN) == 0 || (avr->data[UCSR0A] & UCSR0A_UDRE) == 0)
        return;
    if (!line.shifting) {
        line.shifting = true;
        line.in_shift = value;
        avr_cycle_timer_register(avr, cycles_per_byte(avr), byte_left, NULL);
        return;
    }
    line.buffered = true;
    line.in_buffer = value;
    avr->data[UCSR0A] &= (uint8_t)~UCSR0A_UDRE;
}

/* ---- in ---- */

static void receive(avr_t *avr, uint8_t byte)
{
    if ((avr->data[UCSR0B] & UCSR0B_RXEN) == 0)
        return;
    if (line.received_count == sizeof line.received) {
        line.overruns++;
        avr->data[UCSR0A] |= UCSR0A_DOR;
        return;
    }
    line.received[line.received_count++] = byte;
    avr->data[UCSR0A] |= UCSR0A_RXC;
    ask_for_interrupts(avr);
}

static avr_cycle_count_t byte_arrived(avr_t *avr, avr_cycle_count_t when, void *param)
{
    (void)param;
    receive(avr, line.queue[line.queue_head]);
    line.queue_head = (line.queue_head + 1u) % QUEUE_SIZE;
    line.queue_count--;
    line.arriving = line.queue_count != 0;
    return line.arriving ? when + cycles_per_byte(avr) : 0;
}

static void let_arrive(avr_t *avr)
{
    line.arriving = true;
    avr_cycle_timer_register(avr, cycles_per_byte(avr), byte_arrived, NULL);
}

static uint8_t read_data(avr_t *avr, avr_io_addr_t reg, void *param)
{
    (void)param;
    uint8_t byte = line.received[0];
    if (line.received_count != 0) {
        line.received_count--;
        memmove(line.received, line.received + 1, line.received_count);
    }
    if (line.received_count == 0)
        avr->data[UCSR0A] &= (uint8_t)~UCSR0A_RXC;
    avr->data[UCSR0A] &= (uint8_t)~UCSR0A_DOR;
    avr->data[reg] = byte;
    return byte;
}

size_t line_room(void)
{
    return QUEUE_SIZE - line.queue_count;
}

size_t line_send(avr_t *avr, const uint8_t *bytes, size_t count)
{
    size_t fitting = count < line_room() ? count : line_room();
    for (size_t i = 0; i < fitting; i++)
        line.queue[(line.queue_head + line.queue_count + i) % QUEUE_SIZE] = bytes[i];
    line.queue_count += fitting;
    if (fitting != 0 && !line.arriving)
        let_arrive(avr);
    return fitting;
}

/* ---- control ---- */

static void write_status(avr_t *avr, avr_io_addr_t reg, uint8_t value, void *param)
{
    (void)param;
    uint8_t kept = avr->data[reg] & (uint8_t) ~(UCSR0A_U2X | (value & UCSR0A_TXC));
    avr->data[reg] = kept | (value & UCSR0A_U2X);
}

static void write_enables(avr_t *avr, avr_io_addr_t reg, uint8_t value, void *param)
{
    (void)param;
    avr->data[reg] = value;
    if ((value & UCSR0B_RXEN) == 0) {
        line.received_count = 0;
        avr->data[UCSR0A] &= (uint8_t)~UCSR0A_RXC;
    }
    ask_for_interrupts(avr);
}

static void reset(avr_t *avr)
{
    line.shifting = false;
    line.buffered = false;
    line.received_count = 0;
    avr->data[UCSR0A] = UCSR0A_UDRE;
    avr->data[UCSR0B] = 0;
    avr->data[UBRR0L] = 0;
    line.arriving = false;
    if (line.queue_count != 0)
        let_arrive(avr);
}

void line_begin(avr_t *avr, line_output_t output)
{
    avr_uart_t *uart = chip_peripheral(avr, "uart", '0');
    line.rx_vector = &uart->rxc;
    line.empty_vector = &uart->udrc;
    line.output = output;
    chip_replace_write(avr, UDR0, write_data);
    chip_replace_read(avr, UDR0, read_data);
    chip_replace_write(avr, UCSR0A, write_status);
    chip_replace_read(avr, UCSR0A, NULL);
    chip_replace_write(avr, UCSR0B, write_enables);
    chip_replace_write(avr, UBRR0L, NULL);
    for (uint8_t vector = 1; vector <= LAST_VECTOR; vector++) {
        avr_irq_t *irq = avr_get_interrupt_irq(avr, vector);
        if (irq != NULL)
            avr_irq_register_notify(irq + AVR_INT_IRQ_RUNNING, on_return, avr);
    }
    chip_on_reset(avr, reset);
}

uint32_t line_overruns(void)
{
    return line.overruns;
}

uint64_t line_bytes_sent(void)
{
    return line.bytes_sent;
}
