/* The drive: states, loss of demand, soft start, slew limit, the position loop, what a report says of it.
 *
 * Whole numbers only. Once a millisecond a set-point moves towards the target, no faster than the slew limit and what
 * the soft start allows by then; a loop with the set-point's speed fed forward follows it. */
#include "bp_device.h"

#define BP_LOOP_US 1000U
#define BP_LATE_LOOP_US 5000U
#define BP_LOOK_US UINT32_C(250000)
#define BP_SWING_MDEG 2500
#define BP_SWING_US UINT32_C(400000)
#define BP_LEASH_MDEG 5000 /* the set-point does not run further ahead of the arm */
#define BP_FULL_DRIVE 1000
#define BP_LEAST_BAND_MDEG 20 /* two steps of the sensor: nearer than that there is nothing to hold */
#define BP_GENTLE_MDEG 60 /* below this error the minimum drive fades, so that it does not chatter */
#define BP_JUMP_MDEG 200000 /* no arm moves so far between two looks: a sensor that goes round, or a fault of it */
#define BP_OVERLOAD_US UINT32_C(200000) /* less is a start or a stop */
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
    return state == BP_STATE_EASING || state == BP_STATE_FOLLOWING;
}

static int32_t bp_within_ends(const bp_device *device, int32_t mdeg)
{
    int32_t stop = device->identity.mechanical_travel_cdeg * INT32_C(5);

    mdeg = bp_limited(mdeg, device->working.end_low * INT32_C(10), device->working.end_high * INT32_C(10));
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

static int32_t bp_angle_mdeg(const bp_device *device, int16_t demand)
{
    const bp_settings *settings = &device->working;
    int32_t side = settings->direction == BP_DIRECTION_REVERSED ? -INT32_C(1) : INT32_C(1);
    int32_t way = side * demand * (int32_t)settings->travel;

    way = settings->neutral * INT32_C(10) + bp_divided(way, 2000);
    return bp_within_ends(device, way + bp_correction_mdeg(settings, demand));
}

/* Where the loop leads it: the target, and while it makes itself known a swing about it. */
static int32_t bp_aim_mdeg(const bp_device *device)
{
    const bp_motion *motion = &device->motion;

    if (motion->swing_mdeg == 0) {
        return motion->target_mdeg;
    }
    return bp_within_ends(device, motion->target_mdeg + motion->swing_mdeg);
}

static int bp_is_hot(const bp_device *device)
{
    return device->hardware.temperature_cdeg(device->hardware.context) > device->working.over_temperature * 100;
}

void bp_motion_start(bp_device *device, uint32_t now_us)
{
    bp_motion *motion = &device->motion;

    motion->state = BP_STATE_LIMP;
    motion->loop_us = motion->look_us = now_us;
    bp_motion_limp(device, BP_STATE_LIMP);
}

void bp_motion_limp(bp_device *device, uint8_t state)
{
    bp_motion *motion = &device->motion;

    motion->is_on = 0;
    motion->has_demand = 0;
    motion->is_overloaded = 0;
    motion->swing_mdeg = 0;
    motion->state = state;
    device->hardware.drive(device->hardware.context, 0, 0);
}

void bp_motion_engage(bp_device *device, uint32_t now_us)
{
    bp_motion *motion = &device->motion;
    int32_t at_mdeg = device->hardware.position_mdeg(device->hardware.context);

    if (!motion->is_on) { /* else one that is engaged again and again never looks */
        motion->look_us = now_us + BP_LOOK_US;
    }
    motion->is_on = 1;
    motion->has_demand = 0;
    motion->is_eased = 0;
    motion->state = BP_STATE_EASING;
    motion->target_mdeg = motion->last_mdeg = at_mdeg;
    motion->setpoint_udeg = at_mdeg * 1000;
    motion->speed_ddeg_s = 0;
    motion->current_16ma = device->hardware.current_ma(device->hardware.context) * INT32_C(16);
    motion->is_overloaded = 0;
    motion->hold_us = motion->fed_us = motion->light_us = now_us;
    motion->loop_us = now_us;
    device->hardware.drive(device->hardware.context, 1, 0);
}

void bp_motion_follow(bp_device *device, int16_t demand, uint32_t now_us)
{
    bp_motion *motion = &device->motion;

    if (!bp_is_at_work(motion->state)) {
        bp_motion_engage(device, now_us);
    }
    motion->demand = demand;
    motion->has_demand = 1;
    motion->target_mdeg = bp_angle_mdeg(device, demand);
    motion->fed_us = motion->demand_us = now_us;
    motion->was_demanded = 1;
    motion->is_long_ago = 0;
}

void bp_motion_demand_all(bp_device *device, const int16_t *demands, uint8_t count, uint32_t now_us)
{
    uint8_t channel = device->working.channel;

    if (channel == 0 || channel > count || demands[channel - 1] == BP_NO_DEMAND) {
        return;
    }
    if (device->address == BP_UNADDRESSED || device->motion.state == BP_STATE_RELEASED
        || device->motion.state == BP_STATE_FAULTED || (!bp_is_at_work(device->motion.state) && bp_is_hot(device))) {
        return;
    }
    bp_motion_follow(device, demands[channel - 1], now_us);
}

void bp_motion_settings_changed(bp_device *device)
{
    bp_motion *motion = &device->motion;

    if (motion->state == BP_STATE_LOST_PRESET) {
        motion->target_mdeg = bp_within_ends(device, device->working.preset * INT32_C(10));
    } else if (motion->is_on && motion->has_demand) {
        motion->target_mdeg = bp_angle_mdeg(device, motion->demand);
    }
}

static void bp_forget_fault(bp_device *device)
{
    if (device->motion.state == BP_STATE_FAULTED && !bp_is_hot(device)) {
        device->motion.state = BP_STATE_LIMP;
    }
}

uint8_t bp_motion_readiness(bp_device *device)
{
    if (device->address == BP_UNADDRESSED) {
        return BP_OUTCOME_NOT_ADDRESSED;
    }
    if (bp_is_hot(device)) {
        if (device->motion.is_on) {
            bp_motion_limp(device, BP_STATE_FAULTED);
        }
        return BP_OUTCOME_FAULT_STANDS;
    }
    bp_forget_fault(device);
    return BP_OUTCOME_DONE;
}

uint8_t bp_motion_show(bp_device *device, uint8_t duration_ds, uint32_t now_us)
{
    bp_motion *motion = &device->motion;

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

/* Time passes: what is over, what is lost. */
static void bp_motion_pass(bp_device *device, uint32_t now_us)
{
    bp_motion *motion = &device->motion;
    const bp_settings *settings = &device->working;

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
        motion->is_eased = 1;
    }
    if (motion->state == BP_STATE_EASING && motion->is_eased) {
        motion->state = BP_STATE_FOLLOWING;
    }
    if (bp_is_at_work(motion->state)
        && BP_REACHED(now_us, motion->fed_us + settings->loss_time_out * BP_MS)) {
        motion->is_demand_lost = 1;
        if (settings->loss_action == BP_LOSS_ACTION_LIMP) {
            bp_motion_limp(device, BP_STATE_LOST_LIMP);
        } else if (settings->loss_action == BP_LOSS_ACTION_HOLD) {
            motion->state = BP_STATE_LOST_HOLD;
        } else {
            motion->state = BP_STATE_LOST_PRESET;
            bp_motion_settings_changed(device);
        }
    }
}

uint8_t bp_motion_state(bp_device *device, uint32_t now_us)
{
    bp_motion_pass(device, now_us);
    return device->motion.state;
}

int16_t bp_motion_position_cdeg(const bp_device *device)
{
    return (int16_t)bp_divided(device->hardware.position_mdeg(device->hardware.context), 10);
}

uint16_t bp_motion_current_ma(const bp_device *device)
{
    if (!device->motion.is_on) {
        return device->hardware.current_ma(device->hardware.context);
    }
    return (uint16_t)bp_limited(device->motion.current_16ma / 16, 0, 0xFFFF);
}

static uint8_t bp_faults(const bp_device *device, uint16_t supply_mv)
{
    const bp_settings *settings = &device->working;
    uint8_t faults = 0;

    if (bp_is_hot(device)) {
        faults |= BP_FAULT_OVER_TEMPERATURE;
    }
    if (device->motion.is_overloaded) {
        faults |= BP_FAULT_OVERLOAD;
    }
    if (supply_mv < settings->under_voltage) {
        faults |= BP_FAULT_UNDER_VOLTAGE;
    }
    if (device->store.is_lost) {
        faults |= BP_FAULT_SETTINGS_LOST;
    }
    if (device->motion.is_demand_lost) {
        faults |= BP_FAULT_DEMAND_LOST;
    }
    return faults;
}

void bp_motion_report(bp_device *device, bp_status *status, uint32_t now_us)
{
    const bp_motion *motion = &device->motion;
    uint32_t age_ms;

    bp_forget_fault(device);
    status->state = bp_motion_state(device, now_us);
    status->position_cdeg = bp_motion_position_cdeg(device);
    status->demand_cdeg = motion->is_on ? (int16_t)bp_divided(bp_aim_mdeg(device), 10) : status->position_cdeg;
    status->current_ma = bp_motion_current_ma(device);
    status->supply_mv = device->hardware.supply_mv(device->hardware.context);
    status->temperature_cdeg = device->hardware.temperature_cdeg(device->hardware.context);
    status->faults = bp_faults(device, status->supply_mv);
    age_ms = BP_MOST_AGE_MS;
    if (motion->was_demanded && !motion->is_long_ago) {
        age_ms = (now_us - motion->demand_us) / BP_MS;
    }
    status->demand_age_ms = (uint16_t)(age_ms < BP_MOST_AGE_MS ? age_ms : BP_MOST_AGE_MS);
    status->good_frames = device->requests;
    status->bad_frames = (uint16_t)device->receiver.bad;
    status->is_showing = motion->is_showing;
}

/* --- the loop ---------------------------------------------------------------------------------------------- */

/* Its load by the current, filtered; an overload is one that lasts. */
static void bp_weigh(bp_device *device, uint32_t now_us)
{
    bp_motion *motion = &device->motion;
    int32_t limit_16ma = device->working.overload_limit * (INT32_C(16) * device->identity.stall_current_ma) / 100;

    motion->current_16ma +=
        (device->hardware.current_ma(device->hardware.context) * INT32_C(16) - motion->current_16ma) / 32;
    if (motion->current_16ma < limit_16ma) {
        motion->light_us = now_us;
        motion->is_overloaded = 0;
    } else if (BP_REACHED(now_us, motion->light_us + BP_OVERLOAD_US)) {
        motion->is_overloaded = 1;
    }
}

/* Highest speed of the set-point now, 0.1 deg/s. */
static int32_t bp_top_speed(const bp_device *device, int32_t full_speed, uint32_t now_us)
{
    int32_t speed = bp_limited(device->working.slew_limit, 0, full_speed);

    if (!device->motion.is_eased && device->working.soft_start != 0) {
        int32_t eased_ms = (int32_t)((now_us - device->motion.hold_us) / BP_MS);

        speed = bp_limited(speed, 0, (int32_t)device->working.slew_limit * eased_ms / device->working.soft_start);
    }
    return speed;
}

static int16_t bp_loop(bp_device *device, uint32_t now_us, int32_t since_us)
{
    bp_motion *motion = &device->motion;
    const bp_settings *settings = &device->working;
    const bp_identity *identity = &device->identity;
    int32_t supply_mv = device->hardware.supply_mv(device->hardware.context);
    int32_t at_mdeg = device->hardware.position_mdeg(device->hardware.context);
    int32_t aim_mdeg = bp_aim_mdeg(device);
    int32_t full_speed, step_udeg, way_udeg, moved_mdeg, error_mdeg, band_mdeg, set_speed, drive;

    if (supply_mv < 1) {
        supply_mv = 1;
    }
    full_speed = identity->no_load_speed_deg_s * INT32_C(10) * bp_limited(supply_mv, 1, identity->supply_max_mv)
                 / identity->supply_max_mv;
    step_udeg = bp_top_speed(device, full_speed, now_us) * since_us / 10;
    way_udeg = bp_limited(aim_mdeg * 1000 - motion->setpoint_udeg, -step_udeg, step_udeg);
    motion->setpoint_udeg += way_udeg;
    motion->setpoint_udeg =
        bp_limited(motion->setpoint_udeg, (at_mdeg - BP_LEASH_MDEG) * 1000, (at_mdeg + BP_LEASH_MDEG) * 1000);
    moved_mdeg = bp_limited(at_mdeg - motion->last_mdeg, -BP_JUMP_MDEG, BP_JUMP_MDEG);
    motion->speed_ddeg_s = (motion->speed_ddeg_s + moved_mdeg * INT32_C(10000) / since_us) / 2;
    motion->last_mdeg = at_mdeg;
    bp_weigh(device, now_us);

    error_mdeg = bp_divided(motion->setpoint_udeg, 1000) - at_mdeg;
    band_mdeg = bp_limited(settings->dead_band * INT32_C(10), BP_LEAST_BAND_MDEG, INT32_C(10000));
    if (way_udeg == 0 && bp_limited(error_mdeg, -band_mdeg, band_mdeg) == error_mdeg) {
        return 0;
    }
    set_speed = way_udeg * 10 / since_us;
    drive = settings->stiffness * error_mdeg / 100;
    drive += set_speed * BP_FULL_DRIVE / bp_limited(full_speed, 1, INT32_C(100000));
    drive += (settings->damping + 10) * (set_speed - motion->speed_ddeg_s) * 12 / 1000;
    drive += bp_limited(error_mdeg, -BP_GENTLE_MDEG, BP_GENTLE_MDEG) * 10 * settings->minimum_drive / BP_GENTLE_MDEG;
    return (int16_t)bp_limited(drive, -BP_FULL_DRIVE, BP_FULL_DRIVE);
}

void bp_motion_tick(bp_device *device, uint32_t now_us)
{
    bp_motion *motion = &device->motion;
    uint32_t since_us;

    bp_motion_pass(device, now_us);
    if (motion->is_on && BP_REACHED(now_us, motion->look_us)) {
        motion->look_us = now_us + BP_LOOK_US;
        if (bp_is_hot(device)) {
            bp_motion_limp(device, BP_STATE_FAULTED);
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
    device->hardware.drive(device->hardware.context, 1, bp_loop(device, now_us, (int32_t)since_us));
}

uint32_t bp_motion_next_us(const bp_device *device, uint32_t now_us, uint32_t until_us)
{
    const bp_motion *motion = &device->motion;

    if (motion->is_on) { /* the loop looks at everything else as well */
        until_us = bp_earlier(now_us, until_us, motion->loop_us + BP_LOOP_US);
        if (bp_is_at_work(motion->state)) {
            until_us = bp_earlier(now_us, until_us, motion->fed_us + device->working.loss_time_out * BP_MS);
        }
    }
    if (motion->is_showing) {
        until_us = bp_earlier(now_us, until_us, motion->show_until_us);
    }
    return until_us;
}
