/* An actuator written from the format page alone: what its parts share.
 *
 * wire.c        check, COBS, receiver, hash, frames
 * parameters.c  the table of parameters, ranges, a set as bytes of stored memory
 * storage.c     two copies in stored memory, written in the background
 * motion.c      states, set-point, position loop, temperature, overload
 * discovery.c   epoch, calls, lists, count of idle slots
 * answers.c     what replies say of the actuator and of its settings
 * requests.c    what each operation does, refusals
 * link.c        the calls from outside, one pending answer, restart
 *
 * Times are microseconds of the actuator's clock, widened to 64 bits, so that no age wraps around. */
#ifndef INDEPENDENT_DEVICE_H
#define INDEPENDENT_DEVICE_H

#include "bp_port.h"

#define BROADCAST 0xFFU
#define NO_ADDRESS 0xF0U
#define LAST_ADDRESS 0xEFU
#define MOST_PAYLOAD 112U
#define MOST_WIRE 128U
#define MOST_PIECE 126U /* a frame without its delimiters */
#define MOST_POINTS 33U
#define SCALARS 21U
#define TABLE_NUMBER 22U
#define PAGE_SIZE 128U
#define NEVER UINT64_MAX

#define MIN_TURNAROUND 100U
#define FIRST_SLOT 500U
#define DEAF_AFTER_START 25000U /* the page allows 30 ms; what comes before is not listened to */

enum outcome {
    DONE,
    UNKNOWN_OPERATION,
    UNKNOWN_PARAMETER,
    OUT_OF_RANGE,
    BAD_REQUEST,
    NOT_ADDRESSED,
    NOT_ENGAGED,
    STORE_FAILED,
    FAULT_STANDS,
    SILENT
};

enum state { LIMP, SOFT_STARTING, FOLLOWING, LOST_LIMP, LOST_HOLD, LOST_PRESET, RELEASED, FAULTED };

enum fault { OVER_TEMPERATURE = 1, OVERLOAD = 2, UNDER_VOLTAGE = 4, SETTINGS_LOST = 8, DEMAND_LOST = 16 };

/* Numbers of parameters, as on the page. */
enum number {
    CHANNEL = 1,
    DIRECTION = 4,
    NEUTRAL,
    TRAVEL,
    END_LOW,
    END_HIGH,
    SOFT_START,
    DEAD_BAND,
    SLEW_LIMIT,
    STIFFNESS,
    DAMPING,
    MINIMUM_DRIVE,
    LOSS_ACTION,
    PRESET,
    LOSS_TIME_OUT,
    OVERLOAD_LIMIT,
    OVER_TEMPERATURE_LIMIT,
    UNDER_VOLTAGE_LIMIT,
    REPLY_DELAY
};

/* One set of parameters. `value` is indexed by the number; a parameter that this build lacks has its factory value. */
struct settings {
    int32_t value[SCALARS + 1U];
    uint8_t points;
    int16_t correction[MOST_POINTS];
};

struct parameter {
    uint8_t number;
    uint8_t size;
    uint8_t points;
    int32_t low;
    int32_t high;
    int32_t factory;
    const char *name;
    const char *unit;
};

/* A frame that was received; `payload` points into the receiver. */
struct frame {
    uint8_t is_reply;
    uint8_t destination;
    uint8_t source;
    uint8_t sequence;
    uint8_t operation;
    uint8_t length;
    const uint8_t *payload;
};

enum piece { NOTHING, GOOD_FRAME, BAD_PIECE };

struct receiver {
    uint8_t count; /* MOST_PIECE + 1 where the piece is too long */
    uint8_t bytes[MOST_PIECE];
    uint8_t body[MOST_PIECE];
};

/* What is to be sent next. There are two, each of which takes the place of an earlier one that has not begun: a reply to
 * one, and an answer of discovery or of a report round (does.latest). */
enum answer_kind { NO_ANSWER, REPLY, REPLY_BEHIND_WRITE, ROLL_CALL, LIST_BYTE, ROUND, QUERY_BYTE, FIXED_UID };

struct answer {
    uint8_t kind;
    uint8_t sequence;
    uint8_t operation;
    uint8_t destination;
    uint8_t byte; /* of a list or a brief query */
    uint8_t length;
    uint8_t wire[MOST_WIRE];
    uint64_t due; /* NEVER while it counts idle slots on a busy line, or waits for a write */
    uint64_t slot_begin;
    uint16_t counter;
    uint8_t slot;
    uint8_t lead;
};

struct discovery {
    uint8_t has_epoch;
    uint16_t epoch;
    uint8_t is_acknowledged;
    uint8_t has_call;
    uint8_t has_begun;
    uint8_t call_salt;
    /* the list whose parts are coming in */
    uint8_t has_list;
    uint16_t list_epoch;
    uint8_t list_salt;
    uint8_t list_total;
    uint16_t list_next;
    uint8_t list_is_whole;
    uint8_t list_found;
    uint16_t list_position;
};

enum leads { LEADS_DEMAND, LEADS_HELD, LEADS_PRESET };

struct motion {
    uint8_t state;
    uint8_t is_on;
    uint8_t is_soft;
    uint8_t leads;
    uint8_t has_demand;
    uint8_t was_lost;
    uint8_t is_overloaded;
    uint8_t shows;
    int16_t demand;
    int32_t held_mdeg;
    int64_t set_point_udeg;
    int32_t seen_mdeg;
    int32_t speed_mdeg_s;
    uint64_t hold_at;
    uint64_t fresh_at;
    uint64_t demand_at;
    uint64_t loop_at;
    uint64_t looked_at;
    uint64_t load_changed_at;
    uint64_t show_from;
    uint64_t show_until;
};

enum write_step { WRITE_IDLE, WRITE_ERASE, WRITE_BYTES };

struct storage {
    uint8_t has_copy;
    uint8_t page; /* of the copy in use */
    uint16_t generation;
    uint8_t address; /* as stored */
    struct settings set;    /* as stored; factory where there is no copy */
    uint8_t step;
    uint8_t place;
    uint8_t is_assign;
    uint8_t is_restarted; /* a restart took over the set that is being written */
    uint8_t new_address;
    struct settings new_set;
    uint8_t image[PAGE_SIZE];
    uint64_t due;
};

struct bp_device {
    bp_hardware hardware;
    bp_identity identity;
    uint64_t now;
    uint64_t deaf_until;
    uint64_t sent_at;
    uint64_t busy_since;
    uint8_t is_busy;
    uint8_t is_sending;
    uint8_t restarts; /* behind the reply that is pending */
    uint8_t settings_lost;
    uint8_t address;
    uint16_t tag;
    uint16_t good_frames;
    uint16_t bad_frames;
    struct settings working;
    struct receiver receiver;
    struct answer reply;
    struct answer answer;
    struct discovery discovery;
    struct motion motion;
    struct storage storage;
};

/* The reply that is being made: outcome first. `low` and `high` are told with code 3. */
struct reply {
    uint8_t length;
    uint8_t bytes[MOST_PAYLOAD];
    int32_t low;
    int32_t high;
};

/* wire.c */
uint16_t u16_at(const uint8_t *bytes);
void put_u16(uint8_t *bytes, uint32_t value);
void put_i32(uint8_t *bytes, int32_t value);
uint32_t crc24(const uint8_t *bytes, size_t length);
uint32_t hash_of(const uint8_t *uid, uint8_t salt, uint16_t epoch);
enum piece receive(struct receiver *receiver, uint8_t byte, struct frame *out);
uint8_t frame_reply(uint8_t *wire, const bp_device *device, const struct answer *answer, const uint8_t *payload,
                    uint8_t length);

/* parameters.c */
uint8_t parameter_count(void);
const struct parameter *parameter_at(uint8_t index);
const struct parameter *parameter_of(uint8_t number);
void factory_settings(struct settings *set);
uint8_t value_length(const struct settings *set, const struct parameter *row);
uint8_t put_value(uint8_t *bytes, const struct settings *set, const struct parameter *row);
enum outcome set_value(struct settings *set, const struct parameter *row, const uint8_t *bytes, uint8_t length, int32_t *low,
                       int32_t *high);
void image_of(uint8_t *image, const struct settings *set, uint8_t address, uint16_t generation);
int settings_of(const uint8_t *image, struct settings *set, uint8_t *address, uint16_t *generation);

/* storage.c */
void storage_load(bp_device *device);
void storage_write(bp_device *device, const struct settings *set, uint8_t address, uint8_t is_assign);
void storage_run(bp_device *device);

/* motion.c */
uint8_t is_hot(const bp_device *device);
void motion_start(bp_device *device);
void motion_run(bp_device *device);
uint64_t motion_due(const bp_device *device);
void motion_limp(bp_device *device, uint8_t state);
void motion_address(bp_device *device);
void motion_engage(bp_device *device);
void motion_demand(bp_device *device, int16_t demand);
void motion_show(bp_device *device, uint8_t duration_ds);
int32_t position_cdeg(const bp_device *device);
int32_t demand_cdeg(const bp_device *device);
uint8_t faults_of(const bp_device *device);
uint16_t demand_age_ms(const bp_device *device);

/* discovery.c */
void discovery_roll_call(bp_device *device, const struct frame *request);
void discovery_list(bp_device *device, const struct frame *request);
void discovery_address_list(bp_device *device, const struct frame *request);
void discovery_suppress(bp_device *device, const struct frame *request);
void discovery_query(bp_device *device, const struct frame *request);
void discovery_slotted_call(bp_device *device, const struct frame *request);
void discovery_round(bp_device *device, const struct frame *request);
void count_is_stopped(bp_device *device);
void count_goes_on(bp_device *device);

/* answers.c */
void put_bytes(struct reply *reply, const void *bytes, size_t length);
void put8(struct reply *reply, uint32_t value);
void put16(struct reply *reply, uint32_t value);
enum outcome describe(bp_device *device, struct reply *reply);
enum outcome describe_parameter(uint8_t index, struct reply *reply);
enum outcome read_values(bp_device *device, const struct frame *request, struct reply *reply);
enum outcome write_value(bp_device *device, const struct frame *request, struct reply *reply);
enum outcome undo(bp_device *device, const struct frame *request, struct reply *reply);

/* requests.c */
void take_in(bp_device *device, const struct frame *request);
uint8_t round_payload(const bp_device *device, uint8_t *payload);
void write_has_ended(bp_device *device, uint8_t is_whole);

/* link.c */
uint32_t chance(const bp_device *device, uint32_t below);
void give_reply(bp_device *device, const struct frame *request, const uint8_t *payload, uint8_t length);
void schedule_reply(bp_device *device);
void start_again(bp_device *device);

#endif
