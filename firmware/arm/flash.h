/* The pages of flash that keep what an EEPROM would: erased by pages to FF, written by half words, once each, except
 * that 0000 may be written over anything. */
#ifndef FLASH_H
#define FLASH_H

#include <stdint.h>

#define FLASH_PAGE 1024u
#define FLASH_PAGES 8u

/* Offsets from the first page, in bytes. Writes to what is not erased have no effect. */
uint16_t flash_read(uint32_t offset); /* even */
void flash_write(uint32_t offset, uint16_t value);
void flash_erase(uint32_t offset);

#endif
