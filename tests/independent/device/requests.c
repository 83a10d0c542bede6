/* Section Operations of the format page, the table Refusals and the table State changes. */
#include "device.h"

#include <string.h>

#define TO_ONE 1U
#define TO_ALL 2U

/* What a request looks like: its length is `least`..`most` in steps of `step`. A bare one is never refused, as its
 * reply has no outcome byte. */
struct shape {
    uint8_t operation;
    uint8_t audience;
    uint8_t is_bare;
    uint8_t least;
    uint8_t most;
    uint8_t step;
};

static const struct shape SHAPES[] = {
    {0x01, TO_ONE | TO_ALL, 1, 5, 111, 2},
    {0x02, TO_ALL, 0, 5, 111, 2},
    {0x03, TO_ALL, 0, 33, 33, 1},
#ifndef WITHOUT_TEACHING
    {0x04, TO_ALL, 0, 10, 10, 1},
    {0x05, TO_ALL, 1, 12, 12, 1},
    {0x06, TO_ALL, 1, 7, 7, 1},
#endif
    {0x10, TO_ALL, 0, 9, 9, 1},
    {0x20, TO_ONE, 0, 0, 0, 1},
    {0x21, TO_ONE, 0, 1, 1, 1},
    {0x30, TO_ONE, 0, 2, 41, 1},
    {0x31, TO_ONE, 0, 1, 67, 1},
    {0x32, TO_ONE, 0, 0, 0, 1},
    {0x33, TO_ONE, 0, 1, 1, 1},
    {0x40, TO_ALL, 0, 2, 64, 2},
    {0x41, TO_ONE, 0, 2, 2, 1},
    {0x42, TO_ONE | TO_ALL, 0, 0, 0, 1},
    {0x43, TO_ONE | TO_ALL, 0, 0, 0, 1},
    {0x44, TO_ONE, 0, 0, 0, 1},
    {0x45, TO_ONE, 0, 1, 1, 1},
    {0x46, TO_ALL, 1, 2, 66, 2},
    {0x50, TO_ONE, 0, 0, 64, 1},
    {0x51, TO_ONE | TO_ALL, 0, 0, 0, 1},
};

static const struct shape *shape_of(uint8_t operation)
{
    for (unsigned at = 0; at < sizeof SHAPES / sizeof SHAPES[0]; at++) {
        if (SHAPES[at].operation == operation) {
            return &SHAPES[at];
        }
    }
    return NULL;
}

static int16_t i16_at(const uint8_t *bytes)
{
    return (int16_t)u16_at(bytes);
}

static int demands_are_allowed(const uint8_t *bytes, unsigned length)
{
    for (unsigned at = 0; at + 1U < length; at += 2U) {
        int16_t demand = i16_at(bytes + at);
        if (demand != INT16_MIN && (demand < -10000 || demand > 10000)) {
            return 0;
        }
    }
    return 1;
}

/* Whether length and fields are those of the operation's table. */
static int is_well_formed(const struct shape *shape, const struct frame *request)
{
    const uint8_t *payload = request->payload;
    uint8_t length = request->length;

    if (length < shape->least || length > shape->most || (length - shape->least) % shape->step != 0) {
        return 0;
    }
    switch (request->operation) {
    case 0x01:
        return u16_at(payload + 3) <= 1024U;
    case 0x02:
        return payload[4] <= 239U;
    case 0x05:
        return payload[2] <= 64U && payload[3] <= 1U;
    case 0x06:
        return u16_at(payload + 3) >= 1U && u16_at(payload + 3) <= 1024U;
    case 0x10:
        return payload[8] >= 1U && payload[8] <= NO_ADDRESS;
    case 0x30:
    case 0x33:
        return payload[0] <= 2U;
    case 0x40:
        return demands_are_allowed(payload, length);
    case 0x41:
        return demands_are_allowed(payload, length) && i16_at(payload) != INT16_MIN;
    case 0x45:
        return payload[0] <= 100U;
    case 0x46:
        return payload[0] >= 1U && payload[0] <= LAST_ADDRESS && payload[1] >= 1U && payload[1] <= LAST_ADDRESS
               && demands_are_allowed(payload + 2, length - 2U);
    default:
        return 1;
    }
}

static void give_refusal(bp_device *device, const struct frame *request, enum outcome code, int32_t low, int32_t high)
{
    uint8_t payload[9];

    payload[0] = (uint8_t)code;
    put_i32(payload + 1, code == OUT_OF_RANGE ? low : 0);
    put_i32(payload + 5, code == OUT_OF_RANGE ? high : 0);
    give_reply(device, request, payload, sizeof payload);
}

/* The reply comes when the write has ended: write_has_ended. */
static enum outcome begin_write(bp_device *device, const struct frame *request, const struct settings *set, uint8_t address)
{
    if (device->storage.step != WRITE_IDLE) {
        return STORE_FAILED;
    }
    device->reply.kind = REPLY_BEHIND_WRITE;
    device->reply.due = NEVER;
    device->reply.sequence = request->sequence;
    device->reply.operation = request->operation;
    device->reply.destination = request->source;
    storage_write(device, set, address, request->operation == 0x10U);
    return SILENT;
}

void write_has_ended(bp_device *device, uint8_t is_whole)
{
    uint8_t payload[10];
    struct frame request;

    if (device->storage.is_restarted && !is_whole) {
        device->working = device->storage.set;
        device->address = device->storage.address;
    } else if (is_whole && device->storage.is_assign && !device->storage.is_restarted) {
        device->address = device->storage.address;
        motion_address(device);
    }
    device->storage.is_restarted = 0;
    if (device->reply.kind != REPLY_BEHIND_WRITE) {
        return;
    }
    memset(&request, 0, sizeof request);
    request.source = device->reply.destination;
    request.sequence = device->reply.sequence;
    request.operation = device->reply.operation;
    if (!is_whole) {
        give_refusal(device, &request, STORE_FAILED, 0, 0);
        return;
    }
    payload[0] = DONE;
    if (request.operation == 0x32U) {
        put_u16(payload + 1, device->storage.generation);
        give_reply(device, &request, payload, 3);
    } else {
        memcpy(payload + 1, device->identity.uid, 8);
        payload[9] = device->address;
        give_reply(device, &request, payload, 10);
    }
}

static void heed_channel(bp_device *device, const uint8_t *demands, unsigned length)
{
    uint32_t channel = (uint32_t)device->working.value[CHANNEL];
    int16_t demand;

    if (channel == 0 || channel * 2U > length || device->address == NO_ADDRESS || is_hot(device)
        || device->motion.state == RELEASED || device->motion.state == FAULTED) {
        return;
    }
    demand = i16_at(demands + (channel - 1U) * 2U);
    if (demand != INT16_MIN) {
        motion_demand(device, demand);
    }
}

/* The conditions that demand and engage to one have in common: rows 14 and 15. */
static enum outcome may_be_driven(bp_device *device)
{
    if (device->address == NO_ADDRESS) {
        return NOT_ADDRESSED;
    }
    if (is_hot(device)) {
        if (device->motion.is_on) {
            motion_limp(device, FAULTED);
        }
        return FAULT_STANDS;
    }
    return DONE;
}

static enum outcome demand_one(bp_device *device, const struct frame *request, struct reply *reply)
{
    enum outcome outcome = may_be_driven(device);

    if (outcome != DONE) {
        return outcome;
    }
    if (device->motion.state == RELEASED) {
        return NOT_ENGAGED;
    }
    motion_demand(device, i16_at(request->payload));
    put8(reply, device->motion.state);
    put16(reply, (uint32_t)position_cdeg(device));
    return DONE;
}

static enum outcome engage(bp_device *device, struct reply *reply)
{
    enum outcome outcome = may_be_driven(device);

    if (outcome == DONE) {
        motion_engage(device);
        put8(reply, device->motion.state);
    }
    return outcome;
}

static enum outcome report(bp_device *device, struct reply *reply)
{
    const bp_hardware *hardware = &device->hardware;

    if (device->motion.state == FAULTED && !is_hot(device)) {
        device->motion.state = LIMP;
    }
    put8(reply, device->motion.state);
    put8(reply, faults_of(device));
    put16(reply, (uint32_t)position_cdeg(device));
    put16(reply, (uint32_t)demand_cdeg(device));
    put16(reply, hardware->current_ma(hardware->context));
    put16(reply, hardware->supply_mv(hardware->context));
    put16(reply, (uint32_t)(int32_t)hardware->temperature_cdeg(hardware->context));
    put16(reply, demand_age_ms(device));
    put16(reply, device->good_frames);
    put16(reply, device->bad_frames);
    put8(reply, device->motion.shows && device->now < device->motion.show_until);
    return DONE;
}

uint8_t round_payload(const bp_device *device, uint8_t *payload)
{
    unsigned count = (device->hardware.current_ma(device->hardware.context) + 10U) / 20U;

    payload[0] = device->motion.state;
    put_u16(payload + 1, (uint32_t)position_cdeg(device));
    payload[3] = (uint8_t)(count > 255U ? 255U : count);
    return 4;
}

static enum outcome act_for_one(bp_device *device, const struct frame *request, struct reply *reply)
{
    switch (request->operation) {
    case 0x01:
        discovery_roll_call(device, request);
        return SILENT;
    case 0x20:
        return describe(device, reply);
    case 0x21:
        return describe_parameter(request->payload[0], reply);
    case 0x30:
        return read_values(device, request, reply);
    case 0x31:
        return write_value(device, request, reply);
    case 0x32:
        return begin_write(device, request, &device->working, device->address);
    case 0x33:
        return undo(device, request, reply);
    case 0x41:
        return demand_one(device, request, reply);
    case 0x42:
        motion_limp(device, RELEASED);
        put8(reply, RELEASED);
        return DONE;
    case 0x43:
        return engage(device, reply);
    case 0x44:
        return report(device, reply);
    case 0x45:
        motion_show(device, request->payload[0]);
        put8(reply, device->motion.is_on && request->payload[0] != 0);
        return DONE;
    case 0x50:
        put_bytes(reply, request->payload, request->length);
        return DONE;
    default: /* 0x51 */
        device->restarts = 1;
        return DONE;
    }
}

static void act_for_all(bp_device *device, const struct frame *request)
{
    switch (request->operation) {
    case 0x01:
        discovery_roll_call(device, request);
        break;
    case 0x02:
        discovery_list(device, request);
        break;
    case 0x03:
        discovery_address_list(device, request);
        break;
    case 0x04:
        discovery_suppress(device, request);
        break;
    case 0x05:
        discovery_query(device, request);
        break;
    case 0x06:
        discovery_slotted_call(device, request);
        break;
    case 0x10:
        if (memcmp(request->payload, device->identity.uid, 8) == 0
            && begin_write(device, request, &device->storage.set, request->payload[8]) == STORE_FAILED) {
            give_refusal(device, request, STORE_FAILED, 0, 0);
        }
        break;
    case 0x40:
        heed_channel(device, request->payload, request->length);
        break;
    case 0x42:
        motion_limp(device, RELEASED);
        break;
    case 0x43:
        if (device->address != NO_ADDRESS && !is_hot(device)) {
            motion_engage(device);
        }
        break;
    case 0x46:
        heed_channel(device, request->payload + 2, request->length - 2U);
        discovery_round(device, request);
        break;
    default: /* 0x51 */
        start_again(device);
        break;
    }
}

void take_in(bp_device *device, const struct frame *request)
{
    const struct shape *shape = shape_of(request->operation);
    uint8_t is_to_all = request->destination == BROADCAST;
    enum outcome outcome = DONE;
    struct reply reply;

    if (!is_to_all && request->destination != device->address) {
        return;
    }
    if (shape == NULL) {
        outcome = UNKNOWN_OPERATION;
    } else if (!is_well_formed(shape, request) || (shape->audience & (is_to_all ? TO_ALL : TO_ONE)) == 0) {
        outcome = BAD_REQUEST;
    }
    device->answer.kind = NO_ANSWER; /* also where the request is dropped below: its host waits for nothing earlier */
    if (outcome != DONE && (is_to_all || (shape != NULL && shape->is_bare))) {
        return;
    }
    if (is_to_all) {
        act_for_all(device, request);
        return;
    }
    memset(&reply, 0, sizeof reply);
    reply.length = 1; /* the outcome byte, 0 */
    if (outcome == DONE) {
        outcome = act_for_one(device, request, &reply);
    }
    if (outcome == DONE) {
        give_reply(device, request, reply.bytes, reply.length);
    } else if (outcome != SILENT) {
        give_refusal(device, request, outcome, reply.low, reply.high);
    }
}
