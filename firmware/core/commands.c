#include "commands.h"

#include "logger.h"
#include "port.h"
#include "sampler.h"
#include "transmit.h"

static uint16_t u16_at(const uint8_t *bytes)
{
    return (uint16_t)(bytes[0] | (uint16_t)((uint16_t)bytes[1] << 8));
}

static void reply_begin(uint8_t type, uint8_t tag, uint8_t status)
{
    transmit_begin(FRAME_REPLY);
    transmit_u8(type);
    transmit_u8(tag);
    transmit_u8(status);
}

static void answer(const struct command_frame *command)
{
    reply_begin(command->type, command->tag, STATUS_DONE);
}

static uint8_t identify(const struct command_frame *command)
{
    if (command->length != 0)
        return STATUS_LENGTH;
    answer(command);
    logger_put_identity();
    return STATUS_DONE;
}

static uint16_t clamp(uint16_t value, uint16_t lowest, uint16_t highest)
{
    if (value < lowest)
        return lowest;
    return value > highest ? highest : value;
}

/* A sum of 64 codes of 10 bits or of 16 codes of 12 fills its 16 bits. */
static uint8_t most_shift(void)
{
    return (board_facts.features & FEATURE_12_BITS) != 0 ? 4 : 6;
}

static uint8_t start(const struct command_frame *command)
{
    if (command->length != 4)
        return STATUS_LENGTH;
    if (logger.state != LOGGER_IDLE)
        return STATUS_RUNNING;
    uint8_t sum_shift = command->payload[2];
    if (sum_shift > most_shift() || (sum_shift & 1u) != 0)
        return STATUS_VALUE;
    uint16_t interval = clamp(u16_at(command->payload), board_facts.shortest_interval,
                              board_facts.longest_interval);
    uint8_t most = sum_shift == 0 ? MOST_RAW_PAIRS : MOST_SUM_PAIRS;
    uint8_t pairs = (uint8_t)clamp(command->payload[3], 1, most);
    uint8_t divider = logger_start_run(interval, sum_shift, pairs);

    answer(command);
    transmit_u8(logger.run);
    transmit_u16(interval);
    transmit_u8(sum_shift);
    transmit_u8(pairs);
    transmit_u8(divider);
    return STATUS_DONE;
}

void command_reply_stopped(uint8_t tag)
{
    reply_begin(FRAME_STOP, tag, STATUS_DONE);
    transmit_u8(logger.run);
    transmit_u32(sampler.next);
    transmit_end();
}

static bool fitted(uint8_t bias)
{
    if (bias == BIAS_OFF)
        return true;
    uint8_t needed = bias == BIAS_WHISPER ? FEATURE_WHISPER : FEATURE_UP_AND_DOWN;
    return (board_facts.features & needed) != 0;
}

static uint8_t set_bias(const struct command_frame *command)
{
    if (command->length != 1)
        return STATUS_LENGTH;
    uint8_t leads = command->payload[0];
    if (leads > 0x0F || !fitted(leads & 3u) || !fitted(leads >> 2))
        return STATUS_VALUE;
    logger_set_bias(leads);
    answer(command);
    transmit_u8(leads);
    return STATUS_DONE;
}

static uint8_t supply(const struct command_frame *command)
{
    if (command->length != 0)
        return STATUS_LENGTH;
    if (logger.state != LOGGER_IDLE)
        return STATUS_RUNNING;
    uint16_t sum = port_supply_sum();
    answer(command);
    transmit_u16(sum);
    return STATUS_DONE;
}

static bool inside_eeprom(uint16_t address, uint8_t length)
{
    return length >= 1 && length <= LONGEST_TRANSFER && address <= EEPROM_SIZE - length;
}

static uint8_t eeprom_read(const struct command_frame *command)
{
    if (command->length != 3)
        return STATUS_LENGTH;
    uint16_t address = u16_at(command->payload);
    uint8_t length = command->payload[2];
    if (!inside_eeprom(address, length))
        return STATUS_VALUE;
    answer(command);
    transmit_u16(address);
    for (uint8_t i = 0; i < length; i++)
        transmit_u8(port_eeprom_read((uint16_t)(address + i)));
    return STATUS_DONE;
}

static bool write_and_verify(uint16_t address, const uint8_t *bytes, uint8_t length)
{
    for (uint8_t i = 0; i < length; i++)
        port_eeprom_write((uint16_t)(address + i), bytes[i]);
    for (uint8_t i = 0; i < length; i++)
        if (port_eeprom_read((uint16_t)(address + i)) != bytes[i])
            return false;
    return true;
}

static uint8_t eeprom_write(const struct command_frame *command)
{
    if (command->length < 3)
        return STATUS_LENGTH;
    if (logger.state != LOGGER_IDLE)
        return STATUS_RUNNING;
    uint16_t address = u16_at(command->payload);
    uint8_t length = (uint8_t)(command->length - 2u);
    if (!inside_eeprom(address, length))
        return STATUS_VALUE;
    if (!write_and_verify(address, command->payload + 2, length))
        return STATUS_FAILED;
    answer(command);
    transmit_u16(address);
    transmit_u8(length);
    return STATUS_DONE;
}

static uint16_t receive_overruns(void)
{
    uint8_t before = port_lock();
    uint16_t overruns = receive.overruns;
    port_unlock(before);
    return overruns;
}

static uint8_t statistics(const struct command_frame *command)
{
    if (command->length != 0)
        return STATUS_LENGTH;
    answer(command);
    transmit_u32(sampler.lost);
    transmit_u16(sampler_missed_triggers());
    transmit_u16(receive_damaged());
    transmit_u16(receive_overruns());
    transmit_u16(transmit.deepest);
    transmit_u32(logger.now_ms);
    return STATUS_DONE;
}

static uint8_t echo(const struct command_frame *command)
{
    if (command->length > LONGEST_TRANSFER)
        return STATUS_LENGTH;
    answer(command);
    for (uint8_t i = 0; i < command->length; i++)
        transmit_u8(command->payload[i]);
    return STATUS_DONE;
}

/* Each either answers and returns STATUS_DONE with the reply still open, or has written nothing. */
static uint8_t carry_out(const struct command_frame *command)
{
    switch (command->type) {
    case FRAME_IDENTIFY:
        return identify(command);
    case FRAME_START:
        return start(command);
    case FRAME_STOP:
        return STATUS_LENGTH; /* a good one never gets here */
    case FRAME_BIAS:
        return set_bias(command);
    case FRAME_SUPPLY:
        return supply(command);
    case FRAME_EEPROM_READ:
        return eeprom_read(command);
    case FRAME_EEPROM_WRITE:
        return eeprom_write(command);
    case FRAME_STATISTICS:
        return statistics(command);
    case FRAME_ECHO:
        return echo(command);
    default:
        return STATUS_UNKNOWN;
    }
}

void command_carry_out(const struct command_frame *command)
{
    if (command->type == FRAME_STOP && command->length == 0) {
        logger_stop_run(command->tag); /* answered when the last pair is out */
        return;
    }
    uint8_t status = carry_out(command);
    if (status != STATUS_DONE)
        reply_begin(command->type, command->tag, status);
    transmit_end();
}
