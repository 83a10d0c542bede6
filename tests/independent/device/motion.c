/* Section Motion of the format page.
 *
 * The set-point comes to its target ever more slowly over the last degrees, and what it moves by is added to the drive
 * ahead of the error. The page leaves both to the maker. */
#include "device.h"

#define LOOP_US 1500U
#define LOOK_US 100000U    /* the page asks for 250 ms at most */
#define OVERLOAD_US 350000U /* told between 0.2 s and 0.5 s */
#define REST_MDEG_S 3000
#define SWING_MDEG 3000
#define SWING_US 1200000U

static int64_t within(int64_t value, int64_t low, int64_t high)
{
    return value < low ? low : value > high ? high : value;
}

static int32_t rounded(int64_t value, int32_t by)
{
    return (int32_t)((value < 0 ? value - by / 2 : value + by / 2) / by);
}

static int32_t position_mdeg(const bp_device *device)
{
    return device->hardware.position_mdeg(device->hardware.context);
}

uint8_t is_hot(const bp_device *device)
{
    return device->hardware.temperature_cdeg(device->hardware.context)
           > device->working.value[OVER_TEMPERATURE_LIMIT] * 100;
}

/* Where a demand leads, in 0.001 deg: neutral, travel and correction, all over 2000 (does.angle, does.correction). */
static int32_t angle_mdeg(const struct settings *set, int32_t demand)
{
    int32_t sum = demand * set->value[TRAVEL];

    if (set->value[DIRECTION] != 0) {
        sum = -sum;
    }
    if (set->points >= 2U) {
        int32_t along = (demand + 10000) * (set->points - 1);
        int32_t piece = along / 20000;
        int32_t rest = along % 20000;
        if (piece == set->points - 1) {
            piece--;
            rest = 20000;
        }
        sum += set->correction[piece] * (20000 - rest) + set->correction[piece + 1] * rest;
    }
    return set->value[NEUTRAL] * 10 + rounded(sum, 2000);
}

static int32_t within_ends(const bp_device *device, int32_t mdeg)
{
    const struct settings *set = &device->working;
    int32_t stop = device->identity.mechanical_travel_cdeg * 5;

    mdeg = (int32_t)within(mdeg, set->value[END_LOW] * 10, set->value[END_HIGH] * 10);
    return stop == 0 ? mdeg : (int32_t)within(mdeg, -stop, stop);
}

static int32_t target_mdeg(const bp_device *device)
{
    const struct motion *motion = &device->motion;

    if (motion->leads == LEADS_HELD) {
        return motion->held_mdeg;
    }
    return within_ends(device, motion->leads == LEADS_PRESET ? device->working.value[PRESET] * 10
                                                             : angle_mdeg(&device->working, motion->demand));
}

static uint8_t is_showing(const bp_device *device)
{
    return device->motion.shows && device->now < device->motion.show_until;
}

/* The target, and about it the swing of an actuator that shows itself: a triangle that begins at the target. Where
 * engage holds an arm beyond the ends there is no room to swing. */
static int32_t goal_mdeg(const bp_device *device)
{
    int32_t target = target_mdeg(device), goal, phase;

    if (!is_showing(device)) {
        return target;
    }
    phase = (int32_t)((device->now - device->motion.show_from) % SWING_US / 1000U);
    if (phase < 300) {
        goal = target + SWING_MDEG * phase / 300;
    } else if (phase < 900) {
        goal = target + SWING_MDEG * (600 - phase) / 300;
    } else {
        goal = target + SWING_MDEG * (phase - 1200) / 300;
    }
    return target == within_ends(device, target) ? within_ends(device, goal) : target;
}

static int32_t soft_start_us(const bp_device *device)
{
    return device->working.value[SOFT_START] * 1000;
}

/* Move the set-point on; returns its speed in 0.001 deg/s. */
static int32_t move_set_point(bp_device *device, int64_t dt_us)
{
    struct motion *motion = &device->motion;
    int64_t rest_udeg = (int64_t)goal_mdeg(device) * 1000 - motion->set_point_udeg;
    int64_t speed = device->working.value[SLEW_LIMIT] * 100, closing, step;

    if (motion->is_soft) {
        /* The time since the drive took hold is that of the step's begin, so that no step is too wide. */
        speed = speed * (int64_t)(motion->loop_at - motion->hold_at) / soft_start_us(device);
    }
    closing = (rest_udeg < 0 ? -rest_udeg : rest_udeg) / 40 + 2000;
    speed = closing < speed ? closing : speed;
    step = within(rest_udeg, -speed * dt_us / 1000, speed * dt_us / 1000);
    motion->set_point_udeg += step;
    return dt_us == 0 ? 0 : (int32_t)(step * 1000 / dt_us);
}

static int32_t drive_permille(const bp_device *device, int32_t error, int32_t set_point_speed)
{
    const struct motion *motion = &device->motion;
    const struct settings *set = &device->working;
    int64_t size = error < 0 ? -error : error, band = set->value[DEAD_BAND] * 10, drive, least;
    int64_t no_load = device->identity.no_load_speed_deg_s;
    int64_t supply = device->hardware.supply_mv(device->hardware.context);

    if (size <= band && motion->speed_mdeg_s < REST_MDEG_S && motion->speed_mdeg_s > -REST_MDEG_S) {
        return 0;
    }
    drive = (int64_t)error * set->value[STIFFNESS] / 400;
    if (size > band) {
        least = within((size - band) * set->value[MINIMUM_DRIVE] / 10, 0, set->value[MINIMUM_DRIVE] * 10);
        drive += error < 0 ? -least : least;
    }
    if (no_load > 0 && supply > 0) {
        drive += (int64_t)set_point_speed * device->identity.supply_max_mv / (no_load * supply);
        drive += (int64_t)(set_point_speed - motion->speed_mdeg_s) * set->value[DAMPING] / (100 * no_load);
    }
    return (int32_t)within(drive, -1000, 1000);
}

static void look_at_load(bp_device *device)
{
    struct motion *motion = &device->motion;
    int64_t current = device->hardware.current_ma(device->hardware.context);
    uint8_t is_over = current * 100 > (int64_t)device->working.value[OVERLOAD_LIMIT] * device->identity.stall_current_ma;

    if (is_over == motion->is_overloaded) {
        motion->load_changed_at = device->now;
    } else if (device->now - motion->load_changed_at >= OVERLOAD_US) {
        motion->is_overloaded = is_over;
    }
}

static void loop(bp_device *device)
{
    struct motion *motion = &device->motion;
    int64_t dt_us = (int64_t)(device->now - motion->loop_at);
    int32_t seen = position_mdeg(device), set_point_speed, error;

    if (dt_us > 0) {
        motion->speed_mdeg_s = (int32_t)((motion->speed_mdeg_s + (int64_t)(seen - motion->seen_mdeg) * 1000000 / dt_us) / 2);
        motion->seen_mdeg = seen;
    }
    set_point_speed = move_set_point(device, dt_us);
    motion->loop_at = device->now;
    error = rounded(motion->set_point_udeg, 1000) - seen;
    look_at_load(device);
    device->hardware.drive(device->hardware.context, 1, (int16_t)drive_permille(device, error, set_point_speed));
}

void motion_limp(bp_device *device, uint8_t state)
{
    struct motion *motion = &device->motion;

    motion->state = state;
    motion->is_on = 0;
    motion->is_soft = 0;
    motion->is_overloaded = 0;
    device->hardware.drive(device->hardware.context, 0, 0);
}

void motion_start(bp_device *device)
{
    motion_limp(device, LIMP);
}

static void take_hold(bp_device *device)
{
    struct motion *motion = &device->motion;

    motion->seen_mdeg = position_mdeg(device);
    if (!motion->is_on) {
        motion->speed_mdeg_s = 0;
        motion->load_changed_at = device->now;
        motion->looked_at = device->now;
    }
    motion->set_point_udeg = (int64_t)motion->seen_mdeg * 1000;
    motion->hold_at = device->now;
    motion->loop_at = device->now;
    motion->is_on = 1;
    motion->is_soft = 1;
    motion->state = SOFT_STARTING;
}

void motion_engage(bp_device *device)
{
    take_hold(device);
    device->motion.leads = LEADS_HELD;
    device->motion.held_mdeg = device->motion.seen_mdeg;
    device->motion.fresh_at = device->now;
    motion_run(device);
    if (device->motion.is_on) {
        loop(device);
    }
}

void motion_demand(bp_device *device, int16_t demand)
{
    struct motion *motion = &device->motion;
    uint8_t begins = motion->state != SOFT_STARTING && motion->state != FOLLOWING;

    motion->leads = LEADS_DEMAND;
    motion->demand = demand;
    motion->has_demand = 1;
    motion->demand_at = device->now;
    motion->fresh_at = device->now;
    if (begins) {
        take_hold(device);
        motion_run(device);
        loop(device);
    }
}

void motion_address(bp_device *device)
{
    device->motion.has_demand = 0;
    motion_limp(device, LIMP);
}

void motion_show(bp_device *device, uint8_t duration_ds)
{
    device->motion.shows = 1;
    device->motion.show_from = device->now;
    device->motion.show_until = device->now + duration_ds * UINT64_C(100000);
}

static uint64_t soft_end(const bp_device *device)
{
    return device->motion.is_soft ? device->motion.hold_at + (uint64_t)soft_start_us(device) : NEVER;
}

static uint64_t loss_due(const bp_device *device)
{
    const struct motion *motion = &device->motion;

    if (motion->state != SOFT_STARTING && motion->state != FOLLOWING) {
        return NEVER;
    }
    return motion->fresh_at + (uint64_t)device->working.value[LOSS_TIME_OUT] * 1000U;
}

static void lose(bp_device *device)
{
    struct motion *motion = &device->motion;

    motion->was_lost = 1;
    switch (device->working.value[LOSS_ACTION]) {
    case 1:
        motion->state = LOST_HOLD;
        break;
    case 2:
        motion->state = LOST_PRESET;
        motion->leads = LEADS_PRESET;
        break;
    default:
        motion_limp(device, LOST_LIMP);
    }
}

/* What has become due; the position loop last. */
void motion_run(bp_device *device)
{
    struct motion *motion = &device->motion;

    if (soft_end(device) <= device->now) {
        motion->is_soft = 0;
        if (motion->state == SOFT_STARTING) {
            motion->state = FOLLOWING;
        }
    }
    if (loss_due(device) <= device->now) {
        lose(device);
    }
    if (motion->is_on && device->now - motion->looked_at >= LOOK_US) {
        motion->looked_at = device->now;
        if (is_hot(device)) {
            motion_limp(device, FAULTED);
        }
    }
    if (motion->is_on && device->now - motion->loop_at >= LOOP_US) {
        loop(device);
    }
}

uint64_t motion_due(const bp_device *device)
{
    uint64_t due;

    if (!device->motion.is_on) {
        return NEVER;
    }
    due = device->motion.loop_at + LOOP_US;
    due = soft_end(device) < due ? soft_end(device) : due;
    return loss_due(device) < due ? loss_due(device) : due;
}

static int32_t cdeg(int32_t mdeg)
{
    return (int32_t)within(rounded(mdeg, 10), INT16_MIN, INT16_MAX);
}

int32_t position_cdeg(const bp_device *device)
{
    return cdeg(position_mdeg(device));
}

int32_t demand_cdeg(const bp_device *device)
{
    return device->motion.is_on ? cdeg(target_mdeg(device)) : position_cdeg(device);
}

uint8_t faults_of(const bp_device *device)
{
    unsigned faults = 0;

    if (is_hot(device)) {
        faults |= OVER_TEMPERATURE;
    }
    if (device->motion.is_on && device->motion.is_overloaded) {
        faults |= OVERLOAD;
    }
    if (device->hardware.supply_mv(device->hardware.context) < device->working.value[UNDER_VOLTAGE_LIMIT]) {
        faults |= UNDER_VOLTAGE;
    }
    if (device->settings_lost) {
        faults |= SETTINGS_LOST;
    }
    if (device->motion.was_lost) {
        faults |= DEMAND_LOST;
    }
    return (uint8_t)faults;
}

uint16_t demand_age_ms(const bp_device *device)
{
    uint64_t age = (device->now - device->motion.demand_at) / 1000U;

    return !device->motion.has_demand || age > UINT16_MAX ? UINT16_MAX : (uint16_t)age;
}

uint8_t bp_device_shows_until(const bp_device *device, uint32_t *time_us)
{
    *time_us = (uint32_t)(device->motion.show_until & UINT32_MAX);
    return device->motion.shows;
}
