#include "sampler.h"

#include "port.h"
#include "wire.h"

struct sampler sampler;

void sampler_reset(void)
{
    sampler.lost = 0;
    sampler.missed_triggers = 0;
    sampler_begin(1, 1, front_with(BIAS_OFF, 0, 0));
}

void sampler_begin(uint8_t per_sum, uint8_t worth_fetching, front_state front)
{
    sampler.head = 0;
    sampler.tail = 0;
    sampler.dropping = false;
    sampler.dropped = 0;
    sampler.dropped_by_miss = false;
    sampler.wanted = front;
    sampler.front = front;
    sampler.sum1 = 0;
    sampler.sum2 = 0;
    sampler.left = 1;
    sampler.per_sum = per_sum;
    sampler.lead2_next = false;
    sampler.spoilt = false;
    sampler.behind = false;
    sampler.starting = true;
    sampler.worth_fetching = worth_fetching;
    sampler.next = 0;
    sampler.jumped = false;
    sampler.jumped_by_miss = false;
}

void sampler_advance(void)
{
    if (!sampler.dropping || sampler.head != sampler.tail)
        return;
    uint8_t before = port_lock();
    uint32_t dropped = sampler.dropped;
    bool missed = sampler.dropped_by_miss;
    sampler.dropped = 0;
    sampler.dropped_by_miss = false;
    sampler.dropping = false;
    port_unlock(before);

    sampler.next += dropped;
    sampler.lost += dropped;
    sampler.jumped = true;
    sampler.jumped_by_miss = sampler.jumped_by_miss || missed;
}

uint8_t sampler_ready(uint8_t most, bool *complete)
{
    /* Before the head is read: once dropping, the head stays where it is. */
    *complete = sampler.dropping;
    uint8_t stored = (uint8_t)(sampler.head - sampler.tail);
    uint8_t limit = stored < most ? stored : most;
    for (uint8_t ready = 1; ready < limit; ready++) {
        if (sampler_pair(ready)->front != sampler_pair(0)->front) {
            *complete = true;
            return ready;
        }
    }
    *complete = *complete || limit == most;
    return limit;
}

void sampler_fetched(uint8_t pairs)
{
    sampler.tail = (uint8_t)(sampler.tail + pairs);
    sampler.next += pairs;
    sampler.jumped = false;
    sampler.jumped_by_miss = false;
}

uint16_t sampler_missed_triggers(void)
{
    uint8_t before = port_lock();
    uint16_t missed = sampler.missed_triggers;
    port_unlock(before);
    return missed;
}
