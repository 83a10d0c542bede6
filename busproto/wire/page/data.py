"""The whole format as data. Nothing in it is typed twice."""

from __future__ import annotations

import dataclasses
from typing import Any, Final

from busproto.wire import crc, frame, messages, timing
from busproto.wire.codes import State
from busproto.wire.message import OPERATIONS
from busproto.wire.page import vectors
from busproto.wire.page.actuator_rules import (
    CODE_RULES,
    MEMORY_SECTION,
    MOTION_SECTION,
    PARAMETER_RULES,
    PROMISES,
    REQUEST_SECTION,
)
from busproto.wire.page.discovery_rules import HASH_SECTION, TEACHING_SECTION
from busproto.wire.page.fields import message_data, operation_data, parameter_data, words
from busproto.wire.page.host_rules import HOST_SECTION, PROOF
from busproto.wire.page.line_rules import FRAME_SECTION, LINE_SECTION
from busproto.wire.page.refusals import ROWS
from busproto.wire.page.rules import PARTS, Rule, Section
from busproto.wire.page.transitions import EVENTS
from busproto.wire.parameters import PARAMETERS

ADDRESSES: Final = (
    (f"0x{frame.HOST_ADDRESS:02X}", "the host"),
    (f"0x{frame.MIN_ADDRESS:02X}..0x{frame.MAX_ADDRESS:02X}", "one actuator"),
    (f"0x{frame.UNADDRESSED:02X}", "every actuator that has no address of its own"),
    (f"0x{frame.UNADDRESSED + 1:02X}..0x{frame.BROADCAST_ADDRESS - 1:02X}", "reserved"),
    (f"0x{frame.BROADCAST_ADDRESS:02X}", "all actuators; never a source"),
)
BODY_TEXTS: Final = {
    "control": "version, reply bit, flags (frame.version)",
    "payload_length": "bytes of payload",
    "destination": "address of the receiver",
    "source": "address of the sender",
    "sequence": "chosen by the host, repeated in the reply",
    "operation": "see Operations; repeated in the reply",
    "tag": "replies only (frame.tag)",
    "payload": "see the operation",
}
SECTIONS: Final = (
    LINE_SECTION,
    FRAME_SECTION,
    REQUEST_SECTION,
    HASH_SECTION,
    HOST_SECTION,
    MEMORY_SECTION,
    MOTION_SECTION,
    TEACHING_SECTION,
    *(Section(heading, (rule,)) for heading, rule in CODE_RULES.items() if heading != "Parameters"),
    Section("Parameters", (CODE_RULES["Parameters"], *PARAMETER_RULES)),
)
"""Every section that holds rules, in the order of the page."""


def numbered() -> list[tuple[str, str, Rule]]:
    """Every rule with its number, such as "4.2", and the heading that it stands under."""
    return [
        (f"{at}.{number}", section.heading, rule)
        for at, section in enumerate(SECTIONS, 1)
        for number, rule in enumerate(section.rules, 1)
    ]


def body_fields() -> list[tuple[str, str]]:
    """Name and kind of each field of the body."""
    kinds = {"control": "u8", "tag": "u16", "payload": f"0..{frame.MAX_PAYLOAD_BYTES} bytes"}
    members: Any = frame.BODY
    return [(str(one.name), kinds.get(str(one.name), "u8")) for one in members.subcons if one.name]


def specification() -> dict[str, Any]:
    """The whole format as data; the keys are stable within a frame version, others may come."""
    return {
        "frame_version": frame.FRAME_VERSION,
        "parts": PARTS,
        "clauses": [
            {"number": number, "heading": heading, **dataclasses.asdict(rule)} for number, heading, rule in numbered()
        ],
        "frame": {
            "min_wire_bytes": frame.MIN_WIRE_BYTES,
            "max_wire_bytes": frame.MAX_WIRE_BYTES,
            "max_payload_bytes": frame.MAX_PAYLOAD_BYTES,
            "crc_polynomial": f"{crc.CRC_POLYNOMIAL:x}",
            "crc_check": f"{crc.CRC_CHECK:06x}",
            "crc": vectors.crc_model(),
            "body": [{"name": name, "kind": kind, "meaning": BODY_TEXTS[name]} for name, kind in body_fields()],
            "addresses": [{"address": address, "meaning": meaning} for address, meaning in ADDRESSES],
        },
        "timing_ns": {
            name.removesuffix("_NS").lower(): value for name, value in vars(timing).items() if name.endswith("_NS")
        },
        "times": [dataclasses.asdict(one) for one in timing.TIMES],
        "clock_tolerance_ppm": timing.CLOCK_TOLERANCE_PPM,
        "operations": [operation_data(operation) for _, operation in sorted(OPERATIONS.items())],
        "refusal": message_data(messages.Refused),
        "refusals": [
            {"operations": list(row.operations), "condition": row.condition, "code": int(row.code)} for row in ROWS
        ],
        "outcomes": [
            {"code": int(code), "name": words(code.name), "meaning": text}
            for code, text in messages.OUTCOME_TEXTS.items()
        ],
        "states": [
            {"code": int(code), "name": words(code.name), "meaning": text}
            for code, text in messages.STATE_TEXTS.items()
        ],
        "state_changes": [
            {
                "event": event.text,
                "to": {str(int(state)): int(event.after(state)) for state in State},
                "refused": {str(int(state)): int(code) for state, code in event.refused.items()},
            }
            for event in EVENTS
        ],
        "faults": [
            {"bit": int(bit), "name": words(bit.name or ""), "meaning": text}
            for bit, text in messages.FAULT_TEXTS.items()
        ],
        "parameters": [parameter_data(row) for row in PARAMETERS.values()],
        "informative": dict(PROMISES),
        "proof": dataclasses.asdict(PROOF),
        "hash_vectors": vectors.hash_vectors(),
        "order_vectors": vectors.order_vectors(),
        "examples": [vectors.example(title, one) for title, one in vectors.examples()],
    }
