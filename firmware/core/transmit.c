#include "transmit.h"

#include "crc16.h"

struct transmit_queue transmit;

void transmit_reset(void)
{
    transmit.head = 0;
    transmit.tail = 0;
    transmit.staged = 0;
    transmit.sequence = 0;
    transmit.deepest = 0;
}

static uint16_t waiting(void)
{
    uint8_t before = port_lock(); /* two bytes: the interrupt must not move one between our reads */
    uint16_t tail = transmit.tail;
    port_unlock(before);
    return (uint16_t)(transmit.staged - tail);
}

uint16_t transmit_room(void)
{
    return (uint16_t)(TRANSMIT_SIZE - waiting());
}

static void stage(uint8_t byte)
{
    transmit.bytes[transmit.staged & TRANSMIT_MASK] = byte;
    transmit.staged++;
}

static void publish(void)
{
    uint16_t depth = waiting();
    if (depth > transmit.deepest)
        transmit.deepest = depth;
    uint8_t before = port_lock();
    transmit.head = transmit.staged;
    port_unlock(before);
    port_wake_transmitter();
}

/* Start a COBS block; its code byte is written when the block's length is known. */
static void open_block(void)
{
    transmit.code_at = transmit.staged & TRANSMIT_MASK;
    transmit.staged++;
    transmit.code = 1;
}

/* A body stays below 254 bytes (MOST_RAW_PAIRS, MOST_SUM_PAIRS), so a block never fills up. */
static void encode(uint8_t byte)
{
    if (byte == 0) {
        transmit.bytes[transmit.code_at] = transmit.code;
        open_block();
        return;
    }
    stage(byte);
    transmit.code++;
}

void transmit_empty_frame(void)
{
    stage(0);
    publish();
}

void transmit_begin(uint8_t type)
{
    transmit.crc = CRC16_INITIAL;
    open_block();
    transmit_u8(type);
    transmit_u8(transmit.sequence++);
}

void transmit_u8(uint8_t byte)
{
    transmit.crc = crc16_update(transmit.crc, byte);
    encode(byte);
}

void transmit_u16(uint16_t value)
{
    transmit_u8((uint8_t)value);
    transmit_u8((uint8_t)(value >> 8));
}

void transmit_u32(uint32_t value)
{
    transmit_u16((uint16_t)value);
    transmit_u16((uint16_t)(value >> 16));
}

void transmit_end(void)
{
    uint16_t crc = transmit.crc;
    encode((uint8_t)(crc >> 8));
    encode((uint8_t)crc);
    transmit.bytes[transmit.code_at] = transmit.code;
    stage(0);
    publish();
}
