"""Faults of heat."""

from __future__ import annotations

from typing import Final

from tests.conformance.faults.row import MOTION, fault

ROWS: Final = (
    # --- heat
    fault(
        "it drives on though it is too hot",
        MOTION,
        "if (motion->is_on && BP_REACHED(now_us, motion->look_us)) {",
        "if (0 && motion->is_on && BP_REACHED(now_us, motion->look_us)) {",
        "does.heat",
    ),
    fault(
        "too hot it takes hold of a demand of all",
        MOTION,
        "|| drive->motion->state == BP_STATE_FAULTED || (!bp_is_at_work(drive->motion->state) && bp_is_hot(drive))) {",
        "|| drive->motion->state == BP_STATE_FAULTED) {",
        "does.heat",
    ),
    fault(
        "cool again it follows the next demand of all",
        MOTION,
        "|| drive->motion->state == BP_STATE_FAULTED || (!bp_is_at_work(drive->motion->state) && bp_is_hot(drive))) {",
        "|| (!bp_is_at_work(drive->motion->state) && bp_is_hot(drive))) {",
        "does.heat",
    ),
    fault(
        "too hot it is engaged all the same",
        MOTION,
        "return BP_OUTCOME_FAULT_STANDS;",
        "return BP_OUTCOME_DONE;",
        "does.heat",
    ),
    fault(
        "too hot it refuses and drives on",
        MOTION,
        "if (drive->motion->is_on) {\n            bp_motion_limp(drive, BP_STATE_FAULTED);\n        }",
        "",
        "does.heat",
    ),
)
