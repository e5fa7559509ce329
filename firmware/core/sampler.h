/* From conversions to numbered pairs, and what to do when nobody fetches them in time.
 *
 * The converter's interrupt calls sampler_take (conversion.h) for every conversion; the main loop fetches pairs
 * and puts them into frames.
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

/* In one byte, so that the interrupt has little to compare and store: bias of both leads in bits 0-3 as on the
 * wire, range ids (0 to 3) in bits 4-5 and 6-7. */
typedef uint8_t front_state;

#define FRONT_BIAS 0x0Fu

static inline front_state front_with(uint8_t bias, uint8_t range1, uint8_t range2)
{
    return (front_state)(bias | (uint8_t)(range1 << 4) | (uint8_t)(range2 << 6));
}

static inline uint8_t front_ranges(front_state front) /* as on the wire */
{
    return (uint8_t)(((front >> 4) & 3u) | (uint8_t)((front >> 6) << 4));
}

struct pair {
    uint16_t lead1; /* code, or sum of codes */
    uint16_t lead2;
    front_state front;
};

struct sampler {
    struct pair stored[PAIRS_STORED];
    volatile uint8_t head;
    volatile uint8_t tail;

    /* Between the interrupt and the main loop: the loop locks to change them, or where they take two reads. */
    volatile bool dropping;          /* storing has stopped */
    volatile uint32_t dropped;       /* pairs since then */
    volatile bool dropped_by_miss;      /* a missed trigger was a reason */
    volatile uint16_t missed_triggers; /* stays at 65535 */
    volatile front_state wanted; /* from the next pair boundary on */

    /* The interrupt's own: the pair being summed. */
    front_state front;
    uint16_t sum1;
    uint16_t sum2;
    uint8_t left;    /* raw pairs until this pair is complete */
    uint8_t per_sum; /* 1, 4, 16 or 64 */
    bool lead2_next;
    bool spoilt;            /* a conversion of this pair never happened */
    bool behind;            /* the next conversion belongs one later than its turn */
    bool starting;          /* the first pair of a run is not counted */
    uint8_t worth_fetching; /* pairs in the store that fill a frame */

    /* The main loop's own. */
    uint32_t next;    /* index of the pair at tail */
    uint32_t lost;    /* since boot */
    bool jumped;      /* pairs are missing just before tail */
    bool jumped_by_miss; /* because of a missed trigger */
};

extern struct sampler sampler;

/* At boot. */
void sampler_reset(void);

/* Before a run; the converter is at rest. `per_sum` raw pairs make a pair, `worth_fetching` pairs a frame. */
void sampler_begin(uint8_t per_sum, uint8_t worth_fetching, front_state front);

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
uint16_t sampler_missed_triggers(void);

#endif
