/* The interrupt's half of the sampler. All in a header: an interrupt that calls functions has to save every
 * register they might use, which would cost more than what is done here. */
#ifndef CONVERSION_H
#define CONVERSION_H

#include "sampler.h"

static inline void sampler_store_or_drop(void)
{
    uint8_t head = sampler.head;
    if (!sampler.dropping && !sampler.spoilt && (uint8_t)(head - sampler.tail) != PAIRS_STORED) {
        struct pair *slot = &sampler.stored[head & PAIRS_MASK];
        slot->lead1 = sampler.sum1;
        slot->lead2 = sampler.sum2;
        slot->front = sampler.front;
        sampler.head = (uint8_t)(head + 1u);
        return;
    }
    if (sampler.spoilt)
        sampler.dropped_by_miss = true;
    sampler.dropping = true;
    sampler.dropped++;
}

/* All raw pairs of a pair are there. True when `sampler.front` has changed and must be applied. */
static inline bool sampler_finish_pair(void)
{
    if (sampler.starting)
        sampler.starting = false;
    else
        sampler_store_or_drop();
    sampler.sum1 = 0;
    sampler.sum2 = 0;
    sampler.spoilt = false;
    sampler.left = sampler.per_sum;
    front_state wanted = sampler.wanted;
    if (sampler.front == wanted)
        return false;
    sampler.front = wanted;
    return true;
}

/* A conversion of the lead whose turn it is: lead 1, lead 2, lead 1, ... True: apply `sampler.front` now. */
static inline bool sampler_take(uint16_t code)
{
    if (!sampler.lead2_next) {
        sampler.lead2_next = true;
        sampler.sum1 = (uint16_t)(sampler.sum1 + code);
        return false;
    }
    sampler.lead2_next = false;
    sampler.sum2 = (uint16_t)(sampler.sum2 + code);
    sampler.left--;
    bool front_changed = sampler.left == 0 && sampler_finish_pair();
    if (sampler.behind) { /* what came was lead 1 of the pair that now begins */
        sampler.behind = false;
        sampler.lead2_next = true;
        sampler.spoilt = true;
    }
    return front_changed;
}

/* After sampler_take: the conversion whose turn it is will never come. Its pair is lost, so that later ones keep
 * their lead, index and time. Where lead 2 is missing the next pair is lost too: finishing a pair in two places
 * would double the interrupt. */
static inline void sampler_miss(void)
{
    if (sampler.missed_triggers != UINT16_MAX)
        sampler.missed_triggers++;
    sampler.spoilt = true;
    if (sampler.lead2_next)
        sampler.behind = true;
    else
        sampler.lead2_next = true;
}

/* Instead of sampler_take: the conversion whose turn it is has passed unread. Its pair is lost, and any number may
 * pass one after the other: for a converter whose triggers are counted. True as sampler_take. */
static inline bool sampler_pass(void)
{
    if (sampler.missed_triggers != UINT16_MAX)
        sampler.missed_triggers++;
    sampler.spoilt = true;
    return sampler_take(0);
}

/* The main loop has something to do: a whole frame, or one that a change of the front end has ended. */
static inline bool sampler_calls(bool front_changed)
{
    return front_changed || (uint8_t)(sampler.head - sampler.tail) >= sampler.worth_fetching;
}

#endif
