"""Faults of settings and stored memory."""

from __future__ import annotations

from typing import Final

from tests.conformance.faults.row import ANSWERS, DEVICE, PARAMETERS, STORE, fault

ROWS: Final = (
    # --- settings
    fault(
        "a refused value is kept",
        ANSWERS,
        "bp_refuse(reply, BP_OUTCOME_OUT_OF_RANGE, bp_settings_least(working, row->number), row->high);",
        "if (row->number == BP_PARAMETER_LOSS_TIME_OUT) {\n            working->loss_time_out = 3;\n        }\n"
        "        bp_refuse(reply, BP_OUTCOME_OUT_OF_RANGE, bp_settings_least(working, row->number), "
        "row->high);",
        "does.unchanged",
    ),
    fault(
        "a value one beyond its range is taken",
        PARAMETERS,
        "if (!(got >= -3000 && got <= 3000)) {",
        "if (!(got >= -3000 && got <= 3001)) {",
        "parameters",
        "op.31",
    ),
    fault(
        "a correction table that turns the arm back is taken",
        PARAMETERS,
        "(change < 0 ? -change : change) * (int32_t)(settings->correction_count - 1);",
        "(change < 0 ? -change : change) * (int32_t)(settings->correction_count - 2);",
        "does.monotone",
    ),
    fault(
        "only a correction that falls too steeply is refused",
        PARAMETERS,
        "(change < 0 ? -change : change) *",
        "(change < 0 ? -change : 0) *",
        "does.monotone",
    ),
    fault(
        "the travel is made too narrow for the table in force",
        ANSWERS,
        "if (result == BP_OK && !bp_settings_agree(&changed)) {",
        "if (result == BP_OK && row->points != 0 && !bp_settings_agree(&changed)) {",
        "does.monotone",
    ),
    fault(
        "a refusal does not tell the range",
        ANSWERS,
        "bp_refuse(reply, BP_OUTCOME_OUT_OF_RANGE, bp_settings_least(working, row->number), row->high);",
        "bp_refuse(reply, BP_OUTCOME_OUT_OF_RANGE, 0, 0);",
        "refusal.range",
    ),
    fault(
        "a write goes to stored settings as well",
        DEVICE,
        "if (bp_answer_write(&device->working, &message->as.write, reply)) {",
        "if (bp_answer_write(&device->working, &message->as.write, reply)) {\n"
        "            device->store.settings = device->working;",
        "does.write",
    ),
    fault(
        "undo always takes factory settings",
        ANSWERS,
        "*working = *bp_memory(working, stored, undo->memory, &room);",
        "*working = *bp_memory(working, stored, BP_MEMORY_FACTORY, &room);",
        "does.undo",
    ),
    fault(
        "its list has another range than it keeps",
        ANSWERS,
        "description->high = row->high;",
        "description->high = row->high - (row->number == BP_PARAMETER_TRAVEL ? 1 : 0);",
        "op.21",
        "op.31",
        "refusal.range",
    ),
    fault(
        "an assign answers any uid",
        DEVICE,
        "if (memcmp(message->as.assign.uid, device->identity.uid, BP_UID_BYTES) != 0) {",
        "if (memcmp(message->as.assign.uid, device->identity.uid, BP_UID_BYTES - 1U) != 0) {",
        "op.10",
    ),
    fault(
        "an assign stores the working settings",
        DEVICE,
        "if (!bp_begin_to_store(device, message->as.assign.address, &device->store.settings, now_us)) {",
        "if (!bp_begin_to_store(device, message->as.assign.address, &device->working, now_us)) {",
        "does.assign",
    ),
    fault(
        "an assign leaves it driven",
        DEVICE,
        "bp_motion_limp(&drive, BP_STATE_LIMP);\n        device->motion.was_demanded = 0;",
        "device->motion.was_demanded = 0;",
        "does.assign",
        "does.limp",
    ),
    # --- stored memory
    fault(
        "the stored copy is written in place",
        STORE,
        "store->writes_page = store->page == 0 ? 1 : 0;",
        "store->writes_page = store->page == BP_NO_PAGE ? 0 : store->page;",
        "does.copies",
    ),
    fault(
        "the check of a stored copy is not looked at",
        STORE,
        "return record[at] == (crc & 0xFFU)",
        "return crc != 0 || record[at] == (crc & 0xFFU)",
        "does.copies",
    ),
    fault(
        "the older of two copies is taken",
        STORE,
        "if (store->page == BP_NO_PAGE || (uint16_t)(generation - store->generation) < 0x8000U) {",
        "if (store->page == BP_NO_PAGE || (uint16_t)(generation - store->generation) >= 0x8000U) {",
        "does.commit",
    ),
    fault(
        "lost settings are not told",
        STORE,
        "store->is_lost = store->page == BP_NO_PAGE;",
        "store->is_lost = 0;",
        "does.lost",
    ),
)
