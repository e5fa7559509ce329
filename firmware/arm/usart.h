/* The serial line: its interrupt, and its speed. */
#ifndef USART_H
#define USART_H

#include <stdint.h>

/* Receiver and transmitter on; `baud_code` as in settings.h. */
void usart_begin(uint8_t baud_code);

#endif
