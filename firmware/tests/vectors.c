/* The examples both sides of the wire are tested with (../vectors.txt), as far as they concern the device. */
#include "vectors.h"

#include <stdint.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#include "crc16.h"
#include "receive.h"
#include "transmit.h"
#include "wire.h"

#define LONGEST_LINE 8192u
#define MOST_BYTES 1024u

struct bytes {
    uint8_t at[MOST_BYTES];
    uint16_t count;
};

static int failures;
static int checked;

static void expect(int good, const char *kind, const char *name, const char *what)
{
    checked++;
    if (good)
        return;
    failures++;
    printf("%s %s: %s\n", kind, name, what);
}

static void read_hex(const char *hex, struct bytes *bytes)
{
    unsigned value;
    bytes->count = 0;
    for (; sscanf(hex, "%2x", &value) == 1; hex += 2)
        bytes->at[bytes->count++] = (uint8_t)value;
}

static int same(const struct bytes *one, const uint8_t *other, uint16_t count)
{
    return one->count == count && memcmp(one->at, other, count) == 0;
}

static void check_crc(const char *name, const struct bytes *bytes, const struct bytes *crc)
{
    uint16_t found = crc16(bytes->at, bytes->count);
    uint8_t expected[2] = {(uint8_t)(found >> 8), (uint8_t)found};
    expect(same(crc, expected, 2), "crc", name, "another CRC");
}

/* Every frame of the vectors can be written, the computer's too: the encoder is the same. */
static void check_sent(const char *name, const struct bytes *body, const struct bytes *wire)
{
    struct bytes sent = {.count = 0};
    transmit_reset();
    transmit.sequence = body->at[1];
    transmit_begin(body->at[0]);
    for (uint16_t i = 2; i < body->count - 2; i++)
        transmit_u8(body->at[i]);
    transmit_end();
    while (transmit_take(&sent.at[sent.count]))
        sent.count++;
    expect(same(wire, sent.at, sent.count), "frame", name, "sent otherwise");
}

/* Bytes from the line; how many frames came out, and the last of them. */
static int hear(const struct bytes *wire, const struct command_frame **last)
{
    int frames = 0;
    const struct command_frame *frame;
    receive_reset();
    for (uint16_t i = 0; i < wire->count; i++) {
        receive_put(wire->at[i]);
        while ((frame = receive_frame()) != NULL) {
            *last = frame;
            frames++;
        }
    }
    return frames;
}

static void check_heard(const char *name, const struct bytes *body, const struct bytes *wire)
{
    const struct command_frame *frame = NULL;
    int frames = hear(wire, &frame);
    if (body->count > LARGEST_COMMAND_BODY) {
        expect(frames == 0 && receive_damaged() == 1, "frame", name, "too long, and not refused");
        return;
    }
    expect(frames == 1 && receive_damaged() == 0 && frame->type == body->at[0] && frame->tag == body->at[1] &&
               frame->length == body->count - 4 && memcmp(frame->payload, body->at + 2, frame->length) == 0,
           "frame", name, "heard otherwise");
}

static void check_line(char *kind, const char *name, const char *first, const char *second)
{
    struct bytes one, two;
    const struct command_frame *frame;
    read_hex(first, &one);
    read_hex(second, &two);
    if (strcmp(kind, "crc") == 0) {
        check_crc(name, &one, &two);
    } else if (strcmp(kind, "frame") == 0) {
        check_sent(name, &one, &two);
        check_heard(name, &one, &two);
    } else if (strcmp(kind, "broken") == 0) {
        expect(hear(&one, &frame) == 0 && receive_damaged() == 1, kind, name, "not one damaged frame");
    } else if (strcmp(kind, "quiet") == 0) {
        expect(hear(&one, &frame) == 0 && receive_damaged() == 0, kind, name, "not quiet");
    }
}

int check_vectors(const char *path)
{
    static char text[LONGEST_LINE], kind[32], name[64], first[LONGEST_LINE], second[LONGEST_LINE];
    FILE *file = fopen(path, "r");
    if (file == NULL) {
        perror(path);
        return 1;
    }
    while (fgets(text, sizeof text, file) != NULL) {
        second[0] = 0;
        if (text[0] != '#' && sscanf(text, "%31s %63s %8191s %8191s", kind, name, first, second) >= 3)
            check_line(kind, name, first, second);
    }
    fclose(file);
    printf("%d checks, %d failures\n", checked, failures);
    return failures != 0 || checked == 0;
}
