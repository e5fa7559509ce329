/* What sits between the leads and the converter: bias transistors and range straps. */
#ifndef FRONT_H
#define FRONT_H

#include <stdint.h>

#include "pins.h"
#include "wire.h"

void front_begin(void);

/* Which of a lead's three transistors is on: none, whisper (bit 0), up (bit 1) or down (bit 2). */
static inline uint32_t front_transistor(uint8_t bias)
{
    return bias == BIAS_DOWN ? 4u : bias;
}

/* Called in the converter's interrupt too. One write sets and clears: no instant with an old and a new bias on one
 * lead. */
static inline void front_set_bias(uint8_t bias)
{
    uint32_t on = front_transistor(bias & 3u) << BIAS_LEAD1_BIT | front_transistor(bias >> 2) << BIAS_LEAD2_BIT;
    GPIOB->BSRR = on | (BIAS_PINS & ~on) << 16;
}

#endif
