/* The journal (firmware/arm/journal.c) on this computer, on a flash whose power may go at any moment. Orders from
 * stdin, one answer line each:
 *
 *   seed N         chance begins anew
 *   cut N          the power goes amid the N-th writing or erasing from now on, 0 the next one
 *   steady N       1: a cut leaves every bit that was to become 0 reading 1, for now; 0: such bits waver from now on
 *   open           a boot; answers all bytes in hex, or "cut"
 *   write A V      answers the byte that is read back, or "cut"
 *   dead AT        the half word at this offset takes nothing any more
 *   left           how many operations until the cut, -1 when it came or none was ordered
 */
#include <setjmp.h>
#include <stdbool.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#include "flash.h"
#include "journal.h"

#define CELLS (FLASH_PAGE * FLASH_PAGES / 2u)
#define NO_CELL 0xFFFFFFFFu

static uint16_t cells[CELLS];
static uint16_t weak[CELLS]; /* bits that read now so, now so */
static long operations_left = -1;
static bool steady;
static uint32_t dead_cell = NO_CELL;
static uint32_t chance_state = 1;
static jmp_buf power_is_back;

/* xorshift32 (Marsaglia 2003) */
static uint16_t chance(void)
{
    chance_state ^= chance_state << 13;
    chance_state ^= chance_state >> 17;
    chance_state ^= chance_state << 5;
    return (uint16_t)(chance_state >> 8);
}

static bool power_goes(void)
{
    if (operations_left < 0)
        return false;
    return operations_left-- == 0;
}

uint16_t flash_read(uint32_t offset)
{
    uint32_t cell = offset / 2u;
    if (offset % 2u != 0 || cell >= CELLS)
        abort();
    return (uint16_t)(cells[cell] ^ (steady ? 0 : weak[cell] & chance()));
}

/* Of the bits that were to become 0 when the power went, those that are neither; what else was to change is done or
 * has not begun. */
static uint16_t cut_short(uint16_t *changes)
{
    if (steady)
        return *changes;
    if ((chance() & 1u) != 0)
        *changes &= chance();
    uint16_t half_done = *changes & chance();
    while ((chance() & 1u) != 0) /* often only a bit or two waver */
        half_done &= chance();
    return half_done;
}

void flash_write(uint32_t offset, uint16_t value)
{
    uint32_t cell = offset / 2u;
    if (flash_read(offset) != 0xFFFFu && value != 0) /* as the chip does it */
        return;
    if (cell == dead_cell)
        return;
    uint16_t changes = (uint16_t)(~value & (cells[cell] | weak[cell])); /* a bit that is 0 stays so */
    if (power_goes()) {
        uint16_t half_done = cut_short(&changes);
        cells[cell] &= (uint16_t)~(changes & ~half_done);
        weak[cell] = (uint16_t)((weak[cell] & ~changes) | half_done);
        longjmp(power_is_back, 1);
    }
    cells[cell] &= (uint16_t)~changes;
    weak[cell] &= (uint16_t)~changes;
}

void flash_erase(uint32_t offset)
{
    bool cut = power_goes();
    if (offset % FLASH_PAGE != 0)
        abort();
    for (uint32_t cell = offset / 2u; cell < (offset + FLASH_PAGE) / 2u; cell++) {
        uint16_t done = cut ? chance() : 0xFFFFu;
        cells[cell] |= done;
        weak[cell] = cut ? (uint16_t)(weak[cell] | (uint16_t)(done & chance())) : 0;
    }
    if (cut)
        longjmp(power_is_back, 1);
}

static void carry_out(const char *order)
{
    unsigned address, value;
    long number;
    if (sscanf(order, "seed %ld", &number) == 1) {
        chance_state = (uint32_t)number * 2654435761u | 1u;
    } else if (sscanf(order, "cut %ld", &number) == 1) {
        operations_left = number;
    } else if (sscanf(order, "steady %ld", &number) == 1) {
        steady = number != 0;
    } else if (sscanf(order, "dead %u", &address) == 1) {
        dead_cell = address / 2u;
    } else if (strcmp(order, "left\n") == 0) {
        printf("%ld", operations_left);
    } else if (strcmp(order, "open\n") == 0) {
        journal_open();
        for (uint16_t at = 0; at < JOURNAL_SIZE; at++)
            printf("%02x", journal_read(at));
    } else if (sscanf(order, "write %u %u", &address, &value) == 2) {
        journal_write((uint16_t)address, (uint8_t)value);
        printf("%u", journal_read((uint16_t)address));
    } else {
        exit(2);
    }
}

int main(void)
{
    static char order[64];
    memset(cells, 0xFF, sizeof cells);
    while (fgets(order, sizeof order, stdin) != NULL) {
        if (setjmp(power_is_back) == 0)
            carry_out(order);
        else
            printf("cut");
        putchar('\n');
        fflush(stdout);
    }
    return 0;
}
