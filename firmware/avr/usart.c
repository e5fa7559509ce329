#include "usart.h"

#include <avr/interrupt.h>
#include <avr/io.h>

#include "receive.h"
#include "settings.h"
#include "transmit.h"
#include "work.h"

/* Eight clocks per sample point (U2X): 500 000 and 1 000 000 come out exactly, 115 200 is 2.1 % fast, within
 * what a receiver of 8 bits takes (the chip's data sheet recommends at most 2 % for both ends together at
 * normal speed and 1.5 % at double; bridges with exact clocks have been used at 2.1 % for years: common
 * practice, no source). */
#define DIVIDER(baud) ((uint8_t)((F_CPU + 4ul * (baud)) / (8ul * (baud)) - 1ul))

static const uint8_t dividers[] = {
    [BAUD_115200] = DIVIDER(115200ul),
    [BAUD_500000] = DIVIDER(500000ul),
    [BAUD_1000000] = DIVIDER(1000000ul),
};

/* In the queue when the main loop may want to build the next frame: room for the largest one. */
#define LOW_WATER (TRANSMIT_SIZE / 2u)

/* An interrupt that lets others in: it masks itself (MASK, bits of UCSR0B), allows interrupts, and goes on in BODY,
 * which unmasks it as the last thing. The converter's interrupt has no time to wait for these (see sampling.c).
 * The receiver masks the transmitter too: only one of them has bytes that would be lost. */
#define INTERRUPTIBLE(VECTOR, MASK, MARK, BODY)                                                           \
    void BODY(void) __attribute__((signal, used));                                                        \
    ISR(VECTOR, ISR_NAKED)                                                                                \
    {                                                                                                     \
        __asm__ volatile(MARK "push r24\n\t"                                                              \
                              "in r24, __SREG__\n\t"                                                      \
                              "push r24\n\t"                                                              \
                              "lds r24, %[enables]\n\t"                                                   \
                              "andi r24, %[others]\n\t"                                                   \
                              "sts %[enables], r24\n\t"                                                   \
                              "pop r24\n\t"                                                               \
                              "out __SREG__, r24\n\t"                                                     \
                              "pop r24\n\t"                                                               \
                              "sei\n\t"                                                                   \
                              "jmp " #BODY ::[enables] "n"(_SFR_MEM_ADDR(UCSR0B)),                        \
                         [others] "n"(0xFF & ~(MASK)), [work] "I"(_SFR_IO_ADDR(GPIOR0)),                  \
                         [sending] "I"(WORK_SENDING));                                                    \
    }

/* The compiler wants interrupt handlers to be called __vector_something. */
INTERRUPTIBLE(USART_RX_vect, (1 << RXCIE0) | (1 << UDRIE0), "", __vector_usart_receive)
INTERRUPTIBLE(USART_UDRE_vect, 1 << UDRIE0, "sbi %[work], %[sending]\n\t", __vector_usart_transmit)

void __vector_usart_receive(void)
{
    uint8_t state = UCSR0A;
    /* All that is there: at 1 000 000 baud a byte takes 160 cycles, and others may have held this up for longer. */
    do {
        uint8_t byte = UDR0;
        if ((state & (1u << DOR0)) != 0)
            receive_lost();
        receive_put(byte);
        if (byte == 0)
            work_announce(); /* a frame may be complete */
        state = UCSR0A;
    } while ((state & (1u << RXC0)) != 0);
    uint8_t enables = 1u << RXCIE0;
    if (!transmit_empty() && (GPIOR0 & (1u << WORK_SENDING)) == 0) /* else the transmitter's body does it */
        enables |= 1u << UDRIE0;
    cli();
    UCSR0B |= enables;
}

void __vector_usart_transmit(void)
{
    uint8_t byte;
    bool more = transmit_take(&byte);
    if (more) {
        UDR0 = byte;
        if ((uint16_t)(transmit.head - transmit.tail) == LOW_WATER)
            work_announce();
    }
    cli();
    GPIOR0 &= (uint8_t)~(1u << WORK_SENDING);
    if (more)
        UCSR0B |= 1u << UDRIE0;
}

void usart_begin(uint8_t baud_code)
{
    UCSR0A = 1u << U2X0;
    UBRR0 = dividers[baud_code];
    UCSR0C = (1u << UCSZ01) | (1u << UCSZ00);
    UCSR0B = (1u << RXEN0) | (1u << TXEN0) | (1u << RXCIE0);
}

void port_wake_transmitter(void)
{
    uint8_t before = port_lock();
    UCSR0B |= 1u << UDRIE0;
    port_unlock(before);
}
