"""Faults of the position loop, of the fields of reports and replies, of fault bits and of what counts as a demand."""

from __future__ import annotations

from typing import Final

from tests.conformance.faults.row import ANSWERS, DEVICE, MOTION, fault

ROWS: Final = (
    # --- the position loop
    fault(
        "the dead band is ten times too narrow",
        MOTION,
        "band_mdeg = bp_limited(settings->dead_band * INT32_C(10), BP_LEAST_BAND_MDEG, INT32_C(10000));",
        "band_mdeg = bp_limited(settings->dead_band, BP_LEAST_BAND_MDEG, INT32_C(10000));",
        "parameters.loop",
    ),
    fault(
        "the dead band is only on one side",
        MOTION,
        "if (way_udeg == 0 && bp_limited(error_mdeg, -band_mdeg, band_mdeg) == error_mdeg) {",
        "if (way_udeg == 0 && bp_limited(error_mdeg, 0, band_mdeg) == error_mdeg) {",
        "parameters.loop",
    ),
    fault(
        "stiffness does nothing",
        MOTION,
        "permille = settings->stiffness * error_mdeg / 100;",
        "permille = 60 * error_mdeg / 100;",
        "parameters.loop",
    ),
    fault(
        "damping does nothing",
        MOTION,
        "permille += (settings->damping + 10) * (set_speed - motion->speed_ddeg_s) * 12 / 1000;",
        "permille += 40 * (set_speed - motion->speed_ddeg_s) * 12 / 1000;",
        "parameters.loop",
    ),
    fault(
        "half the minimum drive is added",
        MOTION,
        "BP_GENTLE_MDEG) * 10 * settings->minimum_drive / BP_GENTLE_MDEG;",
        "BP_GENTLE_MDEG) * 5 * settings->minimum_drive / BP_GENTLE_MDEG;",
        "parameters.loop",
    ),
    fault(
        "downwards the set-point moves at half the slew limit",
        MOTION,
        "way_udeg = bp_limited(aim_mdeg * 1000 - motion->setpoint_udeg, -step_udeg, step_udeg);",
        "way_udeg = bp_limited(aim_mdeg * 1000 - motion->setpoint_udeg, -step_udeg / 2, step_udeg);",
        "does.slew",
    ),
    fault(
        "it drives against a mechanical stop",
        MOTION,
        "return bp_limited(mdeg, -stop, stop);",
        "return mdeg + 0 * stop;",
        "does.ends",
    ),
    fault(
        "the preset goes beyond the ends",
        MOTION,
        "motion->target_mdeg = bp_within_ends(drive, drive->working->preset * INT32_C(10));",
        "motion->target_mdeg = drive->working->preset * INT32_C(10);",
        "does.ends",
        "does.loss",
    ),
    fault(
        "showing itself it swings beyond an end",
        MOTION,
        "return bp_within_ends(drive, motion->target_mdeg + motion->swing_mdeg);",
        "return motion->target_mdeg + motion->swing_mdeg;",
        "does.shows",
        "does.ends",
    ),
    # --- fault bits
    fault(
        "an overload is told at twice the limit",
        MOTION,
        "drive->working->overload_limit * (INT32_C(16) * drive->identity->stall_current_ma) / 100;",
        "drive->working->overload_limit * (INT32_C(16) * drive->identity->stall_current_ma) / 50;",
        "parameters.loop",
    ),
    fault(
        "an overload once told stands",
        MOTION,
        "        motion->light_us = now_us;\n        motion->is_overloaded = 0;",
        "        motion->light_us = now_us;",
        "parameters.loop",
        "faults",
    ),
    fault(
        "a supply at the limit is low",
        MOTION,
        "if (supply_mv < settings->under_voltage) {",
        "if (supply_mv <= settings->under_voltage) {",
        "parameters.under-voltage",
    ),
    fault(
        "at the limit of temperature it is hot",
        MOTION,
        "drive->hardware->temperature_cdeg(drive->hardware->context) > drive->working->over_temperature * 100;",
        "drive->hardware->temperature_cdeg(drive->hardware->context) >= drive->working->over_temperature * 100;",
        "does.heat",
    ),
    fault(
        "a demand that was lost is forgotten at the next",
        MOTION,
        "    motion->was_demanded = 1;\n",
        "    motion->was_demanded = 1;\n    motion->is_demand_lost = 0;\n",
        "faults",
    ),
    # --- fields
    fault(
        "the temperature is told in whole degrees",
        MOTION,
        "status->temperature_cdeg = drive->hardware->temperature_cdeg(drive->hardware->context);",
        "status->temperature_cdeg = drive->hardware->temperature_cdeg(drive->hardware->context);\n"
        "    status->temperature_cdeg = (int16_t)(status->temperature_cdeg / 100 * 100);",
        "op.44",
    ),
    fault(
        "the supply is told with 15 bits",
        MOTION,
        "status->supply_mv = drive->hardware->supply_mv(drive->hardware->context);",
        "status->supply_mv = drive->hardware->supply_mv(drive->hardware->context) & 0x7FFFU;",
        "op.44",
    ),
    fault(
        "the current is told up to 32 A",
        MOTION,
        "return (uint16_t)bp_limited(drive->motion->current_16ma / 16, 0, 0xFFFF);",
        "return (uint16_t)bp_limited(drive->motion->current_16ma / 16, 0, 0x7FFF);",
        "op.44",
    ),
    fault(
        "the answer to a round rounds the current down",
        DEVICE,
        "share = (bp_motion_current_ma(&drive) + UINT32_C(10)) / UINT32_C(20);",
        "share = bp_motion_current_ma(&drive) / UINT32_C(20);",
        "op.46",
    ),
    fault(
        "the answer to a round tells the position of the request",
        DEVICE,
        "message.as.brief_status.position_cdeg = bp_motion_position_cdeg(&drive);",
        "message.as.brief_status.position_cdeg = device->reply.as.brief_status.position_cdeg;",
        "op.46",
    ),
    fault(
        "the last letter of the model is not told",
        ANSWERS,
        "memcpy(description->model, identity->model, sizeof description->model);",
        "memcpy(description->model, identity->model, sizeof description->model - 2);",
        "op.20",
    ),
    fault(
        "stall torque and stall current change places",
        ANSWERS,
        "description->stall_torque_mnm = identity->stall_torque_mnm;\n"
        "    description->stall_current_ma = identity->stall_current_ma;",
        "description->stall_torque_mnm = identity->stall_current_ma;\n"
        "    description->stall_current_ma = identity->stall_torque_mnm;",
        "op.20",
    ),
    fault(
        "the answer to engage says that it follows",
        DEVICE,
        "reply->as.engaged.state = bp_motion_state(drive, now_us);",
        "reply->as.engaged.state = BP_STATE_FOLLOWING;",
        "states",
    ),
    # --- what counts
    fault(
        "a list that is no demand of it feeds the time-out",
        MOTION,
        "if (channel == 0 || channel > count || demands[channel - 1] == BP_NO_DEMAND) {",
        "if (channel == 0 || channel > count || demands[channel - 1] == BP_NO_DEMAND) {\n"
        "        drive->motion->fed_us = now_us;",
        "does.loss",
    ),
    fault(
        "the age is that of the first demand",
        MOTION,
        "motion->fed_us = motion->demand_us = now_us;",
        "motion->fed_us = now_us;\n    motion->demand_us = motion->was_demanded ? motion->demand_us : now_us;",
        "does.age",
    ),
    fault(
        "the demands of a round count only for those in its row",
        DEVICE,
        "bp_motion_demand_all(&drive, round->demands, round->demands_count, now_us);",
        "if (device->address >= round->first && device->address < round->first + round->count) {\n"
        "            bp_motion_demand_all(&drive, round->demands, round->demands_count, now_us);\n        }",
        "op.46",
        "does.channel",
    ),
)
