/* Names and sizes of what goes over the line. The bytes themselves: ../README.md. */
#ifndef WIRE_H
#define WIRE_H

#define PROTOCOL_VERSION 1u

#define FIRMWARE_MAJOR 0u
#define FIRMWARE_MINOR 1u
#define FIRMWARE_PATCH 0u

enum frame_type {
    FRAME_IDENTIFY = 0x10,
    FRAME_START = 0x11,
    FRAME_STOP = 0x12,
    FRAME_BIAS = 0x13,
    FRAME_SUPPLY = 0x14,
    FRAME_EEPROM_READ = 0x15,
    FRAME_EEPROM_WRITE = 0x16,
    FRAME_STATISTICS = 0x17,
    FRAME_ECHO = 0x18,
    FRAME_HELLO = 0x80,
    FRAME_DATA = 0x81,
    FRAME_HEARTBEAT = 0x82,
    FRAME_REPLY = 0x83
};

/* Types from a device carry this bit: the logger never answers them, not even its own echo. */
#define FROM_DEVICE 0x80u

enum status {
    STATUS_DONE = 0,
    STATUS_UNKNOWN = 1,
    STATUS_LENGTH = 2,
    STATUS_VALUE = 3,
    STATUS_RUNNING = 4,
    STATUS_FAILED = 5
};

enum data_flag { DATA_SUMS = 0x01, DATA_MISSED = 0x02, DATA_OVERFLOW = 0x04 };

#define DATA_BIAS_SHIFT 4u

/* Bias of one lead, two bits; lead 1 in bits 0-1, lead 2 in bits 2-3. */
enum bias { BIAS_OFF = 0, BIAS_WHISPER = 1, BIAS_UP = 2, BIAS_DOWN = 3 };

enum feature { FEATURE_WHISPER = 0x01, FEATURE_UP_AND_DOWN = 0x02, FEATURE_12_BITS = 0x04 };

enum board { BOARD_ATMEGA328P = 1, BOARD_STM32F103 = 2 };

#define SMALLEST_BODY 4u          /* type, sequence, CRC */
#define LARGEST_COMMAND_BODY 70u  /* EEPROM write of 64 bytes */
#define LONGEST_TRANSFER 64u      /* bytes of one EEPROM read or write, or echo */
#define WIRE_OVERHEAD 6u          /* type, sequence, CRC, COBS, 00 */
#define LARGEST_REPLY_WIRE (WIRE_OVERHEAD + 3u + 2u + LONGEST_TRANSFER)
#define HEARTBEAT_WIRE (WIRE_OVERHEAD + 10u)
#define DATA_HEAD 8u

#define MOST_RAW_PAIRS 80u /* in one data frame: a body stays below 254 bytes */
#define MOST_SUM_PAIRS 60u

#define SERIAL_LENGTH 10u

#endif
