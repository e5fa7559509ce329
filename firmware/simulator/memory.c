/* Part of the simulated board, which is linked with libsimavr and used in tests only.
 * SPDX-License-Identifier: GPL-3.0-or-later */

#include "memory.h"

#include <fcntl.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <unistd.h>

#include "registers.h"

#define SIZE 1024u
#define WRITE_CYCLES (CLOCK_HZ / 10000u * 34u) /* 3.4 ms: data sheet, "EEPROM Programming Time" */
#define UNLOCKED_CYCLES 4u

static struct {
    uint8_t bytes[SIZE];
    int file;
    uint16_t address;
    uint8_t byte;
    bool writing;
    uint32_t writes;
    uint32_t left_to_cut; /* writes until the power goes, 0: it does not */
    uint8_t half_written;
    void (*power_lost)(void);
} memory = {.file = -1};

static uint16_t address(const avr_t *avr)
{
    return (uint16_t)((avr->data[EEARL] | avr->data[EEARH] << 8) % SIZE);
}

static avr_cycle_count_t lock(avr_t *avr, avr_cycle_count_t when, void *param)
{
    (void)when;
    (void)param;
    avr->data[EECR] &= (uint8_t)~EECR_EEMPE;
    return 0;
}

static void store(void)
{
    memory.writing = false;
    memory.bytes[memory.address] = memory.byte;
    memory.writes++;
    if (memory.file >= 0 && pwrite(memory.file, &memory.byte, 1, memory.address) != 1)
        perror("board: EEPROM file");
}

static avr_cycle_count_t written(avr_t *avr, avr_cycle_count_t when, void *param)
{
    (void)when;
    (void)param;
    store();
    avr->data[EECR] &= (uint8_t)~EECR_EEPE;
    return 0;
}

/* A cell that loses its supply amid a write holds anything. */
static avr_cycle_count_t cut(avr_t *avr, avr_cycle_count_t when, void *param)
{
    (void)avr;
    (void)when;
    (void)param;
    if (memory.writing)
        memory.byte = memory.half_written;
    chip_reset(CAUSE_POWER_ON);
    if (memory.power_lost != NULL)
        memory.power_lost();
    return 0;
}

void memory_cut_power(avr_t *avr, uint8_t half_written, uint32_t writes)
{
    memory.half_written = half_written;
    memory.left_to_cut = writes;
    if (writes == 0)
        cut(avr, 0, NULL);
}

static void write_control(avr_t *avr, avr_io_addr_t reg, uint8_t value, void *param)
{
    (void)param;
    bool unlocked = (avr->data[reg] & EECR_EEMPE) != 0;
    bool busy = (avr->data[reg] & EECR_EEPE) != 0;
    avr->data[reg] = (uint8_t)((avr->data[reg] & EECR_EEPE) | (value & (uint8_t) ~(EECR_EEPE | EECR_EERE)));
    if ((value & EECR_EEPE) != 0 && unlocked && !busy) {
        memory.address = address(avr);
        memory.byte = avr->data[EEDR];
        memory.writing = true;
        avr->data[reg] = (avr->data[reg] & (uint8_t)~EECR_EEMPE) | EECR_EEPE;
        if (memory.left_to_cut > 0 && --memory.left_to_cut == 0)
            avr_cycle_timer_register(avr, WRITE_CYCLES / 2, cut, NULL);
        avr_cycle_timer_register(avr, WRITE_CYCLES, written, NULL);
    } else if ((value & EECR_EEMPE) != 0) {
        avr_cycle_timer_register(avr, UNLOCKED_CYCLES, lock, NULL);
    }
    if ((value & EECR_EERE) != 0 && !busy)
        avr->data[EEDR] = memory.bytes[address(avr)];
}

/* A write under way is finished by the chip even when it is reset, as long as it has its supply; here at once. */
static void reset(avr_t *avr)
{
    (void)avr;
    if (memory.writing)
        store();
}

static void load(const char *path)
{
    memset(memory.bytes, 0xFF, SIZE);
    if (path == NULL)
        return;
    memory.file = open(path, O_RDWR | O_CREAT, 0644);
    ssize_t got = memory.file < 0 ? -1 : pread(memory.file, memory.bytes, SIZE, 0);
    if (got < 0) {
        perror(path);
        exit(1);
    }
    if (got < (ssize_t)SIZE && pwrite(memory.file, memory.bytes, SIZE, 0) != (ssize_t)SIZE) {
        perror(path);
        exit(1);
    }
}

void memory_begin(avr_t *avr, const char *path, void (*power_lost)(void))
{
    memory.power_lost = power_lost;
    load(path);
    chip_replace_write(avr, EECR, write_control);
    chip_on_reset(avr, reset);
}

uint32_t memory_writes(void)
{
    return memory.writes;
}
