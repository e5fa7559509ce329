/* What the computer asks for: every well-formed command is answered by one reply with its tag. */
#ifndef COMMANDS_H
#define COMMANDS_H

#include "receive.h"

/* Carry out one command and answer it. There must be room for LARGEST_REPLY_WIRE bytes. */
void command_carry_out(const struct command_frame *command);

/* The reply to stop, which waits until the last pair has been sent. */
void command_reply_stopped(uint8_t tag);

#endif
