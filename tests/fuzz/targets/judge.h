/* What a device may do and must do, by the format page: judged after everything that it hears, at every tick, and on
 * everything that it says. `hear` calculates first what may come of a frame, lets the device hear its last byte, and
 * looks at what came. */
#ifndef FUZZ_JUDGE_H
#define FUZZ_JUDGE_H

#include "conduct.h"

/* --- what it hears -------------------------------------------------------------------------------------------- */

static void hear_byte(world *w, uint8_t byte)
{
    w->began_to_store = 0;
    bp_device_byte(w->device, byte, clock_of(w));
    w->may_take_hold = 0;
    MUST(w->may_store || !w->began_to_store, "it stores what no request asked to be stored");
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
    w->slot.is_open = 0;
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
    expect_slot(w, frame, &message);
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
