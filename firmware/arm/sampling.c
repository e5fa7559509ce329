/* The converter, paced by timer 3.
 *
 * Timer 3 counts one interval; each of its updates starts a conversion without any code in between, so conversions are
 * evenly spaced to the clock cycle, and timer 4 counts them. The interrupt at the end of a conversion reads the result
 * and chooses the other lead. This chip starts a conversion at every trigger, whether the last one was read or not: the
 * count of timer 4 tells which conversion a result belongs to, however late the interrupt came. What was triggered
 * before the interrupt was done with the one before it, perhaps on the wrong lead or with the old bias, is passed over
 * and counted; so is everything up to then.
 *
 * The interrupt has until the next trigger: interval - 87 cycles, 913 at 8000 pairs a second.
 */
#include "clock.h"
#include "conversion.h"
#include "front.h"
#include "interrupts.h"
#include "pins.h"
#include "port.h"
#include "wire.h"
#include "work.h"

/* The converter runs at half the clock, 8 MHz of 14 at most. It takes the voltage in for 28.5 of its clocks (the front
 * end's capacitor at the pin gives it at once; 3.6 us) and needs 12.5 more. */
#define ADC_DIVIDER 2u
#define SAMPLE_28_5 3u
#define SAMPLE_239_5 7u /* the reference asks for 17.1 us at least */
#define CONVERSION (41u * ADC_DIVIDER)

/* A trigger waits for the converter's clock: up to 2 of its clocks and one of the processor's (data sheet, from memory),
 * that is 87 cycles from trigger to result. Three more in case timer and trigger are not quite at one. */
#define SURELY_ENDED (CONVERSION + 2u * ADC_DIVIDER + 4u)
#define STARTING_CYCLES 32u /* a microsecond and more after switching on */

#define REFERENCE_CHANNEL 17u
#define SUPPLY_SUMMED 16u /* 16 of 12 bits fill 16 bits, as 64 of 10 do */

#define HIGHEST_PRIORITY 0x00u

/* The store takes 16 ms of pairs at this rate, and 500 000 baud carry no more. */
#define SHORTEST_INTERVAL 1000u

const struct board_facts board_facts = {
    .board = BOARD_STM32F103,
    .features = FEATURE_WHISPER | FEATURE_UP_AND_DOWN | FEATURE_12_BITS,
    .highest_range = HIGHEST_RANGE,
    .clock_hz = CLOCK_HZ,
    .shortest_interval = SHORTEST_INTERVAL,
    .longest_interval = UINT16_MAX,
};

/* Volatile, so that it is set in its place among the registers. */
static volatile uint16_t counted; /* conversions of this run that were taken or passed over, modulo 65536 */

static inline void count_and_choose_lead(void)
{
    uint16_t now = (uint16_t)(counted + 1u);
    counted = now;
    ADC1->SQR3 = (now & 1u) == 0 ? LEAD1_CHANNEL : LEAD2_CHANNEL;
}

static inline bool apply_front(bool changed)
{
    if (changed)
        front_set_bias(sampler.front & FRONT_BIAS);
    return changed;
}

void converter_interrupt(void)
{
    /* The code last but one, so that it is no older than its age; the triggers before and after, so that age and code
     * belong to the same one. */
    uint16_t unread_before = (uint16_t)(TIM4->CNT - counted);
    uint16_t age = (uint16_t)TIM3->CNT;
    uint16_t code = (uint16_t)ADC1->DR;
    uint16_t unread = (uint16_t)(TIM4->CNT - counted);
    bool changed = false;
    if (unread_before == 1 && unread == 1 && age >= SURELY_ENDED) {
        count_and_choose_lead();
        changed = apply_front(sampler_take(code));
    } else if (unread <= 1) {
        return; /* the end of a conversion that was passed over */
    }
    while ((uint16_t)TIM4->CNT != counted) {
        count_and_choose_lead();
        changed = apply_front(sampler_pass()) || changed;
    }
    if (sampler_calls(changed))
        work_announce();
}

/* Switched on, and its own errors measured by the converter itself. Switching it on again does no harm and makes
 * every run begin alike. */
static void converter_on(uint32_t how)
{
    ADC1->CR1 = 0;
    ADC1->CR2 = 0;
    ADC1->CR2 = ADON;
    for (volatile uint32_t left = STARTING_CYCLES; left > 0; left--)
        ;
    ADC1->CR2 = ADON | RSTCAL;
    (void)clock_wait(&ADC1->CR2, RSTCAL, 0);
    ADC1->CR2 = ADON | CAL;
    (void)clock_wait(&ADC1->CR2, CAL, 0);
    ADC1->CR2 = ADON | EXTTRIG | how; /* a write that changes nothing but ADON would start a conversion */
    ADC1->SQR1 = 0; /* one at a time */
    ADC1->SR = 0;
}

static void timers_off(void)
{
    TIM3->CR1 = 0;
    TIM4->CR1 = 0;
    TIM3->CNT = 0;
    TIM4->CNT = 0;
}

static void set_timers(uint16_t interval)
{
    timers_off();
    TIM3->CR2 = MMS_UPDATE;
    TIM3->ARR = interval - 1u;
    TIM4->SMCR = SMS_EXTERNAL | TS_ITR2; /* counts the updates of timer 3 */
    TIM4->ARR = UINT16_MAX;
    TIM4->CR1 = CEN;
}

uint8_t port_start_sampling(uint16_t interval)
{
    set_timers(interval);
    converter_on(EXTSEL_TIM3);
    ADC1->SMPR2 = SAMPLE_28_5 << 3u * LEAD1_CHANNEL | SAMPLE_28_5 << 3u * LEAD2_CHANNEL;
    ADC1->SQR3 = LEAD1_CHANNEL;
    counted = 0;
    ADC1->CR1 = EOCIE;
    NVIC_PRIORITY[ADC1_INTERRUPT] = HIGHEST_PRIORITY;
    NVIC_ENABLE[ADC1_INTERRUPT / 32u] = 1u << ADC1_INTERRUPT % 32u;
    TIM3->CR1 = CEN;
    return ADC_DIVIDER;
}

void port_stop_sampling(void)
{
    uint8_t before = port_lock();
    ADC1->CR1 = 0; /* no more interrupts */
    ADC1->CR2 = 0;
    timers_off();
    ADC1->SR = 0;
    counted = 0; /* an interrupt that waits already finds nothing to take */
    port_unlock(before);
}

/* False where the converter does not answer: 504 cycles are all it needs. */
static bool convert_once(uint16_t *code)
{
    ADC1->CR2 |= SWSTART;
    bool ended = clock_wait(&ADC1->SR, EOC, EOC);
    *code = (uint16_t)ADC1->DR;
    return ended;
}

uint16_t port_supply_sum(void)
{
    uint16_t sum = 0;
    converter_on(EXTSEL_SWSTART | TSVREFE);
    ADC1->SMPR1 = SAMPLE_239_5 << 3u * (REFERENCE_CHANNEL - 10u);
    ADC1->SQR3 = REFERENCE_CHANNEL;
    uint16_t code;
    bool works = convert_once(&code); /* not summed: the reference settles, 10 us */
    for (uint8_t i = 0; i < SUPPLY_SUMMED && works; i++) {
        works = convert_once(&code);
        sum = (uint16_t)(sum + code);
    }
    ADC1->CR2 = 0;
    return works ? sum : 0;
}
