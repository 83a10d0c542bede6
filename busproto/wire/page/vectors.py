"""Worked examples and test vectors; every byte and number is computed by the code that runs on the bus."""

from __future__ import annotations

from typing import Any, Final

from busproto.errors import ChecksumError
from busproto.wire import crc, frame, hash, messages
from busproto.wire.codec import decode_chunk, encode_frame, reply_frame, request_frame
from busproto.wire.frame import BROADCAST_ADDRESS, UNADDRESSED, Frame
from busproto.wire.layout import remove_zeros
from busproto.wire.timing import FIRST_SLOT_NS, ORDERED_SLOT_LEAD_NS, ORDERED_SLOT_NS, START_JITTER_NS

UIDS: Final = (bytes.fromhex("b0a7000000000102"), bytes.fromhex("b0a7000000000103"), bytes.fromhex("70a90000c4d21ee5"))
EPOCH: Final = 0x5A17
SALT: Final = 0x3C
SLOTS: Final = 64
LIST_SALT: Final = 0x91
ADDRESSES: Final = (5, 3)
"""Addresses of the first two; the third has none."""


def examples() -> list[tuple[str, Frame]]:
    """The worked examples: what it is, and the frame."""
    uid = UIDS[0]
    tag = hash.device_tag(uid)
    ask = request_frame(messages.Report(), 5, 7)
    status = messages.Status(messages.State.FOLLOWING, 0, 1230, 1230, 60, 7400, 2350, 12, 512, 0, 0)
    call_frame = request_frame(messages.RollCall(EPOCH, SALT, SLOTS, ()), BROADCAST_ADDRESS, 1)
    out_of_range = messages.Refused(messages.Outcome.OUT_OF_RANGE, 20, 10_000)
    write = request_frame(messages.Write(17, (15).to_bytes(2, "little")), 5, 9)
    round_ = request_frame(messages.ReportRound(3, 3, ()), BROADCAST_ADDRESS, 3)
    brief = messages.BriefStatus(messages.State.FOLLOWING, -450, 3)
    return [
        ("The host asks the actuator at address 5 for a report", ask),
        ("Its reply: following, at 12.30 deg, 7.4 V", reply_frame(status, ask, 5, tag)),
        (f"A roll call with {SLOTS} slots, without digests", call_frame),
        (
            f"An actuator without an address answers it with its uid {uid.hex()}",
            reply_frame(messages.Present(uid), call_frame, UNADDRESSED, tag),
        ),
        ("The host sets parameter 17 (loss-time-out) of address 5 to 15 ms", write),
        ("The refusal: outside 20..10000", reply_frame(out_of_range, write, 5, tag)),
        (
            "Demand: channel 1 to +25 %, channel 2 none, channel 3 to -100 %",
            request_frame(messages.DemandAll((2500, messages.NO_DEMAND, -10_000)), BROADCAST_ADDRESS, 2),
        ),
        (
            f"A list (member list) of two, in one part: {UIDS[0].hex()}, then {UIDS[1].hex()}",
            request_frame(member_list(), BROADCAST_ADDRESS, 4),
        ),
        (
            f"An address list that digests {ADDRESSES[1]} and {ADDRESSES[0]}",
            request_frame(address_list(), BROADCAST_ADDRESS, 5),
        ),
        ("A report round over the addresses 3 to 5, without demands", round_),
        (
            "The answer of address 5: following, at -4.50 deg, 60 mA",
            reply_frame(brief, round_, 5, tag),
        ),
    ]


def member_list() -> messages.MemberList:
    """The list of the example."""
    digests = tuple(hash.digest_of(hash.uid_hash(uid, EPOCH, LIST_SALT)) for uid in UIDS[:2])
    return messages.MemberList(EPOCH, LIST_SALT, 0, 2, digests)


def address_list() -> messages.AddressList:
    """The address list of the example."""
    marked = sum(1 << at - 1 for at in ADDRESSES)
    return messages.AddressList(EPOCH, LIST_SALT, marked.to_bytes(messages.ADDRESS_MAP_BYTES, "little"))


def example(title: str, one: Frame) -> dict[str, Any]:
    """An example with all its stages. Raises ChecksumError: the codec does not read what it wrote."""
    wire = encode_frame(one)
    encoded = wire[1 : -1 - crc.TRAILER_BYTES]
    if decode_chunk(wire[1:-1]) != one or crc.trailer(encoded) != wire[-1 - crc.TRAILER_BYTES : -1]:
        raise ChecksumError(crc.trailer(encoded), wire[-1 - crc.TRAILER_BYTES : -1])
    header = frame.HEADER_BYTES + (frame.TAG_BYTES if one.is_reply else 0)
    control = frame.FRAME_VERSION << 5 | one.is_reply << 4
    body = bytes([control, len(one.payload), one.destination, one.source, one.sequence, one.operation])
    if one.tag is not None:
        body += one.tag.to_bytes(frame.TAG_BYTES, "little")
    body += one.payload
    assert remove_zeros(body) == encoded
    return {
        "title": title,
        "body": body.hex(),
        "header": body[:header].hex(),
        "payload": one.payload.hex(),
        "encoded": encoded.hex(),
        "crc24": f"{crc.crc24(encoded):06x}",
        "zero_bits": 8 * len(encoded) - int.from_bytes(encoded, "little").bit_count(),
        "check": wire[-1 - crc.TRAILER_BYTES : -1].hex(),
        "wire": wire.hex(),
    }


def hash_vectors() -> list[dict[str, Any]]:
    """What comes from the hash of each uid, for a few salts and epochs."""
    rows = []
    for uid in UIDS:
        for epoch, salt in ((0, 0), (EPOCH, SALT), (EPOCH, LIST_SALT)):
            value = hash.uid_hash(uid, epoch, salt)
            rows.append(
                {
                    "uid": uid.hex(),
                    "epoch": epoch,
                    "salt": salt,
                    "hash": value,
                    "slot": hash.slot_of(value, SLOTS),
                    "digest": hash.digest_of(value),
                    "list_byte": hash.list_answer(value),
                    "unlisted_byte": hash.unlisted_answer(value),
                }
            )
    return rows


def order_vectors() -> list[dict[str, Any]]:
    """Who answers the examples' list, address list and report round, in which slots, when, and with which byte.

    Times are from the last stop bit of the request, on a line that stays idle until then, by an exact clock: earliest
    and latest first start bit, ns.
    """
    rows = []
    for name, positions in (("list", (0, 1, None)), ("address list", (1, 0, None)), ("report round", (2, 0, None))):
        for uid, position in zip(UIDS, positions, strict=True):
            if name == "report round" and position is None:
                continue
            value = hash.uid_hash(uid, EPOCH, LIST_SALT)
            total = len(ADDRESSES)
            slots = [position] if position is not None else [total, total + 1, total + 2, total + 3]
            answer = hash.unlisted_answer(value) if position is None else hash.list_answer(value)
            rows.append(
                {
                    "request": name,
                    "uid": uid.hex(),
                    "slots": slots,
                    "byte": None if name == "report round" else answer,
                    "earliest_ns": FIRST_SLOT_NS + slots[0] * ORDERED_SLOT_NS + ORDERED_SLOT_LEAD_NS,
                    "latest_ns": FIRST_SLOT_NS + slots[-1] * ORDERED_SLOT_NS + ORDERED_SLOT_LEAD_NS + START_JITTER_NS,
                }
            )
    return rows


def crc_model() -> dict[str, Any]:
    """The CRC by the usual model; the check value is computed here."""
    model = crc.CRC_MODEL
    return {
        "width": model.width_bits,
        "poly": model.polynomial & (1 << model.width_bits) - 1,
        "init": model.start,
        "refin": model.is_reflected,
        "refout": model.is_reflected,
        "xorout": model.final,
        "check": crc.crc24(b"123456789"),
    }
