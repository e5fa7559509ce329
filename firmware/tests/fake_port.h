/* A board without a board: what the core asked of it can be looked at. */
#ifndef FAKE_PORT_H
#define FAKE_PORT_H

#include <stdbool.h>
#include <stdint.h>

#include "port.h"

struct fake_port {
    uint8_t eeprom[EEPROM_SIZE];
    bool eeprom_worn; /* writes do nothing */
    uint32_t eeprom_writes;
    uint8_t bias;
    uint8_t range[2];
    uint16_t supply_sum;
    bool sampling;
    uint16_t interval;
    bool locked;
};

extern struct fake_port fake_port;

#endif
