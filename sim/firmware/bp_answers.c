/* Replies about settings and the device itself. Only write and undo change anything, and only working memory. */
#include "bp_answers.h"

#include <string.h>

void bp_refuse(bp_message *reply, uint8_t code, int32_t low, int32_t high)
{
    reply->kind = BP_KIND_REFUSED;
    reply->as.refused.code = code;
    reply->as.refused.low = low;
    reply->as.refused.high = high;
}

static const bp_settings *bp_memory(const bp_settings *working, const bp_settings *stored, uint8_t memory,
                                    bp_settings *room)
{
    switch (memory) {
    case BP_MEMORY_WORKING:
        return working;
    case BP_MEMORY_STORED:
        return stored;
    default:
        bp_settings_factory(room);
        return room;
    }
}

void bp_answer_read(const bp_settings *working, const bp_settings *stored, const bp_read *read, bp_message *reply)
{
    uint8_t value[BP_LONGEST_VALUE_BYTES];
    const bp_parameter *row;
    bp_settings room;
    const bp_settings *settings = bp_memory(working, stored, read->memory, &room);
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

int bp_answer_write(bp_settings *working, const bp_write *write, bp_message *reply)
{
    const bp_parameter *row = bp_parameter_of(write->number);
    bp_settings changed = *working;
    bp_result result = bp_settings_put(&changed, write->number, write->value, write->value_count);

    if (result == BP_OK && !bp_settings_agree(&changed)) {
        result = BP_OUT_OF_RANGE;
    }
    switch (result) {
    case BP_OK:
        *working = changed;
        reply->kind = BP_KIND_WRITTEN;
        reply->as.written.number = write->number;
        reply->as.written.value_count = write->value_count;
        memcpy(reply->as.written.value, write->value, write->value_count);
        break;
    case BP_UNKNOWN:
        bp_refuse(reply, BP_OUTCOME_UNKNOWN_PARAMETER, 0, 0);
        break;
    case BP_OUT_OF_RANGE:
        bp_refuse(reply, BP_OUTCOME_OUT_OF_RANGE, bp_settings_least(working, row->number), row->high);
        break;
    default:
        bp_refuse(reply, BP_OUTCOME_BAD_REQUEST, 0, 0);
        break;
    }
    return result == BP_OK;
}

int bp_answer_undo(bp_settings *working, const bp_settings *stored, const bp_undo *undo, bp_message *reply)
{
    bp_settings room;

    if (undo->memory == BP_MEMORY_WORKING) {
        bp_refuse(reply, BP_OUTCOME_OUT_OF_RANGE, BP_MEMORY_STORED, BP_MEMORY_FACTORY);
        return 0;
    }
    *working = *bp_memory(working, stored, undo->memory, &room);
    reply->kind = BP_KIND_UNDONE;
    reply->as.undone.memory = undo->memory;
    return 1;
}

void bp_answer_describe(const bp_identity *identity, uint16_t generation, bp_message *reply)
{
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
    description->generation = generation;
}

/* Copy a text of the table into a message field, filled up with zeros. */
static void bp_copy_text(char *to, const char *text, size_t room)
{
    size_t at;

    memset(to, 0, room);
    for (at = 0; at + 1 < room && text[at] != 0; at++) {
        to[at] = text[at];
    }
}

void bp_answer_describe_parameter(uint8_t index, bp_message *reply)
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
