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

uint8_t port_range(uint8_t lead)
{
    uint8_t strap = lead == 1 ? 1u << RANGE_LEAD1_BIT : 1u << RANGE_LEAD2_BIT;
    return (RANGE_STRAPS & strap) != 0 ? 0 : 1;
}
