#include "usart.h"

#include "clock.h"
#include "interrupts.h"
#include "pins.h"
#include "receive.h"
#include "settings.h"
#include "transmit.h"
#include "work.h"

/* All three come out within 0.1 %. */
#define DIVIDER(baud) ((CLOCK_HZ + (baud) / 2u) / (baud))

static const uint16_t dividers[] = {
    [BAUD_115200] = DIVIDER(115200u),
    [BAUD_500000] = DIVIDER(500000u),
    [BAUD_1000000] = DIVIDER(1000000u),
};

/* In the queue when the main loop may want to build the next frame: room for the largest one. */
#define LOW_WATER (TRANSMIT_SIZE / 2u)

#define PRIORITY 0x80u /* below the converter's */

static void receive_byte(uint32_t state)
{
    uint8_t byte = (uint8_t)USART1->DR; /* clears RXNE, and ORE if that was seen */
    if ((state & ORE) != 0)
        receive_lost();
    if ((state & RXNE) == 0)
        return; /* the lost one came between the last two readings of SR and DR: this byte was taken then */
    receive_put(byte);
    if (byte == 0)
        work_announce(); /* a frame may be complete */
}

static void send_byte(void)
{
    uint8_t byte;
    if (!transmit_take(&byte)) {
        USART1->CR1 &= ~(uint32_t)TXEIE;
        return;
    }
    USART1->DR = byte;
    if ((uint16_t)(transmit.head - transmit.tail) == LOW_WATER)
        work_announce();
}

void usart_interrupt(void)
{
    uint32_t state = USART1->SR;
    if ((state & (RXNE | ORE)) != 0)
        receive_byte(state);
    if ((state & TXE) != 0 && (USART1->CR1 & TXEIE) != 0)
        send_byte();
}

void usart_begin(uint8_t baud_code)
{
    GPIOA->BSRR = 1u << RX_BIT; /* pulled up: silence where no bridge is */
    GPIOA->CRH = PIN_MODE(8, INPUT) | PIN_MODE(9, USART_OUTPUT) | PIN_MODE(10, INPUT_PULLED) | PIN_MODE(11, INPUT) |
                 PIN_MODE(12, INPUT) | PIN_MODE(13, INPUT_PULLED) | PIN_MODE(14, INPUT_PULLED) |
                 PIN_MODE(15, INPUT_PULLED); /* 13 to 15 as after reset: the debug port */
    USART1->BRR = dividers[baud_code];
    USART1->CR1 = UE | TE | RE | RXNEIE;
    NVIC_PRIORITY[USART1_INTERRUPT] = PRIORITY;
    NVIC_ENABLE[USART1_INTERRUPT / 32u] = 1u << USART1_INTERRUPT % 32u;
}

void port_wake_transmitter(void)
{
    uint8_t before = port_lock();
    USART1->CR1 |= TXEIE;
    port_unlock(before);
}
