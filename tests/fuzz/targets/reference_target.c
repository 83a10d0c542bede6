/* The reference firmware under the fuzzer: one device in a world of its own, judged by the format page.
 *
 * The first bytes of an input choose what the device is and what it has stored. The rest is a list of actions: bytes
 * and frames (those with right checks), time that passes, power that fails in the middle of a write, cells that are
 * worn out, supply, temperature and place of the arm. */
#include "judge.h"

#define WIDE_CDEG 36000 /* all the way round: the sensor jumps from one end to the other */
#define MOST_US UINT64_C(60000000) /* of one input */

static const bp_identity IDENTITY = {
    .uid = {0xB0, 0xA7, 0, 0, 0, 0, 1, 2},
    .model = "bench 25",
    .firmware_major = 1,
    .supply_min_mv = 4800,
    .supply_max_mv = 8400,
    .stall_torque_mnm = 2500,
    .stall_current_ma = 4000,
    .no_load_speed_deg_s = 400,
    .mechanical_travel_cdeg = 20000,
};

/* Number, length, value of what is stored in the factory. */
static const uint8_t CHANNEL[] = {1, 1, 1};
static const uint8_t HOLDS[] = {1, 1, 2, 15, 1, 1, 17, 2, 100, 0};
static const uint8_t PRESETS[] = {1, 1, 1, 15, 1, 2, 16, 2, 0xE8, 0x03, 22, 6, 0x9C, 0xFF, 0, 0, 100, 0};

static world *made(fuzz_input *in)
{
    static const uint8_t *const values[] = {CHANNEL, HOLDS, PRESETS};
    static const size_t sizes[] = {sizeof CHANNEL, sizeof HOLDS, sizeof PRESETS};
    world *w = calloc(1, sizeof *w);
    uint8_t kind = take(in);
    bp_device *device = malloc(sizeof *device);

    w->device = device;
    w->identity = IDENTITY;
    w->hardware = (bp_hardware){w,     transmit,      any_bits,   page_erase, page_program, page_read,
                                drive, position_mdeg, current_ma, supply_mv,  temperature_cdeg};
    w->wake_us = w->cut_us = w->sent_us = NEVER;
    w->cut_at = w->worn_at = UINT32_MAX;
    w->byte_us = kind & 0x10 ? 87 : 10;
    w->idle_is_first = kind >> 6 & 1;
    w->identity.mechanical_travel_cdeg = kind & 0x20 ? WIDE_CDEG : 20000;
    w->stop_udeg = w->identity.mechanical_travel_cdeg * INT64_C(5000);
    w->clock_offset_us = (uint32_t)take(in) << 24 | UINT32_C(0xFF0000);
    w->noise = take(in);
    w->supply_mv = 7400;
    w->temperature_cdeg = 2500;
    memset(w->pages, 0xFF, sizeof w->pages);
    bp_settings_factory(&w->stored);
    if ((kind & 3) != 3) {
        size_t at;

        w->may_store = 1;
        w->stored_address = kind & 4 ? BP_UNADDRESSED : 5;
        MUST(bp_device_provision(&w->hardware, w->stored_address, values[kind & 3], sizes[kind & 3]) == 1,
             "it does not take its first settings");
        for (at = 0; at < sizes[kind & 3]; at += 2U + values[kind & 3][at + 1]) {
            bp_settings_put(&w->stored, values[kind & 3][at], values[kind & 3] + at + 2, values[kind & 3][at + 1]);
        }
        w->is_stored = 1;
        w->may_store = w->was_worn = 0;
        w->writes = 0;
        w->rests_us[0] = w->rests_us[1] = 0;
    }
    power_on(w);
    return w;
}

static void say_frame(world *w, const bp_frame *frame)
{
    uint8_t wire[160];

    say(w, wire, slow_wire(frame, wire));
}

static void frame_to(world *w, bp_frame *frame, uint8_t operation, int to_all)
{
    memset(frame, 0, sizeof *frame);
    frame->destination = to_all ? BP_BROADCAST_ADDRESS : address_of(w);
    frame->sequence = (uint8_t)any_bits(w);
    frame->operation = operation;
}

/* -99 % to +99 %, or none. */
static int16_t some_demand(fuzz_input *in)
{
    int8_t share = (int8_t)take(in);

    return share == INT8_MIN ? BP_NO_DEMAND : (int16_t)(share * 78);
}

/* A member list of a few places, whole or a part of it, its own digest in it or not; its bytes. */
static uint8_t some_member_list(world *w, fuzz_input *in, uint8_t *to)
{
    uint8_t count = take(in) & 7, own = take(in) & 7, at;

    bp_put_u16(to, (uint16_t)(take(in) & 3));
    to[2] = take(in) & 3;
    to[3] = take(in) & 7;
    to[4] = take(in) & 15;
    for (at = 0; at < count; at++) {
        uint16_t digest = (uint16_t)(own_hash(w, to[2], bp_get_u16(to)) >> 16);

        bp_put_u16(to + 5 + 2 * at, at == own ? digest : (uint16_t)(digest + at + 1));
    }
    return (uint8_t)(5 + 2 * count);
}

/* What hosts say most. Bit 7: to all; bit 6: without a pause behind. */
static void say_often(world *w, fuzz_input *in)
{
    static const uint8_t operations[] = {
        BP_OPERATION_COMMIT,
        BP_OPERATION_ENGAGE,
        BP_OPERATION_RELEASE,
        BP_OPERATION_REPORT,
        BP_OPERATION_DEMAND,
        BP_OPERATION_DEMAND_ALL,
        BP_OPERATION_ASSIGN,
        BP_OPERATION_UNDO,
        BP_OPERATION_RESTART,
        BP_OPERATION_SHOW_YOURSELF,
        BP_OPERATION_REPORT_ROUND,
        BP_OPERATION_SUPPRESS,
        BP_OPERATION_ROLL_CALL,
        BP_OPERATION_ADDRESS_LIST,
        BP_OPERATION_MEMBER_LIST,
    };
    uint8_t what = take(in), index = what & 0x1F, *p;
    uint8_t operation = operations[index < sizeof operations ? index : index % 4U];
    bp_frame frame;

    frame_to(w, &frame, operation, what >> 7);
    p = frame.payload;
    switch (operation) {
    case BP_OPERATION_DEMAND:
        bp_put_i16(p, some_demand(in));
        frame.payload_length = 2;
        break;
    case BP_OPERATION_DEMAND_ALL:
    case BP_OPERATION_REPORT_ROUND:
        frame.destination = BP_BROADCAST_ADDRESS;
        if (operation == BP_OPERATION_REPORT_ROUND) {
            *p++ = 1;
            *p++ = (uint8_t)(take(in) % 239U + 1U);
        }
        bp_put_i16(p, some_demand(in));
        bp_put_i16(p + 2, some_demand(in));
        frame.payload_length = (uint8_t)(p + 4 - frame.payload);
        break;
    case BP_OPERATION_ASSIGN:
    case BP_OPERATION_SUPPRESS:
        frame.destination = BP_BROADCAST_ADDRESS;
        if (operation == BP_OPERATION_SUPPRESS) {
            bp_put_u16(p, (uint16_t)(take(in) & 3));
            p += 2;
        }
        memcpy(p, w->identity.uid, BP_UID_BYTES);
        p += BP_UID_BYTES;
        if (operation == BP_OPERATION_ASSIGN) {
            *p++ = (uint8_t)(take(in) % 240U + 1U);
        }
        frame.payload_length = (uint8_t)(p - frame.payload);
        break;
    case BP_OPERATION_UNDO:
        p[0] = take(in) % 3U;
        frame.payload_length = 1;
        break;
    case BP_OPERATION_SHOW_YOURSELF:
        p[0] = take(in);
        frame.payload_length = 1;
        break;
    case BP_OPERATION_ROLL_CALL:
        frame.destination = BP_BROADCAST_ADDRESS;
        bp_put_u16(p, (uint16_t)(take(in) & 3));
        p[2] = take(in);
        bp_put_u16(p + 3, (uint16_t)(take(in) * 4U));
        frame.payload_length = 5;
        if (take(in) & 1) { /* its own digest: it is acknowledged, where it has answered */
            bp_put_u16(p + 5, (uint16_t)(own_hash(w, w->roll.answered_salt, bp_get_u16(p)) >> 16));
            frame.payload_length = 7;
        }
        break;
    case BP_OPERATION_MEMBER_LIST:
        frame.destination = BP_BROADCAST_ADDRESS;
        frame.payload_length = some_member_list(w, in, p);
        break;
    case BP_OPERATION_ADDRESS_LIST:
        frame.destination = BP_BROADCAST_ADDRESS;
        memset(p, take(in), 33);
        frame.payload_length = 33;
        break;
    default:
        break;
    }
    say_frame(w, &frame);
    if ((what & 0x40) == 0) {
        pass(w, 3000);
    }
}

/* A parameter is written, see take_value. Bit 3: without a pause behind. */
static void say_write(world *w, fuzz_input *in)
{
    const bp_parameter *row = &bp_parameters[take(in) % BP_PARAMETERS];
    uint8_t how = take(in);
    bp_frame frame;

    frame_to(w, &frame, BP_OPERATION_WRITE, 0);
    frame.payload[0] = row->number;
    frame.payload_length = (uint8_t)(1 + take_value(in, row, how, frame.payload + 1));
    say_frame(w, &frame);
    if ((how & 8) == 0) {
        pass(w, 3000);
    }
}

static void change_world(world *w, fuzz_input *in)
{
    uint8_t what = take(in);

    move(w);
    switch (what % 4U) {
    case 0:
        w->supply_mv = take_two(in);
        break;
    case 1:
        w->temperature_cdeg = (int16_t)take_two(in);
        break;
    case 2:
        w->current_ma = take_two(in);
        break;
    default:
        w->position_udeg = (int16_t)take_two(in) * w->stop_udeg / 32768;
        break;
    }
    tick(w);
    edge(w);
}

/* 1 us .. 1 s, in steps that grow. */
static uint64_t some_time(fuzz_input *in)
{
    uint8_t how = take(in);

    return (uint64_t)((how & 15) + 1) << (how >> 4);
}

int LLVMFuzzerTestOneInput(const uint8_t *data, size_t size)
{
    fuzz_input in = {data, size, 0};
    world *w = made(&in);
    uint8_t raw[64];
    bp_frame frame;

    while (in.at < in.size && w->now_us < MOST_US) {
        switch (take(&in) & 15) {
        case 0:
            say(w, raw, take_bytes(&in, raw, take(&in) % sizeof raw));
            break;
        case 1:
            take_frame(&in, &frame, address_of(w));
            say_frame(w, &frame);
            pass(w, some_time(&in));
            break;
        case 2:
            say_often(w, &in);
            break;
        case 3:
            say_write(w, &in);
            break;
        case 4:
            pass(w, some_time(&in));
            break;
        case 5:
            pass(w, take(&in) * UINT64_C(50000));
            break;
        case 6: /* power fails, now or soon */
            pass(w, some_time(&in));
            power_off(w);
            pass(w, some_time(&in));
            power_on(w);
            break;
        case 7: /* in the middle of a byte that is programmed */
            w->cut_at = w->writes + take(&in) % 128U;
            break;
        case 8:
            w->worn_at = w->writes + take(&in) % 128U;
            break;
        case 9:
            change_world(w, &in);
            break;
        default: /* room for more, so that inputs that are kept do not change their meaning */
            pass(w, 100);
            break;
        }
        if (!w->is_powered) {
            pass(w, 1000);
            power_on(w);
        }
    }
    pass(w, 100000); /* what is still to be said */
    free(w->device);
    free(w);
    return 0;
}
