/* Answers of discovery, and the back-off that separates them, see bp_discovery.c. */
#ifndef BP_DISCOVERY_H
#define BP_DISCOVERY_H

#include "bp_port.h"
#include "bp_wire.h"

/* State of discovery. */
typedef struct bp_discovery {
    uint8_t has_epoch;
    uint16_t epoch;
    uint8_t is_acknowledged;
    uint8_t has_answered; /* the last call that opened a window, in this epoch */
    uint8_t answered_salt;
    uint8_t has_member_list;
    uint16_t member_list_epoch;
    uint8_t member_list_salt;
    uint8_t member_list_total;
    uint8_t member_list_is_whole; /* all parts so far were heard */
    uint8_t member_list_has_position;
    uint8_t member_list_position;
    uint16_t member_list_next;
} bp_discovery;

enum bp_wait { BP_WAIT_NOT = 0, BP_WAIT_COUNTS = 1, BP_WAIT_TIMED = 2 };

/* A delayed answer: it waits while the back-off counts slots, or until a set time (enum bp_wait). */
typedef struct bp_backoff {
    uint8_t wait; /* enum bp_wait */
    uint8_t operation; /* 0: the single byte */
    uint8_t byte;
    uint8_t sequence;
    uint8_t salt; /* of the call; kept once the call was answered */
    uint16_t left; /* slots to count */
    uint8_t slot_us;
    uint8_t lead_us;
    uint8_t most_jitter_us;
    uint8_t jitter_us;
    uint32_t counting_from_us;
    uint32_t due_us;
} bp_backoff;

/* The data that discovery uses. */
typedef struct bp_presence {
    bp_discovery *discovery;
    bp_backoff *backoff;
    const bp_hardware *hardware;
    const uint8_t *uid;
    uint8_t address;
} bp_presence;

/* What to send when the wait of an answer is over. */
enum bp_say {
    BP_SAY_NOTHING = 0,
    BP_SAY_BYTE = 1, /* `backoff->byte` */
    BP_SAY_MESSAGE = 2, /* the message, filled in */
    BP_SAY_STATUS = 3 /* a brief status, not filled in */
};

void bp_discovery_start(const bp_presence *presence);
/* A request of another kind is left alone. */
void bp_discovery_heard(const bp_presence *presence, const bp_message *message, uint8_t sequence, uint32_t now_us);
void bp_discovery_round(const bp_presence *presence, const bp_report_round *round, uint8_t sequence, uint32_t now_us);
void bp_backoff_line(const bp_presence *presence, uint8_t is_busy, uint32_t time_us);
/* Returns what is to be sent now, enum bp_say, and ends the wait. */
int bp_backoff_take(const bp_presence *presence, uint8_t is_line_busy, uint32_t now_us, bp_message *message);
uint8_t bp_jitter_us(const bp_hardware *hardware, uint8_t most_us);

#endif
