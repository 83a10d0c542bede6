"""Faults of discovery."""

from __future__ import annotations

from typing import Final

from tests.conformance.faults.row import DISCOVERY, fault

ROWS: Final = (
    # --- discovery
    fault(
        "it forgets to enrol by its mark",
        DISCOVERY,
        "if (call->marks[at] == mark) {",
        "if (call->marks[at] == mark && call->slots == 1U) {",
        "op.01",
    ),
    fault(
        "any mark enrols it",
        DISCOVERY,
        "if (call->marks[at] == mark) {",
        "if (call->marks[at] == mark || call->marks_count != 0) {",
        "op.01",
    ),
    fault(
        "it answers though enrolled",
        DISCOVERY,
        "if (!attendance->is_enrolled) {",
        "if (!attendance->is_enrolled || attendance->has_epoch) {",
        "op.01",
        "op.04",
    ),
    fault(
        "it answers though hushed",
        DISCOVERY,
        "bp_enter(who->attendance, hush->epoch);\n        who->attendance->is_enrolled = 1;",
        "bp_enter(who->attendance, hush->epoch);",
        "op.04",
    ),
    fault(
        "a hush for another hushes it too",
        DISCOVERY,
        "memcmp(hush->uid, who->uid, BP_UID_BYTES)",
        "memcmp(hush->uid, who->uid, BP_UID_BYTES - 1U)",
        "op.04",
    ),
    fault(
        "a new epoch does not end the enrolment",
        DISCOVERY,
        "attendance->epoch = epoch;\n        attendance->is_enrolled = 0;",
        "attendance->epoch = epoch;",
        "op.01",
        "op.04",
    ),
    fault(
        "a call without slots opens a window",
        DISCOVERY,
        "if (call->slots == 0) {\n        return;\n    }",
        "",
        "op.01",
    ),
    fault(
        "the first slot begins too early",
        DISCOVERY,
        "turn->counting_from_us = now_us + BP_FIRST_SLOT_US;",
        "turn->counting_from_us = now_us + BP_FIRST_SLOT_US - 40U;",
        "find.first",
    ),
    fault(
        "a busy line does not stop the countdown",
        DISCOVERY,
        "passed = (time_us - turn->counting_from_us) / turn->slot_us;",
        "passed = turn->left;",
        "find.sense",
    ),
    fault(
        "books are answered in the slots of calls",
        DISCOVERY,
        "uint32_t slot_ns = is_in_order ? BP_PLACE_NS : BP_MINI_SLOT_NS;",
        "uint32_t slot_ns = BP_MINI_SLOT_NS;",
        "find.place",
    ),
    fault(
        "its place in a book is off by one",
        DISCOVERY,
        "attendance->book_place = (uint8_t)(book->first + at - 1);",
        "attendance->book_place = (uint8_t)(book->first + at);",
        "op.02",
    ),
    fault(
        "not in the book it keeps silent",
        DISCOVERY,
        "if (attendance->book_has_place || attendance->book_is_whole) {",
        "if (attendance->book_has_place) {",
        "op.02",
    ),
    fault(
        "it missed a part and speaks up all the same",
        DISCOVERY,
        "if (attendance->book_has_place || attendance->book_is_whole) {",
        "if (attendance->book_has_place || attendance->has_book) {",
        "find.parts",
    ),
    fault(
        "every part of a book is answered",
        DISCOVERY,
        "if (attendance->book_next < book->total) {\n        return;\n    }",
        "",
        "find.parts",
    ),
    fault(
        "strangers all take the first slot behind the book",
        DISCOVERY,
        "uint16_t behind = (uint16_t)(who->hardware->any_bits(who->hardware->context) % BP_STRANGER_SLOTS);",
        "uint16_t behind = 0;",
        "op.02",
    ),
    fault(
        "its rank in an address book counts addresses that are not marked",
        DISCOVERY,
        "rank = total;",
        "rank = (uint16_t)(address - 1U);",
        "find.addresses",
    ),
    fault(
        "a match looks at whole bytes only",
        DISCOVERY,
        "for (bit = 0; bit < match->bits; bit++) {",
        "for (bit = 0; bit < (match->bits & 0x78U); bit++) {",
        "op.05",
    ),
    fault(
        "a slotted call is answered in the first slot",
        DISCOVERY,
        "now_us + BP_FIRST_SLOT_US + (uint32_t)bp_slot_of(value, call->slots) * call->slot_us);",
        "now_us + BP_FIRST_SLOT_US);",
        "op.06",
    ),
)
