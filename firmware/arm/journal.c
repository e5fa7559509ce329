#include "journal.h"

#include <stdbool.h>
#include <string.h>

#include "crc16.h"

#define BANK_SIZE (FLASH_PAGE * FLASH_PAGES / 2u)
#define HALF 2u
#define HEAD_SIZE 8u
#define ENTRY_SIZE 8u
#define IMAGE_AT HEAD_SIZE
#define ENTRIES_AT (HEAD_SIZE + JOURNAL_SIZE)
#define BANK_END (ENTRIES_AT + (BANK_SIZE - ENTRIES_AT) / ENTRY_SIZE * ENTRY_SIZE)

#define BLANK 0xFFFFu
#define SEALED 0x0000u
#define NO_BANK 2u

enum head { GENERATION = 0, HEAD_CHECK = 2, HEAD_SEAL = 4 };
enum entry { ADDRESS = 0, VALUE = 2, ENTRY_CHECK = 4, ENTRY_SEAL = 6 };

static uint8_t image[JOURNAL_SIZE];
static uint8_t bank;       /* in force: 0, 1 or NO_BANK */
static uint32_t next_entry; /* in it */

static uint32_t start_of(uint8_t which)
{
    return which * BANK_SIZE;
}

static uint16_t crc_of(uint16_t crc, uint16_t value)
{
    return crc16_update(crc16_update(crc, (uint8_t)value), (uint8_t)(value >> 8));
}

/* 0000 is kept for what was made invalid. */
static uint16_t check_of(uint16_t crc)
{
    return crc == 0 ? BLANK : crc;
}

static uint16_t head_check(uint8_t which)
{
    uint16_t crc = crc_of(CRC16_INITIAL, flash_read(start_of(which) + GENERATION));
    for (uint32_t at = 0; at < JOURNAL_SIZE; at += HALF)
        crc = crc_of(crc, flash_read(start_of(which) + IMAGE_AT + at));
    return check_of(crc);
}

static bool bank_is_valid(uint8_t which)
{
    uint32_t start = start_of(which);
    return flash_read(start + HEAD_SEAL) == SEALED && flash_read(start + HEAD_CHECK) == head_check(which);
}

static uint16_t entry_check(uint16_t address, uint16_t value)
{
    return check_of(crc_of(crc_of(CRC16_INITIAL, address), value));
}

static bool entry_is_valid(uint32_t at)
{
    uint16_t address = flash_read(at + ADDRESS);
    return flash_read(at + ENTRY_SEAL) == SEALED && address < JOURNAL_SIZE &&
           flash_read(at + ENTRY_CHECK) == entry_check(address, flash_read(at + VALUE));
}

static bool entry_is_blank(uint32_t at)
{
    for (uint32_t i = 0; i < ENTRY_SIZE; i += HALF)
        if (flash_read(at + i) != BLANK)
            return false;
    return true;
}

static void make_invalid(uint32_t check_at)
{
    flash_write(check_at, 0);
}

static void seal(uint32_t at)
{
    flash_write(at, SEALED);
}

static uint8_t later_bank(void)
{
    bool valid[2] = {bank_is_valid(0), bank_is_valid(1)};
    if (valid[0] && valid[1]) {
        uint16_t ahead = (uint16_t)(flash_read(start_of(1) + GENERATION) - flash_read(GENERATION));
        return ahead < 0x8000u ? 1 : 0;
    }
    return valid[0] ? 0 : valid[1] ? 1 : NO_BANK;
}

static void replay(uint32_t at)
{
    if (entry_is_valid(at)) {
        seal(at + ENTRY_SEAL);
        image[flash_read(at + ADDRESS)] = (uint8_t)flash_read(at + VALUE);
    } else {
        make_invalid(at + ENTRY_CHECK);
    }
}

void journal_open(void)
{
    memset(image, 0xFF, JOURNAL_SIZE);
    bank = later_bank();
    for (uint8_t which = 0; which < 2; which++)
        if (which != bank)
            make_invalid(start_of(which) + HEAD_CHECK);
    if (bank == NO_BANK)
        return;
    uint32_t start = start_of(bank);
    seal(start + HEAD_SEAL);
    for (uint32_t at = 0; at < JOURNAL_SIZE; at += HALF) {
        uint16_t both = flash_read(start + IMAGE_AT + at);
        image[at] = (uint8_t)both;
        image[at + 1u] = (uint8_t)(both >> 8);
    }
    bool blank = false;
    for (next_entry = ENTRIES_AT; next_entry < BANK_END && !blank; next_entry += ENTRY_SIZE) {
        blank = entry_is_blank(start + next_entry);
        replay(start + next_entry); /* the blank one too: it may have been begun */
    }
}

uint8_t journal_read(uint16_t address)
{
    return image[address];
}

/* The next entry; true when it counts. One that the flash does not take is made invalid and left behind. */
static bool append(uint16_t address, uint8_t byte)
{
    uint32_t at = start_of(bank) + next_entry;
    next_entry += ENTRY_SIZE;
    flash_write(at + ADDRESS, address);
    flash_write(at + VALUE, byte);
    flash_write(at + ENTRY_CHECK, entry_check(address, byte));
    if (flash_read(at + ADDRESS) == address && flash_read(at + VALUE) == byte)
        seal(at + ENTRY_SEAL);
    if (entry_is_valid(at))
        return true;
    make_invalid(at + ENTRY_CHECK);
    return false;
}

static void erase(uint8_t which)
{
    for (uint32_t page = 0; page < BANK_SIZE; page += FLASH_PAGE) /* the head goes first */
        flash_erase(start_of(which) + page);
}

/* All bytes into the other bank. */
static bool begin_bank(void)
{
    uint8_t other = bank == 0 ? 1 : 0;
    uint32_t start = start_of(other);
    uint16_t generation = bank == NO_BANK ? 0 : (uint16_t)(flash_read(start_of(bank) + GENERATION) + 1u);
    erase(other);
    flash_write(start + GENERATION, generation);
    uint16_t crc = crc_of(CRC16_INITIAL, generation);
    for (uint32_t at = 0; at < JOURNAL_SIZE; at += HALF) {
        uint16_t both = (uint16_t)(image[at] | (uint16_t)(image[at + 1u] << 8));
        flash_write(start + IMAGE_AT + at, both);
        crc = crc_of(crc, both);
    }
    flash_write(start + HEAD_CHECK, check_of(crc));
    if (flash_read(start + HEAD_CHECK) == head_check(other))
        seal(start + HEAD_SEAL);
    if (!bank_is_valid(other))
        return false;
    bank = other;
    next_entry = ENTRIES_AT;
    return true;
}

void journal_write(uint16_t address, uint8_t byte)
{
    uint8_t before = image[address];
    if (before == byte)
        return;
    while (bank != NO_BANK && next_entry < BANK_END) {
        if (append(address, byte)) {
            image[address] = byte;
            return;
        }
    }
    image[address] = byte;
    if (!begin_bank())
        image[address] = before;
}
