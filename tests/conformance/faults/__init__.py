"""The seeded faults: what is wrong, in which file, which text is replaced by which, which clauses have to show it.

A fault's number is its place in `ROWS`: new ones go to the end of the last table.
"""

from __future__ import annotations

from typing import Final

from tests.conformance.faults import discovery, effects, frame, heat, motion, rules, settings
from tests.conformance.faults.row import DEVICE

ROWS: Final = (*frame.ROWS, *discovery.ROWS, *settings.ROWS, *motion.ROWS, *heat.ROWS, *rules.ROWS, *effects.ROWS)

EXTRA: Final = {
    "a restart keeps the working settings": (
        DEVICE,
        "bp_identity identity = device->identity;",
        "bp_identity identity = device->identity;\n"
        "    bp_settings kept = device->working;\n"
        "    int keeps = device->restarts_when_sent == 1 || device->message.kind == BP_KIND_RESTART;",
    ),
    "the answer to a round tells the position of the request": (
        DEVICE,
        "bp_discovery_round(&presence, round, frame->sequence, now_us);",
        "device->reply.as.brief_status.position_cdeg = bp_motion_position_cdeg(&drive);\n"
        "        bp_discovery_round(&presence, round, frame->sequence, now_us);",
    ),
}
"""What a fault needs at a second place."""
