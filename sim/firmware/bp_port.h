/* The interface of an actuator's firmware: the hardware below it, the calls from outside.
 *
 * A harness that tests a firmware on a desk loads it as a shared library with exactly these functions; on a board
 * they are called from the interrupts of UART and timer, one at a time, never from within each other.
 *
 * Times are microseconds of the actuator's own clock, rounded down; the first may be any, and they wrap around at 32
 * bits, 71.6 minutes. Every call may change when the next action is due, so call bp_device_tick at once after each of them; it
 * returns when to call it again. */
#ifndef BP_PORT_H
#define BP_PORT_H

#include <stddef.h>
#include <stdint.h>

#ifdef __cplusplus
extern "C" {
#endif

/* The hardware. Every function gets `context` as its first argument and returns at once. */
typedef struct bp_hardware {
    void *context;
    /* Begin to send now, without gaps. The bytes are copied. bp_device_sent is called after the last stop bit. */
    void (*transmit)(void *context, const uint8_t *data, size_t length);
    /* Any 32 bits, such as noise of a converter. They spread start times and the slots of unlisted actuators. */
    uint32_t (*any_bits)(void *context);
    /* Stored memory: two pages of at least 128 bytes. A page is erased to FFh as a whole; each byte is then
     * programmed once. Both only begin, and return for how many microseconds the page must be left alone. */
    uint32_t (*page_erase)(void *context, uint8_t page);
    uint32_t (*page_program)(void *context, uint8_t page, uint16_t place, uint8_t byte);
    void (*page_read)(void *context, uint8_t page, uint16_t place, uint8_t *data, size_t length);
    /* The bridge: off, so that the arm can be moved by hand; or on, with a fraction of the supply, -1000..1000. A
     * positive one raises the angle. */
    void (*drive)(void *context, uint8_t is_on, int16_t permille);
    /* Angle from the middle of the mechanical range, 0.001 deg. */
    int32_t (*position_mdeg)(void *context);
    uint16_t (*current_ma)(void *context);
    uint16_t (*supply_mv)(void *context);
    int16_t (*temperature_cdeg)(void *context);
} bp_hardware;

/* Identity and rating of this unit; written once, in the factory. The names and units are those of the describe
 * reply. */
typedef struct bp_identity {
    uint8_t uid[8];
    char model[17];
    uint8_t firmware_major;
    uint8_t firmware_minor;
    uint16_t supply_min_mv;
    uint16_t supply_max_mv;
    uint16_t stall_torque_mnm;
    uint16_t stall_current_ma;
    uint16_t no_load_speed_deg_s;
    uint16_t mechanical_travel_cdeg;
} bp_identity;

typedef struct bp_device bp_device;

/* Size of a bp_device in bytes, for code that does not include bp_device.h. */
size_t bp_device_size(void);

/* Power-up. `device` may point to uninitialised memory; both structs are copied. */
void bp_device_start(bp_device *device, const bp_hardware *hardware, const bp_identity *identity, uint32_t time_us);

/* In the factory: a first valid copy of stored settings, without a device. `address` is 1..239, or 240 for none.
 * `values` holds number, length, raw value of each parameter that differs from the factory value. It is one call, so
 * that the times which page_erase and page_program return need not be waited for. Returns 1, or 0 where address or a
 * value is not allowed or the memory failed. */
int bp_device_provision(const bp_hardware *hardware, uint8_t address, const uint8_t *values, size_t length);

/* Optional, for a test harness: the stored memory as behind so many writes of the set that it holds. The copy in use
 * then bears `generation`, the other copy the number before it. Without a device. Returns 1, or 0 where no copy is
 * whole or the memory failed. Where a library lacks it, the wrap-around of the generation is not tested. */
int bp_device_renumber(const bp_hardware *hardware, uint16_t generation);

/* A byte was received; its last stop bit ended then. A byte with a framing error is passed on like any other. A
 * harness passes on no byte of the actuator itself; a board whose receiver hears its own sender does. */
void bp_device_byte(bp_device *device, uint8_t byte, uint32_t time_us);

/* The line has become busy (1) or idle (0) then: the edge of a start bit on an idle line; the end of the last stop
 * bit. Called for the actuator's own bytes too. */
void bp_device_line(bp_device *device, uint8_t is_busy, uint32_t time_us);

/* All bytes given to transmit have left; the last stop bit ended at `time_us`. */
void bp_device_sent(bp_device *device, uint32_t time_us);

/* Do what is due. Returns when to call again at the latest. */
uint32_t bp_device_tick(bp_device *device, uint32_t time_us);

/* For a test harness; the firmware does not need these. The state is that of a report; shows_until
 * returns 1 and the time where a request to show itself was taken since power-up. */
uint8_t bp_device_address(const bp_device *device);
uint8_t bp_device_state(const bp_device *device);
uint8_t bp_device_shows_until(const bp_device *device, uint32_t *time_us);

#ifdef __cplusplus
}
#endif

#endif
