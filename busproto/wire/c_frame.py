"""The C of the frame: constants, body, zero-byte removal, check, the receiver, the hash of discovery.

Numbers and the order of the body's members come from the definitions. What is an algorithm there (COBS, CRC, hash) is
an algorithm here; tests hold both together.
"""

from __future__ import annotations

from collections.abc import Iterator
from typing import Any, Final

from busproto.wire import crc, frame, hash, layout, messages, timing
from busproto.wire.c_text import (
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
from busproto.wire.generate import describe

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
    yield from comment("What came of a function that can fail.")
    yield """typedef enum bp_result {
    BP_OK = 0,
    BP_TOO_SHORT = 1, /* fewer bytes than a frame has */
    BP_TOO_LONG = 2, /* more bytes than a frame has */
    BP_BAD_CHECK = 3, /* the check bytes differ */
    BP_BAD_CONTENT = 4, /* another version, unknown flags, a value that may not be */
    BP_UNKNOWN = 5, /* no such operation, no such parameter */
    BP_OUT_OF_RANGE = 6 /* outside the range of a parameter */
} bp_result;
"""
    yield from comment("What one frame says.")
    yield "typedef struct bp_frame {"
    for item in describe(frame.BODY):
        for name, kind in _body_fields(item):
            yield f"    {kind} {name};"
    yield "} bp_frame;"
    yield """
/* The frame as it stands on the wire, with both delimiters, into `wire` (BP_MAX_WIRE_BYTES of room); its bytes.
 * 0 where it cannot be sent: an address that is reserved, too much payload. */
size_t bp_encode_frame(const bp_frame *frame, uint8_t *wire);

/* The frame in what stands between two delimiters, without them. On BP_BAD_CONTENT the frame is half filled in. */
bp_result bp_decode_chunk(bp_frame *frame, const uint8_t *chunk, size_t length);

/* Finds frames in a stream, byte by byte, in bounded memory. Make one by bp_receiver_start. */
typedef struct bp_receiver {
    uint8_t kept[BP_MAX_CHUNK_BYTES];
    uint8_t size; /* bytes since the last delimiter, at most BP_MAX_CHUNK_BYTES + 1 */
    bp_result why; /* what was wrong with the last bad piece */
    uint32_t good; /* frames found, counts round */
    uint32_t bad; /* pieces that are no frame, counts round */
} bp_receiver;

typedef enum bp_event {
    BP_NOTHING = 0,
    BP_FRAME = 1, /* the frame is filled in */
    BP_BAD_PIECE = 2
} bp_event;

void bp_receiver_start(bp_receiver *receiver);
bp_event bp_receiver_byte(bp_receiver *receiver, uint8_t byte, bp_frame *frame);

/* CRC-24 of bytes. Begin with BP_CRC_START, give what came so far, end with bp_crc24_end. */
#define BP_CRC_START UINT32_C(0xFFFFFF)
uint32_t bp_crc24_add(uint32_t so_far, const uint8_t *data, size_t length);
uint32_t bp_crc24_end(uint32_t so_far);

/* The hash that discovery draws slots and marks from. */
uint32_t bp_uid_hash(const uint8_t *uid, uint16_t epoch, uint8_t salt);
uint16_t bp_slot_of(uint32_t value, uint16_t slots);
uint16_t bp_mark_of(uint32_t value);
uint8_t bp_book_answer(uint32_t value);
uint8_t bp_stranger_answer(uint32_t value);
uint16_t bp_device_tag(const uint8_t *uid);

/* Little endian numbers, texts filled up with zeros. */"""
    for letter in _INTEGERS:
        yield f"{c_type(letter)} {getter(letter)}(const uint8_t *from);"
        yield f"void {putter(letter)}(uint8_t *to, {c_type(letter)} value);"
    yield "int bp_get_text(char *text, const uint8_t *from, size_t size);"
    yield "int bp_put_text(uint8_t *to, const char *text, size_t size);"
    yield ""


def _body_fields(item: Any) -> list[tuple[str, str]]:
    if item.bits:
        return [(_RENAME.get(bit.name, bit.name), "uint8_t") for bit in item.bits if bit.constant is None]
    if item.kind == "counted bytes":
        return [(f"{item.name}[BP_MAX_PAYLOAD_BYTES]", "uint8_t")]
    return [(item.name, c_type(item.format))]


# --- functions -------------------------------------------------------------------------------------------------


def functions() -> Iterator[str]:
    """All of frame, receiver and hash."""
    yield from _numbers()
    yield from _crc()
    yield _COBS
    yield from _pack_body()
    yield ""
    yield from _unpack_body()
    yield _FRAMES
    yield _HASH.rstrip()


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
        else:  # what becomes of a great unsigned number that is made a signed one, C99 leaves open
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
    yield _TEXTS


def _crc() -> Iterator[str]:
    """A table of 16 entries: a compromise of speed and memory for small controllers."""
    entries = [f"UINT32_C(0x{value:06X})" for value in crc.CRC_MODEL.table(4)]
    yield f"static const uint32_t bp_crc_table[{len(entries)}] = {{"
    yield ",\n".join("    " + ", ".join(entries[at : at + 4]) for at in range(0, 16, 4))
    yield "};"
    yield _CRC
    groups = [f"    to[{at}] = (uint8_t)({_group(at)} | BP_TRAILER_MARK);" for at in range(crc.TRAILER_BYTES)]
    yield "/* The check bytes: CRC and number of zero bits in groups of seven bits, low group first. */"
    yield "static void bp_trailer(uint8_t *to, const uint8_t *encoded, size_t length)"
    yield "{"
    yield "    uint32_t crc = bp_crc24_end(bp_crc24_add(BP_CRC_START, encoded, length));"
    yield "    uint32_t zeros = bp_zero_bits(encoded, length);"
    yield ""
    yield from groups
    yield "}"


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


_TEXTS: Final = """\
/* Printable ASCII, filled up with zeros; 0 where it is not. `text` has room for one more. */
int bp_get_text(char *text, const uint8_t *from, size_t size)
{
    size_t at, end = size;

    while (end > 0 && from[end - 1] == 0) {
        end--;
    }
    for (at = 0; at < end; at++) {
        if (from[at] < 0x20 || from[at] > 0x7E) {
            return 0;
        }
        text[at] = (char)from[at];
    }
    memset(text + end, 0, size + 1 - end);
    return 1;
}

int bp_put_text(uint8_t *to, const char *text, size_t size)
{
    size_t at;

    for (at = 0; at < size && text[at] != 0; at++) {
        if (text[at] < 0x20 || text[at] > 0x7E) {
            return 0;
        }
        to[at] = (uint8_t)text[at];
    }
    if (at == size && text[at] != 0) {
        return 0;
    }
    memset(to + at, 0, size - at);
    return 1;
}
"""

_CRC: Final = """\

uint32_t bp_crc24_add(uint32_t so_far, const uint8_t *data, size_t length)
{
    size_t at;

    for (at = 0; at < length; at++) {
        so_far ^= data[at];
        so_far = so_far >> 4 ^ bp_crc_table[so_far & 15U];
        so_far = so_far >> 4 ^ bp_crc_table[so_far & 15U];
    }
    return so_far;
}

uint32_t bp_crc24_end(uint32_t so_far)
{
    return so_far ^ UINT32_C(0xFFFFFF);
}

static uint32_t bp_zero_bits(const uint8_t *data, size_t length)
{
    uint32_t zeros = 0;
    size_t at;

    for (at = 0; at < length; at++) {
        uint8_t left = (uint8_t)~data[at];

        while (left != 0) {
            zeros += left & 1U;
            left = (uint8_t)(left >> 1);
        }
    }
    return zeros;
}
"""

_COBS: Final = """\

/* Zero bytes removed: each is replaced by the distance to the next one, one byte goes before all (COBS). */
static size_t bp_remove_zeros(uint8_t *encoded, const uint8_t *body, size_t length)
{
    size_t at, run = 0;

    for (at = 0; at < length; at++) {
        encoded[at + 1] = body[at];
        if (body[at] == 0) {
            encoded[run] = (uint8_t)(at + 1 - run);
            run = at + 1;
        }
    }
    encoded[run] = (uint8_t)(length + 1 - run);
    return length + 1;
}

/* The inverse, in place of one byte less; 0 where the distances do not add up. */
static size_t bp_restore_zeros(uint8_t *body, const uint8_t *encoded, size_t length)
{
    size_t at, run = 0;

    if (length == 0) {
        return 0;
    }
    for (at = 0; at < length; at++) {
        if (encoded[at] == BP_DELIMITER) {
            return 0;
        }
        if (at == run) {
            run = at + encoded[at];
            if (at > 0) {
                body[at - 1] = 0;
            }
        } else {
            body[at - 1] = encoded[at];
        }
    }
    return run == length ? length - 1 : 0;
}
"""

_FRAMES: Final = """\

size_t bp_encode_frame(const bp_frame *frame, uint8_t *wire)
{
    uint8_t body[BP_MAX_BODY_BYTES];
    size_t length = bp_pack_body(frame, body);

    if (length == 0) {
        return 0;
    }
    length = bp_remove_zeros(wire + 1, body, length);
    bp_trailer(wire + 1 + length, wire + 1, length);
    wire[0] = BP_DELIMITER;
    wire[1 + length + BP_TRAILER_BYTES] = BP_DELIMITER;
    return length + BP_TRAILER_BYTES + 2;
}

bp_result bp_decode_chunk(bp_frame *frame, const uint8_t *chunk, size_t length)
{
    uint8_t body[BP_MAX_ENCODED_BYTES];
    uint8_t check[BP_TRAILER_BYTES];
    size_t at;

    if (length < BP_MIN_CHUNK_BYTES) {
        return BP_TOO_SHORT;
    }
    if (length > BP_MAX_CHUNK_BYTES) {
        return BP_TOO_LONG;
    }
    length -= BP_TRAILER_BYTES;
    bp_trailer(check, chunk, length);
    for (at = 0; at < BP_TRAILER_BYTES; at++) {
        if (chunk[length + at] != check[at]) {
            return BP_BAD_CHECK;
        }
    }
    length = bp_restore_zeros(body, chunk, length);
    return length == 0 ? BP_BAD_CONTENT : bp_unpack_body(frame, body, length);
}

void bp_receiver_start(bp_receiver *receiver)
{
    memset(receiver, 0, sizeof *receiver);
}

bp_event bp_receiver_byte(bp_receiver *receiver, uint8_t byte, bp_frame *frame)
{
    size_t size = receiver->size;

    if (byte != BP_DELIMITER) {
        if (size < BP_MAX_CHUNK_BYTES) {
            receiver->kept[size] = byte;
        }
        if (size <= BP_MAX_CHUNK_BYTES) {
            receiver->size = (uint8_t)(size + 1);
        }
        return BP_NOTHING;
    }
    receiver->size = 0;
    if (size == 0) {
        return BP_NOTHING;
    }
    receiver->why = bp_decode_chunk(frame, receiver->kept, size);
    if (receiver->why != BP_OK) {
        receiver->bad++;
        return BP_BAD_PIECE;
    }
    receiver->good++;
    return BP_FRAME;
}
"""

_HASH: Final = """\
static uint32_t bp_hash_byte(uint32_t state, uint8_t byte)
{
    state += byte;
    state += state << 10;
    return state ^ state >> 6;
}

uint32_t bp_uid_hash(const uint8_t *uid, uint16_t epoch, uint8_t salt)
{
    uint32_t state = 0;
    size_t at;

    for (at = 0; at < BP_UID_BYTES; at++) {
        state = bp_hash_byte(state, uid[at]);
    }
    state = bp_hash_byte(state, salt);
    state = bp_hash_byte(state, (uint8_t)(epoch & 0xFFU));
    state = bp_hash_byte(state, (uint8_t)(epoch >> 8));
    state += state << 3;
    state ^= state >> 11;
    return state + (state << 15);
}

uint16_t bp_slot_of(uint32_t value, uint16_t slots)
{
    return (uint16_t)((value & UINT32_C(0xFFFF)) * slots >> 16);
}

uint16_t bp_mark_of(uint32_t value)
{
    return (uint16_t)(value >> 16);
}

uint8_t bp_book_answer(uint32_t value)
{
    return (uint8_t)(BP_BOOK_ANSWER_BIT | (value & 0x7FU));
}

uint8_t bp_stranger_answer(uint32_t value)
{
    uint8_t answer = (uint8_t)(value & 0x7FU);

    return answer != 0 ? answer : 1;
}

uint16_t bp_device_tag(const uint8_t *uid)
{
    return bp_mark_of(bp_uid_hash(uid, 0, 0));
}
"""
