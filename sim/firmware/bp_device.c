/* One actuator: frames in, what they ask for, replies out. */
#include "bp_device.h"

#include <string.h>

/* From power-up, or again on request: then a write that is under way goes on, as its page must be left alone. */
static void bp_device_begin(bp_device *device, uint8_t is_again, uint32_t now_us)
{
    uint8_t is_writing = is_again && device->store.is_writing;
    uint8_t assigns = is_writing ? device->assigns : 0;
    bp_store store;
    uint8_t is_line_busy = device->is_line_busy;
    bp_hardware hardware = device->hardware;
    bp_identity identity = device->identity;

    if (is_writing) {
        store = device->store;
    }
    memset(device, 0, sizeof *device);
    device->hardware = hardware;
    device->identity = identity;
    device->is_line_busy = is_line_busy;
    device->tag = bp_device_tag(identity.uid);
    bp_receiver_start(&device->receiver);
    if (is_writing) {
        device->store = store;
        device->store.is_lost = store.page == BP_NO_PAGE;
        device->assigns = assigns;
    } else {
        bp_store_load(&device->store, &device->hardware);
    }
    device->working = device->store.settings;
    device->address = device->store.address;
    bp_attendance_start(device);
    bp_motion_start(device, now_us);
}

size_t bp_device_size(void)
{
    return sizeof(bp_device);
}

void bp_device_start(bp_device *device, const bp_hardware *hardware, const bp_identity *identity, uint32_t time_us)
{
    device->hardware = *hardware;
    device->identity = *identity;
    device->is_line_busy = 0;
    bp_device_begin(device, 0, time_us);
}

uint32_t bp_earlier(uint32_t now_us, uint32_t one_us, uint32_t other_us)
{
    /* one that has passed is due now */
    uint32_t one = BP_REACHED(now_us, one_us) ? 0 : one_us - now_us;
    uint32_t other = BP_REACHED(now_us, other_us) ? 0 : other_us - now_us;

    return now_us + (one < other ? one : other);
}

uint8_t bp_device_jitter_us(bp_device *device, uint8_t most_us)
{
    return (uint8_t)(device->hardware.any_bits(device->hardware.context) % (most_us + UINT32_C(1)));
}

/* --- out --------------------------------------------------------------------------------------------------- */

void bp_device_send(bp_device *device, const bp_message *message, uint8_t to, uint8_t sequence, uint8_t operation)
{
    uint8_t wire[BP_MAX_WIRE_BYTES];
    bp_frame frame;
    size_t length;

    memset(&frame, 0, sizeof frame);
    frame.is_reply = 1;
    frame.destination = to;
    frame.source = device->address;
    frame.sequence = sequence;
    frame.operation = operation;
    frame.tag = device->tag;
    if (bp_pack_message(message, &frame) != BP_OK) {
        return;
    }
    length = bp_encode_frame(&frame, wire);
    if (length != 0) {
        device->is_sending = 1;
        device->hardware.transmit(device->hardware.context, wire, length);
    }
}

void bp_device_send_byte(bp_device *device, uint8_t byte)
{
    device->is_sending = 1;
    device->hardware.transmit(device->hardware.context, &byte, 1);
}

static void bp_reply_from(bp_device *device, uint32_t now_us)
{
    device->reply_state = BP_REPLY_TIMED;
    /* the clock knows a moment to a microsecond: one more keeps the turnaround, two less the jitter */
    device->reply_due_us =
        now_us + device->working.reply_delay + 1U + bp_device_jitter_us(device, BP_START_JITTER_US - 2U);
}

static void bp_reply_tick(bp_device *device, uint32_t now_us)
{
    if (device->reply_state != BP_REPLY_TIMED || device->is_sending || !BP_REACHED(now_us, device->reply_due_us)) {
        return;
    }
    device->reply_state = BP_REPLY_NONE;
    device->restarts_when_sent = device->reply_restarts;
    bp_device_send(device, &device->reply, device->reply_to, device->reply_sequence, device->reply_operation);
}

/* --- what is asked ----------------------------------------------------------------------------------------- */

static void bp_refuse(bp_message *reply, uint8_t code, int32_t low, int32_t high)
{
    reply->kind = BP_KIND_REFUSED;
    reply->as.refused.code = code;
    reply->as.refused.low = low;
    reply->as.refused.high = high;
}

static const bp_settings *bp_memory(const bp_device *device, uint8_t memory, bp_settings *room)
{
    switch (memory) {
    case BP_MEMORY_WORKING:
        return &device->working;
    case BP_MEMORY_STORED:
        return &device->store.settings;
    default:
        bp_settings_factory(room);
        return room;
    }
}

static void bp_do_read(bp_device *device, const bp_read *read, bp_message *reply)
{
    uint8_t value[BP_LONGEST_VALUE_BYTES];
    const bp_parameter *row;
    bp_settings room;
    const bp_settings *settings = bp_memory(device, read->memory, &room);
    bp_values *values = &reply->as.values;
    size_t at, size;

    for (at = 0; at + 1 < read->numbers_count; at++) {
        row = bp_parameter_of(read->numbers[at]);
        if (row != NULL && row->points != 0) {
            bp_refuse(reply, BP_OUTCOME_BAD_REQUEST, 0, 0);
            return;
        }
    }
    for (at = 0; at < read->numbers_count; at++) {
        if (bp_parameter_of(read->numbers[at]) == NULL) {
            bp_refuse(reply, BP_OUTCOME_UNKNOWN_PARAMETER, 0, 0);
            return;
        }
    }
    reply->kind = BP_KIND_VALUES;
    values->values_count = 0;
    for (at = 0; at < read->numbers_count; at++) {
        size = bp_settings_get(settings, read->numbers[at], value);
        if (values->values_count + size > BP_MAX_VALUES_BYTES) {
            bp_refuse(reply, BP_OUTCOME_BAD_REQUEST, 0, 0);
            return;
        }
        memcpy(values->values + values->values_count, value, size);
        values->values_count = (uint8_t)(values->values_count + size);
    }
}

static void bp_do_write(bp_device *device, const bp_write *write, bp_message *reply)
{
    const bp_parameter *row = bp_parameter_of(write->number);
    bp_settings changed = device->working;
    bp_result result = bp_settings_put(&changed, write->number, write->value, write->value_count);

    if (result == BP_OK && !bp_settings_agree(&changed)) {
        result = BP_OUT_OF_RANGE;
    }
    switch (result) {
    case BP_OK:
        device->working = changed;
        bp_motion_settings_changed(device);
        reply->kind = BP_KIND_WRITTEN;
        reply->as.written.number = write->number;
        reply->as.written.value_count = write->value_count;
        memcpy(reply->as.written.value, write->value, write->value_count);
        break;
    case BP_UNKNOWN:
        bp_refuse(reply, BP_OUTCOME_UNKNOWN_PARAMETER, 0, 0);
        break;
    case BP_OUT_OF_RANGE:
        bp_refuse(reply, BP_OUTCOME_OUT_OF_RANGE, bp_settings_least(&device->working, row->number), row->high);
        break;
    default:
        bp_refuse(reply, BP_OUTCOME_BAD_REQUEST, 0, 0);
        break;
    }
}

static void bp_do_undo(bp_device *device, const bp_undo *undo, bp_message *reply)
{
    bp_settings room;

    if (undo->memory == BP_MEMORY_WORKING) {
        bp_refuse(reply, BP_OUTCOME_OUT_OF_RANGE, BP_MEMORY_STORED, BP_MEMORY_FACTORY);
        return;
    }
    device->working = *bp_memory(device, undo->memory, &room);
    bp_motion_settings_changed(device);
    reply->kind = BP_KIND_UNDONE;
    reply->as.undone.memory = undo->memory;
}

static void bp_do_describe(const bp_device *device, bp_message *reply)
{
    const bp_identity *identity = &device->identity;
    bp_description *description = &reply->as.description;

    reply->kind = BP_KIND_DESCRIPTION;
    memcpy(description->uid, identity->uid, BP_UID_BYTES);
    memcpy(description->model, identity->model, sizeof description->model);
    description->firmware_major = identity->firmware_major;
    description->firmware_minor = identity->firmware_minor;
    description->supply_min_mv = identity->supply_min_mv;
    description->supply_max_mv = identity->supply_max_mv;
    description->stall_torque_mnm = identity->stall_torque_mnm;
    description->stall_current_ma = identity->stall_current_ma;
    description->no_load_speed_deg_s = identity->no_load_speed_deg_s;
    description->mechanical_travel_cdeg = identity->mechanical_travel_cdeg;
    description->parameter_count = BP_PARAMETERS;
    description->generation = device->store.generation;
}

/* A text of the table into a field of a message that is filled up with zeros. */
static void bp_copy_text(char *to, const char *text, size_t room)
{
    size_t at;

    memset(to, 0, room);
    for (at = 0; at + 1 < room && text[at] != 0; at++) {
        to[at] = text[at];
    }
}

static void bp_do_describe_parameter(uint8_t index, bp_message *reply)
{
    bp_parameter_description *description = &reply->as.parameter_description;
    const bp_parameter *row;

    if (index >= BP_PARAMETERS) {
        bp_refuse(reply, BP_OUTCOME_UNKNOWN_PARAMETER, 0, 0);
        return;
    }
    row = &bp_parameters[index];
    reply->kind = BP_KIND_PARAMETER_DESCRIPTION;
    description->number = row->number;
    description->size = row->size;
    description->points = row->points;
    description->low = row->low;
    description->high = row->high;
    description->default_ = row->factory;
    bp_copy_text(description->name, row->name, sizeof description->name);
    bp_copy_text(description->unit, row->count_unit, sizeof description->unit);
}

static void bp_do_demand(bp_device *device, int16_t demand, bp_message *reply, uint32_t now_us)
{
    uint8_t outcome = bp_motion_readiness(device);

    if (outcome == BP_OUTCOME_DONE && device->motion.state == BP_STATE_RELEASED) {
        outcome = BP_OUTCOME_NOT_ENGAGED;
    }
    if (outcome != BP_OUTCOME_DONE) {
        bp_refuse(reply, outcome, 0, 0);
        return;
    }
    bp_motion_follow(device, demand, now_us);
    reply->kind = BP_KIND_MOVING;
    reply->as.moving.state = bp_motion_state(device, now_us);
    reply->as.moving.position_cdeg = bp_motion_position_cdeg(device);
}

static void bp_do_engage(bp_device *device, bp_message *reply, uint32_t now_us)
{
    uint8_t outcome = bp_motion_readiness(device);

    if (outcome != BP_OUTCOME_DONE) {
        bp_refuse(reply, outcome, 0, 0);
        return;
    }
    bp_motion_engage(device, now_us);
    reply->kind = BP_KIND_ENGAGED;
    reply->as.engaged.state = bp_motion_state(device, now_us);
}

/* Begin to store; the reply waits for it. Returns 0 where a write is under way already. */
static int bp_begin_to_store(bp_device *device, uint8_t address, const bp_settings *settings, uint32_t now_us)
{
    if (device->store.is_writing) {
        return 0;
    }
    bp_store_begin(&device->store, &device->hardware, address, settings, now_us);
    return 1;
}

/* Do what is asked, fill in the reply. Returns 0 where there is none, 1 for a reply, 2 for one that waits. */
static int bp_act(bp_device *device, const bp_message *message, bp_message *reply, uint32_t now_us)
{
    switch (message->kind) {
    case BP_KIND_ASSIGN:
        if (memcmp(message->as.assign.uid, device->identity.uid, BP_UID_BYTES) != 0) {
            return 0;
        }
        if (!bp_begin_to_store(device, message->as.assign.address, &device->store.settings, now_us)) {
            bp_refuse(reply, BP_OUTCOME_STORE_FAILED, 0, 0);
            return 1;
        }
        device->assigns = 1;
        reply->kind = BP_KIND_ASSIGNED;
        memcpy(reply->as.assigned.uid, device->identity.uid, BP_UID_BYTES);
        reply->as.assigned.address = message->as.assign.address;
        return 2;
    case BP_KIND_COMMIT:
        if (!bp_begin_to_store(device, device->address, &device->working, now_us)) {
            bp_refuse(reply, BP_OUTCOME_STORE_FAILED, 0, 0);
            return 1;
        }
        device->assigns = 0;
        reply->kind = BP_KIND_COMMITTED;
        return 2;
    case BP_KIND_DESCRIBE:
        bp_do_describe(device, reply);
        return 1;
    case BP_KIND_DESCRIBE_PARAMETER:
        bp_do_describe_parameter(message->as.describe_parameter.index, reply);
        return 1;
    case BP_KIND_READ:
        bp_do_read(device, &message->as.read, reply);
        return 1;
    case BP_KIND_WRITE:
        bp_do_write(device, &message->as.write, reply);
        return 1;
    case BP_KIND_UNDO:
        bp_do_undo(device, &message->as.undo, reply);
        return 1;
    case BP_KIND_DEMAND_ALL:
        bp_motion_demand_all(device, message->as.demand_all.demands, message->as.demand_all.demands_count, now_us);
        return 0;
    case BP_KIND_DEMAND:
        bp_do_demand(device, message->as.demand.demand, reply, now_us);
        return 1;
    case BP_KIND_RELEASE:
        bp_motion_limp(device, BP_STATE_RELEASED);
        reply->kind = BP_KIND_RELEASED;
        reply->as.released.state = BP_STATE_RELEASED;
        return 1;
    case BP_KIND_ENGAGE:
        bp_do_engage(device, reply, now_us);
        return 1;
    case BP_KIND_REPORT:
        reply->kind = BP_KIND_STATUS;
        bp_motion_report(device, &reply->as.status, now_us);
        return 1;
    case BP_KIND_SHOW_YOURSELF:
        reply->kind = BP_KIND_SHOWING;
        reply->as.showing.moves = bp_motion_show(device, message->as.show_yourself.duration_ds, now_us);
        return 1;
    case BP_KIND_LINK_TEST:
        reply->kind = BP_KIND_LINK_TESTED;
        reply->as.link_tested.data_count = message->as.link_test.data_count;
        memcpy(reply->as.link_tested.data, message->as.link_test.data, message->as.link_test.data_count);
        return 1;
    case BP_KIND_RESTART:
        reply->kind = BP_KIND_RESTARTING;
        return 1;
    default:
        return 0;
    }
}

/* The operations that this firmware offers. Built with BP_WITHOUT_TEACHING it leaves out the optional extension. */
static const bp_operation *bp_offered(uint8_t number)
{
#ifdef BP_WITHOUT_TEACHING
    if (number == BP_OPERATION_HUSH || number == BP_OPERATION_MATCH || number == BP_OPERATION_SLOTTED_CALL) {
        return NULL;
    }
#endif
    return bp_operation_of(number);
}

static void bp_heard(bp_device *device, uint32_t now_us)
{
    const bp_frame *frame = &device->frame;
    uint8_t is_for_all = frame->destination == BP_BROADCAST_ADDRESS;
    const bp_operation *operation = bp_offered(frame->operation);
    bp_message reply;
    bp_result result;
    int answers;

    if (frame->is_reply) {
        return;
    }
    device->requests++;
    if (!is_for_all && frame->destination != device->address) {
        return;
    }
    device->turn.wait = BP_WAIT_NOT; /* the host has gone on */
    memset(&reply, 0, sizeof reply);
    result = operation == NULL ? BP_UNKNOWN : bp_unpack_message(&device->message, frame);
    if (result == BP_OK && (operation->audience & (is_for_all ? BP_TO_ALL : BP_TO_ONE)) == 0) {
        result = BP_BAD_CONTENT;
    }
    if (result != BP_OK) {
        /* a reply without an outcome byte cannot say no */
        if (is_for_all || (operation != NULL && operation->is_bare)) {
            return;
        }
        bp_refuse(&reply, operation == NULL ? BP_OUTCOME_UNKNOWN_OPERATION : BP_OUTCOME_BAD_REQUEST, 0, 0);
        answers = 1;
    } else if (device->message.kind == BP_KIND_REPORT_ROUND) {
        const bp_report_round *round = &device->message.as.report_round;

        bp_motion_demand_all(device, round->demands, round->demands_count, now_us);
        bp_attendance_round(device, round, frame->sequence, now_us);
        return;
    } else if (bp_attendance_heard(device, &device->message, frame->sequence, now_us)) {
        return;
    } else {
        answers = bp_act(device, &device->message, &reply, now_us);
    }
    if (is_for_all && reply.kind == BP_KIND_RESTARTING) {
        bp_device_begin(device, 1, now_us);
        return;
    }
    if (answers == 0 || (is_for_all && device->message.kind != BP_KIND_ASSIGN)) {
        return;
    }
    device->reply = reply;
    device->reply_to = frame->source;
    device->reply_sequence = frame->sequence;
    device->reply_operation = frame->operation;
    device->reply_restarts = reply.kind == BP_KIND_RESTARTING;
    if (answers == 2) {
        device->reply_state = BP_REPLY_WAITS_FOR_STORE;
    } else {
        bp_reply_from(device, now_us);
    }
}

/* What was stored, or could not be. */
static void bp_stored(bp_device *device, int is_whole, uint32_t now_us)
{
    if (is_whole && device->assigns) {
        device->address = device->store.address;
        bp_motion_limp(device, BP_STATE_LIMP);
        device->motion.was_demanded = 0;
    }
    device->assigns = 0;
    if (device->reply_state != BP_REPLY_WAITS_FOR_STORE) {
        return;
    }
    if (!is_whole) {
        bp_refuse(&device->reply, BP_OUTCOME_STORE_FAILED, 0, 0);
    } else if (device->reply.kind == BP_KIND_COMMITTED) {
        device->reply.as.committed.generation = device->store.generation;
    }
    bp_reply_from(device, now_us);
}

/* --- from outside ------------------------------------------------------------------------------------------ */

void bp_device_byte(bp_device *device, uint8_t byte, uint32_t time_us)
{
    if (device->is_sending) {
        return; /* one's own echo, or who speaks at the same time */
    }
    if (bp_receiver_byte(&device->receiver, byte, &device->frame) == BP_FRAME) {
        bp_motion_state(device, time_us);
        bp_heard(device, time_us);
    }
}

void bp_device_line(bp_device *device, uint8_t is_busy, uint32_t time_us)
{
    device->is_line_busy = is_busy;
    bp_turn_line(device, is_busy, time_us);
}

void bp_device_sent(bp_device *device, uint32_t time_us)
{
    device->is_sending = 0;
    if (device->restarts_when_sent) {
        bp_device_begin(device, 1, time_us);
    }
}

uint32_t bp_device_tick(bp_device *device, uint32_t time_us)
{
    uint32_t next_us = time_us + BP_LONGEST_SLEEP_US;
    int came = bp_store_step(&device->store, &device->hardware, time_us);

    if (came != 0) {
        bp_stored(device, came == 1, time_us);
    }
    bp_motion_tick(device, time_us);
    bp_reply_tick(device, time_us);
    bp_turn_tick(device, time_us);
    if (device->store.is_writing) {
        next_us = bp_earlier(time_us, next_us, device->store.due_us);
    }
    if (!device->is_sending && device->reply_state == BP_REPLY_TIMED) {
        next_us = bp_earlier(time_us, next_us, device->reply_due_us);
    }
    if (!device->is_sending
        && (device->turn.wait == BP_WAIT_TIMED || (device->turn.wait == BP_WAIT_COUNTS && !device->is_line_busy))) {
        next_us = bp_earlier(time_us, next_us, device->turn.due_us);
    }
    return bp_motion_next_us(device, time_us, next_us);
}

uint8_t bp_device_address(const bp_device *device)
{
    return device->address;
}

uint8_t bp_device_state(const bp_device *device)
{
    return device->motion.state;
}

uint8_t bp_device_shows_until(const bp_device *device, uint32_t *time_us)
{
    *time_us = device->motion.show_until_us;
    return device->motion.was_shown;
}
