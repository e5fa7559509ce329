#include "string.h"

#include <stdint.h>

/* Compiled with -fno-builtin, or these loops would become calls of themselves. */
void *memcpy(void *restrict to, const void *restrict from, size_t count)
{
    uint8_t *target = to;
    const uint8_t *source = from;
    while (count-- > 0)
        *target++ = *source++;
    return to;
}

void *memset(void *to, int byte, size_t count)
{
    uint8_t *target = to;
    while (count-- > 0)
        *target++ = (uint8_t)byte;
    return to;
}
