/* The logger: runs, frames, heartbeats and the bias that lets go by itself. Commands are in commands.h. */
#ifndef LOGGER_H
#define LOGGER_H

#include <stdbool.h>
#include <stdint.h>

#include "settings.h"

enum logger_state { LOGGER_IDLE, LOGGER_RUNNING, LOGGER_STOPPING };

struct logger {
    enum logger_state state;
    uint8_t run;             /* of the last start; 0 before the first */
    uint8_t sum_shift;       /* 0, 2, 4, 6 */
    uint8_t pairs_per_frame; /* 1 to 80, with sums to 60 */
    uint8_t stop_tag;        /* of the stop command that is to be answered */
    uint8_t bias;            /* as commanded, or let go */
    uint8_t reset_cause;
    uint32_t boot_id;
    uint32_t now_ms;          /* since boot, modulo 2^32 */
    uint32_t last_command_ms; /* last well-formed one */
    uint32_t last_heartbeat_ms;
    struct settings settings;
};

extern struct logger logger;

/* At boot, when logger.settings are loaded and the receiver is on: say hello. `reset_cause` as in ../README.md. */
void logger_begin(uint8_t reset_cause);

/* At most one command, one data frame and one heartbeat. Call after any event, and again while it returns true;
 * `now_ms` counts on from boot. */
bool logger_poll(uint32_t now_ms);

/* Payload of the hello and of the reply to identify. */
void logger_put_identity(void);

/* What `commands.c` carries out. */
uint8_t logger_start_run(uint16_t interval, uint8_t sum_shift, uint8_t pairs_per_frame); /* divider */
void logger_stop_run(uint8_t tag);
void logger_set_bias(uint8_t bias);

#endif
