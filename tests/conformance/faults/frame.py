"""Faults of frames; of whom it answers, and when."""

from __future__ import annotations

from typing import Final

from tests.conformance.faults.row import DEVICE, FRAME, fault

ROWS: Final = (
    # --- frames
    fault(
        "the CRC begins with zero",
        FRAME,
        "uint32_t crc = bp_crc24_end(bp_crc24_add(BP_CRC_START, encoded, length));",
        "uint32_t crc = bp_crc24_end(bp_crc24_add(0, encoded, length));",
        "frame.check",
    ),
    fault(
        "the count of zero bits is not compared",
        FRAME,
        "if (chunk[length + at] != check[at]) {",
        "if (at < 3 && chunk[length + at] != check[at]) {",
        "frame.check",
    ),
    fault(
        "the marking bits of the check are not compared",
        FRAME,
        "if (chunk[length + at] != check[at]) {",
        "if ((chunk[length + at] & 0x7FU) != (check[at] & 0x7FU)) {",
        "frame.check",
    ),
    fault(
        "no check at all",
        FRAME,
        "if (chunk[length + at] != check[at]) {",
        "if (at > BP_TRAILER_BYTES) {",
        "frame.check",
    ),
    fault(
        "more payload than the length says is let through",
        FRAME,
        "if (!(length - at == frame->payload_length)) {",
        "if (!(length - at >= frame->payload_length)) {",
        "frame.length",
    ),
    fault(
        "length off by one: the longest request is too long",
        FRAME,
        "if (length > BP_MAX_CHUNK_BYTES) {",
        "if (length >= BP_MAX_CHUNK_BYTES - BP_TAG_BYTES) {",
        "frame.size",
    ),
    fault(
        "any version is taken",
        FRAME,
        "if (!((body[at] >> 5 & 7) == 1)) {",
        "if (!((body[at] >> 5 & 7) >= 1)) {",
        "frame.version",
    ),
    fault(
        "flags are ignored",
        FRAME,
        "if (!((body[at] >> 0 & 15) == 0)) {",
        "if (!((body[at] >> 0 & 8) == 0)) {",
        "frame.version",
    ),
    fault(
        "empty pieces count as bad frames",
        FRAME,
        "receiver->size = 0;\n    if (size == 0) {",
        "receiver->size = 0;\n    if (size == 0) {\n        receiver->bad++;",
        "frame.resync",
    ),
    fault(
        "a piece that is too long is cut short, and the rest taken for a frame",
        FRAME,
        "if (size <= BP_MAX_CHUNK_BYTES) {",
        "if (size > BP_MAX_CHUNK_BYTES) {\n            receiver->size = 0;\n        } else {",
        "frame.resync",
    ),
    fault(
        "the last run of the zero-byte removal is one too long where the payload is longest",
        FRAME,
        "encoded[run] = (uint8_t)(length + 1 - run);",
        "encoded[run] = (uint8_t)(length + 1 - run + (length >= 72 ? 1U : 0U));",
        "frame.layout",
    ),
    fault(
        "wrong tag: from another epoch",
        DEVICE,
        "device->tag = bp_device_tag(identity.uid);",
        "device->tag = bp_digest_of(bp_uid_hash(identity.uid, 1, 0));",
        "frame.tag",
    ),
    fault(
        "the sequence of the answer is one ahead",
        DEVICE,
        "device->reply_sequence = frame->sequence;",
        "device->reply_sequence = (uint8_t)(frame->sequence + 1U);",
        "frame.sequence",
    ),
    # --- whom it answers, and when
    fault(
        "it answers what goes to all",
        DEVICE,
        "if (answers == 0 || (is_for_all && device->message.kind != BP_KIND_ASSIGN)) {",
        "if (answers == 0) {",
        "does.asked",
    ),
    fault(
        "an answer is taken for a request",
        DEVICE,
        "if (frame->is_reply) {\n        return;\n    }\n    device->requests++;",
        "device->requests++;",
        "does.asked",
    ),
    fault(
        "unknown operations are not refused",
        DEVICE,
        "if (is_for_all || (operation != NULL && operation->is_bare)) {",
        "if (is_for_all || operation == NULL || operation->is_bare) {",
        "does.refuse",
    ),
    fault(
        "the turnaround is too short",
        DEVICE,
        "now_us + device->working.reply_delay + 1U + bp_jitter_us(&device->hardware, BP_START_JITTER_US - 2U);",
        "now_us + device->working.reply_delay - 60U + bp_jitter_us(&device->hardware, BP_START_JITTER_US - 2U);",
        "does.turnaround",
    ),
    fault(
        "the reply delay is ignored",
        DEVICE,
        "now_us + device->working.reply_delay + 1U + bp_jitter_us(&device->hardware, BP_START_JITTER_US - 2U);",
        "now_us + 101U + bp_jitter_us(&device->hardware, BP_START_JITTER_US - 2U);",
        "parameters.reply-delay",
    ),
    fault(
        "the jitter is ten times too wide",
        DEVICE,
        "now_us + device->working.reply_delay + 1U + bp_jitter_us(&device->hardware, BP_START_JITTER_US - 2U);",
        "now_us + device->working.reply_delay + 1U + bp_jitter_us(&device->hardware, 250U);",
        "does.reply",
    ),
    fault(
        "no jitter",
        DEVICE,
        "now_us + device->working.reply_delay + 1U + bp_jitter_us(&device->hardware, BP_START_JITTER_US - 2U);",
        "now_us + device->working.reply_delay + 1U;",
        "find.jitter",
    ),
    fault(
        "a commit is answered before the set is whole",
        DEVICE,
        "device->assigns = 0;\n        reply->kind = BP_KIND_COMMITTED;\n        return 2;",
        "device->assigns = 0;\n        reply->kind = BP_KIND_COMMITTED;\n"
        "        reply->as.committed.generation = (uint16_t)(device->store.generation + 1U);\n        return 1;",
        "does.store",
    ),
)
