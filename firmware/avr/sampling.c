/* The converter, paced by timer 1.
 *
 * Timer 1 counts one interval; its compare match B starts a conversion (on the rising edge of the flag OCF1B)
 * without any code in between, so conversions are evenly spaced to the clock cycle. The interrupt at the end
 * of a conversion must, in this order, read the result, choose the other lead, and clear OCF1B. Choosing
 * before reading would be harmless; clearing before choosing is not: a trigger in between converts the wrong
 * lead. When the interrupt comes so late that the next match finds the flag still set, no conversion starts:
 * the counter then has already begun the next interval, which tells (see missed_trigger).
 *
 * So from the end of a conversion to the clearing of OCF1B there is time for
 *     interval - 13.5 * divider cycles: 136 in the fast mode (1000 cycles, divider 64), 250 otherwise.
 * This interrupt takes 26 of them, held up it takes 84 at most (measured with the line busy both ways).
 */
#include <avr/interrupt.h>
#include <avr/io.h>

#include "conversion.h"
#include "front.h"
#include "pins.h"
#include "port.h"
#include "tick.h"
#include "wire.h"
#include "work.h"

#define REFERENCE (1u << REFS0) /* AVCC */
#define BANDGAP_CHANNEL 14u
#define TRIGGER_TIMER1_B ((1u << ADTS2) | (1u << ADTS0))

/* 125 kHz gives the chip's full accuracy (50 to 200 kHz), 250 kHz about a bit less. */
#define FULL_DIVIDER 128u
#define FAST_DIVIDER 64u
#define FULL_PRESCALER ((1u << ADPS2) | (1u << ADPS1) | (1u << ADPS0))
#define FAST_PRESCALER ((1u << ADPS2) | (1u << ADPS1))
#define TRIGGERED_CONVERSION(divider) (27u * (divider) / 2u)
#define SLACK 250u

#define SHORTEST_FULL_INTERVAL (TRIGGERED_CONVERSION(FULL_DIVIDER) + SLACK)
#define SHORTEST_INTERVAL 1000u

#define CONVERTER_ON (1u << ADEN)

#define SUPPLY_SUMMED 64u
#define SUPPLY_SETTLING 16u /* conversions: the bandgap needs over a millisecond to charge the sampling capacitor */

const struct board_facts board_facts = {
    .board = BOARD_ATMEGA328P,
    .features = FEATURE_WHISPER | FEATURE_UP_AND_DOWN,
    .highest_range = HIGHEST_RANGE,
    .clock_hz = F_CPU,
    .shortest_interval = SHORTEST_INTERVAL,
    .longest_interval = UINT16_MAX,
};

/* Cycles from a trigger before which no conversion can have ended. */
static uint16_t soonest_end;

/* The result waits in two general purpose registers, and everything else is done after the flag is clear. */
ISR(ADC_vect, ISR_NAKED)
{
    __asm__ volatile("push r24\n\t"
                     "in r24, __SREG__\n\t"
                     "push r24\n\t"
                     "push r25\n\t"
                     "lds r24, %[low]\n\t"
                     "out %[code_low], r24\n\t"
                     "lds r24, %[high]\n\t"
                     "out %[code_high], r24\n\t"
                     "lds r24, %[mux]\n\t"
                     "ldi r25, %[flip]\n\t"
                     "eor r24, r25\n\t"
                     "sts %[mux], r24\n\t"
                     "sbi %[flags], %[match]\n\t"
                     "pop r25\n\t"
                     "pop r24\n\t"
                     "out __SREG__, r24\n\t"
                     "pop r24\n\t"
                     "jmp __vector_conversion_done" ::[low] "n"(_SFR_MEM_ADDR(ADCL)),
                     [high] "n"(_SFR_MEM_ADDR(ADCH)), [mux] "n"(_SFR_MEM_ADDR(ADMUX)),
                     [flip] "M"(LEAD_CHANNELS_DIFFER), [code_low] "I"(_SFR_IO_ADDR(GPIOR1)),
                     [code_high] "I"(_SFR_IO_ADDR(GPIOR2)), [flags] "I"(_SFR_IO_ADDR(TIFR1)),
                     [match] "I"(OCF1B));
}

/* The next match came before the flag was clear. A match since then has set it again and did start. */
static inline bool missed_trigger(void)
{
    return TCNT1 < soonest_end && (TIFR1 & (1u << OCF1B)) == 0;
}

void __vector_conversion_done(void) __attribute__((signal, used));
void __vector_conversion_done(void)
{
    uint16_t code = (uint16_t)(GPIOR1 | (uint16_t)((uint16_t)GPIOR2 << 8));
    bool front_changed = sampler_take(code);
    if (missed_trigger()) {
        ADMUX ^= LEAD_CHANNELS_DIFFER;
        sampler_miss();
    }
    if (front_changed)
        front_set_bias(sampler.front & FRONT_BIAS);
    if (sampler_calls(front_changed))
        work_announce();
}

/* A first conversion after switching on, thrown away: it is longer and less exact. */
static void warm_up(uint8_t prescaler)
{
    ADCSRA = 0;
    ADCSRA = (uint8_t)(CONVERTER_ON | prescaler);
    ADCSRA |= 1u << ADSC;
    while ((ADCSRA & (1u << ADSC)) != 0)
        ;
}

static void set_timer(uint16_t interval)
{
    TCCR1B = 0;
    TCCR1A = 0;
    OCR1A = (uint16_t)(interval - 1u);
    OCR1B = (uint16_t)(interval - 1u);
    TCNT1 = 0;
    TIFR1 = (1u << OCF1B) | (1u << OCF1A);
}

static void let_timer_run(void)
{
    TCCR1B = (1u << WGM12) | (1u << CS10);
}

uint8_t port_start_sampling(uint16_t interval)
{
    bool full = interval >= SHORTEST_FULL_INTERVAL;
    uint8_t prescaler = full ? FULL_PRESCALER : FAST_PRESCALER;
    uint8_t divider = full ? FULL_DIVIDER : FAST_DIVIDER;
    soonest_end = (uint16_t)(13u * divider);

    ADMUX = REFERENCE | LEAD1_CHANNEL;
    warm_up(prescaler);
    ADCSRB = TRIGGER_TIMER1_B;
    set_timer(interval);
    ADCSRA = (uint8_t)(CONVERTER_ON | (1u << ADATE) | (1u << ADIF) | (1u << ADIE) | prescaler);
    let_timer_run(); /* last: a first match that nobody waits for would leave its flag set for good */
    return divider;
}

void port_stop_sampling(void)
{
    TCCR1B = 0;
    ADCSRA = 0; /* off: what is being converted ends here */
}

static uint16_t convert_once(void)
{
    ADCSRA |= 1u << ADSC;
    while ((ADCSRA & (1u << ADSC)) != 0)
        tick_poll();
    return ADC;
}

uint16_t port_supply_sum(void)
{
    uint16_t sum = 0;
    ADMUX = REFERENCE | BANDGAP_CHANNEL;
    ADCSRB = 0;
    warm_up(FULL_PRESCALER);
    for (uint8_t i = 0; i < SUPPLY_SETTLING; i++)
        (void)convert_once();
    for (uint8_t i = 0; i < SUPPLY_SUMMED; i++)
        sum = (uint16_t)(sum + convert_once());
    return sum;
}
