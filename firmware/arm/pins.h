/* What is soldered where. STM32F103 with 64 or 128 kB of flash (pages of 1 kB), crystal of 8 MHz, VDD = VDDA = 3.3 V.
 *
 *   pin          direction      what
 *   PA0   ADC0   analog in      lead 1, behind its front end (-8 to +40 V onto 0 to 3.3 V: ../README.md)
 *   PA1   ADC1   analog in      lead 2, likewise
 *   PA9   TX     out            to the USB bridge
 *   PA10  RX     in, pull-up    from the USB bridge
 *   PB10         out, high: on  lead 1 whisper
 *   PB11         out, high: on  lead 1 up
 *   PB12         out, high: on  lead 1 down
 *   PB13         out, high: on  lead 2 whisper
 *   PB14         out, high: on  lead 2 up
 *   PB15         out, high: on  lead 2 down
 *   PB0          in, pull-up    lead 1 range strap: open is range 0 (full span), to ground is range 1
 *   PB1          in, pull-up    lead 2 range strap
 *   PB4          in, pull-up    the debug port's reset, which must not float
 *
 * Bias goes through transistors here too. In reset the pins float: each transistor's input has its resistor to
 * ground.
 */
#ifndef PINS_H
#define PINS_H

#include "registers.h"

#define LEAD1_CHANNEL 0u
#define LEAD2_CHANNEL 1u

#define RX_BIT 10u
#define DEBUG_RESET_BIT 4u

#define BIAS_LEAD1_BIT 10u
#define BIAS_LEAD2_BIT 13u
#define BIAS_PINS 0xFC00u

#define RANGE_LEAD1_BIT 0u
#define RANGE_LEAD2_BIT 1u
#define HIGHEST_RANGE 1u

/* Place of pin 0 to 7 in CRL, of 8 to 15 in CRH. */
#define PIN_MODE(pin, mode) ((uint32_t)(mode) << (4u * ((pin) % 8u)))

#endif
