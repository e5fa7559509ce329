/* What the vector table in start.c points to. */
#ifndef INTERRUPTS_H
#define INTERRUPTS_H

void systick_interrupt(void);
void converter_interrupt(void);
void usart_interrupt(void);

#endif
