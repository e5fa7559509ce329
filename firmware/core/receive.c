#include "receive.h"

#include <stddef.h>

#include "crc16.h"

struct receive_queue receive;

/* The frame being decoded, COBS undone as the bytes come. */
static struct {
    uint8_t body[LARGEST_COMMAND_BODY];
    uint8_t length;
    uint8_t left;      /* bytes to come in this COBS block */
    bool zero_follows; /* the block stands for a 00 after it, if another block comes; one without (code FF) is longer
                        * than any command */
    bool begun;        /* anything since the last 00 */
    bool too_long;
    uint16_t damaged;
    struct command_frame frame; /* the last good one */
} decoder;

static void expect_new_frame(void)
{
    decoder.length = 0;
    decoder.left = 0;
    decoder.zero_follows = false;
    decoder.begun = false;
    decoder.too_long = false;
}

void receive_reset(void)
{
    receive.head = 0;
    receive.tail = 0;
    receive.overruns = 0;
    decoder.damaged = 0;
    expect_new_frame();
}

uint16_t receive_damaged(void)
{
    return decoder.damaged;
}

static void append(uint8_t byte)
{
    if (decoder.length == LARGEST_COMMAND_BODY) {
        decoder.too_long = true;
        return;
    }
    decoder.body[decoder.length++] = byte;
}

static void decode(uint8_t byte)
{
    decoder.begun = true;
    if (decoder.left != 0) {
        decoder.left--;
        append(byte);
        return;
    }
    if (decoder.zero_follows)
        append(0);
    decoder.left = (uint8_t)(byte - 1u);
    decoder.zero_follows = true;
}

static bool frame_is_good(void)
{
    return !decoder.too_long && decoder.left == 0 && decoder.length >= SMALLEST_BODY &&
           crc16(decoder.body, decoder.length) == 0;
}

/* A 00 came: true when what was before it is a frame. */
static bool close_frame(void)
{
    bool begun = decoder.begun;
    bool good = frame_is_good();
    if (good) {
        decoder.frame.type = decoder.body[0];
        decoder.frame.tag = decoder.body[1];
        decoder.frame.length = (uint8_t)(decoder.length - SMALLEST_BODY);
        decoder.frame.payload = decoder.body + 2;
    } else if (begun && decoder.damaged != UINT16_MAX) {
        decoder.damaged++;
    }
    expect_new_frame();
    return good;
}

const struct command_frame *receive_frame(void)
{
    while (receive.tail != receive.head) {
        uint8_t byte = receive.bytes[receive.tail & RECEIVE_MASK];
        receive.tail++;
        if (byte != 0)
            decode(byte);
        else if (close_frame())
            return &decoder.frame;
    }
    return NULL;
}
