/* A firmware to start from: it hears what is for its address and answers link tests. The rest is yours.
 *
 * bp_port.h tells what each function is for, and the format page (busproto spec) what an actuator does. On a board the
 * same functions are called from the interrupts of UART and timer; on the desk a harness calls them. */
#include "bp_port.h"
#include "bp_wire.h"

#include <string.h>

struct bp_device {
    bp_hardware hardware;
    bp_identity identity;
    bp_receiver receiver;
    uint8_t address;
    uint8_t is_sending;
    uint8_t has_reply;
    uint32_t reply_due_us;
    size_t reply_length;
    uint8_t reply[BP_MAX_WIRE_BYTES];
};

size_t bp_device_size(void)
{
    return sizeof(bp_device);
}

/* In the factory: its address goes into stored memory. Settings, two copies and a check are still to come. */
int bp_device_provision(const bp_hardware *hardware, uint8_t address, const uint8_t *values, size_t length)
{
    (void)values;
    hardware->page_erase(hardware->context, 0);
    hardware->page_program(hardware->context, 0, 0, address);
    return length == 0;
}

void bp_device_start(bp_device *device, const bp_hardware *hardware, const bp_identity *identity, uint32_t time_us)
{
    (void)time_us;
    memset(device, 0, sizeof *device);
    device->hardware = *hardware;
    device->identity = *identity;
    bp_receiver_start(&device->receiver);
    hardware->page_read(hardware->context, 0, 0, &device->address, 1);
    if (device->address < BP_MIN_ADDRESS || device->address > BP_MAX_ADDRESS) {
        device->address = BP_UNADDRESSED;
    }
    hardware->drive(hardware->context, 0, 0);
}

/* Make the answer; it goes out when its time has come. */
static void answer(bp_device *device, const bp_frame *request, const bp_message *message, uint32_t time_us)
{
    bp_frame frame;

    memset(&frame, 0, sizeof frame);
    frame.is_reply = 1;
    frame.destination = request->source;
    frame.source = device->address;
    frame.sequence = request->sequence;
    frame.operation = request->operation;
    frame.tag = bp_device_tag(device->identity.uid);
    if (bp_pack_message(message, &frame) == BP_OK) {
        device->reply_length = bp_encode_frame(&frame, device->reply);
        device->reply_due_us = time_us + BP_MIN_TURNAROUND_US + 1U + device->hardware.any_bits(device->hardware.context) % 28U;
        device->has_reply = 1;
    }
}

static void heard(bp_device *device, const bp_frame *frame, uint32_t time_us)
{
    bp_message request, reply;
    bp_result result;

    if (frame->is_reply || frame->destination != device->address) {
        return;
    }
    memset(&reply, 0, sizeof reply);
    result = bp_unpack_message(&request, frame);
    if (result == BP_OK && request.kind == BP_KIND_LINK_TEST) {
        reply.kind = BP_KIND_LINK_TESTED;
        reply.as.link_tested.data_count = request.as.link_test.data_count;
        memcpy(reply.as.link_tested.data, request.as.link_test.data, request.as.link_test.data_count);
        answer(device, frame, &reply, time_us);
    }
}

void bp_device_byte(bp_device *device, uint8_t byte, uint32_t time_us)
{
    bp_frame frame;

    if (!device->is_sending && bp_receiver_byte(&device->receiver, byte, &frame) == BP_FRAME) {
        heard(device, &frame, time_us);
    }
}

void bp_device_line(bp_device *device, uint8_t is_busy, uint32_t time_us)
{
    (void)device;
    (void)is_busy;
    (void)time_us;
}

void bp_device_sent(bp_device *device, uint32_t time_us)
{
    (void)time_us;
    device->is_sending = 0;
}

uint32_t bp_device_tick(bp_device *device, uint32_t time_us)
{
    if (!device->has_reply) {
        return time_us + UINT32_C(1000000);
    }
    if ((uint32_t)(time_us - device->reply_due_us) >= UINT32_C(0x80000000)) {
        return device->reply_due_us;
    }
    device->has_reply = 0;
    device->is_sending = 1;
    device->hardware.transmit(device->hardware.context, device->reply, device->reply_length);
    return time_us + UINT32_C(1000000);
}

uint8_t bp_device_address(const bp_device *device)
{
    return device->address;
}

uint8_t bp_device_state(const bp_device *device)
{
    (void)device;
    return BP_STATE_LIMP;
}

uint8_t bp_device_shows_until(const bp_device *device, uint32_t *time_us)
{
    (void)device;
    *time_us = 0;
    return 0;
}
