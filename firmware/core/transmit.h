/* Frames on their way out: a queue of finished frames, emptied by the transmit interrupt.
 *
 *      tail              head            staged
 *       |  ready to send  |  being built  |  free ... (wraps)
 *
 *  tail <= head <= staged <= tail + TRANSMIT_SIZE, counting on without end (modulo 65536).
 *  The interrupt moves tail, up to head. The main loop moves staged, and head to staged when a frame is
 *  whole: the COBS code bytes in between may still change, so the interrupt must not see them.
 */
#ifndef TRANSMIT_H
#define TRANSMIT_H

#include <stdbool.h>
#include <stdint.h>

#include "port.h"

/* Two of the largest data frames, so that one is built while the other goes out. A power of two. */
#define TRANSMIT_SIZE 512u
#define TRANSMIT_MASK (TRANSMIT_SIZE - 1u)

struct transmit_queue {
    uint8_t bytes[TRANSMIT_SIZE];
    volatile uint16_t head;
    volatile uint16_t tail;
    uint16_t staged;  /* the main loop's own */
    uint16_t code_at; /* the COBS code byte of the block being built */
    uint8_t code;
    uint16_t crc;
    uint8_t sequence;
    uint16_t deepest; /* most bytes that ever waited */
};

extern struct transmit_queue transmit;

void transmit_reset(void);

/* Bytes that fit now. */
uint16_t transmit_room(void);

/* One 00 outside any frame: ends whatever the line's other end has seen so far. */
void transmit_empty_frame(void);

/* A frame: begin, its payload, end. The caller has asked for room before: payload + WIRE_OVERHEAD. */
void transmit_begin(uint8_t type);
void transmit_u8(uint8_t byte);
void transmit_u16(uint16_t value);
void transmit_u32(uint32_t value);
void transmit_end(void);

/* For the interrupts: nothing is ready to be sent. */
static inline bool transmit_empty(void)
{
    return transmit.tail == transmit.head;
}

/* For the interrupt: the next byte to send; false when there is none. */
static inline bool transmit_take(uint8_t *byte)
{
    uint16_t tail = transmit.tail;
    if (tail == transmit.head)
        return false;
    *byte = transmit.bytes[tail & TRANSMIT_MASK];
    transmit.tail = (uint16_t)(tail + 1u);
    return true;
}

#endif
