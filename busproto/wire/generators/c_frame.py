"""The C of the frame: constants, body, zero-byte removal, check, the receiver, the hash of discovery.

Numbers and the order of the body's members come from the definitions. The algorithms (COBS, CRC, hash) are written in C
by hand; tests compare them with the Python code.
"""

from __future__ import annotations

from collections.abc import Iterator
from typing import Any, Final

from busproto.wire import crc, frame, hash, messages, timing
from busproto.wire.definition import layout
from busproto.wire.definition.generate import describe
from busproto.wire.generators.c_text import (
    c_type,
    comment,
    constants_of,
    define,
    getter,
    good,
    putter,
    refuse_unless,
    size_of,
)
from busproto.wire.generators.template import filled

_RENAME: Final = {"control_reply": "is_reply"}
_INTEGERS: Final = "BbHhLl"


def constants() -> Iterator[str]:
    """Sizes, addresses, limits and times as C constants."""
    yield from comment("Sizes, addresses and limits of the format.")
    known: dict[str, int] = {}
    for module in (frame, crc, messages, hash):
        known.update(constants_of(module))
    known["DELIMITER"] = layout.DELIMITER
    for name, value in known.items():
        yield define(name, value)
    yield f"#define BP_MAX_ENCODED_BYTES {frame.MAX_BODY_BYTES + 1}U"
    yield ""
    yield from comment("Times that host and actuators must agree on, in nanoseconds; in microseconds where whole.")
    for name, value in vars(timing).items():
        if name.endswith("_NS"):
            yield define(name, value)
            if value % 1000 == 0:
                yield define(name.removesuffix("_NS") + "_US", value // 1000)
    for name, value in constants_of(timing):
        yield define(name, value)
    yield ""


def declarations() -> Iterator[str]:
    """Types and functions of frame, receiver and hash."""
    fields = [f"    {kind} {name};" for item in describe(frame.BODY) for name, kind in _body_fields(item)]
    accessors = []
    for letter in _INTEGERS:
        accessors.append(f"{c_type(letter)} {getter(letter)}(const uint8_t *from);")
        accessors.append(f"void {putter(letter)}(uint8_t *to, {c_type(letter)} value);")
    yield filled("bp_frame.h.in", {"body": fields, "accessors": accessors})


def _body_fields(item: Any) -> list[tuple[str, str]]:
    if item.bits:
        return [(_RENAME.get(bit.name, bit.name), "uint8_t") for bit in item.bits if bit.constant is None]
    if item.kind == "counted bytes":
        return [(f"{item.name}[BP_MAX_PAYLOAD_BYTES]", "uint8_t")]
    return [(item.name, c_type(item.format))]


# --- functions -------------------------------------------------------------------------------------------------


def functions() -> Iterator[str]:
    """All of frame, receiver and hash."""
    parts = {
        "numbers": _numbers(),
        "crc table": _crc_table(),
        "groups": _groups(),
        "pack body": _pack_body(),
        "unpack body": _unpack_body(),
    }
    yield filled("bp_frame.c.in", parts)


def _numbers() -> Iterator[str]:
    for letter in _INTEGERS:
        kind, size = c_type(letter), size_of(letter)
        unsigned, bits = c_type(letter.upper()), 8 * size
        yield f"{kind} {getter(letter)}(const uint8_t *from)"
        yield "{"
        wide = "uint32_t" if size > 1 else "uint8_t"
        joined = " | ".join(f"(({wide})from[{at}] << {8 * at})" if at else f"({wide})from[0]" for at in range(size))
        if letter.isupper():
            yield f"    return ({unsigned})({joined});"
        else:  # C99 leaves the conversion of a large unsigned number to a signed type open
            yield f"    {unsigned} value = ({unsigned})({joined});"
            yield ""
            half = (1 << bits - 1) - 1
            yield f"    if (value <= {half}U) {{"
            yield f"        return ({kind})value;"
            yield "    }"
            yield f"    return ({kind})(-({kind})(({unsigned})~value) - 1);"
        yield "}"
        yield ""
        yield f"void {putter(letter)}(uint8_t *to, {kind} value)"
        yield "{"
        if letter.islower():
            yield f"    {putter(letter.upper())}(to, ({unsigned})value);"
        else:
            for at in range(size):
                shifted = f"value >> {8 * at}" if at else "value"
                yield f"    to[{at}] = (uint8_t)({shifted});" if size > 1 else "    to[0] = value;"
        yield "}"
        yield ""


def _crc_table() -> Iterator[str]:
    """A table of 16 entries: a compromise of speed and memory for small controllers."""
    entries = [f"UINT32_C(0x{value:06X})" for value in crc.CRC_MODEL.table(4)]
    yield f"static const uint32_t bp_crc_table[{len(entries)}] = {{"
    yield ",\n".join("    " + ", ".join(entries[at : at + 4]) for at in range(0, 16, 4))
    yield "};"


def _groups() -> list[str]:
    """Lines of C that fill the check bytes."""
    return [f"    to[{at}] = (uint8_t)({_group(at)} | BP_TRAILER_MARK);" for at in range(crc.TRAILER_BYTES)]


def _group(at: int) -> str:
    """C for the bits of one check byte, without a 64-bit type."""
    low, width = at * crc.TRAILER_GROUP_BITS, crc.TRAILER_GROUP_BITS
    mask = f"0x{(1 << width) - 1:X}U"
    if low + width <= crc.CRC_WIDTH_BITS:
        return f"(crc >> {low} & {mask})"
    if low >= crc.CRC_WIDTH_BITS:
        return f"(zeros >> {low - crc.CRC_WIDTH_BITS} & {mask})"
    return f"((crc >> {low} | zeros << {crc.CRC_WIDTH_BITS - low}) & {mask})"


def _control(item: Any) -> str:
    shift, parts = 8 * item.size, []
    for bit in item.bits:
        shift -= bit.size
        name = _RENAME.get(bit.name, bit.name)
        value = f"{bit.constant}U" if bit.constant is not None else f"(frame->{name} ? 1U : 0U)"
        parts.append(f"({value} << {shift})")
    return " | ".join(parts)


def _pack_body() -> Iterator[str]:
    yield "/* Header, tag and payload, before the zero bytes are removed; 0 where it cannot be sent. */"
    yield "static size_t bp_pack_body(const bp_frame *frame, uint8_t *body)"
    yield "{"
    yield "    size_t at = 0;"
    yield ""
    items = describe(frame.BODY)
    for item in items:
        if item.kind == "int":
            yield from refuse_unless(good(item, f"frame->{item.name}"), "0")
    for item in items:
        if item.bits:
            yield f"    body[at] = (uint8_t)({_control(item)});"
            yield "    at += 1;"
        elif item.kind == "counted bytes":
            yield f"    memcpy(body + at, frame->{item.name}, frame->{item.length});"
            yield f"    at += frame->{item.length};"
        else:
            pad = "    "
            if item.condition:
                yield f"    if (frame->{_RENAME.get(item.condition, item.condition)}) {{"
                pad = "        "
            yield f"{pad}{putter(item.format)}(body + at, frame->{item.name});"
            yield f"{pad}at += {item.size};"
            if item.condition:
                yield "    }"
    yield "    return at;"
    yield "}"


def _unpack_body() -> Iterator[str]:
    yield "static bp_result bp_unpack_body(bp_frame *frame, const uint8_t *body, size_t length)"
    yield "{"
    yield "    size_t at = 0;"
    yield ""
    yield from refuse_unless("length >= BP_HEADER_BYTES", "BP_BAD_CONTENT")
    for item in describe(frame.BODY):
        if item.bits:
            shift = 8 * item.size
            for bit in item.bits:
                shift -= bit.size
                value = f"(body[at] >> {shift} & {(1 << bit.size) - 1})"
                if bit.constant is not None:
                    yield from refuse_unless(f"{value} == {bit.constant}", "BP_BAD_CONTENT")
                else:
                    yield f"    frame->{_RENAME.get(bit.name, bit.name)} = (uint8_t){value};"
            yield "    at += 1;"
        elif item.kind == "counted bytes":
            yield from refuse_unless(f"length - at == frame->{item.length}", "BP_BAD_CONTENT")
            yield f"    memcpy(frame->{item.name}, body + at, frame->{item.length});"
        elif item.condition:
            yield f"    frame->{item.name} = 0;"
            yield f"    if (frame->{_RENAME.get(item.condition, item.condition)}) {{"
            yield from refuse_unless(f"length - at >= {item.size}U", "BP_BAD_CONTENT", 2)
            yield f"        frame->{item.name} = {getter(item.format)}(body + at);"
            yield f"        at += {item.size};"
            yield "    }"
        else:
            yield f"    frame->{item.name} = {getter(item.format)}(body + at);"
            yield f"    at += {item.size};"
            yield from refuse_unless(good(item, f"frame->{item.name}"), "BP_BAD_CONTENT")
    yield "    return BP_OK;"
    yield "}"
