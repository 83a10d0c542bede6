/* The drive: states, loss of demand, soft start, slew limit, the position loop, the report.
 *
 * Whole numbers only. Once a millisecond a set-point moves towards the target, no faster than the slew limit and what
 * the soft start allows by then; a position loop with feed-forward of the set-point's speed follows it. */
#include "bp_motion.h"

#include "bp_clock.h"

#define BP_LOOP_US 1000U
#define BP_LATE_LOOP_US 5000U
#define BP_LOOK_US UINT32_C(250000)
#define BP_SWING_MDEG 2500
#define BP_SWING_US UINT32_C(400000)
#define BP_LEASH_MDEG 5000 /* largest lead of the set-point over the arm */
#define BP_FULL_DRIVE 1000
#define BP_LEAST_BAND_MDEG 20 /* two steps of the sensor: a smaller error cannot be controlled */
#define BP_GENTLE_MDEG 60 /* below this error the minimum drive fades out, so that the arm does not chatter */
#define BP_JUMP_MDEG 200000 /* no arm moves this far between two samples: the sensor wrapped around, or failed */
#define BP_OVERLOAD_US UINT32_C(200000) /* a shorter one is a start or a stop */
#define BP_MOST_AGE_MS UINT32_C(65535)
#define BP_MS UINT32_C(1000) /* in microseconds */

static int32_t bp_limited(int32_t value, int32_t low, int32_t high)
{
    return value < low ? low : value > high ? high : value;
}

/* Nearest whole number; the divisor is positive. */
static int32_t bp_divided(int32_t value, int32_t by)
{
    return value >= 0 ? (value + by / 2) / by : -((by / 2 - value) / by);
}

static int bp_is_at_work(uint8_t state)
{
    return state == BP_STATE_SOFT_STARTING || state == BP_STATE_FOLLOWING;
}

static int32_t bp_within_ends(const bp_drive *drive, int32_t mdeg)
{
    int32_t stop = drive->identity->mechanical_travel_cdeg * INT32_C(5);

    mdeg = bp_limited(mdeg, drive->working->end_low * INT32_C(10), drive->working->end_high * INT32_C(10));
    return bp_limited(mdeg, -stop, stop);
}

/* The correction at a demand, linear between points spread evenly over -1..+1. */
static int32_t bp_correction_mdeg(const bp_settings *settings, int16_t demand)
{
    int32_t spans = settings->correction_count - INT32_C(1);
    int32_t place, below, rest, low;

    if (spans < 1) {
        return 0;
    }
    place = (demand + (int32_t)BP_MAX_DEMAND) * spans;
    below = place / (INT32_C(2) * (int32_t)BP_MAX_DEMAND);
    if (below >= spans) {
        below = spans - 1;
    }
    rest = place - below * INT32_C(2) * (int32_t)BP_MAX_DEMAND;
    low = settings->correction[below];
    return low * INT32_C(10) + bp_divided((settings->correction[below + 1] - low) * rest, 2000);
}

static int32_t bp_angle_mdeg(const bp_drive *drive, int16_t demand)
{
    const bp_settings *settings = drive->working;
    int32_t side = settings->direction == BP_DIRECTION_REVERSED ? -INT32_C(1) : INT32_C(1);
    int32_t way = side * demand * (int32_t)settings->travel;

    way = settings->neutral * INT32_C(10) + bp_divided(way, 2000);
    return bp_within_ends(drive, way + bp_correction_mdeg(settings, demand));
}

/* Position that the loop aims at: the target, plus a swing about it while the actuator shows itself. */
static int32_t bp_aim_mdeg(const bp_drive *drive)
{
    const bp_motion *motion = drive->motion;

    if (motion->swing_mdeg == 0) {
        return motion->target_mdeg;
    }
    return bp_within_ends(drive, motion->target_mdeg + motion->swing_mdeg);
}

static int bp_is_hot(const bp_drive *drive)
{
    return drive->hardware->temperature_cdeg(drive->hardware->context) > drive->working->over_temperature * 100;
}

void bp_motion_start(const bp_drive *drive, uint32_t now_us)
{
    bp_motion *motion = drive->motion;

    motion->state = BP_STATE_LIMP;
    motion->loop_us = motion->look_us = now_us;
    bp_motion_limp(drive, BP_STATE_LIMP);
}

void bp_motion_limp(const bp_drive *drive, uint8_t state)
{
    bp_motion *motion = drive->motion;

    motion->is_on = 0;
    motion->has_demand = 0;
    motion->is_overloaded = 0;
    motion->swing_mdeg = 0;
    motion->state = state;
    drive->hardware->drive(drive->hardware->context, 0, 0);
}

void bp_motion_engage(const bp_drive *drive, uint32_t now_us)
{
    bp_motion *motion = drive->motion;
    int32_t at_mdeg = drive->hardware->position_mdeg(drive->hardware->context);

    motion->look_us = now_us + BP_LOOK_US; /* it was looked at just now: hot, it does not come here */
    motion->is_on = 1;
    motion->has_demand = 0;
    motion->is_soft_started = 0;
    motion->state = BP_STATE_SOFT_STARTING;
    motion->target_mdeg = motion->last_mdeg = at_mdeg;
    motion->setpoint_udeg = at_mdeg * 1000;
    motion->speed_ddeg_s = 0;
    motion->current_16ma = drive->hardware->current_ma(drive->hardware->context) * INT32_C(16);
    motion->is_overloaded = 0;
    motion->hold_us = motion->fed_us = motion->light_us = now_us;
    motion->loop_us = now_us;
    drive->hardware->drive(drive->hardware->context, 1, 0);
}

void bp_motion_follow(const bp_drive *drive, int16_t demand, uint32_t now_us)
{
    bp_motion *motion = drive->motion;

    if (!bp_is_at_work(motion->state)) {
        bp_motion_engage(drive, now_us);
    }
    motion->demand = demand;
    motion->has_demand = 1;
    motion->target_mdeg = bp_angle_mdeg(drive, demand);
    motion->fed_us = motion->demand_us = now_us;
    motion->was_demanded = 1;
    motion->is_long_ago = 0;
}

void bp_motion_demand_all(const bp_drive *drive, const int16_t *demands, uint8_t count, uint32_t now_us)
{
    uint8_t channel = drive->working->channel;

    if (channel == 0 || channel > count || demands[channel - 1] == BP_NO_DEMAND) {
        return;
    }
    if (!drive->has_address || drive->motion->state == BP_STATE_RELEASED
        || drive->motion->state == BP_STATE_FAULTED || (!bp_is_at_work(drive->motion->state) && bp_is_hot(drive))) {
        return;
    }
    bp_motion_follow(drive, demands[channel - 1], now_us);
}

void bp_motion_settings_changed(const bp_drive *drive)
{
    bp_motion *motion = drive->motion;

    if (motion->state == BP_STATE_LOST_PRESET) {
        motion->target_mdeg = bp_within_ends(drive, drive->working->preset * INT32_C(10));
    } else if (motion->is_on && motion->has_demand) {
        motion->target_mdeg = bp_angle_mdeg(drive, motion->demand);
    }
}

static void bp_forget_fault(const bp_drive *drive)
{
    if (drive->motion->state == BP_STATE_FAULTED && !bp_is_hot(drive)) {
        drive->motion->state = BP_STATE_LIMP;
    }
}

uint8_t bp_motion_readiness(const bp_drive *drive)
{
    if (!drive->has_address) {
        return BP_OUTCOME_NOT_ADDRESSED;
    }
    if (bp_is_hot(drive)) {
        if (drive->motion->is_on) {
            bp_motion_limp(drive, BP_STATE_FAULTED);
        }
        return BP_OUTCOME_FAULT_STANDS;
    }
    bp_forget_fault(drive);
    return BP_OUTCOME_DONE;
}

uint8_t bp_motion_show(const bp_drive *drive, uint8_t duration_ds, uint32_t now_us)
{
    bp_motion *motion = drive->motion;

    motion->is_showing = duration_ds != 0;
    motion->was_shown = 1;
    motion->show_until_us = now_us + duration_ds * UINT32_C(100000);
    motion->swing_mdeg = 0;
    if (!motion->is_on || duration_ds == 0) {
        return 0;
    }
    motion->swing_mdeg = BP_SWING_MDEG;
    motion->swing_us = now_us + BP_SWING_US;
    return 1;
}

/* Time passes: end of the soft start, of showing itself, loss of demand. */
static void bp_motion_pass(const bp_drive *drive, uint32_t now_us)
{
    bp_motion *motion = drive->motion;
    const bp_settings *settings = drive->working;

    if (motion->was_demanded && BP_REACHED(now_us, motion->demand_us + BP_MOST_AGE_MS * BP_MS)) {
        motion->is_long_ago = 1;
    }
    if (motion->is_showing && BP_REACHED(now_us, motion->show_until_us)) {
        motion->is_showing = 0;
        motion->swing_mdeg = 0;
    }
    while (motion->swing_mdeg != 0 && BP_REACHED(now_us, motion->swing_us)) {
        motion->swing_mdeg = -motion->swing_mdeg;
        motion->swing_us += BP_SWING_US;
    }
    if (motion->is_on && BP_REACHED(now_us, motion->hold_us + settings->soft_start * BP_MS)) {
        motion->is_soft_started = 1;
    }
    if (motion->state == BP_STATE_SOFT_STARTING && motion->is_soft_started) {
        motion->state = BP_STATE_FOLLOWING;
    }
    if (bp_is_at_work(motion->state)
        && BP_REACHED(now_us, motion->fed_us + settings->loss_time_out * BP_MS)) {
        motion->is_demand_lost = 1;
        if (settings->loss_action == BP_LOSS_ACTION_LIMP) {
            bp_motion_limp(drive, BP_STATE_LOST_LIMP);
        } else if (settings->loss_action == BP_LOSS_ACTION_HOLD) {
            motion->state = BP_STATE_LOST_HOLD;
        } else {
            motion->state = BP_STATE_LOST_PRESET;
            bp_motion_settings_changed(drive);
        }
    }
}

uint8_t bp_motion_state(const bp_drive *drive, uint32_t now_us)
{
    bp_motion_pass(drive, now_us);
    return drive->motion->state;
}

int16_t bp_motion_position_cdeg(const bp_drive *drive)
{
    return (int16_t)bp_divided(drive->hardware->position_mdeg(drive->hardware->context), 10);
}

uint16_t bp_motion_current_ma(const bp_drive *drive)
{
    if (!drive->motion->is_on) {
        return drive->hardware->current_ma(drive->hardware->context);
    }
    return (uint16_t)bp_limited(drive->motion->current_16ma / 16, 0, 0xFFFF);
}

static uint8_t bp_faults(const bp_drive *drive, uint16_t supply_mv)
{
    const bp_settings *settings = drive->working;
    uint8_t faults = 0;

    if (bp_is_hot(drive)) {
        faults |= BP_FAULT_OVER_TEMPERATURE;
    }
    if (drive->motion->is_overloaded) {
        faults |= BP_FAULT_OVERLOAD;
    }
    if (supply_mv < settings->under_voltage) {
        faults |= BP_FAULT_UNDER_VOLTAGE;
    }
    if (drive->motion->is_demand_lost) {
        faults |= BP_FAULT_DEMAND_LOST;
    }
    return faults;
}

void bp_motion_report(const bp_drive *drive, bp_status *status, uint32_t now_us)
{
    const bp_motion *motion = drive->motion;
    uint32_t age_ms;

    bp_forget_fault(drive);
    status->state = bp_motion_state(drive, now_us);
    status->position_cdeg = bp_motion_position_cdeg(drive);
    status->demand_cdeg = motion->is_on ? (int16_t)bp_divided(bp_aim_mdeg(drive), 10) : status->position_cdeg;
    status->current_ma = bp_motion_current_ma(drive);
    status->supply_mv = drive->hardware->supply_mv(drive->hardware->context);
    status->temperature_cdeg = drive->hardware->temperature_cdeg(drive->hardware->context);
    status->faults = bp_faults(drive, status->supply_mv);
    age_ms = BP_MOST_AGE_MS;
    if (motion->was_demanded && !motion->is_long_ago) {
        age_ms = (now_us - motion->demand_us) / BP_MS;
    }
    status->demand_age_ms = (uint16_t)(age_ms < BP_MOST_AGE_MS ? age_ms : BP_MOST_AGE_MS);
    status->is_showing = motion->is_showing;
}

/* --- the loop ---------------------------------------------------------------------------------------------- */

/* The load from the current, filtered; only a lasting one is an overload. */
static void bp_weigh(const bp_drive *drive, uint32_t now_us)
{
    bp_motion *motion = drive->motion;
    int32_t limit_16ma = drive->working->overload_limit * (INT32_C(16) * drive->identity->stall_current_ma) / 100;

    motion->current_16ma +=
        (drive->hardware->current_ma(drive->hardware->context) * INT32_C(16) - motion->current_16ma) / 32;
    if (motion->current_16ma < limit_16ma) {
        motion->light_us = now_us;
        motion->is_overloaded = 0;
    } else if (BP_REACHED(now_us, motion->light_us + BP_OVERLOAD_US)) {
        motion->is_overloaded = 1;
    }
}

/* Highest speed of the set-point now, 0.1 deg/s. */
static int32_t bp_top_speed(const bp_drive *drive, int32_t full_speed, uint32_t now_us)
{
    int32_t speed = bp_limited(drive->working->slew_limit, 0, full_speed);

    if (!drive->motion->is_soft_started) { /* one of 0 ms has ended: bp_motion_pass came first */
        int32_t soft_started_ms = (int32_t)((now_us - drive->motion->hold_us) / BP_MS);

        speed = bp_limited(speed, 0, (int32_t)drive->working->slew_limit * soft_started_ms / drive->working->soft_start);
    }
    return speed;
}

static int16_t bp_loop(const bp_drive *drive, uint32_t now_us, int32_t since_us)
{
    bp_motion *motion = drive->motion;
    const bp_settings *settings = drive->working;
    const bp_identity *identity = drive->identity;
    int32_t supply_mv = drive->hardware->supply_mv(drive->hardware->context);
    int32_t at_mdeg = drive->hardware->position_mdeg(drive->hardware->context);
    int32_t aim_mdeg = bp_aim_mdeg(drive);
    int32_t full_speed, step_udeg, way_udeg, moved_mdeg, error_mdeg, band_mdeg, set_speed, permille;

    if (supply_mv < 1) {
        supply_mv = 1;
    }
    full_speed = identity->no_load_speed_deg_s * INT32_C(10) * bp_limited(supply_mv, 1, identity->supply_max_mv)
                 / identity->supply_max_mv;
    step_udeg = bp_top_speed(drive, full_speed, now_us) * since_us / 10;
    way_udeg = bp_limited(aim_mdeg * 1000 - motion->setpoint_udeg, -step_udeg, step_udeg);
    motion->setpoint_udeg += way_udeg;
    motion->setpoint_udeg =
        bp_limited(motion->setpoint_udeg, (at_mdeg - BP_LEASH_MDEG) * 1000, (at_mdeg + BP_LEASH_MDEG) * 1000);
    moved_mdeg = bp_limited(at_mdeg - motion->last_mdeg, -BP_JUMP_MDEG, BP_JUMP_MDEG);
    motion->speed_ddeg_s = (motion->speed_ddeg_s + moved_mdeg * INT32_C(10000) / since_us) / 2;
    motion->last_mdeg = at_mdeg;
    bp_weigh(drive, now_us);

    error_mdeg = bp_divided(motion->setpoint_udeg, 1000) - at_mdeg;
    band_mdeg = bp_limited(settings->dead_band * INT32_C(10), BP_LEAST_BAND_MDEG, INT32_C(10000));
    if (way_udeg == 0 && bp_limited(error_mdeg, -band_mdeg, band_mdeg) == error_mdeg) {
        return 0;
    }
    set_speed = way_udeg * 10 / since_us;
    permille = settings->stiffness * error_mdeg / 100;
    permille += set_speed * BP_FULL_DRIVE / bp_limited(full_speed, 1, INT32_C(100000));
    permille += (settings->damping + 10) * (set_speed - motion->speed_ddeg_s) * 12 / 1000;
    permille += bp_limited(error_mdeg, -BP_GENTLE_MDEG, BP_GENTLE_MDEG) * 10 * settings->minimum_drive / BP_GENTLE_MDEG;
    return (int16_t)bp_limited(permille, -BP_FULL_DRIVE, BP_FULL_DRIVE);
}

void bp_motion_tick(const bp_drive *drive, uint32_t now_us)
{
    bp_motion *motion = drive->motion;
    uint32_t since_us;

    bp_motion_pass(drive, now_us);
    if (motion->is_on && BP_REACHED(now_us, motion->look_us)) {
        motion->look_us = now_us + BP_LOOK_US;
        if (bp_is_hot(drive)) {
            bp_motion_limp(drive, BP_STATE_FAULTED);
        }
    }
    if (!motion->is_on || !BP_REACHED(now_us, motion->loop_us + BP_LOOP_US)) {
        return;
    }
    since_us = now_us - motion->loop_us;
    motion->loop_us = now_us;
    if (since_us > BP_LATE_LOOP_US) {
        since_us = BP_LATE_LOOP_US;
    }
    drive->hardware->drive(drive->hardware->context, 1, bp_loop(drive, now_us, (int32_t)since_us));
}

uint32_t bp_motion_next_us(const bp_drive *drive, uint32_t now_us, uint32_t until_us)
{
    const bp_motion *motion = drive->motion;

    if (motion->is_on) { /* the loop checks all the rest as well */
        until_us = bp_earlier(now_us, until_us, motion->loop_us + BP_LOOP_US);
        if (bp_is_at_work(motion->state)) {
            until_us = bp_earlier(now_us, until_us, motion->fed_us + drive->working->loss_time_out * BP_MS);
        }
    }
    if (motion->is_showing) {
        until_us = bp_earlier(now_us, until_us, motion->show_until_us);
    }
    return until_us;
}
