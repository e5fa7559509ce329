/* From conversions to numbered pairs, and what to do when nobody fetches them in time.
 *
 * The converter's interrupt calls sampler_take for every conversion (lead 1, lead 2, lead 1, ...); the main
 * loop fetches pairs and puts them into frames.
 *
 *      tail            head
 *       |  stored pairs  |  free ... (wraps)        head - tail <= PAIRS_STORED, counting on modulo 256
 *
 * The interrupt moves head, the main loop tail. When the store is full, the interrupt stops storing and only
 * counts. The main loop sends what there is and then adds the count to the index of the next pair: a loss is
 * always an exact jump of the index. The store is drained before it takes pairs again, so that one loss makes
 * one jump and not a hundred.
 *
 * What is in front of the converter (bias, ranges) changes only between two pairs. Each pair carries it,
 * because a frame may not hold pairs of different kinds.
 */
#ifndef SAMPLER_H
#define SAMPLER_H

#include <stdbool.h>
#include <stdint.h>

/* 16 ms at 8000 pairs a second: longer than two of the largest frames take at 500 000 baud (10 ms). A power of
 * two, at most 128 so that 8-bit counters can tell full from empty. */
#define PAIRS_STORED 128u
#define PAIRS_MASK (PAIRS_STORED - 1u)

struct front_state {
    uint8_t bias;   /* both leads, as on the wire */
    uint8_t ranges; /* likewise */
};

struct pair {
    uint16_t lead1; /* code, or sum of codes */
    uint16_t lead2;
    struct front_state front;
};

struct sampler {
    struct pair stored[PAIRS_STORED];
    volatile uint8_t head;
    volatile uint8_t tail;

    /* Between the interrupt and the main loop: the loop locks to change them, or where they take two reads. */
    volatile bool dropping;          /* storing has stopped */
    volatile uint32_t dropped;       /* pairs since then */
    volatile bool dropped_late;      /* a missed trigger was a reason */
    volatile uint16_t late_triggers; /* stays at 65535 */
    struct front_state wanted;

    /* The interrupt's own: the pair being summed. */
    struct front_state front;
    uint16_t sum1;
    uint16_t sum2;
    uint8_t left;    /* raw pairs until this pair is complete */
    uint8_t per_sum; /* 1, 4, 16 or 64 */
    bool lead2_next;
    bool spoilt;            /* a conversion of this pair never happened */
    bool starting;          /* the first pair of a run is not counted */
    uint8_t worth_fetching; /* pairs in the store that fill a frame */

    /* The main loop's own. */
    uint32_t next;    /* index of the pair at tail */
    uint32_t lost;    /* since boot */
    bool jumped;      /* pairs are missing just before tail */
    bool jumped_late; /* because of a missed trigger */
};

extern struct sampler sampler;

/* At boot. */
void sampler_reset(void);

/* Before a run; the converter is at rest. `per_sum` raw pairs make a pair, `worth_fetching` pairs a frame. */
void sampler_begin(uint8_t per_sum, uint8_t worth_fetching, struct front_state front);

/* Ask for another front state from the next pair boundary on. */
void sampler_want(struct front_state front);

/* Account for dropped pairs when everything before them has been fetched. Call before sampler_ready. */
void sampler_advance(void);

/* Pairs at tail that can go into one frame, at most `most`. `*complete`: no more can join them. */
uint8_t sampler_ready(uint8_t most, bool *complete);

/* The pair at `offset` from the oldest; offset < sampler_ready. */
static inline const struct pair *sampler_pair(uint8_t offset)
{
    return &sampler.stored[(uint8_t)(sampler.tail + offset) & PAIRS_MASK];
}

/* The oldest `pairs` are in a frame. */
void sampler_fetched(uint8_t pairs);

/* Triggers missed since boot; stays at 65535. */
uint16_t sampler_late_triggers(void);

/* For the interrupt: a raw pair is complete. True when `sampler.front` has changed and must be applied. */
bool sampler_pair_done(void);

/* For the interrupt: a conversion of the lead whose turn it is. True: apply `sampler.front` now. */
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
    if (sampler.left != 0)
        return false;
    return sampler_pair_done();
}

/* For the interrupt: the conversion whose turn it is will never come. Its pair is lost, later ones keep their
 * lead, index and time. True as above. */
bool sampler_missed(void);

/* For the interrupt: the store holds a frame. */
static inline bool sampler_fills_frame(void)
{
    return (uint8_t)(sampler.head - sampler.tail) >= sampler.worth_fetching;
}

#endif
