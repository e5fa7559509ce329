/* Part of the simulated board, which is linked with libsimavr and used in tests only.
 * SPDX-License-Identifier: GPL-3.0-or-later */

/* The simulated board: the real firmware in simavr, its leads on a recording or a small circuit, its serial line on
 * a pty or in files. Runs with a script are the same to the last byte, however fast the computer is. */
#include <errno.h>
#include <getopt.h>
#include <poll.h>
#include <signal.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sys/prctl.h>
#include <unistd.h>

#include "chip.h"
#include "converter.h"
#include "front.h"
#include "leads.h"
#include "line.h"
#include "measure.h"
#include "memory.h"
#include "orders.h"
#include "terminal.h"

#define MUTE_S 1.0 /* a firmware that has not said a word by then is announced all the same */

static const char usage[] =
    "usage: board --elf FILE (--script FILE | --pty LINK) [options]\n"
    "  --script FILE         orders in time (orders.h); the chip's bytes go to stdout\n"
    "  --pty LINK            serial line on a pty, orders from stdin, until stdin ends\n"
    "  --leads FILE          recording for the leads (leads.h); without it a circuit, both leads open\n"
    "  --leads-from run      the recording begins with each run instead of with power on\n"
    "  --circuit WORDS       what the leads are on (leads.h)\n"
    "  --noise CODES         standard deviation of the noise, in converter codes (0)\n"
    "  --seed N              of the noise (1)\n"
    "  --front G1,V1,G2,V2,B gain and shift of each lead, bend in codes (1,0,1,0,0)\n"
    "  --supply V            the chip's supply and reference (5.0)\n"
    "  --bandgap V           the chip's bandgap (1.1)\n"
    "  --eeprom FILE         keep the EEPROM here\n"
    "  --facts FILE          write what was measured, as JSON, at the end\n"
    "with --pty:\n"
    "  --fast                as fast as possible instead of in real time\n"
    "  --mind-baud           a wrong line speed garbles the bytes\n"
    "  --reset-on-open       opening the port resets the chip\n"
    "  --boot-loader S       after that, bytes sent within S seconds vanish\n";

static struct {
    const char *elf, *script, *leads, *circuit, *eeprom, *facts;
    struct terminal_options terminal;
    double noise, supply_v, bandgap_v;
    uint64_t seed;
    bool leads_from_run;
    struct front_faults faults;
} options = {.supply_v = 5.0, .bandgap_v = 1.1, .seed = 1, .faults = {.gain = {1, 1}}};

static volatile sig_atomic_t ended;

static void end(void)
{
    ended = 1;
}

static void on_signal(int number)
{
    (void)number;
    ended = 1;
}

static void refuse(void)
{
    fputs(usage, stderr);
    exit(2);
}

static void read_faults(const char *words)
{
    struct front_faults *f = &options.faults;
    if (sscanf(words, "%lf,%lf,%lf,%lf,%lf", &f->gain[0], &f->offset_v[0], &f->gain[1], &f->offset_v[1],
               &f->bend_codes) != 5)
        refuse();
}

static void read_options(int count, char **words)
{
    enum { ELF, SCRIPT, PTY, LEADS, FROM, CIRCUIT, NOISE, SEED, FRONT, SUPPLY, BANDGAP, EEPROM, FACTS, FAST, MIND, RESET, BOOT };
    static const struct option known[] = {
        {"elf", 1, NULL, ELF},           {"script", 1, NULL, SCRIPT},       {"pty", 1, NULL, PTY},
        {"leads", 1, NULL, LEADS},       {"leads-from", 1, NULL, FROM},     {"circuit", 1, NULL, CIRCUIT},
        {"front", 1, NULL, FRONT},       {"noise", 1, NULL, NOISE},       {"seed", 1, NULL, SEED},           {"supply", 1, NULL, SUPPLY},
        {"bandgap", 1, NULL, BANDGAP},   {"eeprom", 1, NULL, EEPROM},       {"facts", 1, NULL, FACTS},
        {"fast", 0, NULL, FAST},         {"mind-baud", 0, NULL, MIND},      {"reset-on-open", 0, NULL, RESET},
        {"boot-loader", 1, NULL, BOOT},  {NULL, 0, NULL, 0}};
    for (int found; (found = getopt_long(count, words, "", known, NULL)) != -1;) {
        switch (found) {
        case ELF: options.elf = optarg; break;
        case SCRIPT: options.script = optarg; break;
        case PTY: options.terminal.link = optarg; break;
        case LEADS: options.leads = optarg; break;
        case FROM: options.leads_from_run = strcmp(optarg, "run") == 0; break;
        case CIRCUIT: options.circuit = optarg; break;
        case NOISE: options.noise = atof(optarg); break;
        case SEED: options.seed = strtoull(optarg, NULL, 10); break;
        case FRONT: read_faults(optarg); break;
        case SUPPLY: options.supply_v = atof(optarg); break;
        case BANDGAP: options.bandgap_v = atof(optarg); break;
        case EEPROM: options.eeprom = optarg; break;
        case FACTS: options.facts = optarg; break;
        case FAST: options.terminal.fast = true; break;
        case MIND: options.terminal.mind_baud = true; break;
        case RESET: options.terminal.reset_on_open = true; break;
        case BOOT: options.terminal.boot_loader_s = atof(optarg); break;
        default: refuse();
        }
    }
    if (optind != count || options.elf == NULL || (options.script == NULL) == (options.terminal.link == NULL))
        refuse();
}

static void put_on_stdout(avr_t *avr, uint8_t byte)
{
    (void)avr;
    putchar(byte);
}

static void write_facts(const avr_t *avr)
{
    FILE *file = fopen(options.facts, "w");
    if (file == NULL) {
        perror(options.facts);
        return;
    }
    fprintf(file, "{\n");
    measure_write(file, avr);
    fprintf(file, "  \"simulated_s\": %.9f,\n", chip_seconds(avr));
    fprintf(file, "  \"run_began_s\": %.9f,\n", (double)converter_run_began() / CLOCK_HZ);
    fprintf(file, "  \"runs\": %u,\n", converter_runs());
    fprintf(file, "  \"missed_triggers\": %u,\n", converter_missed());
    fprintf(file, "  \"baud\": %.1f,\n", line_baud(avr));
    fprintf(file, "  \"bytes_sent\": %llu,\n", (unsigned long long)line_bytes_sent());
    fprintf(file, "  \"receive_overruns\": %u,\n", line_overruns());
    fprintf(file, "  \"eeprom_writes\": %u,\n", memory_writes());
    fprintf(file, "  \"terminal_lost\": %llu,\n", (unsigned long long)terminal_lost());
    fprintf(file, "  \"latest_s\": %.6f\n}\n", terminal_latest_s());
    fclose(file);
}

/* Orders from stdin, a line at a time; its end is the end. */
static void poll_stdin(void)
{
    static char text[8192];
    static size_t length;
    struct pollfd input = {.fd = STDIN_FILENO, .events = POLLIN};
    if (poll(&input, 1, 0) <= 0)
        return;
    ssize_t count = read(STDIN_FILENO, text + length, sizeof text - 1 - length);
    if (count <= 0) {
        end();
        return;
    }
    length += (size_t)count;
    for (char *stop; (stop = memchr(text, '\n', length)) != NULL;) {
        *stop = 0;
        size_t used = (size_t)(stop + 1 - text);
        if (!order_carry_out(text))
            exit(1);
        length -= used;
        memmove(text, stop + 1, length);
    }
}

/* "ready" on stdout once the firmware has begun to speak: what is sent before that is not heard. */
static void announce(const avr_t *avr)
{
    static bool announced;
    if (announced || (line_bytes_sent() == 0 && chip_seconds(avr) < MUTE_S))
        return;
    announced = true;
    printf("ready\n");
    fflush(stdout);
}

static bool run_on_pty(avr_t *avr)
{
    bool alive = true;
    avr_cycle_count_t next_poll = 0;
    while (alive && !ended) {
        alive = chip_run(avr);
        if (avr->cycle < next_poll)
            continue;
        terminal_poll(avr);
        announce(avr);
        poll_stdin();
        next_poll = avr->cycle + CLOCK_HZ / 1000u;
    }
    terminal_unplug();
    return alive;
}

static bool run_script(avr_t *avr)
{
    bool alive = true;
    while (alive && !ended)
        alive = chip_run(avr);
    fflush(stdout);
    return alive;
}

/* A test that dies must leave nothing running behind it. */
static void die_with_parent(void)
{
    pid_t parent = getppid();
    prctl(PR_SET_PDEATHSIG, SIGKILL);
    if (getppid() != parent)
        exit(1);
}

static bool set_up(avr_t *avr)
{
    bool scripted = options.script != NULL;
    struct order_targets targets = {scripted ? NULL : terminal_unplug, scripted ? NULL : terminal_plug, end};
    memory_begin(avr, options.eeprom, targets.unplug);
    line_begin(avr, scripted ? put_on_stdout : terminal_put);
    converter_begin(avr, front_pin_volts, options.supply_v, options.bandgap_v);
    front_begin(avr, options.noise, options.seed, &options.faults);
    if (options.leads_from_run)
        front_time_from_run();
    orders_begin(avr, &targets);
    if (options.leads != NULL && !leads_play(options.leads))
        return false;
    if (!leads_connect(options.circuit != NULL ? options.circuit : "lead1=open lead2=open"))
        return false;
    if (scripted)
        return orders_schedule(options.script);
    terminal_begin(avr, &options.terminal);
    return true;
}

int main(int count, char **words)
{
    die_with_parent();
    signal(SIGTERM, on_signal);
    signal(SIGINT, on_signal);
    signal(SIGPIPE, SIG_IGN);
    read_options(count, words);
    avr_t *avr = chip_begin(options.elf);
    if (!set_up(avr))
        return 1;
    bool alive = options.script != NULL ? run_script(avr) : run_on_pty(avr);
    if (options.facts != NULL)
        write_facts(avr);
    if (!alive)
        fprintf(stderr, "board: the chip has stopped at %.6f s\n", chip_seconds(avr));
    return alive ? 0 : 1;
}
