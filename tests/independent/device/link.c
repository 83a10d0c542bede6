/* The calls from outside: bytes and edges in, one pending answer out, and the start. */
#include "device.h"

#include <string.h>

#define REPLY_SPREAD 29U
#define LONGEST_SLEEP UINT64_C(1200000000) /* 20 min: less than half of the clock's range, so that it is widened right */

size_t bp_device_size(void)
{
    return sizeof(bp_device);
}

uint32_t chance(const bp_device *device, uint32_t below)
{
    return device->hardware.any_bits(device->hardware.context) % below;
}

/* Widen the time of a call. A time before the last one, by less than half of the range, does not turn the clock back. */
static void tell_time(bp_device *device, uint32_t time_us)
{
    uint32_t passed = time_us - (uint32_t)(device->now & UINT32_MAX);

    if (passed < UINT32_C(0x80000000)) {
        device->now += passed;
    }
}

/* A restart, also in the midst of a write: that goes on, and what it writes is what is stored (op.51). */
void start_again(bp_device *device)
{
    memset(&device->reply, 0, sizeof device->reply);
    memset(&device->answer, 0, sizeof device->answer);
    memset(&device->discovery, 0, sizeof device->discovery);
    memset(&device->motion, 0, sizeof device->motion);
    device->receiver.count = 0;
    device->restarts = 0;
    device->good_frames = 0;
    device->bad_frames = 0;
    device->deaf_until = device->now + DEAF_AFTER_START;
    if (device->storage.step == WRITE_IDLE) {
        storage_load(device);
        device->working = device->storage.set;
        device->address = device->storage.address;
    } else {
        device->storage.is_restarted = 1;
        device->settings_lost = 0;
        device->working = device->storage.new_set;
        device->address = device->storage.new_address;
    }
    motion_start(device);
}

void bp_device_start(bp_device *device, const bp_hardware *hardware, const bp_identity *identity, uint32_t time_us)
{
    memset(device, 0, sizeof *device);
    device->hardware = *hardware;
    device->identity = *identity;
    device->now = (UINT64_C(1) << 32) + time_us;
    device->tag = (uint16_t)(hash_of(identity->uid, 0, 0) >> 16);
    device->storage.due = NEVER;
    start_again(device);
}

void schedule_reply(bp_device *device)
{
    device->reply.kind = REPLY;
    device->reply.due
        = device->now + (uint64_t)device->working.value[REPLY_DELAY] + 1U + chance(device, REPLY_SPREAD);
}

void give_reply(bp_device *device, const struct frame *request, const uint8_t *payload, uint8_t length)
{
    device->reply.sequence = request->sequence;
    device->reply.operation = request->operation;
    device->reply.destination = request->source;
    device->reply.length = frame_reply(device->reply.wire, device, &device->reply, payload, length);
    schedule_reply(device);
}

/* A reply stands ready; an answer to all is made at the moment of sending. */
static void begin(bp_device *device, struct answer *answer)
{
    uint8_t payload[8], length;

    switch (answer->kind) {
    case LIST_BYTE:
    case QUERY_BYTE:
        answer->wire[0] = answer->byte;
        answer->length = 1;
        break;
    case ROUND:
        length = round_payload(device, payload);
        answer->length = frame_reply(answer->wire, device, answer, payload, length);
        break;
    case ROLL_CALL:
        device->discovery.has_begun = 1;
        answer->length = frame_reply(answer->wire, device, answer, device->identity.uid, 8);
        break;
    case FIXED_UID:
        answer->length = frame_reply(answer->wire, device, answer, device->identity.uid, 8);
        break;
    default:
        break;
    }
    answer->kind = NO_ANSWER;
    device->is_sending = 1;
    device->hardware.transmit(device->hardware.context, answer->wire, answer->length);
}

void bp_device_byte(bp_device *device, uint8_t byte, uint32_t time_us)
{
    struct frame request;

    tell_time(device, time_us);
    /* The echo of the last byte may come behind the call that all is sent. */
    if (device->is_sending || device->now <= device->sent_at || device->now < device->deaf_until) {
        return;
    }
    motion_run(device);
    storage_run(device);
    switch (receive(&device->receiver, byte, &request)) {
    case GOOD_FRAME:
        if (!request.is_reply) {
            device->good_frames++;
            take_in(device, &request);
        }
        break;
    case BAD_PIECE:
        device->bad_frames++;
        break;
    default:
        break;
    }
}

void bp_device_line(bp_device *device, uint8_t is_busy, uint32_t time_us)
{
    tell_time(device, time_us);
    device->is_busy = is_busy;
    if (is_busy) {
        count_is_stopped(device);
    } else {
        count_goes_on(device);
    }
}

void bp_device_sent(bp_device *device, uint32_t time_us)
{
    tell_time(device, time_us);
    device->is_sending = 0;
    device->sent_at = device->now;
    if (device->restarts) {
        start_again(device);
    }
}

/* While it sends nothing else is due; bp_device_sent comes first. */
static uint64_t due_of(const bp_device *device, const struct answer *answer)
{
    return answer->kind == NO_ANSWER || device->is_sending ? NEVER : answer->due;
}

static uint8_t is_due(const bp_device *device, const struct answer *answer)
{
    return due_of(device, answer) <= device->now;
}

uint32_t bp_device_tick(bp_device *device, uint32_t time_us)
{
    uint64_t next;

    tell_time(device, time_us);
    motion_run(device);
    storage_run(device);
    if (is_due(device, &device->reply)) {
        begin(device, &device->reply);
    }
    if (is_due(device, &device->answer)) {
        begin(device, &device->answer);
    }
    if (device->restarts && device->reply.kind == NO_ANSWER && !device->is_sending) {
        start_again(device);
    }
    next = device->now + LONGEST_SLEEP;
    next = motion_due(device) < next ? motion_due(device) : next;
    if (device->storage.step != WRITE_IDLE && device->storage.due < next) {
        next = device->storage.due;
    }
    next = due_of(device, &device->reply) < next ? due_of(device, &device->reply) : next;
    next = due_of(device, &device->answer) < next ? due_of(device, &device->answer) : next;
    return (uint32_t)(next & UINT32_MAX);
}

uint8_t bp_device_address(const bp_device *device)
{
    return device->address;
}

uint8_t bp_device_state(const bp_device *device)
{
    return device->motion.state;
}
