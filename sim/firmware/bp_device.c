/* One actuator: frames in, requests carried out, replies out. */
#include "bp_device.h"

#include "bp_answers.h"
#include "bp_clock.h"

#include <string.h>

static bp_drive bp_drive_of(bp_device *device)
{
    bp_drive drive;

    drive.motion = &device->motion;
    drive.hardware = &device->hardware;
    drive.identity = &device->identity;
    drive.working = &device->working;
    drive.has_address = device->address != BP_UNADDRESSED;
    return drive;
}

static bp_presence bp_presence_of(bp_device *device)
{
    bp_presence presence;

    presence.discovery = &device->discovery;
    presence.backoff = &device->backoff;
    presence.hardware = &device->hardware;
    presence.uid = device->identity.uid;
    presence.address = device->address;
    return presence;
}

/* Start at power-up, or again on request. On request a write under way goes on, as its page is half written. */
static void bp_device_begin(bp_device *device, uint8_t is_again, uint32_t now_us)
{
    uint8_t is_writing = is_again && device->store.is_writing;
    uint8_t assigns = is_writing ? device->assigns : 0;
    bp_store store;
    bp_drive drive;
    bp_presence presence;
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
    drive = bp_drive_of(device);
    presence = bp_presence_of(device);
    bp_discovery_start(&presence);
    bp_motion_start(&drive, now_us);
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

/* --- out --------------------------------------------------------------------------------------------------- */

static void bp_device_send(bp_device *device, const bp_message *message, uint8_t to, uint8_t sequence, uint8_t operation)
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

static void bp_device_send_byte(bp_device *device, uint8_t byte)
{
    device->is_sending = 1;
    device->hardware.transmit(device->hardware.context, &byte, 1);
}

static void bp_reply_from(bp_device *device, uint32_t now_us)
{
    device->reply_state = BP_REPLY_TIMED;
    /* the clock resolves 1 us: one more keeps the turnaround time, two less keep the jitter within its limit */
    device->reply_due_us =
        now_us + device->working.reply_delay + 1U + bp_jitter_us(&device->hardware, BP_START_JITTER_US - 2U);
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

/* --- requests ---------------------------------------------------------------------------------------------- */

static void bp_do_demand(const bp_drive *drive, int16_t demand, bp_message *reply, uint32_t now_us)
{
    uint8_t outcome = bp_motion_readiness(drive);

    if (outcome == BP_OUTCOME_DONE && drive->motion->state == BP_STATE_RELEASED) {
        outcome = BP_OUTCOME_NOT_ENGAGED;
    }
    if (outcome != BP_OUTCOME_DONE) {
        bp_refuse(reply, outcome, 0, 0);
        return;
    }
    bp_motion_follow(drive, demand, now_us);
    reply->kind = BP_KIND_MOVING;
    reply->as.moving.state = bp_motion_state(drive, now_us);
    reply->as.moving.position_cdeg = bp_motion_position_cdeg(drive);
}

static void bp_do_engage(const bp_drive *drive, bp_message *reply, uint32_t now_us)
{
    uint8_t outcome = bp_motion_readiness(drive);

    if (outcome != BP_OUTCOME_DONE) {
        bp_refuse(reply, outcome, 0, 0);
        return;
    }
    bp_motion_engage(drive, now_us);
    reply->kind = BP_KIND_ENGAGED;
    reply->as.engaged.state = bp_motion_state(drive, now_us);
}

static void bp_do_report(const bp_device *device, const bp_drive *drive, bp_status *status, uint32_t now_us)
{
    bp_motion_report(drive, status, now_us);
    if (device->store.is_lost) {
        status->faults |= BP_FAULT_SETTINGS_LOST;
    }
    status->good_frames = device->requests;
    status->bad_frames = (uint16_t)device->receiver.bad;
}

/* Begin to store; the reply follows at the end of the write. Returns 0 where a write is under way already. */
static int bp_begin_to_store(bp_device *device, uint8_t address, const bp_settings *settings, uint32_t now_us)
{
    if (device->store.is_writing) {
        return 0;
    }
    bp_store_begin(&device->store, &device->hardware, address, settings, now_us);
    return 1;
}

/* Carry out a request and fill in the reply. Returns 0 for no reply, 1 for a reply, 2 for a reply after a write. */
static int bp_act(bp_device *device, const bp_message *message, bp_message *reply, uint32_t now_us)
{
    bp_drive drive = bp_drive_of(device);

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
        bp_answer_describe(&device->identity, device->store.generation, reply);
        return 1;
    case BP_KIND_DESCRIBE_PARAMETER:
        bp_answer_describe_parameter(message->as.describe_parameter.index, reply);
        return 1;
    case BP_KIND_READ:
        bp_answer_read(&device->working, &device->store.settings, &message->as.read, reply);
        return 1;
    case BP_KIND_WRITE:
        if (bp_answer_write(&device->working, &message->as.write, reply)) {
            bp_motion_settings_changed(&drive);
        }
        return 1;
    case BP_KIND_UNDO:
        if (bp_answer_undo(&device->working, &device->store.settings, &message->as.undo, reply)) {
            bp_motion_settings_changed(&drive);
        }
        return 1;
    case BP_KIND_DEMAND_ALL:
        bp_motion_demand_all(&drive, message->as.demand_all.demands, message->as.demand_all.demands_count, now_us);
        return 0;
    case BP_KIND_DEMAND:
        bp_do_demand(&drive, message->as.demand.demand, reply, now_us);
        return 1;
    case BP_KIND_RELEASE:
        bp_motion_limp(&drive, BP_STATE_RELEASED);
        reply->kind = BP_KIND_RELEASED;
        reply->as.released.state = BP_STATE_RELEASED;
        return 1;
    case BP_KIND_ENGAGE:
        bp_do_engage(&drive, reply, now_us);
        return 1;
    case BP_KIND_REPORT:
        reply->kind = BP_KIND_STATUS;
        bp_do_report(device, &drive, &reply->as.status, now_us);
        return 1;
    case BP_KIND_SHOW_YOURSELF:
        reply->kind = BP_KIND_SHOWING;
        reply->as.showing.moves = bp_motion_show(&drive, message->as.show_yourself.duration_ds, now_us);
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
    if (number == BP_OPERATION_SUPPRESS || number == BP_OPERATION_PREFIX_QUERY || number == BP_OPERATION_SLOTTED_CALL) {
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
    bp_presence presence = bp_presence_of(device);
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
    device->backoff.wait = BP_WAIT_NOT; /* the host has sent another request */
    memset(&reply, 0, sizeof reply);
    result = operation == NULL ? BP_UNKNOWN : bp_unpack_message(&device->message, frame);
    if (result == BP_OK && (operation->audience & (is_for_all ? BP_TO_ALL : BP_TO_ONE)) == 0) {
        result = BP_BAD_CONTENT;
    }
    if (result != BP_OK) {
        /* a reply without an outcome byte cannot carry a refusal */
        if (is_for_all || (operation != NULL && operation->is_bare)) {
            return;
        }
        bp_refuse(&reply, operation == NULL ? BP_OUTCOME_UNKNOWN_OPERATION : BP_OUTCOME_BAD_REQUEST, 0, 0);
        answers = 1;
    } else if (device->message.kind == BP_KIND_REPORT_ROUND) {
        const bp_report_round *round = &device->message.as.report_round;

        bp_drive drive = bp_drive_of(device);

        bp_motion_demand_all(&drive, round->demands, round->demands_count, now_us);
        bp_discovery_round(&presence, round, frame->sequence, now_us);
        return;
    } else {
        bp_discovery_heard(&presence, &device->message, frame->sequence, now_us);
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

/* A write has ended: reply whether it succeeded. */
static void bp_stored(bp_device *device, int is_whole, uint32_t now_us)
{
    bp_drive drive = bp_drive_of(device);

    if (is_whole && device->assigns) {
        device->address = device->store.address;
        bp_motion_limp(&drive, BP_STATE_LIMP);
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
    bp_drive drive = bp_drive_of(device);

    if (device->is_sending) {
        return; /* its own echo, or a simultaneous sender */
    }
    if (bp_receiver_byte(&device->receiver, byte, &device->frame) == BP_FRAME) {
        bp_motion_state(&drive, time_us);
        bp_heard(device, time_us);
    }
}

void bp_device_line(bp_device *device, uint8_t is_busy, uint32_t time_us)
{
    bp_presence presence = bp_presence_of(device);

    device->is_line_busy = is_busy;
    bp_backoff_line(&presence, is_busy, time_us);
}

void bp_device_sent(bp_device *device, uint32_t time_us)
{
    device->is_sending = 0;
    if (device->restarts_when_sent) {
        bp_device_begin(device, 1, time_us);
    }
}

/* Send the answer of discovery, or of a report round, where its wait is over. */
static void bp_backoff_tick(bp_device *device, uint32_t now_us)
{
    bp_presence presence = bp_presence_of(device);
    bp_drive drive = bp_drive_of(device);
    bp_message message;
    uint32_t share;

    if (device->is_sending) {
        return;
    }
    switch (bp_backoff_take(&presence, device->is_line_busy, now_us, &message)) {
    case BP_SAY_BYTE:
        bp_device_send_byte(device, device->backoff.byte);
        return;
    case BP_SAY_STATUS:
        share = (bp_motion_current_ma(&drive) + UINT32_C(10)) / UINT32_C(20);
        message.kind = BP_KIND_BRIEF_STATUS;
        message.as.brief_status.state = bp_motion_state(&drive, now_us);
        message.as.brief_status.position_cdeg = bp_motion_position_cdeg(&drive);
        message.as.brief_status.current_cma = (uint8_t)(share < 0xFFU ? share : 0xFFU);
        break;
    case BP_SAY_MESSAGE:
        break;
    default:
        return;
    }
    bp_device_send(device, &message, BP_HOST_ADDRESS, device->backoff.sequence, device->backoff.operation);
}

uint32_t bp_device_tick(bp_device *device, uint32_t time_us)
{
    bp_drive drive;
    uint32_t next_us = time_us + BP_LONGEST_SLEEP_US;
    int came = bp_store_step(&device->store, &device->hardware, time_us);

    if (came != 0) {
        bp_stored(device, came == 1, time_us);
    }
    drive = bp_drive_of(device);
    bp_motion_tick(&drive, time_us);
    bp_reply_tick(device, time_us);
    bp_backoff_tick(device, time_us);
    if (device->store.is_writing) {
        next_us = bp_earlier(time_us, next_us, device->store.due_us);
    }
    if (!device->is_sending && device->reply_state == BP_REPLY_TIMED) {
        next_us = bp_earlier(time_us, next_us, device->reply_due_us);
    }
    if (!device->is_sending
        && (device->backoff.wait == BP_WAIT_TIMED
            || (device->backoff.wait == BP_WAIT_COUNTS && !device->is_line_busy))) {
        next_us = bp_earlier(time_us, next_us, device->backoff.due_us);
    }
    return bp_motion_next_us(&drive, time_us, next_us);
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
