/* Part of the simulated board, which is linked with libsimavr and used in tests only.
 * SPDX-License-Identifier: GPL-3.0-or-later */

/* Data space addresses and bits of the ATmega328P, from its data sheet. (avr-libc's io.h is for the target.) */
#ifndef REGISTERS_H
#define REGISTERS_H

#define EECR 0x3Fu
#define EECR_EERE 0x01u
#define EECR_EEPE 0x02u
#define EECR_EEMPE 0x04u
#define EEDR 0x40u
#define EEARL 0x41u
#define EEARH 0x42u

#define PINB 0x23u
#define DDRD 0x2Au
#define PORTD 0x2Bu

#define TIFR1 0x36u
#define TIFR1_OCF1B 0x04u
#define MCUSR 0x54u
#define SPL 0x5Du
#define SPH 0x5Eu

#define ADCL 0x78u
#define ADCH 0x79u
#define ADCSRA 0x7Au
#define ADCSRA_ADEN 0x80u
#define ADCSRA_ADSC 0x40u
#define ADCSRA_ADATE 0x20u
#define ADCSRA_ADIF 0x10u
#define ADCSRA_ADIE 0x08u
#define ADCSRB 0x7Bu
#define ADMUX 0x7Cu

#define UCSR0A 0xC0u
#define UCSR0A_RXC 0x80u
#define UCSR0A_TXC 0x40u
#define UCSR0A_UDRE 0x20u
#define UCSR0A_DOR 0x08u
#define UCSR0A_U2X 0x02u
#define UCSR0B 0xC1u
#define UCSR0B_RXCIE 0x80u
#define UCSR0B_TXCIE 0x40u
#define UCSR0B_UDRIE 0x20u
#define UCSR0B_RXEN 0x10u
#define UCSR0B_TXEN 0x08u
#define UBRR0L 0xC4u
#define UBRR0H 0xC5u
#define UDR0 0xC6u

#define VECTOR_TIMER1_COMPB 12u
#define VECTOR_USART_RX 18u
#define VECTOR_USART_UDRE 19u
#define VECTOR_ADC 21u
#define LAST_VECTOR 25u

#endif
