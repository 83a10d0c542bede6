/* Sections Frame and Discovery (the hash) of the format page. */
#include "device.h"

#include <string.h>

uint16_t u16_at(const uint8_t *bytes)
{
    return (uint16_t)(bytes[0] | bytes[1] << 8);
}

void put_u16(uint8_t *bytes, uint32_t value)
{
    bytes[0] = (uint8_t)(value & 0xFFU);
    bytes[1] = (uint8_t)(value >> 8 & 0xFFU);
}

void put_i32(uint8_t *bytes, int32_t value)
{
    put_u16(bytes, (uint32_t)value);
    put_u16(bytes + 2, (uint32_t)value >> 16);
}

/* The page gives the polynomial with its high bit first; the register is turned here, bit by bit, so that no table of
 * another is needed. */
uint32_t crc24(const uint8_t *bytes, size_t length)
{
    uint32_t turned = 0, sum = 0xFFFFFFU;

    for (unsigned bit = 0; bit < 24U; bit++) {
        turned |= (UINT32_C(0x5D6DCB) >> bit & 1U) << (23U - bit);
    }
    for (size_t at = 0; at < length; at++) {
        sum ^= bytes[at];
        for (unsigned bit = 0; bit < 8U; bit++) {
            sum = (sum & 1U) != 0 ? sum >> 1 ^ turned : sum >> 1;
        }
    }
    return sum ^ 0xFFFFFFU;
}

uint32_t hash_of(const uint8_t *uid, uint8_t salt, uint16_t epoch)
{
    uint8_t mixed[11];
    uint32_t h = 0;

    memcpy(mixed, uid, 8);
    mixed[8] = salt;
    put_u16(mixed + 9, epoch);
    for (unsigned at = 0; at < sizeof mixed; at++) {
        h += mixed[at];
        h += h << 10;
        h ^= h >> 6;
    }
    h += h << 3;
    h ^= h >> 11;
    h += h << 15;
    return h;
}

static void put_check(uint8_t *five, const uint8_t *encoded, size_t length)
{
    uint32_t sum = crc24(encoded, length), zeros = 0;
    uint64_t check;

    for (size_t at = 0; at < length; at++) {
        for (unsigned bit = 0; bit < 8U; bit++) {
            zeros += (encoded[at] >> bit & 1U) ^ 1U;
        }
    }
    check = (uint64_t)zeros << 24 | sum;
    for (unsigned group = 0; group < 5U; group++) {
        five[group] = (uint8_t)(0x80U | (check >> 7U * group & 0x7FU));
    }
}

/* Returns the length of the body, or 0 where the code bytes do not end with the piece. */
static uint8_t unstuffed(const uint8_t *encoded, uint8_t length, uint8_t *body)
{
    uint8_t at = 0, made = 0;

    while (at < length) {
        uint8_t code = encoded[at];
        if (code == 0 || code > length - at) {
            return 0;
        }
        memcpy(body + made, encoded + at + 1, code - 1U);
        made = (uint8_t)(made + code - 1U);
        at = (uint8_t)(at + code);
        if (at < length) {
            body[made++] = 0;
        }
    }
    return made;
}

static enum piece judged(struct receiver *receiver, struct frame *out)
{
    uint8_t check[5], length, header;
    const uint8_t *body = receiver->body;

    if (receiver->count < 12U || receiver->count > MOST_PIECE) {
        return BAD_PIECE;
    }
    length = (uint8_t)(receiver->count - 5U);
    put_check(check, receiver->bytes, length);
    if (memcmp(check, receiver->bytes + length, sizeof check) != 0) {
        return BAD_PIECE;
    }
    length = unstuffed(receiver->bytes, length, receiver->body);
    if (length < 6U || (body[0] & 0xEFU) != 0x20U) {
        return BAD_PIECE;
    }
    out->is_reply = body[0] >> 4 & 1U;
    header = out->is_reply ? 8U : 6U;
    if (body[1] > MOST_PAYLOAD || length != header + body[1]) {
        return BAD_PIECE;
    }
    if (body[3] > NO_ADDRESS || (body[2] > NO_ADDRESS && body[2] != BROADCAST)) {
        return BAD_PIECE;
    }
    out->length = body[1];
    out->destination = body[2];
    out->source = body[3];
    out->sequence = body[4];
    out->operation = body[5];
    out->payload = body + header;
    return GOOD_FRAME;
}

enum piece receive(struct receiver *receiver, uint8_t byte, struct frame *out)
{
    enum piece came = NOTHING;

    if (byte != 0) {
        if (receiver->count < MOST_PIECE) {
            receiver->bytes[receiver->count] = byte;
        }
        if (receiver->count <= MOST_PIECE) {
            receiver->count++;
        }
        return NOTHING;
    }
    if (receiver->count > 0) {
        came = judged(receiver, out);
    }
    receiver->count = 0;
    return came;
}

uint8_t frame_reply(uint8_t *wire, const bp_device *device, const struct answer *answer, const uint8_t *payload,
                    uint8_t length)
{
    uint8_t body[8U + MOST_PAYLOAD], *mark = wire + 1, *put = wire + 2;

    body[0] = 0x30;
    body[1] = length;
    body[2] = answer->destination;
    body[3] = device->address;
    body[4] = answer->sequence;
    body[5] = answer->operation;
    put_u16(body + 6, device->tag);
    memcpy(body + 8, payload, length);
    wire[0] = 0;
    for (unsigned at = 0; at < 8U + length; at++) {
        if (body[at] == 0) {
            *mark = (uint8_t)(put - mark);
            mark = put++;
        } else {
            *put++ = body[at];
        }
    }
    *mark = (uint8_t)(put - mark);
    put_check(put, wire + 1, (size_t)(put - wire - 1));
    put[5] = 0;
    return (uint8_t)(put + 6 - wire);
}
