/* Section Discovery of the format page, and the slots of a report round. */
#include "device.h"

#include <string.h>

/* Starts of answers, from the begin of their slot. The time of the request has been rounded down to a microsecond, so
 * the first one keeps one more than the lead. */
#define CALL_SLOT 38U
#define CALL_LEAD 3U
#define CALL_SPREAD 28U
#define ORDERED_SLOT 45U
#define ORDERED_LEAD 6U
#define ORDERED_SPREAD 29U
#define FIXED_SPREAD 29U
#define DETECT 4U /* a busy line is noticed so late; the page allows 5 us */

static uint32_t own_hash(const bp_device *device, uint8_t salt, uint16_t epoch)
{
    return hash_of(device->identity.uid, salt, epoch);
}

static uint8_t list_byte(const bp_device *device, uint8_t salt, uint16_t epoch)
{
    return (uint8_t)(0x80U | own_hash(device, salt, epoch));
}

static uint8_t unlisted_byte(const bp_device *device, uint8_t salt, uint16_t epoch)
{
    uint8_t byte = own_hash(device, salt, epoch) & 0x7FU;

    return byte == 0 ? 1U : byte;
}

static void enter(struct discovery *discovery, uint16_t epoch)
{
    if (!discovery->has_epoch || discovery->epoch != epoch) {
        discovery->has_epoch = 1;
        discovery->epoch = epoch;
        discovery->is_acknowledged = 0;
        discovery->has_call = 0;
    }
}

static void set_due(bp_device *device)
{
    struct answer *answer = &device->answer;
    uint32_t spread = answer->slot == CALL_SLOT ? CALL_SPREAD : ORDERED_SPREAD;

    answer->due = answer->slot_begin + (uint64_t)answer->counter * answer->slot + answer->lead + chance(device, spread);
}

static uint8_t counts(const struct answer *answer)
{
    return answer->kind == ROLL_CALL || answer->kind == LIST_BYTE || answer->kind == ROUND;
}

static void answer_in_slot(bp_device *device, const struct frame *request, enum answer_kind kind, uint16_t slot)
{
    struct answer *answer = &device->answer;

    answer->kind = (uint8_t)kind;
    answer->sequence = request->sequence;
    answer->operation = request->operation;
    answer->destination = 0;
    answer->counter = slot;
    answer->slot = kind == ROLL_CALL ? CALL_SLOT : ORDERED_SLOT;
    answer->lead = kind == ROLL_CALL ? CALL_LEAD : ORDERED_LEAD;
    answer->slot_begin = device->now + FIRST_SLOT;
    answer->due = NEVER;
    if (!device->is_busy) {
        set_due(device);
    }
}

/* A start bit came. What would be sent before it is detected is sent over it. */
void count_is_stopped(bp_device *device)
{
    struct answer *answer = &device->answer;

    if (!counts(answer) || answer->due == NEVER || answer->due <= device->now + DETECT) {
        return;
    }
    answer->due = NEVER;
    if (device->now >= answer->slot_begin) {
        uint64_t passed = (device->now - answer->slot_begin) / answer->slot;
        answer->counter = passed >= answer->counter ? 1U : (uint16_t)(answer->counter - passed);
    }
}

void count_goes_on(bp_device *device)
{
    struct answer *answer = &device->answer;

    if (!counts(answer) || answer->due != NEVER) {
        return;
    }
    if (device->now > answer->slot_begin) {
        answer->slot_begin = device->now;
        answer->counter = answer->counter == 0 ? 1U : answer->counter;
    }
    set_due(device);
}

static uint8_t digest_at(const uint8_t *digests, unsigned count, uint16_t digest, unsigned *position)
{
    for (unsigned at = 0; at < count; at++) {
        if (u16_at(digests + 2U * at) == digest) {
            *position = at;
            return 1;
        }
    }
    return 0;
}

void discovery_roll_call(bp_device *device, const struct frame *request)
{
    struct discovery *discovery = &device->discovery;
    uint16_t epoch = u16_at(request->payload), slots = u16_at(request->payload + 3);
    uint8_t salt = request->payload[2];
    unsigned position;

    enter(discovery, epoch);
    if (discovery->has_call && discovery->has_begun
        && digest_at(request->payload + 5, (request->length - 5U) / 2U,
                     (uint16_t)(own_hash(device, discovery->call_salt, epoch) >> 16), &position)) {
        discovery->is_acknowledged = 1;
    }
    if (slots == 0) {
        return;
    }
    discovery->has_call = 1;
    discovery->has_begun = 0;
    discovery->call_salt = salt;
    if (!discovery->is_acknowledged) {
        answer_in_slot(device, request, ROLL_CALL, (uint16_t)((own_hash(device, salt, epoch) & 0xFFFFU) * slots >> 16));
    }
}

static void answer_list(bp_device *device, const struct frame *request, uint8_t is_listed, unsigned position, unsigned total)
{
    uint16_t epoch = u16_at(request->payload);
    uint8_t salt = request->payload[2];

    device->discovery.is_acknowledged = is_listed;
    device->answer.byte = is_listed ? list_byte(device, salt, epoch) : unlisted_byte(device, salt, epoch);
    answer_in_slot(device, request, LIST_BYTE, (uint16_t)(is_listed ? position : total + chance(device, 4)));
}

void discovery_list(bp_device *device, const struct frame *request)
{
    struct discovery *list = &device->discovery;
    uint16_t epoch = u16_at(request->payload);
    uint8_t salt = request->payload[2], first = request->payload[3], total = request->payload[4];
    unsigned count = (request->length - 5U) / 2U, position;

    if (first == 0 || !list->has_list || list->list_epoch != epoch || list->list_salt != salt
        || list->list_total != total) {
        list->has_list = 1;
        list->list_epoch = epoch;
        list->list_salt = salt;
        list->list_total = total;
        list->list_is_whole = first == 0;
        list->list_found = 0;
    } else if (first != list->list_next) {
        list->list_is_whole = 0;
    }
    list->list_next = (uint16_t)(first + count);
    if (digest_at(request->payload + 5, count, (uint16_t)(own_hash(device, salt, epoch) >> 16), &position)) {
        list->list_found = 1;
        list->list_position = (uint16_t)(first + position);
    }
    if (list->list_next < total) {
        return;
    }
    enter(list, epoch);
    if (list->list_found || list->list_is_whole) {
        answer_list(device, request, list->list_found, list->list_position, total);
    }
}

void discovery_address_list(bp_device *device, const struct frame *request)
{
    unsigned rank = 0, total = 0;
    uint8_t is_listed = 0;

    for (unsigned address = 1; address <= 240U; address++) {
        if (((unsigned)request->payload[3U + (address - 1U) / 8U] >> (address - 1U) % 8U & 1U) == 0) {
            continue;
        }
        if (address == device->address && address <= LAST_ADDRESS) {
            is_listed = 1;
            rank = total;
        }
        total++;
    }
    enter(&device->discovery, u16_at(request->payload));
    answer_list(device, request, is_listed, rank, total);
}

void discovery_round(bp_device *device, const struct frame *request)
{
    uint8_t first = request->payload[0], count = request->payload[1];

    if (device->address != NO_ADDRESS && device->address >= first && device->address - first < count) {
        answer_in_slot(device, request, ROUND, (uint16_t)(device->address - first));
    }
}

void discovery_suppress(bp_device *device, const struct frame *request)
{
    static const uint8_t every[8] = {0};
    const uint8_t *uid = request->payload + 2;

    if (memcmp(uid, device->identity.uid, 8) == 0 || memcmp(uid, every, 8) == 0) {
        enter(&device->discovery, u16_at(request->payload));
        device->discovery.is_acknowledged = 1;
    }
}

/* An answer at a fixed time, whatever is on the line then. */
static void answer_at(bp_device *device, const struct frame *request, enum answer_kind kind, uint64_t behind_us)
{
    struct answer *answer = &device->answer;

    answer->kind = (uint8_t)kind;
    answer->sequence = request->sequence;
    answer->operation = request->operation;
    answer->destination = 0;
    answer->due = device->now + FIRST_SLOT + behind_us + 1U + chance(device, FIXED_SPREAD);
}

void discovery_query(bp_device *device, const struct frame *request)
{
    uint16_t epoch = u16_at(request->payload);
    uint8_t bits = request->payload[2], is_brief = request->payload[3];

    enter(&device->discovery, epoch);
    for (unsigned bit = 0; bit < bits; bit++) {
        uint8_t differ = request->payload[4U + bit / 8U] ^ device->identity.uid[bit / 8U];
        if (((unsigned)differ >> (7U - bit % 8U) & 1U) != 0) {
            return;
        }
    }
    if (!device->discovery.is_acknowledged) {
        device->answer.byte = list_byte(device, bits, epoch);
        answer_at(device, request, is_brief ? QUERY_BYTE : FIXED_UID, 0);
    }
}

void discovery_slotted_call(bp_device *device, const struct frame *request)
{
    struct discovery *discovery = &device->discovery;
    uint16_t epoch = u16_at(request->payload), slots = u16_at(request->payload + 3);
    uint8_t salt = request->payload[2];

    enter(discovery, epoch);
    if (!discovery->is_acknowledged) {
        uint32_t slot = (own_hash(device, salt, epoch) & 0xFFFFU) * slots >> 16;
        answer_at(device, request, FIXED_UID, (uint64_t)slot * u16_at(request->payload + 5));
    }
}
