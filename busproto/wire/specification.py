"""The format page, made from the definitions that the codec runs on. Nothing in it is typed twice.

`specification` gives it as data, `markdown` as a page; the examples are bytes that the codec made.
"""

from __future__ import annotations

import inspect
from collections.abc import Sequence
from typing import Any, Final

from construct import Bytes, FormatField, GreedyBytes, GreedyRange

from busproto.errors import ChecksumError
from busproto.wire import crc, frame, hash, messages, timing
from busproto.wire.codec import decode_chunk, encode_frame, reply_frame, request_frame
from busproto.wire.frame import Frame
from busproto.wire.layout import Coded, Counted, Label, Limits, remove_zeros
from busproto.wire.message import BARE_REPLIES, OPERATIONS, Message, Operation, fields_of
from busproto.wire.parameters import PARAMETERS, Parameter

_ADDRESS_ROWS: Final = (
    (f"{frame.HOST_ADDRESS:02X}", "the host"),
    (f"{frame.MIN_ADDRESS:02X}..{frame.MAX_ADDRESS:02X}", "one actuator"),
    (f"{frame.UNADDRESSED:02X}", "actuators that have no address yet"),
    (f"{frame.UNADDRESSED + 1:02X}..{frame.BROADCAST_ADDRESS - 1:02X}", "reserved: a receiver drops the frame"),
    (f"{frame.BROADCAST_ADDRESS:02X}", "all actuators; never a source"),
)
_BODY_TEXTS: Final = {
    "control": "bits 7..5 version, bit 4 reply, bits 3..0 flags (0). Another version or any flag: drop",
    "payload_length": "bytes of payload; must equal what is there",
    "destination": "whom it is for",
    "source": "who sends",
    "sequence": "chosen by the host, echoed; a reply with another one is dropped",
    "operation": "see below; echoed in the reply",
    "tag": "replies only: 16 bits from the hash of the uid with epoch 0 and salt 0 (its mark), so that two "
    "actuators never send the same reply",
    "payload": "see the operation",
}


def _kind(subcon: Any) -> str:
    """How a field stands in the payload, in words."""
    if isinstance(subcon, Limits | Coded):
        return _kind(subcon.subcon)
    if isinstance(subcon, Counted):
        inner = _kind(subcon.subcon).removesuffix(" to the end")
        return f"{inner}, {subcon.low}..{subcon.high} of them"
    if isinstance(subcon, Label):
        return f"text of {subcon.size} bytes, filled up with zeros"
    if isinstance(subcon, GreedyRange):
        return f"list of {_kind(subcon.subcon)}"
    if subcon is GreedyBytes:
        return "bytes to the end"
    if isinstance(subcon, Bytes):
        return f"{subcon.length} bytes"
    assert isinstance(subcon, FormatField)
    sign = "i" if str(subcon.fmtstr)[-1].islower() else "u"
    return f"{sign}{8 * subcon.length}"


def _range(subcon: Any) -> str:
    """What values a field may have, in words; "" where all that fit."""
    if isinstance(subcon, Limits):
        return f"{subcon.low}..{subcon.high}" + (f" or {subcon.also}" if subcon.also is not None else "")
    if isinstance(subcon, Coded):
        inner = subcon.subcon
        members = [one for one in subcon.members if not isinstance(inner, Limits) or inner.low <= one <= inner.high]
        return ", ".join(f"{int(one)} {_words(one.name)}" for one in members)
    if isinstance(subcon, Counted | GreedyRange):
        return _range(subcon.subcon)
    return ""


def _words(name: str) -> str:
    return name.lower().replace("_", " ")


def _text(thing: Any) -> str:
    return " ".join((inspect.getdoc(thing) or "").split())


def _message(message: type[Message]) -> dict[str, Any]:
    return {
        "text": _text(message),
        "fields": [
            {
                "name": field.name,
                "kind": _kind(field.subcon),
                "range": _range(field.subcon),
                "unit": field.unit,
                "meaning": field.doc,
            }
            for field in fields_of(message)
        ],
    }


def _operation(operation: Operation) -> dict[str, Any]:
    return {
        "number": operation.number,
        "name": operation.name,
        "to": operation.audience,
        "request": _message(operation.request),
        "reply": _message(operation.reply) if operation.reply else None,
        "reply_begins_with_outcome": operation.reply is not None and operation.number not in BARE_REPLIES,
    }


def _parameter(row: Parameter) -> dict[str, Any]:
    default = row.default
    return {
        "number": row.number,
        "name": row.name,
        "kind": f"table of up to {row.points} {_kind(row.subcon)}" if row.points else _kind(row.subcon),
        "unit": row.unit,
        "counts_per_unit": row.counts_per_unit,
        "low": row.value(row.low) if not row.choices else row.low,
        "high": row.value(row.high) if not row.choices else row.high,
        "default": row.value(default),
        "choices": dict(row.choices),
        "meaning": row.doc,
    }


def examples() -> list[tuple[str, Frame]]:
    """The worked examples: what it is, and the frame."""
    uid = bytes.fromhex("b0a7000000000102")
    tag = hash.device_tag(uid)
    ask = request_frame(messages.Report(), 5, 7)
    status = messages.Status(messages.State.FOLLOWING, 0, 1230, 1230, 60, 7400, 2350, 12, 512, 0, 0)
    call = messages.RollCall(0x5A17, 0x3C, 64, ())
    call_frame = request_frame(call, frame.BROADCAST_ADDRESS, 1)
    out_of_range = messages.Refused(messages.Outcome.OUT_OF_RANGE, 20, 10_000)
    write = request_frame(messages.Write(17, (15).to_bytes(2, "little")), 5, 9)
    return [
        ("The host asks the actuator at address 5 for a report", ask),
        ("Its answer: following, at 12.30 deg, 7.4 V", reply_frame(status, ask, 5, tag)),
        ("A roll call with 64 slots, nobody to enrol", call_frame),
        (
            f"An actuator without an address answers it with its uid {uid.hex()}",
            reply_frame(messages.Present(uid), call_frame, frame.UNADDRESSED, tag),
        ),
        ("The host sets parameter 17 (loss-time-out) of address 5 to 15 ms", write),
        ("The refusal: outside 20..10000", reply_frame(out_of_range, write, 5, tag)),
        (
            "Demand: channel 1 to +25 %, channel 2 nothing, channel 3 to -100 %",
            request_frame(messages.DemandAll((2500, messages.NO_DEMAND, -10_000)), frame.BROADCAST_ADDRESS, 2),
        ),
    ]


def _example(title: str, example: Frame) -> dict[str, Any]:
    wire = encode_frame(example)
    encoded = wire[1 : -1 - crc.TRAILER_BYTES]
    if decode_chunk(wire[1:-1]) != example or crc.trailer(encoded) != wire[-1 - crc.TRAILER_BYTES : -1]:
        raise ChecksumError(crc.trailer(encoded), wire[-1 - crc.TRAILER_BYTES : -1])
    header = frame.HEADER_BYTES + (frame.TAG_BYTES if example.is_reply else 0)
    control = frame.FRAME_VERSION << 5 | example.is_reply << 4
    head = bytes([control, len(example.payload), example.destination, example.source])
    body = head + bytes([example.sequence, example.operation])
    if example.tag is not None:
        body += example.tag.to_bytes(frame.TAG_BYTES, "little")
    body += example.payload
    assert remove_zeros(body) == encoded
    return {
        "title": title,
        "body": body.hex(),
        "header": body[:header].hex(),
        "payload": example.payload.hex(),
        "encoded": encoded.hex(),
        "crc24": f"{crc.crc24(encoded):06x}",
        "zero_bits": 8 * len(encoded) - int.from_bytes(encoded, "little").bit_count(),
        "check": wire[-1 - crc.TRAILER_BYTES : -1].hex(),
        "wire": wire.hex(),
    }


def specification() -> dict[str, Any]:
    """The whole format as data; the keys are stable within a frame version."""
    return {
        "frame_version": frame.FRAME_VERSION,
        "frame": {
            "min_wire_bytes": frame.MIN_WIRE_BYTES,
            "max_wire_bytes": frame.MAX_WIRE_BYTES,
            "max_payload_bytes": frame.MAX_PAYLOAD_BYTES,
            "crc_polynomial": f"{crc.CRC_POLYNOMIAL:x}",
            "crc_check": f"{crc.CRC_CHECK:06x}",
            "body": [{"name": name, "kind": kind, "meaning": _BODY_TEXTS[name]} for name, kind in _body_fields()],
            "addresses": [{"address": address, "meaning": meaning} for address, meaning in _ADDRESS_ROWS],
        },
        "timing_ns": {name.removesuffix("_NS").lower(): value for name, value in _timing_rows()},
        "operations": [_operation(operation) for _, operation in sorted(OPERATIONS.items())],
        "refusal": _message(messages.Refused),
        "outcomes": [
            {"code": int(code), "name": _words(code.name), "meaning": text}
            for code, text in messages.OUTCOME_TEXTS.items()
        ],
        "states": [
            {"code": int(code), "name": _words(code.name), "meaning": text}
            for code, text in messages.STATE_TEXTS.items()
        ],
        "faults": [
            {"bit": int(bit), "name": _words(bit.name or ""), "meaning": text}
            for bit, text in messages.FAULT_TEXTS.items()
        ],
        "parameters": [_parameter(row) for row in PARAMETERS.values()],
        "examples": [_example(title, example) for title, example in examples()],
    }


def _body_fields() -> list[tuple[str, str]]:
    kinds = {"control": "u8", "tag": "u16", "payload": f"0..{frame.MAX_PAYLOAD_BYTES} bytes"}
    members: Any = frame.BODY
    return [(str(one.name), kinds.get(str(one.name), "u8")) for one in members.subcons if one.name]


def _timing_rows() -> list[tuple[str, int]]:
    return [(name, value) for name, value in vars(timing).items() if name.endswith("_NS")]


def _table(head: tuple[str, ...], rows: Sequence[tuple[str, ...]]) -> list[str]:
    lines = ["| " + " | ".join(head) + " |", "|" + " --- |" * len(head)]
    lines += ["| " + " | ".join(cell.replace("|", "\\|") for cell in row) + " |" for row in rows]
    return [*lines, ""]


def _field_table(message: dict[str, Any]) -> list[str]:
    if not message["fields"]:
        return ["No payload.", ""]
    rows = [
        (
            f"`{field['name']}`",
            field["kind"],
            field["range"],
            field["unit"],
            field["meaning"],
        )
        for field in message["fields"]
    ]
    return _table(("field", "as", "range", "unit", "meaning"), rows)


def markdown() -> str:
    """The format page."""
    spec = specification()
    lines = [
        f"# The bus format, frame version {spec['frame_version']}",
        "",
        "Printed by `busproto spec` from the definitions that the code runs on; `busproto spec --json` gives the same",
        "as data. Numbers are little endian; a byte goes out low bit first, 8N1, idle high. Nothing depends on idle",
        "gaps, breaks or a ninth bit.",
        "",
        "## Frame",
        "",
        "`00 | E | T | 00`: E is the body with its zero bytes removed (COBS, one byte longer than the body), T the",
        f"check. {spec['frame']['min_wire_bytes']} to {spec['frame']['max_wire_bytes']} bytes in all.",
        "",
    ]
    lines += _table(
        ("body", "as", "meaning"),
        [(f"`{row['name']}`", row["kind"], row["meaning"]) for row in spec["frame"]["body"]],
    )
    lines += [
        f"Check: v = crc24(E as sent) + (number of zero bits in E << {crc.CRC_WIDTH_BITS}), in"
        f" {crc.TRAILER_BYTES} bytes of {crc.TRAILER_GROUP_BITS} bits, low group first, each with bit 7 set. The CRC:"
        f" polynomial {spec['frame']['crc_polynomial']} (hex), reflected, start value and final exclusive or FFFFFF;"
        f' over the ASCII text "123456789" it is {spec["frame"]["crc_check"]}.',
        "A receiver splits the stream at zero bytes, ignores empty pieces and drops every piece that does not fit.",
        "A payload never carries a raw frame.",
        "",
    ]
    lines += _table(("address", "who"), [(row["address"], row["meaning"]) for row in spec["frame"]["addresses"]])
    lines += ["## Times", ""]
    lines += _table(("what", "us"), [(_words(name), f"{value / 1000:g}") for name, value in spec["timing_ns"].items()])
    lines += [_DISCOVERY_PAGE, _BEHAVIOUR_PAGE, "## Operations", ""]
    for row in spec["operations"]:
        lines += [
            f"### {row['number']:02X} {row['name']} (to {row['to']})",
            "",
            row["request"]["text"],
            "",
            *_field_table(row["request"]),
        ]
        if row["reply"]:
            begins = " Behind an outcome byte of 0:" if row["reply_begins_with_outcome"] else ""
            lines += [f"Reply. {row['reply']['text']}{begins if row['reply']['fields'] else ''}", ""]
            lines += _field_table(row["reply"]) if row["reply"]["fields"] else ["Only the outcome byte, 0.", ""]
        else:
            lines += ["No reply frame.", ""]
    lines += ["### Refusal", "", spec["refusal"]["text"], "", *_field_table(spec["refusal"])]
    for title, key, first in (
        ("Outcomes", "outcomes", "code"),
        ("States", "states", "code"),
        ("Faults", "faults", "bit"),
    ):
        lines += [f"## {title}", ""]
        lines += _table(
            (first, "name", "meaning"), [(str(row[first]), row["name"], row["meaning"]) for row in spec[key]]
        )
    lines += ["## Parameters", "", "Raw value = value in the unit x counts per unit, a whole number.", ""]
    lines += _table(
        ("no.", "name", "as", "unit", "counts per unit", "range", "default", "meaning"),
        [
            (
                str(row.number),
                f"`{row.name}`",
                _parameter(row)["kind"],
                row.unit,
                str(row.counts_per_unit),
                row.range_text().removesuffix(f" {row.unit}"),
                row.text(row.default).removesuffix(f" {row.unit}"),
                row.doc,
            )
            for row in PARAMETERS.values()
        ],
    )
    lines += ["## Examples", ""]
    for row in spec["examples"]:
        lines += [f"{row['title']}:", "", "```"]
        lines += [f"{name:<8} {_spaced(row[name])}" for name in ("body", "encoded", "check", "wire")]
        lines += [f"(header {_spaced(row['header'])}; crc24 {row['crc24']}, {row['zero_bits']} zero bits)", "```", ""]
    return "\n".join(lines).rstrip() + "\n"


def _spaced(text: str) -> str:
    return " ".join(text[at : at + 2] for at in range(0, len(text), 2))


_DISCOVERY_PAGE: Final = """\
## Discovery

Hash H(uid, salt, epoch), 32 bits, all sums modulo 2^32: h = 0; for each of the bytes uid (8 bytes in wire order),
salt, epoch low, epoch high: h += byte; h += h << 10; h ^= h >> 6. At the end h += h << 3; h ^= h >> 11;
h += h << 15. The *slot* of M is ((h & FFFFh) x M) >> 16, the *mark* h >> 16, the answer to a book 80h + (h &
7Fh), that of one who is not in it h & 7Fh, or 1 where that is 0.

*Countdown.* The first slot begins `first slot` after the last stop bit of the query. An actuator's counter
falls by one after each `mini slot` of unbroken idle line; a start bit stops it at once, and counting goes on
when the line is idle again, with at least one whole mini-slot. At zero it waits `start lead`, and up to
`start jitter` more, senses once more and sends; where it finds the line busy it stays at zero. The lead makes
clocks that differ by up to 2 % agree on how many slots have passed. So an empty slot costs a mini-slot, and a
taken one only the answer itself. Where answers come in order (books, report round) a slot is a `place` with a
`place lead`: wider, as two clocks drift up to 10 us apart in the time to the first one, and order would be lost.

*Books in parts.* One that missed a part and found its mark in no other says nothing in this pass: it cannot
know. (If it spoke up, a line of 128 at a byte error of 1e-3 would never fall silent.) So one that is missing
from the list stays unnoticed in a pass if it missed any part of it; the figure below counts all parts.

*What the host may conclude.* A window that leaves no byte which cannot be read ends the search. Then the
book: a place is confirmed in a pass when every way of fitting the bytes that came back to the places, in
order, agrees on it; a pass is quiet when every byte is the answer of some place, and at least half the places
are confirmed (where the book itself was lost, silence proves nothing). The list is proven when every place
was confirmed in two passes and two passes were quiet, each with a fresh salt, and a short roll call to all who
are not enrolled, said twice in one breath behind the first quiet book, brought nobody new (a book is long and
easily missed). What is left of 55 ms is spent on listening for what comes late, up to 30 ms, and on more calls.

*Doubts and misses.* A doubt is whatever came that no listed actuator accounts for: a byte between two requests;
bytes of a window that are more than those had to say which were found later, had to answer in it too and had
slots near each other; a byte behind a book that is more than its places had to say, or such as one says that is
not in it. A miss is a listed actuator that had to answer and was not heard, in a window, of a call that
enrolled it, or of a book: it heard nothing, or was not heard, which is the same to the host. With either, or
with an echo that was broken, the proof becomes a long one: a call said several times and a book, in turn, each
after a pause of up to 80 ms drawn by chance. 16 quiet passes are wanted then, over 300 ms at least; each
actuator has been confirmed twice since the last doubt, and once in the last four passes. Never proven: a list
with a doubt, whatever number of quiet passes comes behind it (six are made, so that the list is as good as it
can be); an empty list; one in which an actuator answers fewer than three of five books, as is certain to 99 %;
one while a uid was said with a good check and does not answer as it should, was said when it was not asked for,
from two addresses, or twice. A uid with another's tag counts as not read. The search ends after 20 s at the
latest.

*The figure.* One that is missing stays unnoticed only if it missed every quiet book, or its mark fitted a
listed one by chance (1/65536 for each place), and it missed every saying of the calls, or believed by chance to
be enrolled (1/65536). How often it misses is taken from the listed ones: the upper bound at 95 % by Clopper and
Pearson of the share of requests that all together missed, and of each that missed any by itself; the worst of
these counts, and never less than a byte error of 1e-3 gives. So few actuators, which have shown little, must be
asked more often. Passes are added until the product is at most 1e-4, or what was asked for. It is a figure for
actuators that hear, and are heard, no worse than the worst of those listed may.

*What no host can know.* Deaf, mute or unpowered actuators are invisible to every scheme: compare with the plan.
So is one that heard none of the requests of a search, or said nothing in it: what the host hears is the same as
without it. One that hears one request in three is found, or leaves a doubt, once it has heard one; the chance
that it misses a search of 16 without trouble is (2/3)^6, about 9 %, with nothing to show for it. So a host that
has the time goes on: calls in turn with listening, for 250 ms, at moments drawn by chance; at 115 200 Bd that
chance is then below 1e-4, and what is late by up to 30 ms shows too. Two with one
uid draw the same slot and send the same bytes; only their start jitter can give them away (a uid that comes
twice in a window, an answer that comes twice in a pass). Where it does, the result is never 'proven'.

*Addresses.* The address book is the same proof keyed by address: an actuator whose address is marked answers
at its rank with a byte made from its uid; two at one address, or one without, leave a byte that does not fit.
Doubts, misses and the figure are as above; without any, three quiet passes are wanted. An empty map is never proven.
"""
"""How discovery works and what it proves, for the format page."""

_BEHAVIOUR_PAGE: Final = """\
## What an actuator does

- It speaks only when asked: a request to its address, an assign that names its uid, a roll call, a book. It
  keeps `min turnaround` off the line; its reply begins its `reply-delay` after the last stop bit of the
  request, and up to `start jitter` later, or that much after it has written stored memory, which may take
  `store`. A reply that still waits gives way to that of a later request.
- Its times (turnaround, reply delay, slots, time-out, soft start, slew limit, show yourself, ages) go by its own
  clock, which is off by up to 1 %: so much shorter or longer is right.
- A frame that does not fit the format is dropped in silence. A good frame with a request that it does not
  know or that is not as it belongs is refused, if it was sent to its address alone. While stored memory is
  being written, commit and an assign that names its uid are refused. A refusal changes nothing.
- Limp after power-up, and always while it has no address of its own. Motion comes only from a demand, from
  engage (which holds the arm where it is) or, while engaged, from show yourself.
- It follows its channel only from a demand-all with a good check. The first demand, and each first one after
  a loss, engages it: a soft start from where the arm is. A soft start that is over is not begun anew when
  `soft-start` becomes longer.
- Demand d (-1..+1) drives the arm to neutral + direction x d x travel / 2 + correction(d), within the ends
  and the mechanical stops, with the slew limit. The correction is linear between points spread evenly over d
  = -1..+1. Between two neighbours it changes by at most their distance on the travel, `travel` / (points - 1): so
  the angle never turns back while the demand rises, in either direction. A write of `correction` or `travel` that
  breaks this is out of range; the least told for `travel` is then what the table in working memory needs.
- Without a valid demand for `loss-time-out` it does its loss action: limp, hold (stay driven to the last
  demand) or preset (drive there). The next valid demand engages it again.
- Release makes it limp whatever is demanded, until engage or a restart.
- Hotter than `over-temperature` it goes limp by itself, by a look at least every 250 ms. While it is that hot, a
  demand or engage to it alone is refused, and a demand-all engages nobody who is limp. Limp from heat it heeds
  no demand-all once it is cool either: a report, a demand or engage to it alone ends that.
- Write changes working memory only, and acts at once. Commit copies working to stored memory, undo copies
  stored or factory to working. Stored memory has two copies, each with a check; a write goes to the one not
  in use, its check last. Where neither copy is whole at power-up: factory settings, no address, fault bit
  settings lost.
- Assign writes the address to stored memory with the settings stored there, then uses it; the arm goes limp.
"""
"""What an actuator does, for the format page."""
