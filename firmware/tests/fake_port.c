#include "fake_port.h"

#include <stdlib.h>

#include "wire.h"

#define FULL_INTERVAL 1978u

struct fake_port fake_port;

const struct board_facts board_facts = {
    .board = BOARD_ATMEGA328P,
    .features = FEATURE_WHISPER | FEATURE_UP_AND_DOWN,
    .highest_range = 1,
    .clock_hz = 16000000,
    .shortest_interval = 1000,
    .longest_interval = UINT16_MAX,
};

uint8_t port_lock(void)
{
    uint8_t before = fake_port.locked;
    fake_port.locked = true;
    return before;
}

void port_unlock(uint8_t before)
{
    if (!fake_port.locked)
        abort();
    fake_port.locked = before != 0;
}

uint8_t port_start_sampling(uint16_t interval)
{
    fake_port.sampling = true;
    fake_port.interval = interval;
    return interval >= FULL_INTERVAL ? 128 : 64;
}

void port_stop_sampling(void)
{
    fake_port.sampling = false;
}

void port_set_bias(uint8_t bias)
{
    fake_port.bias = bias;
}

uint8_t port_range(uint8_t lead)
{
    return fake_port.range[lead - 1];
}

uint16_t port_supply_sum(void)
{
    return fake_port.supply_sum;
}

uint8_t port_eeprom_read(uint16_t address)
{
    if (address >= EEPROM_SIZE)
        abort();
    return fake_port.eeprom[address];
}

void port_eeprom_write(uint16_t address, uint8_t byte)
{
    if (address >= EEPROM_SIZE)
        abort();
    fake_port.eeprom_writes += fake_port.eeprom[address] != byte;
    if (!fake_port.eeprom_worn)
        fake_port.eeprom[address] = byte;
}

void port_wake_transmitter(void)
{
}
