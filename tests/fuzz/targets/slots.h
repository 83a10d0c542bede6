/* The slots that queries open, as the page tells: roll calls, member lists, the classic queries, report rounds. */
#ifndef FUZZ_SLOTS_H
#define FUZZ_SLOTS_H

#include "world.h"

static uint8_t address_of(const world *w)
{
    return w->is_stored ? w->stored_address : BP_UNADDRESSED;
}

static void slot_opens(world *w, const bp_frame *frame, uint64_t slots_us, uint64_t lead_us, uint64_t more_us)
{
    memset(&w->slot, 0, sizeof w->slot);
    w->slot.is_open = w->slot.senses = 1;
    w->slot.sequence = frame->sequence;
    w->slot.operation = frame->operation;
    w->slot.asked_us = w->now_us;
    w->slot.from_us = w->now_us + BP_FIRST_SLOT_US + slots_us + lead_us;
    w->slot.until_us = w->slot.from_us + BP_START_JITTER_US + more_us;
}

/* An answer to a member list: in its place, or in one of the four behind the last. */
static void place_opens(world *w, const bp_frame *frame, int is_in, uint16_t place, uint16_t total, uint32_t h)
{
    uint8_t low = h & 0x7F;

    w->roll.is_acknowledged = (uint8_t)is_in;
    slot_opens(w, frame, (is_in ? place : total) * 45U, 5, is_in ? 0 : 3U * 45U);
    w->slot.is_byte = w->slot.must = 1;
    w->slot.byte = (uint8_t)(is_in ? 0x80 | low : low ? low : 1);
}

static uint32_t own_hash(const world *w, uint8_t salt, uint16_t epoch)
{
    return slow_hash(w->identity.uid, salt, epoch);
}

static void enter(world *w, uint16_t epoch)
{
    if (!w->roll.has_epoch || w->roll.epoch != epoch) {
        w->roll.has_epoch = 1;
        w->roll.epoch = epoch;
        w->roll.is_acknowledged = w->roll.has_answered = 0;
    }
}

static void expect_roll_call(world *w, const bp_frame *frame, const bp_roll_call *call)
{
    size_t at;

    enter(w, call->epoch);
    for (at = 0; w->roll.has_answered && at < call->digests_count; at++) {
        w->roll.is_acknowledged |= call->digests[at] == own_hash(w, w->roll.answered_salt, call->epoch) >> 16;
    }
    if (call->slots == 0) {
        return;
    }
    w->roll.has_answered = 0;
    if (!w->roll.is_acknowledged) {
        slot_opens(w, frame, ((own_hash(w, call->salt, call->epoch) & 0xFFFF) * call->slots >> 16) * 38U, 2, 0);
        w->slot.salt = call->salt;
        w->slot.must = 1;
    }
}

static void expect_member_list(world *w, const bp_frame *frame, const bp_member_list *member_list)
{
    roll *r = &w->roll;
    uint32_t h = own_hash(w, member_list->salt, member_list->epoch);
    size_t at;

    if (member_list->first == 0 || !r->has_member_list || r->member_list_epoch != member_list->epoch || r->member_list_salt != member_list->salt
        || r->member_list_total != member_list->total) {
        r->has_member_list = 1;
        r->member_list_epoch = member_list->epoch;
        r->member_list_salt = member_list->salt;
        r->member_list_total = member_list->total;
        r->heard_all = member_list->first == 0;
        r->has_place = 0;
    } else if (member_list->first != r->member_list_next) {
        r->heard_all = 0;
    }
    r->member_list_next = (uint16_t)(member_list->first + member_list->digests_count);
    for (at = member_list->digests_count; at-- > 0;) {
        if (member_list->digests[at] == h >> 16) {
            r->has_place = 1;
            r->place = (uint8_t)(member_list->first + at);
        }
    }
    if (r->member_list_next >= member_list->total) {
        enter(w, member_list->epoch);
        if (r->has_place || r->heard_all) {
            place_opens(w, frame, r->has_place, r->place, member_list->total, h);
        }
    }
}

static void expect_address_list(world *w, const bp_frame *frame, const bp_address_list *member_list)
{
    uint16_t address, rank = 0, total = 0, is_in = 0;

    for (address = 1; address <= 239; address++) {
        if (member_list->addresses[(address - 1) / 8] >> (address - 1) % 8 & 1) {
            if (address == address_of(w)) {
                is_in = 1;
                rank = total;
            }
            total++;
        }
    }
    enter(w, member_list->epoch);
    place_opens(w, frame, is_in, rank, total, own_hash(w, member_list->salt, member_list->epoch));
    if (!is_in) { /* the last bit is no address: whether it makes a place is not said */
        w->slot.until_us += (member_list->addresses[29] >> 7) * 45U;
    }
}

static int fits_prefix(const world *w, const bp_prefix_query *match)
{
    uint8_t bit;

    for (bit = 0; bit < match->bits; bit++) {
        if (((match->prefix[bit / 8] ^ w->identity.uid[bit / 8]) >> (7 - bit % 8) & 1) != 0) {
            return 0;
        }
    }
    return 1;
}

/* At that moment, whoever else speaks. */
static void timed_opens(world *w, const bp_frame *frame, uint64_t slots_us)
{
    if (!w->roll.is_acknowledged) {
        slot_opens(w, frame, slots_us, 0, 0);
        w->slot.senses = 0;
        w->slot.must = 1;
    }
}

static void expect_match(world *w, const bp_frame *frame, const bp_prefix_query *match)
{
    enter(w, match->epoch);
    if (!fits_prefix(w, match)) {
        return;
    }
    timed_opens(w, frame, 0);
    w->slot.is_byte = match->brief;
    w->slot.byte = (uint8_t)(0x80 | (own_hash(w, match->bits, match->epoch) & 0x7F)); /* which one is not said */
}

/* The slot that a query opens, and what else it changes. */
static void expect_slot(world *w, const bp_frame *frame, const bp_message *message)
{
    static const uint8_t all_uids[8] = {0};
    const bp_slotted_call *call = &message->as.slotted_call;
    const bp_report_round *round = &message->as.report_round;
    const bp_suppress *suppress = &message->as.suppress;

    switch (message->kind) {
    case BP_KIND_ROLL_CALL:
        expect_roll_call(w, frame, &message->as.roll_call);
        break;
    case BP_KIND_MEMBER_LIST:
        expect_member_list(w, frame, &message->as.member_list);
        break;
    case BP_KIND_ADDRESS_LIST:
        expect_address_list(w, frame, &message->as.address_list);
        break;
    case BP_KIND_SUPPRESS:
        if (memcmp(suppress->uid, w->identity.uid, 8) == 0 || memcmp(suppress->uid, all_uids, 8) == 0) {
            enter(w, suppress->epoch);
            w->roll.is_acknowledged = 1;
        }
        break;
    case BP_KIND_PREFIX_QUERY:
        expect_match(w, frame, &message->as.prefix_query);
        break;
    case BP_KIND_SLOTTED_CALL:
        enter(w, call->epoch);
        timed_opens(w, frame,
                    ((own_hash(w, call->salt, call->epoch) & 0xFFFF) * (uint64_t)call->slots >> 16) * call->slot_us);
        break;
    case BP_KIND_REPORT_ROUND:
        if (address_of(w) != BP_UNADDRESSED && address_of(w) >= round->first
            && address_of(w) - round->first < round->count) {
            slot_opens(w, frame, (uint64_t)(address_of(w) - round->first) * 45U, 5, 0);
            w->slot.must = 1;
        }
        break;
    default:
        break;
    }
}

#endif
