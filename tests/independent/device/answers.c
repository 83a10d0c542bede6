/* What replies say of the actuator and of its settings; section Operations of the format page. */
#include "device.h"

#include <string.h>

void put_bytes(struct reply *reply, const void *bytes, size_t length)
{
    memcpy(reply->bytes + reply->length, bytes, length);
    reply->length = (uint8_t)(reply->length + length);
}

void put8(struct reply *reply, uint32_t value)
{
    reply->bytes[reply->length++] = (uint8_t)(value & 0xFFU);
}

void put16(struct reply *reply, uint32_t value)
{
    put8(reply, value);
    put8(reply, value >> 8);
}

static void put32(struct reply *reply, int32_t value)
{
    put16(reply, (uint32_t)value & 0xFFFFU);
    put16(reply, (uint32_t)value >> 16);
}

static void put_text(struct reply *reply, const char *text, size_t width)
{
    size_t length = strlen(text);

    put_bytes(reply, text, length < width ? length : width);
    for (; length < width; length++) {
        put8(reply, 0);
    }
}

enum outcome describe(bp_device *device, struct reply *reply)
{
    const bp_identity *identity = &device->identity;

    put_bytes(reply, identity->uid, 8);
    put_text(reply, identity->model, 16);
    put8(reply, identity->firmware_major);
    put8(reply, identity->firmware_minor);
    put16(reply, identity->supply_min_mv);
    put16(reply, identity->supply_max_mv);
    put16(reply, identity->stall_torque_mnm);
    put16(reply, identity->stall_current_ma);
    put16(reply, identity->no_load_speed_deg_s);
    put16(reply, identity->mechanical_travel_cdeg);
    put8(reply, parameter_count());
    put16(reply, device->storage.generation);
    return DONE;
}

enum outcome describe_parameter(uint8_t index, struct reply *reply)
{
    const struct parameter *row = parameter_at(index);

    if (row == NULL) {
        return UNKNOWN_PARAMETER;
    }
    put8(reply, row->number);
    put8(reply, row->size);
    put8(reply, row->points);
    put32(reply, row->low);
    put32(reply, row->high);
    put32(reply, row->factory);
    put_text(reply, row->name, 20);
    put_text(reply, row->unit, 10);
    return DONE;
}

static const struct settings *memory_of(const bp_device *device, uint8_t memory, struct settings *factory)
{
    factory_settings(factory);
    return memory == 0 ? &device->working : memory == 1U ? &device->storage.set : factory;
}

enum outcome read_values(bp_device *device, const struct frame *request, struct reply *reply)
{
    struct settings factory;
    const struct settings *set = memory_of(device, request->payload[0], &factory);
    unsigned length = 0;

    for (unsigned at = 1; at + 1U < request->length; at++) {
        const struct parameter *row = parameter_of(request->payload[at]);
        if (row != NULL && row->points != 0) {
            return BAD_REQUEST;
        }
    }
    for (unsigned at = 1; at < request->length; at++) {
        const struct parameter *row = parameter_of(request->payload[at]);
        if (row == NULL) {
            return UNKNOWN_PARAMETER;
        }
        length += value_length(set, row);
    }
    if (length > MOST_PAYLOAD - 1U) {
        return BAD_REQUEST;
    }
    for (unsigned at = 1; at < request->length; at++) {
        reply->length = (uint8_t)(reply->length
                                  + put_value(reply->bytes + reply->length, set, parameter_of(request->payload[at])));
    }
    return DONE;
}

enum outcome write_value(bp_device *device, const struct frame *request, struct reply *reply)
{
    const struct parameter *row = parameter_of(request->payload[0]);
    enum outcome outcome;

    if (row == NULL) {
        return UNKNOWN_PARAMETER;
    }
    outcome = set_value(&device->working, row, request->payload + 1, (uint8_t)(request->length - 1U), &reply->low,
                        &reply->high);
    if (outcome == DONE) {
        motion_run(device);
        put8(reply, row->number);
        reply->length = (uint8_t)(reply->length + put_value(reply->bytes + reply->length, &device->working, row));
    }
    return outcome;
}

enum outcome undo(bp_device *device, const struct frame *request, struct reply *reply)
{
    struct settings factory;

    if (request->payload[0] == 0) {
        reply->low = 1;
        reply->high = 2;
        return OUT_OF_RANGE;
    }
    device->working = *memory_of(device, request->payload[0], &factory);
    motion_run(device);
    put8(reply, request->payload[0]);
    return DONE;
}
