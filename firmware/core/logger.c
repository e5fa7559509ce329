#include "logger.h"

#include <stddef.h>

#include "commands.h"
#include "port.h"
#include "receive.h"
#include "sampler.h"
#include "transmit.h"

#define HEARTBEAT_MS 1000u
#define BIAS_HELD_MS 5000u

struct logger logger;

void logger_put_identity(void)
{
    transmit_u8(PROTOCOL_VERSION);
    transmit_u8(FIRMWARE_MAJOR);
    transmit_u8(FIRMWARE_MINOR);
    transmit_u8(FIRMWARE_PATCH);
    transmit_u32(logger.boot_id);
    transmit_u8(logger.reset_cause);
    transmit_u8(board_facts.board);
    transmit_u8(board_facts.features);
    transmit_u32(board_facts.clock_hz);
    transmit_u16(board_facts.shortest_interval);
    transmit_u16(board_facts.longest_interval);
    transmit_u8(board_facts.highest_range);
    for (uint8_t i = 0; i < SERIAL_LENGTH; i++)
        transmit_u8(logger.settings.serial[i]);
}

void logger_begin(uint8_t reset_cause)
{
    logger.state = LOGGER_IDLE;
    logger.run = 0;
    logger.bias = 0;
    logger.reset_cause = reset_cause;
    logger.now_ms = 0;
    logger.last_command_ms = 0;
    logger.last_heartbeat_ms = 0;
    transmit_reset();
    sampler_reset();
    logger.boot_id = settings_count_boot();
    transmit_empty_frame();
    transmit_begin(FRAME_HELLO);
    logger_put_identity();
    transmit_end();
}

static front_state front_now(void)
{
    return front_with(logger.bias, port_range(1), port_range(2));
}

uint8_t logger_start_run(uint16_t interval, uint8_t sum_shift, uint8_t pairs_per_frame)
{
    logger.run = logger.run == UINT8_MAX ? 1 : (uint8_t)(logger.run + 1u);
    logger.sum_shift = sum_shift;
    logger.pairs_per_frame = pairs_per_frame;
    logger.state = LOGGER_RUNNING;
    sampler_begin((uint8_t)(1u << sum_shift), pairs_per_frame, front_now());
    return port_start_sampling(interval);
}

void logger_stop_run(uint8_t tag)
{
    port_stop_sampling();
    port_set_bias(logger.bias); /* no pair boundary will come for a change that waits */
    logger.stop_tag = tag;
    logger.state = LOGGER_STOPPING; /* from idle as well: there is nothing left to send then */
}

void logger_set_bias(uint8_t bias)
{
    logger.bias = bias;
    if (logger.state == LOGGER_RUNNING)
        sampler.wanted = front_now();
    else
        port_set_bias(bias);
}

static bool carries_current(uint8_t bias)
{
    return bias == BIAS_UP || bias == BIAS_DOWN;
}

/* Up and down may feed something: they end when the computer has gone silent. */
static void let_go_of_bias(void)
{
    bool strong = carries_current(logger.bias & 3u) || carries_current(logger.bias >> 2);
    if (strong && logger.now_ms - logger.last_command_ms >= BIAS_HELD_MS)
        logger_set_bias(0);
}

/* Somebody may move a range strap while a run goes on. */
static void watch_front(void)
{
    if (logger.state == LOGGER_RUNNING)
        sampler.wanted = front_now();
}

static uint8_t data_flags(uint8_t bias)
{
    uint8_t flags = (uint8_t)(bias << DATA_BIAS_SHIFT);
    if (logger.sum_shift != 0)
        flags |= DATA_SUMS;
    if (sampler.jumped)
        flags |= DATA_OVERFLOW;
    if (sampler.jumped_by_miss)
        flags |= DATA_MISSED;
    return flags;
}

static void put_pair(const struct pair *pair)
{
    if (logger.sum_shift != 0) {
        transmit_u16(pair->lead1);
        transmit_u16(pair->lead2);
        return;
    }
    transmit_u8((uint8_t)pair->lead1);
    transmit_u8((uint8_t)((uint8_t)(pair->lead1 >> 8) | (uint8_t)(pair->lead2 << 4)));
    transmit_u8((uint8_t)(pair->lead2 >> 4));
}

static void send_data(uint8_t pairs)
{
    front_state front = sampler_pair(0)->front;
    transmit_begin(FRAME_DATA);
    transmit_u32(sampler.next);
    transmit_u8(logger.run);
    transmit_u8(pairs);
    transmit_u8(data_flags(front & FRONT_BIAS));
    transmit_u8(front_ranges(front));
    for (uint8_t i = 0; i < pairs; i++)
        put_pair(sampler_pair(i));
    transmit_end();
    sampler_fetched(pairs);
}

/* True when a frame was sent. */
static bool poll_data(void)
{
    bool complete;
    sampler_advance();
    uint8_t pairs = sampler_ready(logger.pairs_per_frame, &complete);
    if (pairs == 0 || !(complete || logger.state == LOGGER_STOPPING))
        return false;
    uint16_t size = logger.sum_shift != 0 ? 4 : 3;
    if (transmit_room() < WIRE_OVERHEAD + DATA_HEAD + size * pairs)
        return false;
    send_data(pairs);
    return true;
}

static bool poll_stopping(void)
{
    if (logger.state != LOGGER_STOPPING || sampler.head != sampler.tail ||
        transmit_room() < LARGEST_REPLY_WIRE)
        return false;
    sampler_advance(); /* what was dropped last */
    logger.state = LOGGER_IDLE;
    command_reply_stopped(logger.stop_tag);
    return true;
}

/* While the last pairs of a run go out, further commands wait in the receive queue. */
static bool poll_commands(void)
{
    if (logger.state == LOGGER_STOPPING || transmit_room() < LARGEST_REPLY_WIRE)
        return false;
    const struct command_frame *command = receive_frame();
    if (command == NULL)
        return false;
    if ((command->type & FROM_DEVICE) == 0) {
        logger.last_command_ms = logger.now_ms;
        command_carry_out(command);
    }
    return true;
}

static void poll_heartbeat(void)
{
    if (logger.now_ms - logger.last_heartbeat_ms < HEARTBEAT_MS || transmit_room() < HEARTBEAT_WIRE)
        return;
    logger.last_heartbeat_ms += HEARTBEAT_MS;
    transmit_begin(FRAME_HEARTBEAT);
    transmit_u32(logger.boot_id);
    transmit_u8(logger.run);
    transmit_u8(logger.state == LOGGER_RUNNING);
    transmit_u32(sampler.next);
    transmit_end();
}

bool logger_poll(uint32_t now_ms)
{
    logger.now_ms = now_ms;
    let_go_of_bias();
    watch_front();
    poll_heartbeat();
    bool busy = poll_commands();
    busy = poll_data() || busy;
    return poll_stopping() || busy;
}
