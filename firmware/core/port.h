/* What the core asks of the hardware. firmware/avr answers with registers, the host tests with a fake. */
#ifndef PORT_H
#define PORT_H

#include <stdint.h>

/* What the board can do, fixed when it is built. */
struct board_facts {
    uint8_t board;         /* enum board */
    uint8_t features;      /* enum feature */
    uint8_t highest_range; /* of the front end */
    uint32_t clock_hz;
    uint16_t shortest_interval; /* cycles between two conversions that the board surely keeps */
    uint16_t longest_interval;
};

extern const struct board_facts board_facts;

/* Interrupts off, and back to what they were. Copy a few bytes in between and no more: in the fast mode an
 * interrupt has 136 cycles from the end of a conversion to the next trigger. */
uint8_t port_lock(void);
void port_unlock(uint8_t before);

/* Converter: lead 1 and lead 2 in turn, one conversion every `interval` cycles. Returns its clock divider. */
uint8_t port_start_sampling(uint16_t interval);
void port_stop_sampling(void); /* after it, no conversion arrives any more */

/* Bias of both leads (see wire.h), at once. */
void port_set_bias(uint8_t bias);

/* Range id of lead 1 or 2 as the front end's straps say, 0 to 3. */
uint8_t port_range(uint8_t lead);

/* Sum of 64 conversions of the bandgap reference; takes about 8 ms. Not while sampling. */
uint16_t port_supply_sum(void);

/* A write takes up to 3.4 ms and does nothing when the byte is there already. */
#define EEPROM_SIZE 1024u
uint8_t port_eeprom_read(uint16_t address);
void port_eeprom_write(uint16_t address, uint8_t byte);

/* Bytes are waiting in the transmit queue: see transmit.h. */
void port_wake_transmitter(void);

#endif
