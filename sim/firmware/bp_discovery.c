/* Discovery: answers to roll calls, member lists and classic queries, and the back-off that separates them. */
#include "bp_discovery.h"

#include "bp_clock.h"

#include <string.h>

/* Resolution of the clock: a start is delayed by this much more, so that it is never early. */
#define BP_CLOCK_US 1U
#define BP_UP_US(ns) (((ns) + UINT32_C(999)) / UINT32_C(1000))

uint8_t bp_jitter_us(const bp_hardware *hardware, uint8_t most_us)
{
    return (uint8_t)(hardware->any_bits(hardware->context) % (most_us + UINT32_C(1)));
}

void bp_discovery_start(const bp_presence *presence)
{
    memset(presence->discovery, 0, sizeof *presence->discovery);
    memset(presence->backoff, 0, sizeof *presence->backoff);
}

static void bp_enter(bp_discovery *discovery, uint16_t epoch)
{
    if (!discovery->has_epoch || discovery->epoch != epoch) {
        discovery->has_epoch = 1;
        discovery->epoch = epoch;
        discovery->is_acknowledged = 0;
        discovery->has_answered = 0;
    }
}

/* --- the back-off ---------------------------------------------------------------------------------------- */

static void bp_backoff_aim(bp_backoff *backoff)
{
    backoff->due_us = backoff->counting_from_us + (uint32_t)backoff->left * backoff->slot_us + backoff->lead_us
        + backoff->jitter_us;
}

static void bp_count_down(const bp_presence *presence, uint8_t operation, uint16_t slots, uint8_t is_in_order,
                          uint32_t now_us)
{
    bp_backoff *backoff = presence->backoff;
    uint32_t lead_ns = is_in_order ? BP_ORDERED_SLOT_LEAD_NS : BP_START_LEAD_NS;
    uint32_t slot_ns = is_in_order ? BP_ORDERED_SLOT_NS : BP_MINI_SLOT_NS;

    backoff->wait = BP_WAIT_COUNTS;
    backoff->operation = operation;
    backoff->left = slots;
    backoff->slot_us = (uint8_t)(slot_ns / UINT32_C(1000));
    backoff->lead_us = (uint8_t)(BP_UP_US(lead_ns) + BP_CLOCK_US);
    /* the lead was rounded up; the jitter is shortened by the same time, so that the latest start stays the same */
    backoff->most_jitter_us = (uint8_t)((lead_ns + BP_START_JITTER_NS) / UINT32_C(1000) - backoff->lead_us);
    backoff->jitter_us = bp_jitter_us(presence->hardware, backoff->most_jitter_us);
    backoff->counting_from_us = now_us + BP_FIRST_SLOT_US;
    bp_backoff_aim(backoff);
}

#ifndef BP_WITHOUT_TEACHING
static void bp_speak_at(const bp_presence *presence, uint8_t operation, uint32_t due_us)
{
    bp_backoff *backoff = presence->backoff;

    backoff->wait = BP_WAIT_TIMED;
    backoff->operation = operation;
    backoff->due_us = due_us + BP_CLOCK_US + bp_jitter_us(presence->hardware, BP_START_JITTER_US - 2U * BP_CLOCK_US);
}
#endif

void bp_backoff_line(const bp_presence *presence, uint8_t is_busy, uint32_t time_us)
{
    bp_backoff *backoff = presence->backoff;
    uint32_t passed;

    if (backoff->wait != BP_WAIT_COUNTS || !BP_REACHED(time_us, backoff->counting_from_us)) {
        return;
    }
    if (is_busy) { /* whole slots count; the interrupted slot begins anew */
        passed = (time_us - backoff->counting_from_us) / backoff->slot_us;
        backoff->left = (uint16_t)(passed < backoff->left ? backoff->left - passed : 0);
    } else { /* at least one whole slot before the end */
        backoff->counting_from_us = time_us;
        if (backoff->left == 0) {
            backoff->left = 1;
        }
        backoff->jitter_us = bp_jitter_us(presence->hardware, backoff->most_jitter_us);
        bp_backoff_aim(backoff);
    }
}

int bp_backoff_take(const bp_presence *presence, uint8_t is_line_busy, uint32_t now_us, bp_message *message)
{
    bp_backoff *backoff = presence->backoff;

    if (backoff->wait == BP_WAIT_NOT || !BP_REACHED(now_us, backoff->due_us)) {
        return BP_SAY_NOTHING;
    }
    if (backoff->wait == BP_WAIT_COUNTS && is_line_busy) {
        return BP_SAY_NOTHING;
    }
    backoff->wait = BP_WAIT_NOT;
    switch (backoff->operation) {
    case BP_OPERATION_ROLL_CALL:
        presence->discovery->has_answered = 1;
        presence->discovery->answered_salt = backoff->salt;
        message->kind = BP_KIND_PRESENT;
        memcpy(message->as.present.uid, presence->uid, BP_UID_BYTES);
        return BP_SAY_MESSAGE;
    case BP_OPERATION_PREFIX_QUERY:
        message->kind = BP_KIND_MATCHED;
        memcpy(message->as.matched.uid, presence->uid, BP_UID_BYTES);
        return BP_SAY_MESSAGE;
    case BP_OPERATION_SLOTTED_CALL:
        message->kind = BP_KIND_CALLED;
        memcpy(message->as.called.uid, presence->uid, BP_UID_BYTES);
        return BP_SAY_MESSAGE;
    case BP_OPERATION_REPORT_ROUND:
        return BP_SAY_STATUS;
    default:
        return BP_SAY_BYTE;
    }
}

/* --- calls and member lists --------------------------------------------------------------------------------------- */

static void bp_roll_call_heard(const bp_presence *presence, const bp_roll_call *call, uint32_t now_us)
{
    bp_discovery *discovery = presence->discovery;
    const uint8_t *uid = presence->uid;
    size_t at;

    bp_enter(discovery, call->epoch);
    if (discovery->has_answered) {
        uint16_t digest = bp_digest_of(bp_uid_hash(uid, call->epoch, discovery->answered_salt));

        for (at = 0; at < call->digests_count; at++) {
            if (call->digests[at] == digest) {
                discovery->is_acknowledged = 1;
            }
        }
    }
    if (call->slots == 0) {
        return;
    }
    discovery->has_answered = 0;
    if (!discovery->is_acknowledged) {
        presence->backoff->salt = call->salt;
        bp_count_down(presence, BP_OPERATION_ROLL_CALL,
                      bp_slot_of(bp_uid_hash(uid, call->epoch, call->salt), call->slots), 0, now_us);
    }
}

static void bp_answer_member_list(const bp_presence *presence, uint8_t is_in, uint16_t position, uint16_t total,
                                  uint32_t value, uint32_t now_us)
{
    presence->discovery->is_acknowledged = is_in;
    if (is_in) {
        presence->backoff->byte = bp_list_answer(value);
        bp_count_down(presence, 0, position, 1, now_us);
    } else {
        uint16_t behind = (uint16_t)(presence->hardware->any_bits(presence->hardware->context) % BP_UNLISTED_SLOTS);

        presence->backoff->byte = bp_unlisted_answer(value);
        bp_count_down(presence, 0, (uint16_t)(total + behind), 1, now_us);
    }
}

static void bp_member_list_heard(const bp_presence *presence, const bp_member_list *member_list, uint32_t now_us)
{
    bp_discovery *discovery = presence->discovery;
    uint32_t value = bp_uid_hash(presence->uid, member_list->epoch, member_list->salt);
    size_t at;

    if (member_list->first == 0 || !discovery->has_member_list || discovery->member_list_epoch != member_list->epoch
        || discovery->member_list_salt != member_list->salt || discovery->member_list_total != member_list->total) {
        discovery->has_member_list = 1;
        discovery->member_list_epoch = member_list->epoch;
        discovery->member_list_salt = member_list->salt;
        discovery->member_list_total = member_list->total;
        discovery->member_list_is_whole = member_list->first == 0;
        discovery->member_list_has_position = 0;
    } else if (discovery->member_list_next != member_list->first) {
        discovery->member_list_is_whole = 0;
    }
    discovery->member_list_next = (uint16_t)(member_list->first + member_list->digests_count);
    for (at = member_list->digests_count; at > 0; at--) {
        if (member_list->digests[at - 1] == bp_digest_of(value)) {
            discovery->member_list_has_position = 1;
            discovery->member_list_position = (uint8_t)(member_list->first + at - 1);
        }
    }
    if (discovery->member_list_next < member_list->total) {
        return;
    }
    bp_enter(discovery, member_list->epoch);
    if (discovery->member_list_has_position || discovery->member_list_is_whole) {
        bp_answer_member_list(presence, discovery->member_list_has_position, discovery->member_list_position,
                              member_list->total, value, now_us);
    }
}

static void bp_address_list_heard(const bp_presence *presence, const bp_address_list *list, uint32_t now_us)
{
    uint16_t address, rank = 0, total = 0;
    uint8_t is_in = 0;

    bp_enter(presence->discovery, list->epoch);
    for (address = BP_MIN_ADDRESS; address <= BP_ADDRESS_MAP_BYTES * 8U; address++) {
        if ((list->addresses[(address - 1U) / 8U] >> ((address - 1U) % 8U) & 1) != 0) {
            if (address == presence->address && address <= BP_MAX_ADDRESS) {
                is_in = 1;
                rank = total;
            }
            total++;
        }
    }
    bp_answer_member_list(presence, is_in, rank, total, bp_uid_hash(presence->uid, list->epoch, list->salt), now_us);
}

#ifndef BP_WITHOUT_TEACHING
static void bp_suppress_heard(const bp_presence *presence, const bp_suppress *suppress)
{
    static const uint8_t all_zero[BP_UID_BYTES] = {0};

    if (memcmp(suppress->uid, presence->uid, BP_UID_BYTES) == 0
        || memcmp(suppress->uid, all_zero, BP_UID_BYTES) == 0) {
        bp_enter(presence->discovery, suppress->epoch);
        presence->discovery->is_acknowledged = 1;
    }
}

static void bp_prefix_query_heard(const bp_presence *presence, const bp_prefix_query *match, uint32_t now_us)
{
    uint8_t bit;

    bp_enter(presence->discovery, match->epoch);
    if (presence->discovery->is_acknowledged) {
        return;
    }
    for (bit = 0; bit < match->bits; bit++) {
        if (((match->prefix[bit / 8] ^ presence->uid[bit / 8]) & (0x80 >> bit % 8)) != 0) {
            return;
        }
    }
    presence->backoff->byte = bp_list_answer(bp_uid_hash(presence->uid, match->epoch, match->bits));
    bp_speak_at(presence, match->brief ? 0 : BP_OPERATION_PREFIX_QUERY, now_us + BP_FIRST_SLOT_US);
}

static void bp_slotted_call_heard(const bp_presence *presence, const bp_slotted_call *call, uint32_t now_us)
{
    uint32_t value = bp_uid_hash(presence->uid, call->epoch, call->salt);

    bp_enter(presence->discovery, call->epoch);
    if (!presence->discovery->is_acknowledged) {
        bp_speak_at(presence, BP_OPERATION_SLOTTED_CALL,
                    now_us + BP_FIRST_SLOT_US + (uint32_t)bp_slot_of(value, call->slots) * call->slot_us);
    }
}
#endif

void bp_discovery_heard(const bp_presence *presence, const bp_message *message, uint8_t sequence, uint32_t now_us)
{
    presence->backoff->sequence = sequence;
    switch (message->kind) {
    case BP_KIND_ROLL_CALL:
        bp_roll_call_heard(presence, &message->as.roll_call, now_us);
        break;
    case BP_KIND_MEMBER_LIST:
        bp_member_list_heard(presence, &message->as.member_list, now_us);
        break;
    case BP_KIND_ADDRESS_LIST:
        bp_address_list_heard(presence, &message->as.address_list, now_us);
        break;
#ifndef BP_WITHOUT_TEACHING
    case BP_KIND_SUPPRESS:
        bp_suppress_heard(presence, &message->as.suppress);
        break;
    case BP_KIND_PREFIX_QUERY:
        bp_prefix_query_heard(presence, &message->as.prefix_query, now_us);
        break;
    case BP_KIND_SLOTTED_CALL:
        bp_slotted_call_heard(presence, &message->as.slotted_call, now_us);
        break;
#endif
    default:
        break;
    }
}

void bp_discovery_round(const bp_presence *presence, const bp_report_round *round, uint8_t sequence, uint32_t now_us)
{
    if (presence->address == BP_UNADDRESSED || presence->address < round->first
        || presence->address - round->first >= round->count) {
        return;
    }
    presence->backoff->sequence = sequence;
    bp_count_down(presence, BP_OPERATION_REPORT_ROUND, (uint16_t)(presence->address - round->first), 1, now_us);
}
