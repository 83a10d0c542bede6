/* Sections Parameters and Address and memory of the format page: values, ranges, and a set as bytes.
 *
 * The list is told from its end to its begin, as the page leaves the order free. With -DFEWER some parameters are
 * left out, with -DNARROWER some ranges are narrower, as the page allows too. */
#include "device.h"

#include <string.h>

#ifdef NARROWER
#define RANGE(narrower, full) (narrower)
#else
#define RANGE(narrower, full) (full)
#endif

static const struct parameter ROWS[] = {
#ifndef FEWER
    {22, 2, 33, -1000, 1000, 0, "correction", "0.01 deg"},
#endif
    {21, 2, 0, RANGE(150, 100), RANGE(1800, 2000), RANGE(150, 100), "reply-delay", "1 us"},
    {20, 2, 0, 0, 30000, 0, "under-voltage", "0.001 V"},
    {19, 1, 0, RANGE(45, 40), RANGE(110, 120), 85, "over-temperature", "1 degC"},
    {18, 1, 0, RANGE(20, 10), RANGE(95, 100), 80, "overload-limit", "1 %"},
    {17, 2, 0, RANGE(30, 20), RANGE(8000, 10000), 500, "loss-time-out", "1 ms"},
    {16, 2, 0, RANGE(-8000, -9000), RANGE(8500, 9000), 0, "preset", "0.01 deg"},
    {15, 1, 0, 0, 2, 0, "loss-action", ""},
    {14, 1, 0, 0, RANGE(25, 30), 5, "minimum-drive", "1 %"},
#ifndef FEWER
    {13, 1, 0, 0, 100, 30, "damping", "1 %"},
#endif
    {12, 1, 0, RANGE(5, 1), RANGE(90, 100), 60, "stiffness", "1 %"},
    {11, 2, 0, RANGE(60, 50), RANGE(15000, 20000), 3000, "slew-limit", "0.1 deg/s"},
    {10, 2, 0, RANGE(2, 0), RANGE(400, 500), 10, "dead-band", "0.01 deg"},
    {9, 2, 0, 0, RANGE(4000, 5000), 1000, "soft-start", "1 ms"},
    {8, 2, 0, RANGE(10, 0), RANGE(8800, 9000), RANGE(8800, 9000), "end-high", "0.01 deg"},
    {7, 2, 0, RANGE(-8900, -9000), RANGE(-20, 0), RANGE(-8900, -9000), "end-low", "0.01 deg"},
    {6, 2, 0, RANGE(1500, 1000), RANGE(17000, 18000), 12000, "travel", "0.01 deg"},
    {5, 2, 0, RANGE(-2500, -3000), RANGE(2000, 3000), 0, "neutral", "0.01 deg"},
    {4, 1, 0, 0, 1, 0, "direction", ""},
#ifndef FEWER
    {3, 1, 0, 0, 3, 0, "place", ""},
    {2, 1, 0, 0, 32, 0, "gang", ""},
#endif
    {1, 1, 0, 0, RANGE(24, 32), 0, "channel", ""},
};

uint8_t parameter_count(void)
{
    return (uint8_t)(sizeof ROWS / sizeof ROWS[0]);
}

const struct parameter *parameter_at(uint8_t index)
{
    return index < parameter_count() ? &ROWS[index] : NULL;
}

const struct parameter *parameter_of(uint8_t number)
{
    for (uint8_t index = 0; index < parameter_count(); index++) {
        if (ROWS[index].number == number) {
            return &ROWS[index];
        }
    }
    return NULL;
}

void factory_settings(struct settings *set)
{
    memset(set, 0, sizeof *set);
    set->value[DAMPING] = 30; /* where there is no such parameter */
    for (uint8_t index = 0; index < parameter_count(); index++) {
        if (ROWS[index].points == 0) {
            set->value[ROWS[index].number] = ROWS[index].factory;
        }
    }
}

uint8_t value_length(const struct settings *set, const struct parameter *row)
{
    return row->points == 0 ? row->size : (uint8_t)(row->size * set->points);
}

uint8_t put_value(uint8_t *bytes, const struct settings *set, const struct parameter *row)
{
    if (row->points == 0) {
        bytes[0] = (uint8_t)((uint32_t)set->value[row->number] & 0xFFU);
        if (row->size == 2U) {
            put_u16(bytes, (uint32_t)set->value[row->number]);
        }
        return row->size;
    }
    for (uint8_t point = 0; point < set->points; point++) {
        put_u16(bytes + 2U * point, (uint32_t)set->correction[point]);
    }
    return value_length(set, row);
}

static int32_t raw_value(const struct parameter *row, const uint8_t *bytes)
{
    if (row->size == 1U) {
        return bytes[0];
    }
    return row->low < 0 ? (int16_t)u16_at(bytes) : (int32_t)u16_at(bytes);
}

/* The least travel that a table allows: its steepest piece over the whole table (does.monotone). */
static int32_t least_travel(const struct settings *set)
{
    int32_t steepest = 0;

    for (unsigned point = 1; point < set->points; point++) {
        int32_t change = set->correction[point] - set->correction[point - 1U];
        change = change < 0 ? -change : change;
        steepest = change > steepest ? change : steepest;
    }
    return set->points == 0 ? 0 : steepest * (set->points - 1);
}

enum outcome set_value(struct settings *set, const struct parameter *row, const uint8_t *bytes, uint8_t length, int32_t *low,
                       int32_t *high)
{
    struct settings changed = *set;

    *low = row->low;
    *high = row->high;
    if (row->points == 0) {
        if (length != row->size) {
            return BAD_REQUEST;
        }
        changed.value[row->number] = raw_value(row, bytes);
        if (changed.value[row->number] < row->low || changed.value[row->number] > row->high) {
            if (row->number == TRAVEL && least_travel(set) > *low) {
                *low = least_travel(set);
            }
            return OUT_OF_RANGE;
        }
    } else {
        if (length % row->size != 0) {
            return BAD_REQUEST;
        }
        changed.points = (uint8_t)(length / row->size);
        if (changed.points == 1U || changed.points > row->points) {
            return OUT_OF_RANGE;
        }
        for (uint8_t point = 0; point < changed.points; point++) {
            changed.correction[point] = (int16_t)raw_value(row, bytes + 2U * point);
            if (changed.correction[point] < row->low || changed.correction[point] > row->high) {
                return OUT_OF_RANGE;
            }
        }
    }
    if (least_travel(&changed) > changed.value[TRAVEL]) {
        if (row->number == TRAVEL) {
            *low = least_travel(&changed);
        }
        return OUT_OF_RANGE;
    }
    *set = changed;
    return DONE;
}

/* One copy of stored memory, from its begin: address, values in the order of the list with the table's points behind
 * its number of points, generation. From its end: the check over all before it. What is not used stays erased. */
void image_of(uint8_t *image, const struct settings *set, uint8_t address, uint16_t generation)
{
    uint8_t at = 1;
    uint32_t check;

    memset(image, 0xFF, PAGE_SIZE);
    image[0] = address;
    for (uint8_t index = 0; index < parameter_count(); index++) {
        if (ROWS[index].points != 0) {
            image[at++] = set->points;
        }
        at = (uint8_t)(at + put_value(image + at, set, &ROWS[index]));
    }
    put_u16(image + at, generation);
    check = crc24(image, PAGE_SIZE - 3U);
    put_u16(image + PAGE_SIZE - 3U, check);
    image[PAGE_SIZE - 1U] = (uint8_t)(check >> 16);
}

int settings_of(const uint8_t *image, struct settings *set, uint8_t *address, uint16_t *generation)
{
    uint8_t at = 1, known[PAGE_SIZE];
    int32_t low, high;

    factory_settings(set);
    *address = image[0];
    if (*address < 1U || *address > NO_ADDRESS) {
        return 0;
    }
    /* The list runs from its end, so the table comes before the travel that it has to fit: the widest one meanwhile. */
    set->value[TRAVEL] = INT32_MAX;
    for (uint8_t index = 0; index < parameter_count(); index++) {
        uint8_t length = ROWS[index].size;
        if (ROWS[index].points != 0) {
            if (image[at] > ROWS[index].points) {
                return 0;
            }
            length = (uint8_t)(ROWS[index].size * image[at++]);
        }
        if (set_value(set, &ROWS[index], image + at, length, &low, &high) != DONE) {
            return 0;
        }
        at = (uint8_t)(at + length);
    }
    *generation = u16_at(image + at);
    image_of(known, set, *address, *generation);
    return memcmp(known, image, PAGE_SIZE) == 0;
}
