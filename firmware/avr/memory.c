/* The EEPROM. Writes wait for the cell: 3.4 ms each, in which the ticks are counted on. The brown-out detector
 * must be on (fuse, 4.3 V): a chip that runs out of supply may write anything anywhere. */
#include <avr/eeprom.h>
#include <avr/io.h>

#include "port.h"
#include "tick.h"

static void wait_until_ready(void)
{
    while (!eeprom_is_ready())
        tick_poll();
}

/* The chip's address is a plain number; avr-libc dresses it as a pointer. */
static uint8_t *cell(uint16_t address)
{
    return (uint8_t *)(uintptr_t)address;
}

uint8_t port_eeprom_read(uint16_t address)
{
    wait_until_ready();
    return eeprom_read_byte(cell(address));
}

void port_eeprom_write(uint16_t address, uint8_t byte)
{
    if (port_eeprom_read(address) == byte)
        return;
    eeprom_write_byte(cell(address), byte);
    wait_until_ready();
}
