/* What a device may do and must do, by the format page: judged after everything that it hears, at every tick, and on
 * everything that it says. `hear` reckons first what may come of a frame, lets the device hear its last byte, and
 * looks at what came. */
#ifndef FUZZ_JUDGE_H
#define FUZZ_JUDGE_H

#include "turns.h"

#define HOT_US 300000U /* the page says no time; it looks four times a second */

static int is_at_work(uint8_t state)
{
    return state == BP_STATE_EASING || state == BP_STATE_FOLLOWING;
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
        MUST(w->turn.is_open && w->turn.is_byte, "it sends a byte, %02x, that nobody asked for", data[0]);
        MUST(data[0] == w->turn.byte, "it answers with the byte %02x", data[0]);
        judge_window(w, &w->turn);
        return;
    }
    memcpy(chunk, data, length);
    MUST(data[0] == 0 && data[length - 1] == 0 && slow_frame(chunk + 1, length - 2, &frame) == BP_OK,
         "it sends what is no frame");
    MUST(frame.is_reply && frame.tag == slow_hash(w->identity.uid, 0, 0) >> 16, "it sends a request, or another's tag");
    MUST(frame.source == address_of(w), "it answers as %d, its address is %d", frame.source, address_of(w));
    it = is_answer(&w->reply, &frame) ? &w->reply : is_answer(&w->turn, &frame) ? &w->turn : NULL;
    MUST(it != NULL, "it answers operation %d though nobody asks", frame.operation);
    judge_window(w, it);
    memset(&message, 0xA5, sizeof message);
    again = frame;
    MUST(bp_unpack_message(&message, &frame) == BP_OK && bp_pack_message(&message, &again) == BP_OK
             && same_frame(&frame, &again),
         "its answer to operation %d cannot be read", frame.operation);
    MUST(!it->refusal || message.kind == BP_KIND_REFUSED, "operation %d is not refused", frame.operation);
    w->restarts = message.kind == BP_KIND_RESTARTING;
    if (it == &w->turn && frame.operation == BP_OPERATION_ROLL_CALL) {
        w->roll.has_answered = 1;
        w->roll.answered_salt = w->turn.salt;
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
    MUST(!w->turn.is_open || !w->turn.must || w->now_us <= w->turn.until_us, "its turn came, it is silent (%d)",
         w->turn.operation);
    if (!w->turn.must && w->now_us > w->turn.until_us) {
        w->turn.is_open = 0;
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
    w->reply.is_open = w->turn.is_open = 0;
    w->heard = 0;
    MUST(store->is_lost == !w->is_stored, "settings are %s", store->is_lost ? "lost" : "found where none were stored");
    MUST(!w->is_stored || store->page == w->stored_page, "the older copy is in use");
    MUST(same_settings(&store->settings, memory_of(w, BP_MEMORY_STORED, &room)), "stored settings are mixed");
    MUST(same_settings(&w->device->working, &store->settings), "working settings are not the stored ones");
    MUST(w->device->motion.state == BP_STATE_LIMP && !w->is_on, "not limp after a start");
    w->state_before = BP_STATE_LIMP;
    w->look = 1;
}

/* --- what it hears -------------------------------------------------------------------------------------------- */

static void hear_byte(world *w, uint8_t byte)
{
    w->began_to_store = 0;
    bp_device_byte(w->device, byte, clock_of(w));
    w->may_take_hold = 0;
    MUST(w->may_store || !w->began_to_store, "it stores what nobody asked to be stored");
}

/* Whether a request lets it take hold, or keeps it going; the demand that comes with it. */
static int feeds(const world *w, const bp_message *message, int16_t *demand)
{
    const int16_t *demands = message->as.demand_all.demands;
    uint8_t count = message->as.demand_all.demands_count, channel = w->device->working.channel;

    if (address_of(w) == BP_UNADDRESSED) {
        return 0;
    }
    switch (message->kind) {
    case BP_KIND_ENGAGE:
        return 1;
    case BP_KIND_DEMAND:
        *demand = message->as.demand.demand;
        return !w->is_released;
    case BP_KIND_REPORT_ROUND:
        demands = message->as.report_round.demands;
        count = message->as.report_round.demands_count;
        break;
    case BP_KIND_DEMAND_ALL:
        break;
    default:
        return 0;
    }
    if (w->is_released || channel == 0 || channel > count || demands[channel - 1] == BP_NO_DEMAND) {
        return 0;
    }
    *demand = demands[channel - 1];
    return 1;
}

static void expect_reply(world *w, const bp_frame *frame, uint16_t delay_before_us, int refusal)
{
    uint16_t delay_us = w->device->working.reply_delay;

    memset(&w->reply, 0, sizeof w->reply);
    w->reply.is_open = 1;
    w->reply.to = frame->source;
    w->reply.sequence = frame->sequence;
    w->reply.operation = frame->operation;
    w->reply.refusal = (uint8_t)refusal;
    w->reply.waits = w->began_to_store;
    w->reply.asked_us = w->now_us;
    w->reply.from_us = w->now_us + (delay_us < delay_before_us ? delay_us : delay_before_us);
    w->reply.until_us = w->now_us + (delay_us > delay_before_us ? delay_us : delay_before_us) + BP_START_JITTER_US;
}

/* Whether a refusal says that, with those limits. */
static void judge_refusal(const bp_message *reply, uint8_t code, int32_t low, int32_t high)
{
    const bp_refused *refused = &reply->as.refused;

    MUST(reply->kind == BP_KIND_REFUSED && refused->code == code && refused->low == low && refused->high == high,
         "refused otherwise: %d %d..%d, wanted %d", refused->code, refused->low, refused->high, code);
}

static void judge_write(world *w, const bp_write *write)
{
    static const uint8_t codes[] = {
        [BP_BAD_CONTENT] = BP_OUTCOME_BAD_REQUEST,
        [BP_UNKNOWN] = BP_OUTCOME_UNKNOWN_PARAMETER,
        [BP_OUT_OF_RANGE] = BP_OUTCOME_OUT_OF_RANGE,
    };
    const bp_message *reply = &w->device->reply;
    const bp_parameter *row = bp_parameter_of(write->number);
    bp_result wanted = wanted_of_put(write->number, write->value, write->value_count);
    uint8_t is[BP_LONGEST_VALUE_BYTES], was[BP_LONGEST_VALUE_BYTES];
    size_t at, size;
    int32_t low = row == NULL ? 0 : row->low;

    if (write->number == BP_PARAMETER_TRAVEL) {
        low = slow_least_travel(w->before.correction, w->before.correction_count);
        if (wanted == BP_OK && raw_of(row, write->value) < low) {
            wanted = BP_OUT_OF_RANGE;
        }
    }
    if (write->number == BP_PARAMETER_CORRECTION && wanted == BP_OK) {
        int16_t table[33];

        for (at = 0; at < write->value_count / 2U; at++) {
            table[at] = (int16_t)raw_of(row, write->value + 2U * at);
        }
        wanted = w->before.travel < slow_least_travel(table, at) ? BP_OUT_OF_RANGE : BP_OK;
    }
    if (wanted != BP_OK) {
        int tells = wanted == BP_OUT_OF_RANGE;

        judge_refusal(reply, codes[wanted], tells ? low : 0, tells ? row->high : 0);
        MUST(same_settings(&w->before, &w->device->working), "a refused value of parameter %d is kept", write->number);
        return;
    }
    MUST(reply->kind == BP_KIND_WRITTEN, "parameter %d is not taken", write->number);
    for (at = 0; at < BP_PARAMETERS; at++) {
        uint8_t number = bp_parameters[at].number;

        size = bp_settings_get(&w->device->working, number, is);
        if (number == write->number) {
            MUST(size == write->value_count && memcmp(is, write->value, size) == 0, "parameter %d is another", number);
        } else {
            MUST(size == bp_settings_get(&w->before, number, was) && memcmp(is, was, size) == 0,
                 "parameter %d changes with another", number);
        }
    }
}

static void judge_read(world *w, const bp_read *read)
{
    const bp_values *values = &w->device->reply.as.values;
    uint8_t value[BP_LONGEST_VALUE_BYTES];
    size_t at, size, sum = 0;
    bp_settings room;
    const bp_settings *from = memory_of(w, read->memory, &room);

    if (w->device->reply.kind == BP_KIND_REFUSED) {
        return;
    }
    MUST(w->device->reply.kind == BP_KIND_VALUES, "a read gives no values");
    for (at = 0; at < read->numbers_count; at++) {
        size = bp_settings_get(from, read->numbers[at], value);
        MUST(sum + size <= values->values_count && memcmp(values->values + sum, value, size) == 0,
             "parameter %d is read as another", read->numbers[at]);
        sum += size;
    }
    MUST(sum == values->values_count, "more values than were asked for");
}

/* What came of a request that fits, apart from what is still to be said. */
static void judge_deed(world *w, const bp_message *message, int is_all)
{
    const bp_message *reply = &w->device->reply;
    const bp_link_test *test = &message->as.link_test;
    bp_settings room;

    if (message->kind == BP_KIND_WRITE) {
        judge_write(w, &message->as.write);
        return;
    }
    if (message->kind == BP_KIND_UNDO) {
        if (message->as.undo.memory != BP_MEMORY_WORKING) {
            MUST(same_settings(&w->device->working, memory_of(w, message->as.undo.memory, &room)),
                 "undo takes another set");
            return;
        }
        judge_refusal(reply, BP_OUTCOME_OUT_OF_RANGE, 1, 2);
    }
    MUST(same_settings(&w->before, &w->device->working), "message %d changes settings", message->kind);
    switch (message->kind) {
    case BP_KIND_READ:
        judge_read(w, &message->as.read);
        break;
    case BP_KIND_RELEASE:
        w->is_released = 1;
        MUST(!w->is_on, "released, and driven");
        break;
    case BP_KIND_LINK_TEST:
        MUST(reply->kind == BP_KIND_LINK_TESTED && reply->as.link_tested.data_count == test->data_count
                 && memcmp(reply->as.link_tested.data, test->data, test->data_count) == 0,
             "other bytes come back");
        break;
    case BP_KIND_DESCRIBE_PARAMETER:
        if (message->as.describe_parameter.index < BP_PARAMETERS) {
            const bp_parameter *row = &bp_parameters[message->as.describe_parameter.index];
            const bp_parameter_description *told = &reply->as.parameter_description;

            MUST(reply->kind == BP_KIND_PARAMETER_DESCRIPTION && told->number == row->number && told->low == row->low
                     && told->high == row->high && told->default_ == row->factory,
                 "parameter %d is described otherwise", row->number);
        }
        break;
    case BP_KIND_ENGAGE:
    case BP_KIND_DEMAND:
        MUST(is_all || address_of(w) != BP_UNADDRESSED || reply->kind == BP_KIND_REFUSED, "taken without an address");
        break;
    default:
        break;
    }
}

/* A good frame with a request for it, or for all. */
static void hear(world *w, const bp_frame *frame)
{
    int is_all = frame->destination == BP_BROADCAST_ADDRESS, was_storing = w->is_storing, does_feed, fits, is_for_me;
    const bp_operation *operation = bp_operation_of(frame->operation);
    uint8_t was_faulted = w->device->motion.state == BP_STATE_FAULTED;
    uint16_t delay_us = w->device->working.reply_delay;
    int16_t demand = w->demand;
    bp_message message;

    memset(&message, 0, sizeof message);
    fits = bp_unpack_message(&message, frame) == BP_OK
           && (operation->audience & (is_all ? BP_TO_ALL : BP_TO_ONE)) != 0;
    is_for_me = fits && message.kind == BP_KIND_ASSIGN
                && memcmp(message.as.assign.uid, w->identity.uid, BP_UID_BYTES) == 0;
    does_feed = fits && feeds(w, &message, &demand);
    /* too hot, nothing takes hold of one that is not at work */
    w->demand = does_feed && (is_at_work(w->device->motion.state) || !is_hot(w)) ? demand : w->demand;
    w->turn.is_open = 0;
    w->may_take_hold = (uint8_t)does_feed;
    w->may_store = (uint8_t)(was_storing || is_for_me || (fits && message.kind == BP_KIND_COMMIT));
    if (!was_storing && w->may_store) {
        bp_settings room;

        w->candidate_assigns = (uint8_t)is_for_me;
        w->candidate_address = is_for_me ? message.as.assign.address : address_of(w);
        w->candidate = is_for_me ? *memory_of(w, BP_MEMORY_STORED, &room) : w->device->working;
    }
    w->before = w->device->working;
    hear_byte(w, 0);
    if (fits && is_all && message.kind == BP_KIND_RESTART) {
        judge_start(w);
        return;
    }
    MUST(!w->began_to_store || !was_storing, "a second write begins in the middle of one");
    w->is_storing = (uint8_t)(was_storing || w->began_to_store);
    w->store_until_us = w->began_to_store ? w->now_us + BP_STORE_US : w->store_until_us;
    if (!fits) {
        MUST(same_settings(&w->before, &w->device->working), "what it does not know changes settings");
        if (!is_all && (operation == NULL || !operation->is_bare)) {
            expect_reply(w, frame, delay_us, 1);
            judge_refusal(&w->device->reply,
                          operation == NULL ? BP_OUTCOME_UNKNOWN_OPERATION : BP_OUTCOME_BAD_REQUEST, 0, 0);
        }
        return;
    }
    if (message.kind == BP_KIND_ASSIGN ? is_for_me : !is_all && !operation->is_bare && operation->has_reply) {
        int stores = is_for_me || message.kind == BP_KIND_COMMIT;

        MUST(!stores || w->began_to_store || was_storing, "it does not store");
        expect_reply(w, frame, delay_us, stores && !w->began_to_store);
    }
    expect_turn(w, frame, &message);
    if (does_feed && !was_faulted && !is_hot(w)) {
        MUST(w->is_on, "message %d does not make it take hold", message.kind);
    }
    if (does_feed) {
        if (message.kind == BP_KIND_ENGAGE && w->is_on) { /* one that was refused changes nothing */
            w->is_released = 0;
        }
        w->fed_us = w->now_us;
        w->longest_ms = w->shortest_ms = w->device->working.loss_time_out;
    }
    judge_deed(w, &message, is_all);
}

static void judge_heard(world *w, uint8_t byte)
{
    bp_frame frame;
    size_t size = w->heard;

    w->may_store = w->is_storing;
    if (w->is_sending) {
        hear_byte(w, byte);
        return;
    }
    if (byte != 0) {
        if (w->heard < sizeof w->chunk) {
            w->chunk[w->heard++] = byte;
        }
        hear_byte(w, byte);
        return;
    }
    w->heard = 0;
    w->look = 1;
    if (slow_frame(w->chunk, size, &frame) == BP_OK && !frame.is_reply
        && (frame.destination == BP_BROADCAST_ADDRESS || frame.destination == address_of(w))) {
        hear(w, &frame);
        return;
    }
    w->before = w->device->working;
    hear_byte(w, byte);
    MUST(same_settings(&w->before, &w->device->working), "what is not for it changes settings");
}

#endif
