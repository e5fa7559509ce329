/* The flash that stands in for an EEPROM. While a page is erased (20 to 40 ms) or a half word written (70 us), the
 * processor stands still, with it the receiver: see ../README.md, EEPROM write. */
#include "clock.h"
#include "flash.h"
#include "journal.h"
#include "port.h"
#include "registers.h"
#include "tick.h"

_Static_assert(JOURNAL_SIZE == EEPROM_SIZE, "as large as the core takes it to be");

#define FIRST_PAGE 0x0800E000u /* see chip.ld */
#define KEY1 0x45670123u
#define KEY2 0xCDEF89ABu

static void unlock(void)
{
    if ((FLASH->CR & LOCK) != 0) {
        FLASH->KEYR = KEY1;
        FLASH->KEYR = KEY2;
    }
}

static void wait_and_lock(void)
{
    (void)clock_wait(&FLASH->SR, BSY, 0);
    FLASH->SR = EOP | PGERR | WRPRTERR;
    FLASH->CR = LOCK; /* a program that runs wild finds it locked */
    tick_poll();
}

uint16_t flash_read(uint32_t offset)
{
    return *(const volatile uint16_t *)(FIRST_PAGE + offset);
}

void flash_write(uint32_t offset, uint16_t value)
{
    unlock();
    FLASH->CR = PG;
    *(volatile uint16_t *)(FIRST_PAGE + offset) = value;
    wait_and_lock();
}

void flash_erase(uint32_t offset)
{
    unlock();
    FLASH->CR = PER;
    FLASH->AR = FIRST_PAGE + offset;
    FLASH->CR = PER | STRT;
    wait_and_lock();
}

uint8_t port_eeprom_read(uint16_t address)
{
    return journal_read(address);
}

void port_eeprom_write(uint16_t address, uint8_t byte)
{
    journal_write(address, byte);
}
