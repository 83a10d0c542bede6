"""Faults that the cases of single rules find."""

from __future__ import annotations

from typing import Final

from tests.conformance.faults.row import DEVICE, DISCOVERY, STORE, fault

ROWS: Final = (
    fault(
        "of a digest that stands twice the last position counts",
        DISCOVERY,
        "for (at = member_list->digests_count; at > 0; at--) {",
        "for (at = 1; at <= member_list->digests_count; at++) {",
        "find.twice",
    ),
    fault(
        "an acknowledgement outlasts another epoch",
        DISCOVERY,
        "        discovery->epoch = epoch;\n        discovery->is_acknowledged = 0;",
        "        discovery->epoch = epoch;",
        "find.epoch",
    ),
    fault(
        "a list changes no acknowledgement",
        DISCOVERY,
        "    presence->discovery->is_acknowledged = is_in;\n",
        "",
        "find.list",
    ),
    fault(
        "the bit of address 240 does not count",
        DISCOVERY,
        "address <= BP_ADDRESS_MAP_BYTES * 8U",
        "address <= BP_MAX_ADDRESS",
        "find.addresses",
    ),
    fault(
        "every reply goes to the host",
        DEVICE,
        "device->reply_to = frame->source;",
        "device->reply_to = BP_HOST_ADDRESS;",
        "frame.source",
    ),
    fault(
        "a malformed roll call is refused",
        DEVICE,
        "if (is_for_all || (operation != NULL && operation->is_bare)) {",
        "if (is_for_all) {",
        "does.bare",
    ),
    fault(
        "released counts before hot",
        DEVICE,
        "if (outcome == BP_OUTCOME_DONE && drive->motion->state == BP_STATE_RELEASED) {",
        "if (drive->motion->state == BP_STATE_RELEASED) {",
        "refusal.order",
    ),
    fault(
        "the age of the demand outlasts an assign",
        DEVICE,
        "        bp_motion_limp(&drive, BP_STATE_LIMP);\n        device->motion.was_demanded = 0;",
        "        bp_motion_limp(&drive, BP_STATE_LIMP);",
        "does.age",
    ),
    fault(
        "a write of stored memory counts twice",
        STORE,
        "    uint16_t generation = (uint16_t)(store->page == BP_NO_PAGE ? 1U : store->generation + 1U);",
        "    uint16_t generation = (uint16_t)(store->page == BP_NO_PAGE ? 1U : store->generation + 2U);",
        "does.generation",
    ),
)
