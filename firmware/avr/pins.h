/* What is soldered where. ATmega328P at 16 MHz, AVCC = AREF capacitor = 5 V.
 *
 *   pin   package  direction      what
 *   PC0   ADC0     analog in      lead 1, behind its front end (-8 to +40 V onto 0 to 5 V)
 *   PC1   ADC1     analog in      lead 2, likewise
 *   PD0   RXD      in             from the USB bridge
 *   PD1   TXD      out            to the USB bridge
 *   PD2            out, high: on  lead 1 whisper  (5 V through 1 Mohm)
 *   PD3            out, high: on  lead 1 up       (5 V through 10 kohm and a diode)
 *   PD4            out, high: on  lead 1 down     (0 V through 10 kohm and a diode)
 *   PD5            out, high: on  lead 2 whisper
 *   PD6            out, high: on  lead 2 up
 *   PD7            out, high: on  lead 2 down
 *   PB0            in, pull-up    lead 1 range strap: open is range 0 (full span), to ground is range 1
 *   PB1            in, pull-up    lead 2 range strap
 *
 * Every bias goes through a transistor that one of these pins switches, never straight from the pin: a lead
 * at 12 V would push current through the pin's clamp diode into the supply. While the chip is in reset the
 * pins float: a resistor to ground at each transistor's input keeps the bias off.
 */
#ifndef PINS_H
#define PINS_H

#include <avr/io.h>

#define LEAD1_CHANNEL 0u
#define LEAD2_CHANNEL 1u
#define LEAD_CHANNELS_DIFFER 1u /* in this bit: the converter's interrupt flips it */
#define ANALOG_PINS ((1u << ADC0D) | (1u << ADC1D))

#define BIAS_PORT PORTD
#define BIAS_DIRECTION DDRD
#define BIAS_LEAD1_BIT 2u
#define BIAS_LEAD2_BIT 5u
#define BIAS_PINS 0xFCu

#define RANGE_PULL_UP PORTB
#define RANGE_STRAPS PINB
#define RANGE_LEAD1_BIT 0u
#define RANGE_LEAD2_BIT 1u
#define HIGHEST_RANGE 1u

#endif
