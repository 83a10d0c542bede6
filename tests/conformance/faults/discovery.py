"""Faults of discovery."""

from __future__ import annotations

from typing import Final

from tests.conformance.faults.row import DISCOVERY, fault

ROWS: Final = (
    # --- discovery
    fault(
        "it forgets to acknowledge by its digest",
        DISCOVERY,
        "if (call->digests[at] == digest) {",
        "if (call->digests[at] == digest && call->slots == 1U) {",
        "op.01",
    ),
    fault(
        "any digest acknowledges it",
        DISCOVERY,
        "if (call->digests[at] == digest) {",
        "if (call->digests[at] == digest || call->digests_count != 0) {",
        "op.01",
    ),
    fault(
        "it answers though acknowledged",
        DISCOVERY,
        "if (!discovery->is_acknowledged) {",
        "if (!discovery->is_acknowledged || discovery->has_epoch) {",
        "op.01",
        "op.04",
    ),
    fault(
        "it answers though suppressed",
        DISCOVERY,
        "bp_enter(presence->discovery, suppress->epoch);\n        presence->discovery->is_acknowledged = 1;",
        "bp_enter(presence->discovery, suppress->epoch);",
        "op.04",
    ),
    fault(
        "a suppress for another suppresses it too",
        DISCOVERY,
        "memcmp(suppress->uid, presence->uid, BP_UID_BYTES)",
        "memcmp(suppress->uid, presence->uid, BP_UID_BYTES - 1U)",
        "op.04",
    ),
    fault(
        "a new epoch does not end the acknowledgement",
        DISCOVERY,
        "discovery->epoch = epoch;\n        discovery->is_acknowledged = 0;",
        "discovery->epoch = epoch;",
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
        "backoff->counting_from_us = now_us + BP_FIRST_SLOT_US;",
        "backoff->counting_from_us = now_us + BP_FIRST_SLOT_US - 40U;",
        "find.first",
    ),
    fault(
        "a busy line does not stop the backoff",
        DISCOVERY,
        "passed = (time_us - backoff->counting_from_us) / backoff->slot_us;",
        "passed = backoff->left;",
        "find.sense",
    ),
    fault(
        "member lists are answered in the slots of calls",
        DISCOVERY,
        "uint32_t slot_ns = is_in_order ? BP_ORDERED_SLOT_NS : BP_MINI_SLOT_NS;",
        "uint32_t slot_ns = BP_MINI_SLOT_NS;",
        "find.position",
    ),
    fault(
        "its place in a member list is off by one",
        DISCOVERY,
        "discovery->member_list_position = (uint8_t)(member_list->first + at - 1);",
        "discovery->member_list_position = (uint8_t)(member_list->first + at);",
        "op.02",
    ),
    fault(
        "not in the member list it keeps silent",
        DISCOVERY,
        "if (discovery->member_list_has_position || discovery->member_list_is_whole) {",
        "if (discovery->member_list_has_position) {",
        "op.02",
    ),
    fault(
        "it missed a part and speaks up all the same",
        DISCOVERY,
        "if (discovery->member_list_has_position || discovery->member_list_is_whole) {",
        "if (discovery->member_list_has_position || discovery->has_member_list) {",
        "find.parts",
    ),
    fault(
        "every part of a member list is answered",
        DISCOVERY,
        "if (discovery->member_list_next < member_list->total) {\n        return;\n    }",
        "",
        "find.parts",
    ),
    fault(
        "unlisted actuators all take the first slot behind the member list",
        DISCOVERY,
        "uint16_t behind = (uint16_t)(presence->hardware->any_bits(presence->hardware->context) % BP_UNLISTED_SLOTS);",
        "uint16_t behind = 0;",
        "op.02",
    ),
    fault(
        "its rank in an address list counts addresses that are not marked",
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
