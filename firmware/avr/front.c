#include "front.h"

#include "port.h"

void front_begin(void)
{
    BIAS_PORT &= (uint8_t)~BIAS_PINS;
    BIAS_DIRECTION |= BIAS_PINS;
    /* Unused pins are pulled up with the straps: floating inputs draw current. */
    RANGE_PULL_UP = 0x3F;
    PORTC = 0x3C;
    DIDR0 = ANALOG_PINS;
}

void port_set_bias(uint8_t bias)
{
    uint8_t before = port_lock();
    front_set_bias(bias);
    port_unlock(before);
}

uint8_t port_ranges(void)
{
    uint8_t open = RANGE_STRAPS;
    uint8_t lead1 = (open & (1u << RANGE_LEAD1_BIT)) != 0 ? 0x00 : 0x01;
    uint8_t lead2 = (open & (1u << RANGE_LEAD2_BIT)) != 0 ? 0x00 : 0x10;
    return lead1 | lead2;
}
