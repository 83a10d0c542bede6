/* One actuator in full: what it remembers. Several can live side by side, nothing is static. */
#ifndef BP_DEVICE_H
#define BP_DEVICE_H

#include "bp_port.h"
#include "bp_wire.h"

#define BP_RECORD_ROOM 128U
#define BP_PAGES 2U
#define BP_NO_PAGE 0xFFU

/* Whether a moment has come; true for half the range of the clock. */
#define BP_REACHED(now, due) ((uint32_t)((uint32_t)(now) - (uint32_t)(due)) < UINT32_C(0x80000000))
/* No sleep is longer, so that no moment that has passed looks like one to come. */
#define BP_LONGEST_SLEEP_US UINT32_C(0x40000000)

/* Stored memory. */
typedef struct bp_store {
    bp_settings settings; /* as stored; factory where no copy is whole */
    uint8_t address;
    uint16_t generation;
    uint8_t page; /* that holds them, BP_NO_PAGE for none */
    uint8_t is_lost; /* no copy was whole at power-up */
    uint8_t is_writing;
    uint8_t writes_page;
    uint16_t next; /* byte to be programmed */
    uint16_t length;
    uint32_t due_us;
    uint8_t record[BP_RECORD_ROOM];
} bp_store;

/* The drive. Angles 0.001 deg, the set-point a thousandth of that. */
typedef struct bp_motion {
    uint8_t state;
    uint8_t is_on;
    uint8_t has_demand; /* `demand` leads it, not the place where it took hold */
    uint8_t is_demand_lost; /* since power-up */
    uint8_t is_eased; /* the soft start is over */
    int16_t demand;
    int32_t target_mdeg;
    int32_t swing_mdeg;
    int32_t setpoint_udeg;
    int32_t last_mdeg;
    int32_t speed_ddeg_s; /* measured, 0.1 deg/s */
    int32_t current_16ma; /* filtered, 1/16 mA */
    uint8_t is_overloaded;
    uint32_t light_us; /* since when the load has been above its limit */
    uint32_t hold_us;
    uint32_t loop_us;
    uint32_t fed_us; /* the loss time-out runs from here */
    uint32_t look_us; /* when to look at the temperature */
    uint8_t was_demanded;
    uint8_t is_long_ago; /* the last demand is older than a report can say */
    uint32_t demand_us;
    uint8_t is_showing;
    uint8_t was_shown;
    uint32_t show_until_us;
    uint32_t swing_us;
} bp_motion;

/* What an actuator remembers of discovery. */
typedef struct bp_attendance {
    uint8_t has_epoch;
    uint16_t epoch;
    uint8_t is_enrolled;
    uint8_t has_answered; /* the last call that opened a window, in this epoch */
    uint8_t answered_salt;
    uint8_t has_book;
    uint16_t book_epoch;
    uint8_t book_salt;
    uint8_t book_total;
    uint8_t book_is_whole; /* all parts so far were heard */
    uint8_t book_has_place;
    uint8_t book_place;
    uint16_t book_next;
} bp_attendance;

enum bp_wait { BP_WAIT_NOT = 0, BP_WAIT_COUNTS = 1, BP_WAIT_TIMED = 2 };

/* An answer that waits for its turn. */
typedef struct bp_turn {
    uint8_t wait; /* enum bp_wait */
    uint8_t operation; /* 0: the single byte */
    uint8_t byte;
    uint8_t sequence;
    uint8_t salt; /* of the call, to remember once it was answered */
    uint16_t left;
    uint8_t slot_us;
    uint8_t lead_us;
    uint8_t most_jitter_us;
    uint8_t jitter_us;
    uint32_t counting_from_us;
    uint32_t due_us;
} bp_turn;

enum bp_reply_state { BP_REPLY_NONE = 0, BP_REPLY_TIMED = 1, BP_REPLY_WAITS_FOR_STORE = 2 };

struct bp_device {
    bp_hardware hardware;
    bp_identity identity;
    uint16_t tag;
    uint8_t address;
    bp_settings working;
    bp_receiver receiver;
    bp_frame frame; /* the last one heard */
    bp_message message;
    uint8_t is_line_busy;
    uint8_t is_sending;
    uint16_t requests; /* good ones, whomever they were for; counts round */
    uint8_t restarts_when_sent;
    uint8_t assigns; /* what is being stored is a new address */
    uint8_t reply_state; /* enum bp_reply_state */
    uint8_t reply_restarts;
    uint8_t reply_sequence;
    uint8_t reply_operation;
    uint8_t reply_to;
    bp_message reply;
    uint32_t reply_due_us;
    bp_store store;
    bp_motion motion;
    bp_attendance attendance;
    bp_turn turn;
};

/* --- bp_store.c --- */
void bp_store_load(bp_store *store, const bp_hardware *hardware);
void bp_store_begin(bp_store *store, const bp_hardware *hardware, uint8_t address, const bp_settings *settings,
                    uint32_t now_us);
/* One step where it is due. Returns 0 while it goes on, 1 when the new copy is whole, -1 when it is not. */
int bp_store_step(bp_store *store, const bp_hardware *hardware, uint32_t now_us);

/* --- bp_motion.c --- */
void bp_motion_start(bp_device *device, uint32_t now_us);
void bp_motion_limp(bp_device *device, uint8_t state);
void bp_motion_engage(bp_device *device, uint32_t now_us);
void bp_motion_follow(bp_device *device, int16_t demand, uint32_t now_us);
void bp_motion_demand_all(bp_device *device, const int16_t *demands, uint8_t count, uint32_t now_us);
void bp_motion_settings_changed(bp_device *device);
/* Whether it may be driven; else the refusal's code. */
uint8_t bp_motion_readiness(bp_device *device);
uint8_t bp_motion_show(bp_device *device, uint8_t duration_ds, uint32_t now_us);
uint8_t bp_motion_state(bp_device *device, uint32_t now_us);
int16_t bp_motion_position_cdeg(const bp_device *device);
uint16_t bp_motion_current_ma(const bp_device *device);
void bp_motion_report(bp_device *device, bp_status *status, uint32_t now_us);
void bp_motion_tick(bp_device *device, uint32_t now_us);
/* When it is due again; `until_us` or earlier. */
uint32_t bp_motion_next_us(const bp_device *device, uint32_t now_us, uint32_t until_us);

/* --- bp_attendance.c --- */
void bp_attendance_start(bp_device *device);
/* Returns 1 where the message is one of discovery. */
int bp_attendance_heard(bp_device *device, const bp_message *message, uint8_t sequence, uint32_t now_us);
void bp_attendance_round(bp_device *device, const bp_report_round *round, uint8_t sequence, uint32_t now_us);
void bp_turn_line(bp_device *device, uint8_t is_busy, uint32_t time_us);
/* Send the answer where its turn has come. */
void bp_turn_tick(bp_device *device, uint32_t now_us);

/* --- bp_device.c --- */
uint8_t bp_device_jitter_us(bp_device *device, uint8_t most_us);
void bp_device_send(bp_device *device, const bp_message *message, uint8_t to, uint8_t sequence, uint8_t operation);
void bp_device_send_byte(bp_device *device, uint8_t byte);
/* The earlier of two moments that both lie less than half the clock's range ahead of `now_us`. */
uint32_t bp_earlier(uint32_t now_us, uint32_t one_us, uint32_t other_us);

#endif
