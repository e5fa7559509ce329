/* Part of the simulated board, which is linked with libsimavr and used in tests only.
 * SPDX-License-Identifier: GPL-3.0-or-later */

#include "orders.h"

#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#include "front.h"
#include "leads.h"
#include "line.h"
#include "measure.h"
#include "memory.h"

#define LONGEST_LINE 8192u

static avr_t *chip;
static struct order_targets targets;

static struct {
    avr_cycle_count_t at;
    char *order;
} *script;
static size_t script_length;
static size_t script_next;

static bool send_bytes(const char *hex)
{
    uint8_t bytes[LONGEST_LINE / 2];
    size_t count = 0;
    unsigned value;
    for (; sscanf(hex, "%2x", &value) == 1; hex += 2)
        bytes[count++] = (uint8_t)value;
    return line_send(chip, bytes, count) == count;
}

static bool strap(const char *words)
{
    unsigned lead, range;
    if (sscanf(words, "%u %u", &lead, &range) != 2 || lead < 1 || lead > 2)
        return false;
    front_strap(chip, (uint8_t)lead, (uint8_t)range);
    return true;
}

static bool poke(const char *words)
{
    unsigned address, value;
    if (sscanf(words, "%x %x", &address, &value) != 2 || address < 0x20 || address > chip->ramend)
        return false;
    chip->data[address] = (uint8_t)value;
    return true;
}

static bool deaf(const char *words)
{
    chip_deafen(chip, (uint32_t)strtoul(words, NULL, 10));
    return true;
}

static bool reset_pin(const char *words)
{
    (void)words;
    chip_reset(CAUSE_RESET_PIN);
    return true;
}

static bool power(const char *words)
{
    (void)words;
    chip_reset(CAUSE_POWER_ON);
    return true;
}

static bool cut(const char *words)
{
    unsigned half_written = 0xFF, writes = 0;
    if (sscanf(words, "%x %u", &half_written, &writes) < 1)
        return false;
    memory_cut_power(chip, (uint8_t)half_written, writes);
    return true;
}

static bool brown_out(const char *words)
{
    double seconds = strtod(words, NULL);
    if (seconds <= 0)
        return false;
    chip_brown_out((avr_cycle_count_t)(seconds * CLOCK_HZ));
    return true;
}

static bool measure(const char *words)
{
    (void)words;
    measure_from_now(chip);
    return true;
}

static bool call(void (*target)(void))
{
    if (target != NULL)
        target();
    return target != NULL;
}

static bool unplug(const char *words)
{
    (void)words;
    return call(targets.unplug);
}

static bool plug(const char *words)
{
    (void)words;
    return call(targets.plug);
}

static bool end(const char *words)
{
    (void)words;
    return call(targets.end);
}

static const struct {
    const char *name;
    bool (*carry_out)(const char *words);
} orders[] = {
    {"send", send_bytes}, {"circuit", leads_connect}, {"strap", strap},   {"reset", reset_pin}, {"power", power},
    {"poke", poke},       {"deaf", deaf},             {"measure", measure}, {"unplug", unplug}, {"plug", plug},
    {"cut", cut},         {"brownout", brown_out},    {"end", end},
};

bool order_carry_out(const char *order)
{
    size_t length = strcspn(order, " \n");
    const char *words = order + length + strspn(order + length, " ");
    for (size_t i = 0; i < sizeof orders / sizeof orders[0]; i++)
        if (strlen(orders[i].name) == length && strncmp(order, orders[i].name, length) == 0 &&
            orders[i].carry_out(words))
            return true;
    fprintf(stderr, "board: no such order: %s\n", order);
    return false;
}

/* Resets drop the timer; the next order is then set up again. Orders whose time has passed come at once. */
static avr_cycle_count_t next_order(avr_t *avr, avr_cycle_count_t when, void *param)
{
    (void)when;
    (void)param;
    while (script_next < script_length && script[script_next].at <= avr->cycle)
        if (!order_carry_out(script[script_next++].order))
            exit(1);
    return script_next < script_length ? script[script_next].at : 0;
}

static void wait_for_next(avr_t *avr)
{
    if (script_next == script_length)
        return;
    avr_cycle_count_t at = script[script_next].at;
    avr_cycle_timer_register(avr, at > avr->cycle ? at - avr->cycle : 1, next_order, NULL);
}

static bool append(char *line)
{
    char *rest;
    double seconds = strtod(line, &rest);
    if (rest == line || seconds < 0)
        return false;
    script = realloc(script, (script_length + 1) * sizeof *script);
    script[script_length].at = (avr_cycle_count_t)(seconds * CLOCK_HZ);
    script[script_length].order = strdup(rest + strspn(rest, " "));
    script_length++;
    return script_length == 1 || script[script_length - 2].at <= script[script_length - 1].at;
}

bool orders_schedule(const char *path)
{
    FILE *file = fopen(path, "r");
    char text[LONGEST_LINE];
    bool good = file != NULL;
    while (good && fgets(text, sizeof text, file) != NULL)
        good = text[0] == '#' || text[0] == '\n' || append(text);
    if (file != NULL)
        fclose(file);
    if (!good)
        fprintf(stderr, "board: %s is no script of orders in time\n", path);
    chip_on_reset(chip, wait_for_next);
    return good;
}

void orders_begin(avr_t *avr, const struct order_targets *given)
{
    chip = avr;
    targets = *given;
}
