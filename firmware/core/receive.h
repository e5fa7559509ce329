/* Bytes on their way in: a queue filled by the receive interrupt, and the frames found in it.
 *
 *      tail                 head
 *       |  not yet looked at  |  free ... (wraps)
 *
 *  head - tail <= RECEIVE_SIZE, counting on modulo 256. The interrupt moves head, the main loop tail.
 */
#ifndef RECEIVE_H
#define RECEIVE_H

#include <stdbool.h>
#include <stdint.h>

#include "wire.h"

/* A few whole commands: the main loop looks at least once per frame it builds, well within 3 ms. */
#define RECEIVE_SIZE 128u
#define RECEIVE_MASK (RECEIVE_SIZE - 1u)

struct receive_queue {
    uint8_t bytes[RECEIVE_SIZE];
    volatile uint8_t head;
    volatile uint8_t tail;
    volatile uint16_t overruns; /* bytes lost, here or in the receiver; stays at 65535 */
};

extern struct receive_queue receive;

/* A command as it came: type, tag, payload. */
struct command_frame {
    uint8_t type;
    uint8_t tag;
    uint8_t length;
    const uint8_t *payload;
};

void receive_reset(void);

/* Damaged frames so far; stays at 65535. */
uint16_t receive_damaged(void);

/* Look at waiting bytes up to the end of the next good frame, which stays valid until the next call; NULL when
 * they are used up without one. */
const struct command_frame *receive_frame(void);

/* For the interrupt. */
static inline void receive_lost(void)
{
    if (receive.overruns != UINT16_MAX)
        receive.overruns++;
}

static inline void receive_put(uint8_t byte)
{
    uint8_t head = receive.head;
    if ((uint8_t)(head - receive.tail) == RECEIVE_SIZE) {
        receive_lost();
        return;
    }
    receive.bytes[head & RECEIVE_MASK] = byte;
    receive.head = (uint8_t)(head + 1u);
}

#endif
