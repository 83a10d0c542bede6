/* Times of the actuator's own clock: microseconds that wrap around at 32 bits. */
#ifndef BP_CLOCK_H
#define BP_CLOCK_H

#include <stdint.h>

/* Whether a time has been reached; true for half the range of the clock. */
#define BP_REACHED(now, due) ((uint32_t)((uint32_t)(now) - (uint32_t)(due)) < UINT32_C(0x80000000))
/* The longest sleep: no time that has passed can then look like a future one. */
#define BP_LONGEST_SLEEP_US UINT32_C(0x40000000)

/* The earlier of two times that both lie less than half the clock's range ahead of `now_us`. */
static inline uint32_t bp_earlier(uint32_t now_us, uint32_t one_us, uint32_t other_us)
{
    /* a time that has passed is due now */
    uint32_t one = BP_REACHED(now_us, one_us) ? 0 : one_us - now_us;
    uint32_t other = BP_REACHED(now_us, other_us) ? 0 : other_us - now_us;

    return now_us + (one < other ? one : other);
}

#endif
