/* A second opinion on frames: check, zero bytes and header as the format page tells them, bit by bit and slow.
 *
 * Written from the page, not from the generated codec, and shares nothing with it but its types. Also what all targets
 * need: the fuzzer's bytes as a list to take from, and how a finding is told. */
#ifndef FUZZ_ORACLE_H
#define FUZZ_ORACLE_H

#include <stdint.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#include "bp_wire.h"

#define MUST(condition, ...)                                                                                          \
    do {                                                                                                              \
        if (!(condition)) {                                                                                           \
            fprintf(stderr, "finding: ");                                                                             \
            fprintf(stderr, __VA_ARGS__);                                                                             \
            fprintf(stderr, "\n");                                                                                    \
            abort();                                                                                                  \
        }                                                                                                             \
    } while (0)

/* --- what the fuzzer gives -------------------------------------------------------------------------------- */

typedef struct fuzz_input {
    const uint8_t *data;
    size_t size, at;
} fuzz_input;

/* The next byte, 0 behind the end. */
static uint8_t take(fuzz_input *in)
{
    return in->at < in->size ? in->data[in->at++] : 0;
}

static uint16_t take_two(fuzz_input *in)
{
    uint16_t low = take(in);

    return (uint16_t)(low | take(in) << 8);
}

/* So many bytes or what is left of them; their number. */
static size_t take_bytes(fuzz_input *in, uint8_t *to, size_t wanted)
{
    size_t left = in->size - in->at;

    wanted = wanted < left ? wanted : left;
    memcpy(to, in->data + in->at, wanted);
    in->at += wanted;
    return wanted;
}

/* A frame that can be sent: whom (0 itself, 1 all, 2 those without an address, 3 whoever the next byte names; bit 2: a
 * reply), source, sequence, operation, tag of a reply, length, payload. */
static void take_frame(fuzz_input *in, bp_frame *frame, uint8_t own_address)
{
    uint8_t whom = take(in);
    uint8_t fixed[3];

    fixed[0] = own_address;
    fixed[1] = 0xFF;
    fixed[2] = 0xF0;
    memset(frame, 0, sizeof *frame);
    frame->destination = (whom & 3) < 3 ? fixed[whom & 3] : take(in);
    if (frame->destination > 0xF0 && frame->destination < 0xFF) {
        frame->destination = own_address;
    }
    frame->source = take(in);
    if (frame->source > 0xF0) {
        frame->source = 0;
    }
    frame->sequence = take(in);
    frame->operation = take(in);
    frame->is_reply = whom >> 2 & 1;
    frame->tag = frame->is_reply ? take_two(in) : 0;
    frame->payload_length = (uint8_t)take_bytes(in, frame->payload, take(in) % 113U);
}

/* --- the frame, by the page ------------------------------------------------------------------------------- */

/* Polynomial 15d6dcb (hex), reflected, start value and final exclusive or FFFFFF. */
static uint32_t slow_crc24(const uint8_t *data, size_t length)
{
    uint32_t crc = 0xFFFFFF, reflected = 0;
    size_t at;
    int bit;

    for (bit = 0; bit < 24; bit++) {
        reflected |= (UINT32_C(0x15D6DCB) >> bit & 1) << (23 - bit);
    }
    for (at = 0; at < length; at++) {
        for (bit = 0; bit < 8; bit++) {
            uint32_t differs = (crc ^ (uint32_t)(data[at] >> bit)) & 1;

            crc = crc >> 1 ^ (differs ? reflected : 0);
        }
    }
    return crc ^ 0xFFFFFF;
}

/* v = crc24(E) + (number of zero bits in E << 24), in 5 bytes of 7 bits, low group first, each with bit 7 set. */
static void slow_check(const uint8_t *encoded, size_t length, uint8_t check[5])
{
    uint64_t value = 0;
    size_t at;
    int bit;

    for (at = 0; at < length; at++) {
        for (bit = 0; bit < 8; bit++) {
            value += !(encoded[at] >> bit & 1);
        }
    }
    value = value << 24 | slow_crc24(encoded, length);
    for (at = 0; at < 5; at++) {
        check[at] = (uint8_t)(0x80 | (value >> 7 * at & 0x7F));
    }
}

/* What stands on the wire around E; its bytes. `wire` has room for 7 more than E. */
static size_t slow_seal(const uint8_t *encoded, size_t length, uint8_t *wire)
{
    wire[0] = 0;
    memcpy(wire + 1, encoded, length);
    slow_check(encoded, length, wire + 1 + length);
    wire[length + 6] = 0;
    return length + 7;
}

/* A body with its zero bytes removed, after Cheshire and Baker (COBS), blocks of less than 255 bytes. */
static size_t slow_remove(const uint8_t *body, size_t length, uint8_t *encoded)
{
    size_t at = 0, out = 0, end;

    for (;;) {
        for (end = at; end < length && body[end] != 0; end++) {
        }
        encoded[out++] = (uint8_t)(end - at + 1);
        memcpy(encoded + out, body + at, end - at);
        out += end - at;
        if (end == length) {
            return out;
        }
        at = end + 1;
    }
}

/* The inverse; 0 where it is not such. */
static int slow_restore(const uint8_t *encoded, size_t length, uint8_t *body, size_t *size)
{
    size_t at = 0, more;

    *size = 0;
    while (at < length) {
        size_t run = encoded[at];

        if (run == 0 || at + run > length) {
            return 0;
        }
        for (more = 1; more < run; more++) {
            body[(*size)++] = encoded[at + more];
        }
        at += run;
        if (at < length) {
            body[(*size)++] = 0;
        }
    }
    return 1;
}

/* The frame between two delimiters; BP_OK or why it is none. */
static bp_result slow_frame(const uint8_t *chunk, size_t length, bp_frame *frame)
{
    uint8_t body[160], check[5];
    size_t size, head;

    memset(frame, 0, sizeof *frame);
    if (length < 12) {
        return BP_TOO_SHORT;
    }
    if (length > 126) {
        return BP_TOO_LONG;
    }
    slow_check(chunk, length - 5, check);
    if (memcmp(check, chunk + length - 5, 5) != 0) {
        return BP_BAD_CHECK;
    }
    if (!slow_restore(chunk, length - 5, body, &size) || size < 6) {
        return BP_BAD_CONTENT;
    }
    frame->is_reply = body[0] >> 4 & 1;
    head = frame->is_reply ? 8 : 6;
    if (body[0] >> 5 != 1 || (body[0] & 15) != 0 || body[1] > 112 || size != head + body[1]
        || (body[2] > 0xF0 && body[2] != 0xFF) || body[3] > 0xF0) {
        return BP_BAD_CONTENT;
    }
    frame->payload_length = body[1];
    frame->destination = body[2];
    frame->source = body[3];
    frame->sequence = body[4];
    frame->operation = body[5];
    if (frame->is_reply) {
        frame->tag = (uint16_t)(body[6] | body[7] << 8);
    }
    memcpy(frame->payload, body + head, size - head);
    return BP_OK;
}

/* A frame on the wire, with both delimiters; its bytes. */
static size_t slow_wire(const bp_frame *frame, uint8_t *wire)
{
    uint8_t body[160], encoded[200];
    size_t head = 6;

    body[0] = (uint8_t)(0x20 | (frame->is_reply ? 0x10 : 0));
    body[1] = frame->payload_length;
    body[2] = frame->destination;
    body[3] = frame->source;
    body[4] = frame->sequence;
    body[5] = frame->operation;
    if (frame->is_reply) {
        body[6] = (uint8_t)frame->tag;
        body[7] = (uint8_t)(frame->tag >> 8);
        head = 8;
    }
    memcpy(body + head, frame->payload, frame->payload_length);
    return slow_seal(encoded, slow_remove(body, head + frame->payload_length, encoded), wire);
}

static int same_frame(const bp_frame *one, const bp_frame *other)
{
    return one->is_reply == other->is_reply && one->payload_length == other->payload_length
           && one->destination == other->destination && one->source == other->source
           && one->sequence == other->sequence && one->operation == other->operation && one->tag == other->tag
           && memcmp(one->payload, other->payload, one->payload_length) == 0;
}

/* H(uid, salt, epoch), see Discovery. */
static uint32_t slow_hash(const uint8_t *uid, uint8_t salt, uint16_t epoch)
{
    uint8_t bytes[11];
    uint32_t h = 0;
    size_t at;

    memcpy(bytes, uid, 8);
    bytes[8] = salt;
    bytes[9] = (uint8_t)epoch;
    bytes[10] = (uint8_t)(epoch >> 8);
    for (at = 0; at < sizeof bytes; at++) {
        h += bytes[at];
        h += h << 10;
        h ^= h >> 6;
    }
    h += h << 3;
    h ^= h >> 11;
    h += h << 15;
    return h;
}

/* The value of a row, little endian, as a number. */
static int32_t raw_of(const bp_parameter *row, const uint8_t *value)
{
    uint32_t raw = value[0];

    if (row->size == 2) {
        raw |= (uint32_t)value[1] << 8;
        return row->is_signed ? (int32_t)raw - (raw & 0x8000U ? 0x10000 : 0) : (int32_t)raw;
    }
    return row->is_signed ? (int32_t)raw - (raw & 0x80U ? 0x100 : 0) : (int32_t)raw;
}

/* A value for a row: its least, greatest or factory one, one beyond, or anything between; of a table some points.
 * Returns its bytes; `value` has room for 80. */
static size_t take_value(fuzz_input *in, const bp_parameter *row, uint8_t how, uint8_t *value)
{
    int32_t choice[] = {row->low, row->high, row->factory, row->low - 1, row->high + 1};
    size_t at, count = row->points ? how >> 4 : 1;

    for (at = 0; at < count; at++) {
        int32_t one = row->low;

        if ((how & 7) < 5) {
            one = choice[how & 7];
        } else {
            one += (int32_t)(take_two(in) % (uint32_t)(row->high - row->low + 1));
        }
        value[at * row->size] = (uint8_t)one;
        if (row->size > 1) {
            value[1 + at * row->size] = (uint8_t)((uint32_t)one >> 8);
        }
    }
    return count * row->size;
}

/* What has to come of setting a parameter, by the table. */
static bp_result wanted_of_put(uint8_t number, const uint8_t *value, size_t length)
{
    const bp_parameter *row = NULL;
    size_t at;

    for (at = 0; at < BP_PARAMETERS; at++) {
        row = bp_parameters[at].number == number ? &bp_parameters[at] : row;
    }
    if (row == NULL) {
        return BP_UNKNOWN;
    }
    if (row->points == 0 ? length != row->size : length % row->size != 0) {
        return BP_BAD_CONTENT;
    }
    if (row->points != 0 && (length == row->size || length / row->size > row->points)) {
        return BP_OUT_OF_RANGE;
    }
    for (at = 0; at < length; at += row->size) {
        int32_t raw = raw_of(row, value + at);

        if (raw < row->low || raw > row->high) {
            return BP_OUT_OF_RANGE;
        }
    }
    return BP_OK;
}

/* The least travel, in 0.01 deg, over which a table turns no arm back: tried upwards, as the page says it. */
static int32_t slow_least_travel(const int16_t *table, size_t count)
{
    int32_t travel = 1000;
    size_t at;

    for (at = 1; at < count; at++) {
        /* where the demand goes from point to point, the angle goes by travel / spans, and by the change */
        while (travel - (int32_t)(count - 1) * abs(table[at] - table[at - 1]) < 0) {
            travel++;
        }
    }
    return travel;
}

/* Whether every value of a set is one that may be; tells which is not. */
static void check_settings(const bp_settings *settings, const char *whose)
{
    uint8_t value[BP_LONGEST_VALUE_BYTES];
    size_t at, size;

    MUST(settings->correction_count <= 33, "the correction table of the %s settings has too many points", whose);
    for (at = 0; at < BP_PARAMETERS; at++) {
        size = bp_settings_get(settings, bp_parameters[at].number, value);
        MUST(wanted_of_put(bp_parameters[at].number, value, size) == BP_OK, "%s of the %s settings is out of its range",
             bp_parameters[at].name, whose);
    }
}

/* Whether the correction table of a set turns no arm back on its travel. */
static void check_table(const bp_settings *settings, const char *whose)
{
    MUST(settings->travel >= slow_least_travel(settings->correction, settings->correction_count),
         "the correction table of the %s settings turns the arm back", whose);
}

static int same_settings(const bp_settings *one, const bp_settings *other)
{
    uint8_t a[BP_LONGEST_VALUE_BYTES], b[BP_LONGEST_VALUE_BYTES];
    size_t at, size;

    for (at = 0; at < BP_PARAMETERS; at++) {
        size = bp_settings_get(one, bp_parameters[at].number, a);
        if (size != bp_settings_get(other, bp_parameters[at].number, b) || memcmp(a, b, size) != 0) {
            return 0;
        }
    }
    return 1;
}

/* Every target asks this before its first input. */
int LLVMFuzzerInitialize(int *argc, char ***argv)
{
    (void)argc;
    (void)argv;
    MUST(slow_crc24((const uint8_t *)"123456789", 9) == 0x2F27EE, "the second opinion itself is wrong");
    return 0;
}

#endif
