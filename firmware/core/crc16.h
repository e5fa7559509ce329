/* CRC-16/IBM-3740: polynomial 1021, initial value FFFF, check value 29B1 over "123456789". */
#ifndef CRC16_H
#define CRC16_H

#include <stdint.h>

#define CRC16_INITIAL 0xFFFFu

/* One byte more. The shifts are the polynomial's three terms applied to eight bits at once; an 8-bit
 * machine does this in about 20 cycles, without a table. */
static inline uint16_t crc16_update(uint16_t crc, uint8_t byte)
{
    uint8_t high = (uint8_t)((crc >> 8) ^ byte);
    high = (uint8_t)(high ^ (high >> 4));
    uint8_t top = (uint8_t)((uint8_t)crc ^ (uint8_t)(high << 4) ^ (uint8_t)(high >> 3));
    uint8_t low = (uint8_t)(high ^ (uint8_t)(high << 5));
    return (uint16_t)(((uint16_t)top << 8) | low);
}

static inline uint16_t crc16(const uint8_t *bytes, uint16_t length)
{
    uint16_t crc = CRC16_INITIAL;
    for (uint16_t i = 0; i < length; i++)
        crc = crc16_update(crc, bytes[i]);
    return crc;
}

#endif
