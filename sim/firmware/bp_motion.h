/* The drive of one actuator, see bp_motion.c. */
#ifndef BP_MOTION_H
#define BP_MOTION_H

#include "bp_port.h"
#include "bp_wire.h"

/* The drive. Angles 0.001 deg, the set-point a thousandth of that. */
typedef struct bp_motion {
    uint8_t state;
    uint8_t is_on;
    uint8_t has_demand; /* the target is `demand`, not the position at which it engaged */
    uint8_t is_demand_lost; /* since power-up */
    uint8_t is_soft_started; /* the soft start is over */
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
    uint32_t look_us; /* when to read the temperature */
    uint8_t was_demanded;
    uint8_t is_long_ago; /* the last demand is older than a report can express */
    uint32_t demand_us;
    uint8_t is_showing;
    uint8_t was_shown;
    uint32_t show_until_us;
    uint32_t swing_us;
} bp_motion;

/* The data that the drive uses. */
typedef struct bp_drive {
    bp_motion *motion;
    const bp_hardware *hardware;
    const bp_identity *identity;
    const bp_settings *working;
    uint8_t has_address;
} bp_drive;

void bp_motion_start(const bp_drive *drive, uint32_t now_us);
void bp_motion_limp(const bp_drive *drive, uint8_t state);
void bp_motion_engage(const bp_drive *drive, uint32_t now_us);
void bp_motion_follow(const bp_drive *drive, int16_t demand, uint32_t now_us);
void bp_motion_demand_all(const bp_drive *drive, const int16_t *demands, uint8_t count, uint32_t now_us);
void bp_motion_settings_changed(const bp_drive *drive);
/* Whether it may be driven; else the refusal's code. */
uint8_t bp_motion_readiness(const bp_drive *drive);
uint8_t bp_motion_show(const bp_drive *drive, uint8_t duration_ds, uint32_t now_us);
uint8_t bp_motion_state(const bp_drive *drive, uint32_t now_us);
int16_t bp_motion_position_cdeg(const bp_drive *drive);
uint16_t bp_motion_current_ma(const bp_drive *drive);
/* Fill in a report, but for the counts of frames and the state of stored memory. */
void bp_motion_report(const bp_drive *drive, bp_status *status, uint32_t now_us);
void bp_motion_tick(const bp_drive *drive, uint32_t now_us);
/* When it must run again; `until_us` or earlier. */
uint32_t bp_motion_next_us(const bp_drive *drive, uint32_t now_us, uint32_t until_us);

#endif
