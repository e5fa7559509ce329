#include "front.h"

#include "port.h"

void front_begin(void)
{
    front_set_bias(0);
    GPIOB->BSRR = 1u << RANGE_LEAD1_BIT | 1u << RANGE_LEAD2_BIT | 1u << DEBUG_RESET_BIT; /* pulled up, not down */
    GPIOB->CRL = PIN_MODE(0, INPUT_PULLED) | PIN_MODE(1, INPUT_PULLED) | PIN_MODE(2, INPUT) | PIN_MODE(3, INPUT) |
                 PIN_MODE(4, INPUT_PULLED) | PIN_MODE(5, INPUT) | PIN_MODE(6, INPUT) | PIN_MODE(7, INPUT);
    GPIOB->CRH = PIN_MODE(8, INPUT) | PIN_MODE(9, INPUT) | PIN_MODE(10, OUTPUT) | PIN_MODE(11, OUTPUT) |
                 PIN_MODE(12, OUTPUT) | PIN_MODE(13, OUTPUT) | PIN_MODE(14, OUTPUT) | PIN_MODE(15, OUTPUT);
    GPIOA->CRL = PIN_MODE(0, ANALOG) | PIN_MODE(1, ANALOG) | PIN_MODE(2, INPUT) | PIN_MODE(3, INPUT) |
                 PIN_MODE(4, INPUT) | PIN_MODE(5, INPUT) | PIN_MODE(6, INPUT) | PIN_MODE(7, INPUT);
}

void port_set_bias(uint8_t bias)
{
    front_set_bias(bias);
}

uint8_t port_range(uint8_t lead)
{
    uint32_t strap = lead == 1 ? 1u << RANGE_LEAD1_BIT : 1u << RANGE_LEAD2_BIT;
    return (GPIOB->IDR & strap) != 0 ? 0 : 1;
}
