/* Part of the simulated board, which is linked with libsimavr and used in tests only.
 * SPDX-License-Identifier: GPL-3.0-or-later */

#include "terminal.h"

#include <errno.h>
#include <fcntl.h>
#include <poll.h>
#include <stdio.h>
#include <stdlib.h>
#include <termios.h>
#include <time.h>
#include <unistd.h>

#include "line.h"

#define BAUD_TOLERANCE 0.04

static struct {
    struct terminal_options options;
    int master; /* -1 while unplugged */
    bool open;  /* by somebody */
    double deaf_until_s;
    uint8_t waiting[4096]; /* from the chip, not yet written */
    size_t waiting_count;
    uint64_t lost;
    double began_s; /* real time at simulated time 0 */
    double latest_s;
} terminal = {.master = -1};

static void fail(const char *what)
{
    perror(what);
    exit(1);
}

static double real_time(void)
{
    struct timespec now;
    clock_gettime(CLOCK_MONOTONIC, &now);
    return (double)now.tv_sec + 1e-9 * (double)now.tv_nsec;
}

/* No echo, no line editing: also before a program has set the port up. The port is opened and closed once, since
 * only then does the pty tell whether it is open. */
static void make_raw(const char *name)
{
    struct termios settings;
    int port = open(name, O_RDWR | O_NOCTTY);
    if (port < 0 || tcgetattr(port, &settings) != 0)
        fail(name);
    cfmakeraw(&settings);
    tcsetattr(port, TCSANOW, &settings);
    close(port);
}

void terminal_plug(void)
{
    if (terminal.master >= 0)
        return;
    char name[128];
    terminal.master = posix_openpt(O_RDWR | O_NOCTTY | O_NONBLOCK | O_CLOEXEC);
    if (terminal.master < 0 || grantpt(terminal.master) != 0 || unlockpt(terminal.master) != 0 ||
        ptsname_r(terminal.master, name, sizeof name) != 0)
        fail("board: pty");
    make_raw(name);
    unlink(terminal.options.link);
    if (symlink(name, terminal.options.link) != 0)
        fail(terminal.options.link);
}

void terminal_unplug(void)
{
    if (terminal.master >= 0)
        close(terminal.master);
    terminal.master = -1;
    terminal.open = false;
    terminal.waiting_count = 0;
    unlink(terminal.options.link);
}

/* ---- line speed ---- */

static double other_side_baud(void)
{
    static const struct {
        speed_t code;
        double baud;
    } speeds[] = {{B9600, 9600},     {B19200, 19200},   {B38400, 38400},     {B57600, 57600},
                  {B115200, 115200}, {B230400, 230400}, {B500000, 500000},   {B921600, 921600},
                  {B1000000, 1e6},   {B2000000, 2e6}};
    struct termios settings;
    if (tcgetattr(terminal.master, &settings) == 0)
        for (size_t i = 0; i < sizeof speeds / sizeof speeds[0]; i++)
            if (cfgetospeed(&settings) == speeds[i].code)
                return speeds[i].baud;
    return 0;
}

static bool garbled(const avr_t *avr)
{
    if (!terminal.options.mind_baud)
        return false;
    double ratio = other_side_baud() / line_baud(avr);
    return ratio < 1 - BAUD_TOLERANCE || ratio > 1 + BAUD_TOLERANCE;
}

/* What a receiver at another speed makes of a byte: never the byte, and never a plain end of frame. */
static uint8_t garble(uint8_t byte)
{
    return (uint8_t)((byte << 3 | byte >> 5) ^ 0x5A) | 0x80;
}

/* ---- bytes ---- */

static void flush_waiting(bool wait)
{
    while (terminal.waiting_count != 0 && terminal.open) {
        ssize_t written = write(terminal.master, terminal.waiting, terminal.waiting_count);
        if (written > 0) {
            terminal.waiting_count -= (size_t)written;
            for (size_t i = 0; i < terminal.waiting_count; i++)
                terminal.waiting[i] = terminal.waiting[i + (size_t)written];
            continue;
        }
        if (written < 0 && errno != EAGAIN)
            break;
        if (!wait)
            return;
        struct pollfd full = {.fd = terminal.master, .events = POLLOUT};
        poll(&full, 1, 100);
        if ((full.revents & POLLHUP) != 0)
            break;
    }
    if (!terminal.open)
        terminal.waiting_count = 0;
}

void terminal_put(avr_t *avr, uint8_t byte)
{
    if (!terminal.open)
        return;
    if (terminal.waiting_count == sizeof terminal.waiting)
        flush_waiting(terminal.options.fast);
    if (terminal.waiting_count == sizeof terminal.waiting) {
        terminal.lost++;
        return;
    }
    terminal.waiting[terminal.waiting_count++] = garbled(avr) ? garble(byte) : byte;
}

static void take_input(avr_t *avr)
{
    uint8_t bytes[512];
    size_t room = line_room();
    ssize_t count = read(terminal.master, bytes, room < sizeof bytes ? room : sizeof bytes);
    if (count <= 0 || chip_seconds(avr) < terminal.deaf_until_s)
        return;
    if (garbled(avr))
        for (ssize_t i = 0; i < count; i++)
            bytes[i] = garble(bytes[i]);
    line_send(avr, bytes, (size_t)count);
}

/* ---- opening ---- */

static void on_open(avr_t *avr)
{
    terminal.waiting_count = 0;
    if (!terminal.options.reset_on_open)
        return;
    chip_reset(CAUSE_RESET_PIN);
    terminal.deaf_until_s = chip_seconds(avr) + terminal.options.boot_loader_s;
}

static void watch_port(avr_t *avr)
{
    struct pollfd port = {.fd = terminal.master, .events = 0};
    poll(&port, 1, 0);
    bool open = (port.revents & POLLHUP) == 0;
    if (open && !terminal.open)
        on_open(avr);
    terminal.open = open;
}

/* ---- time ---- */

static void keep_time(const avr_t *avr)
{
    double ahead = terminal.began_s + chip_seconds(avr) - real_time();
    if (-ahead > terminal.latest_s)
        terminal.latest_s = -ahead;
    if (ahead <= 0)
        return;
    struct timespec pause = {.tv_sec = (time_t)ahead, .tv_nsec = (long)((ahead - (double)(time_t)ahead) * 1e9)};
    nanosleep(&pause, NULL);
}

void terminal_poll(avr_t *avr)
{
    if (!terminal.options.fast)
        keep_time(avr);
    if (terminal.master < 0)
        return;
    watch_port(avr);
    flush_waiting(terminal.options.fast);
    if (terminal.open)
        take_input(avr);
}

void terminal_begin(avr_t *avr, const struct terminal_options *options)
{
    terminal.options = *options;
    terminal.began_s = real_time() - chip_seconds(avr);
    terminal_plug();
}

uint64_t terminal_lost(void)
{
    return terminal.lost;
}

double terminal_latest_s(void)
{
    return terminal.latest_s;
}
