/* Moments of the actuator's own clock: microseconds that count round at 32 bits. */
#ifndef BP_CLOCK_H
#define BP_CLOCK_H

#include <stdint.h>

/* Whether a moment has come; true for half the range of the clock. */
#define BP_REACHED(now, due) ((uint32_t)((uint32_t)(now) - (uint32_t)(due)) < UINT32_C(0x80000000))
/* No sleep is longer, so that no moment that has passed looks like one to come. */
#define BP_LONGEST_SLEEP_US UINT32_C(0x40000000)

/* The earlier of two moments that both lie less than half the clock's range ahead of `now_us`. */
static inline uint32_t bp_earlier(uint32_t now_us, uint32_t one_us, uint32_t other_us)
{
    /* one that has passed is due now */
    uint32_t one = BP_REACHED(now_us, one_us) ? 0 : one_us - now_us;
    uint32_t other = BP_REACHED(now_us, other_us) ? 0 : other_us - now_us;

    return now_us + (one < other ? one : other);
}

#endif
