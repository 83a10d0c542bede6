/* What a device says and does by itself, by the format page: judged at every tick and on every transmission. */
#ifndef FUZZ_CONDUCT_H
#define FUZZ_CONDUCT_H

#include "slots.h"

#define HOT_US 300000U /* the page says no time; it looks four times a second */

static int is_at_work(uint8_t state)
{
    return state == BP_STATE_SOFT_STARTING || state == BP_STATE_FOLLOWING;
}

static int is_hot(const world *w)
{
    return w->temperature_cdeg > w->device->working.over_temperature * 100;
}

static const bp_settings *memory_of(world *w, uint8_t memory, bp_settings *room)
{
    bp_settings_factory(room);
    if (memory == BP_MEMORY_WORKING) {
        return &w->before;
    }
    return memory == BP_MEMORY_STORED && w->is_stored ? &w->stored : room;
}

/* --- what it says --------------------------------------------------------------------------------------------- */

static void judge_window(world *w, window *it)
{
    MUST(!it->waits, "it answers before the set is stored");
    MUST(w->now_us >= it->from_us, "it speaks %llu us too early", (unsigned long long)(it->from_us - w->now_us));
    MUST(w->now_us <= it->until_us, "it speaks %llu us too late", (unsigned long long)(w->now_us - it->until_us));
    MUST(!it->senses || !w->is_busy, "it speaks on a busy line");
    it->is_open = 0;
}

static int is_answer(const window *it, const bp_frame *frame)
{
    return it->is_open && !it->is_byte && it->to == frame->destination && it->sequence == frame->sequence
           && it->operation == frame->operation;
}

static void judge_transmission(world *w, const uint8_t *data, size_t length)
{
    uint8_t chunk[BP_MAX_WIRE_BYTES];
    bp_frame frame, again;
    bp_message message;
    window *it;

    if (length == 1) {
        MUST(w->slot.is_open && w->slot.is_byte, "it sends a byte, %02x, that no request asked for", data[0]);
        MUST(data[0] == w->slot.byte, "it answers with the byte %02x", data[0]);
        judge_window(w, &w->slot);
        return;
    }
    memcpy(chunk, data, length);
    MUST(data[0] == 0 && data[length - 1] == 0 && slow_frame(chunk + 1, length - 2, &frame) == BP_OK,
         "it sends what is no frame");
    MUST(frame.is_reply && frame.tag == slow_hash(w->identity.uid, 0, 0) >> 16, "it sends a request, or another's tag");
    MUST(frame.source == address_of(w), "it answers as %d, its address is %d", frame.source, address_of(w));
    it = is_answer(&w->reply, &frame) ? &w->reply : is_answer(&w->slot, &frame) ? &w->slot : NULL;
    MUST(it != NULL, "it answers operation %d though no request asks", frame.operation);
    judge_window(w, it);
    memset(&message, 0xA5, sizeof message);
    again = frame;
    MUST(bp_unpack_message(&message, &frame) == BP_OK && bp_pack_message(&message, &again) == BP_OK
             && same_frame(&frame, &again),
         "its answer to operation %d cannot be read", frame.operation);
    MUST(!it->refusal || message.kind == BP_KIND_REFUSED, "operation %d is not refused", frame.operation);
    w->restarts = message.kind == BP_KIND_RESTARTING;
    if (it == &w->slot && frame.operation == BP_OPERATION_ROLL_CALL) {
        w->roll.has_answered = 1;
        w->roll.answered_salt = w->slot.salt;
    }
}

/* What should have been said by now. */
static void judge_silence(world *w)
{
    if (!w->is_powered || w->is_sending) {
        return;
    }
    MUST(!w->reply.is_open || w->reply.waits || w->now_us <= w->reply.until_us, "no answer to operation %d",
         w->reply.operation);
    MUST(!w->slot.is_open || !w->slot.must || w->now_us <= w->slot.until_us, "its slot came, it is silent (%d)",
         w->slot.operation);
    if (!w->slot.must && w->now_us > w->slot.until_us) {
        w->slot.is_open = 0;
    }
    MUST(!w->is_storing || w->now_us <= w->store_until_us, "it takes too long to store");
}

/* --- what it does ----------------------------------------------------------------------------------------------- */

/* The write of stored memory is over. */
static void judge_stored(world *w)
{
    w->is_storing = w->may_store = 0;
    w->look = 1;
    if (!w->was_worn) {
        w->is_stored = 1;
        w->stored = w->candidate;
        w->stored_address = w->candidate_address;
        w->stored_page = w->torn_page;
        if (w->candidate_assigns) {
            w->is_released = 0;
            MUST(!w->is_on && w->device->motion.state == BP_STATE_LIMP, "it has a new address and is not limp");
        }
    }
    if (w->reply.is_open && w->reply.waits) {
        w->reply.waits = 0;
        w->reply.refusal = w->was_worn;
        w->reply.from_us = w->now_us + w->device->working.reply_delay;
        w->reply.until_us = w->reply.from_us + BP_START_JITTER_US;
    }
}

/* Neutral + direction x d x travel / 2 + correction(d), within the ends and the mechanical stops, in mdeg. */
static double angle_of(const world *w)
{
    const bp_settings *s = &w->device->working;
    double share = w->demand / 10000.0, stop = w->identity.mechanical_travel_cdeg * 5.0;
    double mdeg = s->neutral * 10.0 + (s->direction ? -share : share) * s->travel * 5.0;

    if (s->correction_count > 1) {
        double place = (share + 1) / 2 * (s->correction_count - 1);
        int below = (int)place < s->correction_count - 2 ? (int)place : s->correction_count - 2;

        mdeg += 10 * (s->correction[below] + (place - below) * (s->correction[below + 1] - s->correction[below]));
    }
    mdeg = mdeg < s->end_low * 10.0 ? s->end_low * 10.0 : mdeg > s->end_high * 10.0 ? s->end_high * 10.0 : mdeg;
    return mdeg < -stop ? -stop : mdeg > stop ? stop : mdeg;
}

static void judge_target(const world *w)
{
    const bp_motion *motion = &w->device->motion;
    int32_t preset = w->device->working.preset * 10, low = w->device->working.end_low * 10;
    int32_t high = w->device->working.end_high * 10;

    if (motion->state == BP_STATE_LOST_PRESET) {
        preset = preset < low ? low : preset > high ? high : preset;
        MUST(motion->target_mdeg == preset, "at its preset %d it is driven to %d mdeg", preset, motion->target_mdeg);
    } else if (w->is_on && motion->has_demand) {
        double off = motion->target_mdeg - angle_of(w);

        MUST(off <= 2 && off >= -2, "demand %d drives it to %d mdeg, %.0f off", w->demand, motion->target_mdeg, off);
    }
}

static void judge_settings(world *w)
{
    bp_settings room;

    check_settings(&w->device->working, "working");
    check_settings(&w->device->store.settings, "stored");
    check_table(&w->device->working, "working");
    check_table(&w->device->store.settings, "stored");
    MUST(same_settings(&w->device->store.settings, memory_of(w, BP_MEMORY_STORED, &room)), "stored settings changed");
    MUST(w->device->address == address_of(w), "its address is %d, stored is %d", w->device->address, address_of(w));
    w->before = w->device->working;
}

static void judge_loss(world *w)
{
    uint8_t state = w->device->motion.state;
    uint16_t time_out_ms = w->device->working.loss_time_out;
    uint64_t since_us = w->now_us - w->fed_us;

    w->shortest_ms = time_out_ms < w->shortest_ms ? time_out_ms : w->shortest_ms;
    if (is_at_work(w->state_before) && state >= BP_STATE_LOST_LIMP && state <= BP_STATE_LOST_PRESET) {
        MUST(since_us >= w->shortest_ms * UINT64_C(1000), "demand counts as lost after %llu us",
             (unsigned long long)since_us);
        MUST(state == BP_STATE_LOST_LIMP + w->before.loss_action
                 || state == BP_STATE_LOST_LIMP + w->device->working.loss_action,
             "the loss action is %d, the state %d", w->before.loss_action, state);
    }
    if (is_at_work(state)) {
        w->longest_ms = time_out_ms > w->longest_ms ? time_out_ms : w->longest_ms;
        MUST(since_us < w->longest_ms * UINT64_C(1000), "no demand for %llu us, and it works on",
             (unsigned long long)since_us);
    }
    w->state_before = state;
}

static void judge_after_tick(world *w)
{
    const bp_motion *motion = &w->device->motion;
    int driven = is_at_work(motion->state) || motion->state == BP_STATE_LOST_HOLD
                 || motion->state == BP_STATE_LOST_PRESET;

    if (w->is_storing && !w->device->store.is_writing) {
        judge_stored(w);
    }
    MUST(w->device->is_sending == w->is_sending, "it believes to send, or not to");
    MUST(driven == w->is_on, "state %d, and the bridge is %s", motion->state, w->is_on ? "on" : "off");
    MUST(!w->is_on || w->device->address != BP_UNADDRESSED, "driven without an address");
    MUST(!w->is_released || motion->state == BP_STATE_RELEASED, "released, and in state %d", motion->state);
    judge_loss(w);
    judge_target(w);
    if (!w->is_on || !is_hot(w)) {
        w->hot_since_us = w->now_us;
    }
    MUST(w->now_us - w->hot_since_us <= HOT_US, "hotter than its limit, and still driven");
    judge_silence(w);
    if (w->look) {
        w->look = 0;
        judge_settings(w);
    }
}

/* It has just started: with the old set or the new one, limp. A write that was under way goes on, or is given up. */
static void judge_start(world *w)
{
    const bp_store *store = &w->device->store;
    bp_settings room;

    if (w->is_storing && !store->is_writing && !store->is_lost && store->page == w->torn_page
        && store->address == w->candidate_address && same_settings(&store->settings, &w->candidate)) {
        w->is_stored = 1;
        w->stored = w->candidate;
        w->stored_address = w->candidate_address;
        w->stored_page = w->torn_page;
    }
    w->is_storing = w->may_store = (uint8_t)(w->is_storing && store->is_writing);
    w->restarts = w->is_released = 0;
    memset(&w->roll, 0, sizeof w->roll);
    w->reply.is_open = w->slot.is_open = 0;
    w->heard = 0;
    MUST(store->is_lost == !w->is_stored, "settings are %s", store->is_lost ? "lost" : "found where none were stored");
    MUST(!w->is_stored || store->page == w->stored_page, "the older copy is in use");
    MUST(same_settings(&store->settings, memory_of(w, BP_MEMORY_STORED, &room)), "stored settings are mixed");
    MUST(same_settings(&w->device->working, &store->settings), "working settings are not the stored ones");
    MUST(w->device->motion.state == BP_STATE_LIMP && !w->is_on, "not limp after a start");
    w->state_before = BP_STATE_LIMP;
    w->look = 1;
}

#endif
