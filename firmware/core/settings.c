#include "settings.h"

#include <string.h>

#include "crc16.h"
#include "port.h"

#define SETTINGS_AT 0x000u
#define SETTINGS_SIZE 16u
#define SETTINGS_LAYOUT 1u
#define SERIAL_AT 2u
#define BOOT_ID_AT 0x010u
#define BOOT_ID_SIZE 4u
#define BLANK 0xFFFFFFFFu

static void set_defaults(struct settings *settings)
{
    settings->baud_code = DEFAULT_BAUD_CODE;
    memset(settings->serial, 0, SERIAL_LENGTH);
}

void settings_load(struct settings *settings)
{
    uint8_t record[SETTINGS_SIZE];
    for (uint8_t i = 0; i < SETTINGS_SIZE; i++)
        record[i] = port_eeprom_read((uint16_t)(SETTINGS_AT + i));
    if (crc16(record, SETTINGS_SIZE) != 0 || record[0] != SETTINGS_LAYOUT || record[1] > BAUD_1000000) {
        set_defaults(settings);
        return;
    }
    settings->baud_code = record[1];
    memcpy(settings->serial, record + SERIAL_AT, SERIAL_LENGTH);
}

uint32_t settings_count_boot(void)
{
    uint32_t id = 0;
    for (uint8_t i = 0; i < BOOT_ID_SIZE; i++)
        id |= (uint32_t)port_eeprom_read((uint16_t)(BOOT_ID_AT + i)) << (8u * i);
    id = id == BLANK ? 1 : id + 1;
    /* The highest byte first: a boot cut short by a power loss then skips numbers and never repeats one. */
    for (uint8_t i = BOOT_ID_SIZE; i-- > 0;)
        port_eeprom_write((uint16_t)(BOOT_ID_AT + i), (uint8_t)(id >> (8u * i)));
    return id;
}
