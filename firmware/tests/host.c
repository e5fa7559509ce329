/* The core on this computer, for the tests:
 *
 *   host vectors FILE    check the examples
 *   host talk            orders from stdin, one answer line each:
 *     boot CAUSE           as after a reset
 *     rx HEX               bytes from the line, as the receive interrupt puts them
 *     tx COUNT             the transmitter takes that many bytes at most: answers them in hex
 *     take CODE...         conversions, as the converter's interrupt gives them
 *     miss                 the conversion whose turn it is will never come
 *     pass COUNT           so many conversions pass unread
 *     poll MS              the main loop at that time, until it would sleep
 *     run FIRST PAIRS STALLED MISSED MS
 *                          raw pairs at 4000 a second from conversion FIRST and time MS on, main loop and line as in a
 *                          logger; the line takes nothing during the first STALLED pairs, conversion MISSED never
 *                          comes. Answers the line's bytes. Lead 1 of pair i reads i, lead 2 reads 7 i, modulo 1024
 *     index N              the run goes on from pair N
 *     strap R1 R2          range ids
 *     supply SUM           what measuring the supply will give
 *     worn 0|1             EEPROM writes fail
 *     state                answers bias, sampling, interval, EEPROM writes, pairs stored
 */
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#include "conversion.h"
#include "fake_port.h"
#include "logger.h"
#include "receive.h"
#include "transmit.h"
#include "vectors.h"

#define MOST_POLLS 10000

static void boot(const char *words)
{
    receive_reset();
    fake_port.bias = 0;
    fake_port.sampling = false;
    settings_load(&logger.settings);
    logger_begin((uint8_t)atoi(words));
}

static void take_from_line(const char *hex)
{
    unsigned value;
    for (; sscanf(hex, "%2x", &value) == 1; hex += 2)
        receive_put((uint8_t)value);
}

static void give(int most)
{
    static const char digits[] = "0123456789abcdef";
    uint8_t byte;
    for (; most > 0 && transmit_take(&byte); most--) {
        putchar(digits[byte >> 4]);
        putchar(digits[byte & 15u]);
    }
}

static void give_to_line(const char *words)
{
    give(atoi(words));
}

static void poll_at(uint32_t now_ms)
{
    int polls = 0;
    while (logger_poll(now_ms))
        if (++polls == MOST_POLLS)
            abort();
}

static void convert(const char *words)
{
    char *rest;
    for (unsigned long code = strtoul(words, &rest, 10); rest != words; code = strtoul(words, &rest, 10)) {
        if (fake_port.sampling && sampler_take((uint16_t)code))
            port_set_bias(sampler.front & FRONT_BIAS);
        words = rest;
    }
}

static uint16_t code_of(uint64_t conversion)
{
    uint64_t pair = conversion / 2u - 1u; /* one pair is discarded before pair 0 */
    return (uint16_t)((conversion & 1u ? 7u * pair : pair) & 1023u);
}

#define PAIRS_A_MS 4u

static void run_on(const char *words)
{
    unsigned long long first, missed;
    unsigned pairs, stalled, ms;
    if (sscanf(words, "%llu %u %u %llu %u", &first, &pairs, &stalled, &missed, &ms) != 5)
        abort();
    for (unsigned pair = 0; pair < pairs; pair++) {
        for (uint64_t at = first + 2u * pair; at < first + 2u * pair + 2u; at++) {
            if (at == missed)
                sampler_miss();
            else if (sampler_take(code_of(at)))
                port_set_bias(sampler.front & FRONT_BIAS);
        }
        if ((pair + 1u) % PAIRS_A_MS != 0)
            continue;
        poll_at(ms + pair / PAIRS_A_MS);
        if (pair >= stalled)
            give(TRANSMIT_SIZE);
    }
}

static void miss(const char *words)
{
    (void)words;
    sampler_miss();
}

static void pass(const char *words)
{
    for (int left = atoi(words); left > 0; left--)
        if (sampler_pass())
            port_set_bias(sampler.front & FRONT_BIAS);
}

static void set_index(const char *words)
{
    sampler.next = (uint32_t)strtoul(words, NULL, 10);
}

static void poll(const char *words)
{
    poll_at((uint32_t)strtoul(words, NULL, 10));
}

static void strap(const char *words)
{
    unsigned one, two;
    if (sscanf(words, "%u %u", &one, &two) == 2) {
        fake_port.range[0] = (uint8_t)one;
        fake_port.range[1] = (uint8_t)two;
    }
}

static void supply(const char *words)
{
    fake_port.supply_sum = (uint16_t)atoi(words);
}

static void worn(const char *words)
{
    fake_port.eeprom_worn = atoi(words) != 0;
}

static void state(const char *words)
{
    (void)words;
    printf("%u %d %u %u %u", fake_port.bias, fake_port.sampling, fake_port.interval, fake_port.eeprom_writes,
           (uint8_t)(sampler.head - sampler.tail));
}

static const struct {
    const char *name;
    void (*carry_out)(const char *words);
} orders[] = {
    {"boot", boot}, {"rx", take_from_line}, {"tx", give_to_line}, {"take", convert}, {"miss", miss},
    {"poll", poll}, {"strap", strap},       {"supply", supply},   {"worn", worn},    {"state", state},
    {"index", set_index}, {"run", run_on},  {"pass", pass},
};

static int talk(void)
{
    static char text[65536];
    memset(fake_port.eeprom, 0xFF, sizeof fake_port.eeprom);
    while (fgets(text, sizeof text, stdin) != NULL) {
        size_t length = strcspn(text, " \n");
        int known = 0;
        for (size_t i = 0; i < sizeof orders / sizeof orders[0]; i++) {
            if (strlen(orders[i].name) == length && strncmp(text, orders[i].name, length) == 0) {
                orders[i].carry_out(text + length + 1);
                known = 1;
            }
        }
        if (!known)
            return 2;
        putchar('\n');
        fflush(stdout);
    }
    return 0;
}

int main(int count, char **words)
{
    if (count == 3 && strcmp(words[1], "vectors") == 0)
        return check_vectors(words[2]);
    return count == 2 && strcmp(words[1], "talk") == 0 ? talk() : 2;
}
