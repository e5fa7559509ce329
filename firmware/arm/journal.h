/* An EEPROM made of flash: bytes written one by one, each whole or not at all, whenever the power goes.
 *
 * Two banks of four pages; one is in force. A bank:
 *
 *   000   head    generation, check (CRC-16 over generation and image), seal: half words; 2 bytes left blank
 *   008   image   all bytes, as they were when the bank was begun
 *   408   entries one byte changed since then each: address, value, check (CRC-16 over both), seal: half words
 *
 * What has its seal, 0000, counts; it is written last. When the entries are full, the other bank is erased and begun
 * with all bytes as they are, and is in force once it has its seal. Of two that have one, the later generation counts.
 *
 * A half word whose writing was cut short may read now so, now so, and for a while as if nothing had been written. What
 * has its seal was whole before; so only a seal can be in that state and matter, and 0000 may be written over anything:
 * at every boot the seals that were found are written again, and an entry or head without one gets the check 0000, which
 * none fits. So does the first entry that looks blank, as its address may be in that state: it is left behind.
 *
 * Thus a boot writes 0000 up to 385 times (27 ms), nearly always over 0000. That is permitted; that it wears nothing is
 * taken to be so.
 *
 * A bank takes 383 entries, one for each change and one for each boot; pages bear 10 000 erasures (data sheet, from
 * memory): 7 million entries. The boot id is a change too: 3.8 million boots with nothing else.
 */
#ifndef JOURNAL_H
#define JOURNAL_H

#include <stdint.h>

#include "flash.h"

#define JOURNAL_SIZE 1024u

/* At boot, once. */
void journal_open(void);

uint8_t journal_read(uint16_t address);

/* When the flash does not take it, the byte stays as it was. */
void journal_write(uint16_t address, uint8_t byte);

#endif
