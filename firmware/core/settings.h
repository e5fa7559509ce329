/* What the EEPROM keeps for the device itself: line speed, serial number, boot count. Layout: ../README.md.
 * The calibration record is the computer's: the device stores it and never looks inside. */
#ifndef SETTINGS_H
#define SETTINGS_H

#include <stdint.h>

#include "wire.h"

enum baud_code { BAUD_115200 = 0, BAUD_500000 = 1, BAUD_1000000 = 2 };

/* For a chip without valid settings; `make DEFAULT_BAUD_CODE=0` builds an image with another one. */
#ifndef DEFAULT_BAUD_CODE
#define DEFAULT_BAUD_CODE BAUD_500000
#endif

struct settings {
    uint8_t baud_code;
    uint8_t serial[SERIAL_LENGTH]; /* padded with 00 */
};

/* Read the settings record; the defaults when its CRC is wrong or its values make no sense. */
void settings_load(struct settings *settings);

/* Count this boot and return its number. One byte is written at most boots, so a cell that is good for 100 000
 * writes is good for 100 000 boots. */
uint32_t settings_count_boot(void);

#endif
