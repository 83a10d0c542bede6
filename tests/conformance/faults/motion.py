"""Faults of motion."""

from __future__ import annotations

from typing import Final

from tests.conformance.faults.row import DEVICE, DISCOVERY, MOTION, fault

ROWS: Final = (
    # --- motion
    fault(
        "driven from power-up on",
        MOTION,
        "motion->loop_us = motion->look_us = now_us;\n    bp_motion_limp(drive, BP_STATE_LIMP);",
        "motion->loop_us = motion->look_us = now_us;\n    bp_motion_engage(drive, now_us);",
        "does.limp",
    ),
    fault(
        "it can be driven without an address",
        MOTION,
        "return BP_OUTCOME_NOT_ADDRESSED;",
        "bp_forget_fault(drive);",
        "does.limp",
    ),
    fault(
        "the direction is ignored",
        MOTION,
        "int32_t side = settings->direction == BP_DIRECTION_REVERSED ? -INT32_C(1) : INT32_C(1);",
        "int32_t side = INT32_C(1);",
        "does.angle",
    ),
    fault(
        "the neutral is turned round with the direction",
        MOTION,
        "settings->neutral * INT32_C(10) + bp_divided(way, 2000)",
        "side * settings->neutral * INT32_C(10) + bp_divided(way, 2000)",
        "does.angle",
    ),
    fault(
        "the ends are ignored",
        MOTION,
        "mdeg = bp_limited(mdeg, drive->working->end_low * INT32_C(10), drive->working->end_high * INT32_C(10));",
        "",
        "does.ends",
    ),
    fault(
        "the correction jumps from point to point",
        MOTION,
        "return low * INT32_C(10) + bp_divided((settings->correction[below + 1] - low) * rest, 2000);",
        "return low * INT32_C(10) + (rest > 0 ? 1 : 0);",
        "does.correction",
    ),
    fault(
        "soft start is ignored",
        MOTION,
        "if (!drive->motion->is_soft_started) {",
        "if (drive->motion->is_soft_started && drive->working->soft_start == 1) {",
        "parameters.soft-start",
        "does.engages",
    ),
    fault(
        "soft start only once, not after a loss",
        MOTION,
        "motion->is_soft_started = 0;",
        "motion->is_soft_started = motion->is_demand_lost;",
        "does.engages",
        "does.again",
    ),
    fault(
        "the slew limit is ignored",
        MOTION,
        "int32_t speed = bp_limited(drive->working->slew_limit, 0, full_speed);",
        "int32_t speed = full_speed;",
        "does.slew",
    ),
    fault(
        "it follows the channel beside its own",
        MOTION,
        "bp_motion_follow(drive, demands[channel - 1], now_us);",
        "bp_motion_follow(drive, demands[channel - 1 > 0 ? channel - 2 : 0], now_us);",
        "does.channel",
    ),
    fault(
        "no demand is taken for the lowest one",
        MOTION,
        "if (channel == 0 || channel > count || demands[channel - 1] == BP_NO_DEMAND) {",
        "if (channel == 0 || channel > count) {",
        "does.channel",
    ),
    fault(
        "it holds instead of going limp when the demand is lost",
        MOTION,
        "bp_motion_limp(drive, BP_STATE_LOST_LIMP);",
        "motion->state = BP_STATE_LOST_HOLD;",
        "does.loss",
    ),
    fault(
        "it holds, and says that it is limp",
        MOTION,
        "bp_motion_limp(drive, BP_STATE_LOST_LIMP);",
        "motion->state = BP_STATE_LOST_LIMP;",
        "does.loss",
    ),
    fault(
        "the loss time-out is twice too long",
        MOTION,
        "&& BP_REACHED(now_us, motion->fed_us + settings->loss_time_out",
        "&& BP_REACHED(now_us, motion->fed_us + UINT32_C(2) * settings->loss_time_out",
        "does.loss",
    ),
    fault(
        "the preset is ignored",
        MOTION,
        "motion->target_mdeg = bp_within_ends(drive, drive->working->preset * INT32_C(10));",
        "motion->target_mdeg = bp_within_ends(drive, 0);",
        "does.loss",
    ),
    fault(
        "a demand feeds the time-out only where it is another",
        MOTION,
        "motion->fed_us = motion->demand_us = now_us;",
        "motion->fed_us = demand == motion->demand && motion->was_demanded ? motion->fed_us : now_us;\n"
        "    motion->demand_us = now_us;",
        "does.loss",
    ),
    fault(
        "a lost demand is not told",
        MOTION,
        "motion->is_demand_lost = 1;",
        "motion->is_demand_lost = 0;",
        "faults",
    ),
    fault(
        "a release to all is ignored",
        DEVICE,
        "bp_motion_limp(&drive, BP_STATE_RELEASED);",
        "if (device->frame.destination != BP_BROADCAST_ADDRESS) {\n"
        "            bp_motion_limp(&drive, BP_STATE_RELEASED);\n        }",
        "does.release",
    ),
    fault(
        "a demand ends a release",
        MOTION,
        "if (!drive->has_address || drive->motion->state == BP_STATE_RELEASED",
        "if (!drive->has_address",
        "does.release",
    ),
    fault(
        "engage drives to the middle",
        MOTION,
        "motion->target_mdeg = motion->last_mdeg = at_mdeg;",
        "motion->target_mdeg = 0;\n    motion->last_mdeg = at_mdeg;",
        "op.43",
        "does.motion",
    ),
    fault(
        "a restart keeps the working settings",
        DEVICE,
        "device->working = device->store.settings;",
        "device->working = keeps ? kept : device->store.settings;",
        "op.51",
        "does.write",
    ),
    fault(
        "engaged it does not show itself",
        MOTION,
        "motion->swing_mdeg = BP_SWING_MDEG;",
        "motion->swing_mdeg = 0;",
        "op.45",
    ),
    fault(
        "a low supply is not told",
        MOTION,
        "if (supply_mv < settings->under_voltage) {",
        "if (supply_mv + 1U < settings->under_voltage / 2U) {",
        "parameters.under-voltage",
    ),
    fault(
        "requests for others are not counted",
        DEVICE,
        "if (!is_for_all && frame->destination != device->address) {\n        return;\n    }",
        "if (!is_for_all && frame->destination != device->address) {\n        device->requests--;\n"
        "        return;\n    }",
        "op.44",
    ),
    fault(
        "a setting acts at the next demand only",
        MOTION,
        "} else if (motion->is_on && motion->has_demand) {",
        "} else if (motion->is_on && motion->has_demand && motion->state == BP_STATE_LOST_HOLD) {",
        "does.write",
    ),
    fault(
        "engage counts as a demand",
        MOTION,
        "motion->hold_us = motion->fed_us = motion->light_us = now_us;",
        "motion->hold_us = motion->fed_us = motion->light_us = motion->demand_us = now_us;",
        "op.44",
        "op.43",
    ),
    fault(
        "a call counts as answered before its slot has come",
        DISCOVERY,
        "presence->backoff->salt = call->salt;",
        "presence->backoff->salt = call->salt;\n        discovery->has_answered = 1;\n"
        "        discovery->answered_salt = call->salt;",
        "op.01",
    ),
    fault(
        "a soft start that is over begins anew when it becomes longer",
        MOTION,
        "if (motion->is_on && BP_REACHED(now_us, motion->hold_us + settings->soft_start * BP_MS)) {\n"
        "        motion->is_soft_started = 1;\n    }",
        "motion->is_soft_started = BP_REACHED(now_us, motion->hold_us + settings->soft_start * BP_MS);",
        "parameters.soft-start",
    ),
)
