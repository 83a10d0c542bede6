/* The state of one actuator. Several can exist in one program, as nothing is static. */
#ifndef BP_DEVICE_H
#define BP_DEVICE_H

#include "bp_discovery.h"
#include "bp_motion.h"
#include "bp_port.h"
#include "bp_store.h"
#include "bp_wire.h"

enum bp_reply_state { BP_REPLY_NONE = 0, BP_REPLY_TIMED = 1, BP_REPLY_WAITS_FOR_STORE = 2 };

struct bp_device {
    bp_hardware hardware;
    bp_identity identity;
    uint16_t tag;
    uint8_t address;
    bp_settings working;
    bp_receiver receiver;
    bp_frame frame; /* the last frame heard */
    bp_message message;
    uint8_t is_line_busy;
    uint8_t is_sending;
    uint16_t requests; /* valid requests to any actuator; wraps around */
    uint8_t restarts_when_sent;
    uint8_t assigns; /* the write under way stores a new address */
    uint8_t reply_state; /* enum bp_reply_state */
    uint8_t reply_restarts;
    uint8_t reply_sequence;
    uint8_t reply_operation;
    uint8_t reply_to;
    bp_message reply;
    uint32_t reply_due_us;
    bp_store store;
    bp_motion motion;
    bp_discovery discovery;
    bp_backoff backoff;
};

#endif
