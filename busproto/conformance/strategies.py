"""Hypothesis strategies for frames, messages and conversations, derived from the definitions of the format.

Only the conversations name operations; a new operation is drawn as soon as it is in the table.
"""

from __future__ import annotations

import functools
from typing import Any, Final

import construct as c
from hypothesis import strategies as st

from busproto.wire import messages as m
from busproto.wire.codec import encode_frame
from busproto.wire.crc import trailer
from busproto.wire.definition.generate import make_builder
from busproto.wire.definition.layout import Coded, Counted, Label, Limits, remove_zeros
from busproto.wire.frame import BODY, BROADCAST_ADDRESS, HOST_ADDRESS, MAX_PAYLOAD_BYTES, UNADDRESSED, Frame
from busproto.wire.message import BARE_REPLIES, OPERATIONS, Message, fields_of
from busproto.wire.parameters import BY_NAME, PARAMETERS

REQUESTS: Final[tuple[Any, ...]] = tuple(operation.request for operation in OPERATIONS.values())
REPLIES: Final[tuple[Any, ...]] = (
    *(operation.reply for operation in OPERATIONS.values() if operation.reply is not None),
    m.Refused,
)
BYTES: Final = st.integers(0, 0xFF)
TAGS: Final = st.integers(0, 0xFFFF)
SOURCES: Final = st.integers(HOST_ADDRESS, UNADDRESSED)
DESTINATIONS: Final = SOURCES | st.just(BROADCAST_ADDRESS)
_SPARSE: Final = bytes([0] * 0x80 + [1] * 0x40 + list(range(0xC0, 0x100)))
_build_body: Final = make_builder("frame", BODY, {"control_reply": "is_reply"})


def _range(subcon: Any) -> tuple[int, int]:
    if isinstance(subcon, Limits):
        return subcon.low, subcon.high
    bits = 8 * subcon.sizeof()
    return (-(1 << bits - 1), (1 << bits - 1) - 1) if subcon.fmtstr[-1].islower() else (0, (1 << bits) - 1)


def _tiled(few: tuple[Any, ...], length: int) -> tuple[Any, ...]:
    return (few * (length // len(few) + 1))[:length]


def field_values(subcon: Any) -> st.SearchStrategy[Any]:
    """The values that a field of this construct definition may hold."""
    if isinstance(subcon, Coded):
        low, high = _range(subcon.subcon)
        return st.sampled_from([member for member in subcon.members if low <= member <= high])
    if isinstance(subcon, Label):
        return st.binary(max_size=subcon.size).map(lambda raw: "".join(chr(0x20 + byte % 0x5F) for byte in raw))
    if isinstance(subcon, Counted):
        inner: Any = subcon.subcon
        if inner is c.GreedyBytes:
            return st.binary(min_size=subcon.low, max_size=subcon.high)
        few = st.lists(field_values(inner.subcon), min_size=1, max_size=6).map(tuple)
        return st.builds(_tiled, few, st.integers(subcon.low, subcon.high))
    if isinstance(subcon, c.Bytes):
        length: Any = subcon.length
        return st.binary(min_size=length, max_size=length)
    low, high = _range(subcon)
    strategy = st.integers(low, high) | st.sampled_from(sorted({low, high, max(low, min(high, 0))}))
    if isinstance(subcon, Limits) and subcon.also is not None:
        strategy |= st.just(subcon.also)
    return strategy


@functools.cache
def messages_of(message_class: Any) -> st.SearchStrategy[Any]:
    """Any value of one message class."""
    return st.builds(message_class, **{field.name: field_values(field.subcon) for field in fields_of(message_class)})


@functools.cache
def messages() -> st.SearchStrategy[Message]:
    """Any message: every request, every reply, the refusal."""
    return st.one_of([messages_of(one) for one in (*REQUESTS, *REPLIES)])


@functools.cache
def requests() -> st.SearchStrategy[Message]:
    """Draws any request of the format, with any fields that it may have."""
    return st.one_of([messages_of(one) for one in REQUESTS])


def with_zeros(size: int) -> st.SearchStrategy[bytes]:
    """Strings of at most `size` bytes in which half the bytes are zero, to exercise the zero-byte removal."""
    return st.binary(max_size=size).map(lambda raw: raw.translate(_SPARSE))


@functools.cache
def frames() -> st.SearchStrategy[Frame]:
    """Any frame, whether or not it holds a known message."""
    payloads = st.binary(max_size=MAX_PAYLOAD_BYTES) | with_zeros(MAX_PAYLOAD_BYTES)
    return st.builds(Frame, DESTINATIONS, SOURCES, BYTES, BYTES, payloads, st.none() | TAGS)


@functools.cache
def message_frames() -> st.SearchStrategy[Frame]:
    """Any frame that carries a good message."""
    refusable = sorted(set(OPERATIONS) - set(BARE_REPLIES))

    def of(message_class: Any) -> st.SearchStrategy[Frame]:
        numbers = st.just(message_class.OPERATION) if message_class is not m.Refused else st.sampled_from(refusable)
        return st.builds(
            lambda message, to, source, sequence, number, tag: Frame(
                to, source, sequence, number, message.payload(), tag if message_class.IS_REPLY else None
            ),
            messages_of(message_class),
            DESTINATIONS,
            SOURCES,
            BYTES,
            numbers,
            TAGS,
        )

    return st.one_of([of(one) for one in (*REQUESTS, *REPLIES)])


def wires() -> st.SearchStrategy[bytes]:
    """The bytes of any frame."""
    return frames().map(encode_frame)


@st.composite
def _spoiled(draw: st.DrawFn, good: st.SearchStrategy[bytes]) -> bytes:
    data = bytearray(draw(good))
    for _ in range(draw(st.integers(1, 4))):
        at = draw(st.integers(0, len(data)))
        match draw(st.sampled_from(["flip", "set", "drop", "insert"])):
            case "flip" if at < len(data):
                data[at] ^= 1 << draw(st.integers(0, 7))
            case "set" if at < len(data):
                data[at] = draw(BYTES)
            case "drop":
                del data[at : at + draw(st.integers(1, 3))]
            case "insert":
                data[at:at] = draw(st.binary(max_size=3))
    return bytes(data)


def spoiled(good: st.SearchStrategy[bytes]) -> st.SearchStrategy[bytes]:
    """Strings near a good one: a few bytes changed, taken out or put in."""
    return _spoiled(good)


def _sealed(encoded: bytes) -> bytes:
    return b"\x00" + encoded + trailer(encoded) + b"\x00"


def spoiled_wires() -> st.SearchStrategy[bytes]:
    """Wire bytes spoiled at each level: on the line; before the check was made; before zeros were removed.

    The last two carry a good check, so that they reach the later checks. Some are still valid frames.
    """
    bodies = message_frames().map(_build_body)
    on_line = spoiled(bodies.map(lambda body: _sealed(remove_zeros(body))))
    encoded = spoiled(bodies.map(remove_zeros)).map(_sealed)
    in_body = spoiled(bodies).map(lambda body: _sealed(remove_zeros(body[:253])))
    return st.one_of(on_line, encoded, in_body)


def _writes() -> st.SearchStrategy[m.Write]:
    numbers = st.sampled_from(sorted(PARAMETERS)) | BYTES
    near = st.sampled_from(sorted(PARAMETERS)).flatmap(
        lambda number: st.sampled_from(_edges(number)).map(lambda value: m.Write(number, value))
    )
    return near | _tables() | st.builds(m.Write, numbers, st.binary(max_size=8))


def _tables() -> st.SearchStrategy[m.Write]:
    """Tables about as steep as a travel allows, and travels about as narrow as a table allows."""
    writes = []
    for table in PARAMETERS.values():
        if not table.spread_over:
            continue
        over = BY_NAME[table.spread_over]
        points = st.lists(st.integers(-600, 600), min_size=2, max_size=5).map(tuple)
        writes.append(st.builds(m.Write, st.just(table.number), points.map(table.encode)))
        widths = st.integers(over.low, min(over.high, 4 * over.low))
        writes.append(st.builds(m.Write, st.just(over.number), widths.map(over.encode)))
    return st.one_of(writes)


def _edges(number: int) -> list[bytes]:
    """Raw values at, just inside and just outside the ends of a parameter's range."""
    row = PARAMETERS[number]
    low, high = (
        (-(1 << 8 * row.size - 1), (1 << 8 * row.size - 1) - 1)
        if row.format.islower()
        else (0, (1 << 8 * row.size) - 1)
    )
    values = {value for edge in (row.low, row.high, 0) for value in (edge - 1, edge, edge + 1) if low <= value <= high}
    return [value.to_bytes(row.size, "little", signed=row.format.islower()) for value in sorted(values)]


def _reads() -> st.SearchStrategy[m.Read]:
    numbers = st.lists(st.sampled_from(sorted(PARAMETERS)) | BYTES, min_size=1, max_size=6).map(bytes)
    return st.builds(m.Read, st.sampled_from(m.Memory), numbers)


@functools.cache
def conversations(longest: int = 20) -> st.SearchStrategy[list[Message]]:
    """Requests of a host to one actuator in sequence, without any that moves it.

    `busproto.conformance.model.Model` gives the expected answer to each.
    """
    return st.lists(
        st.one_of(
            _writes(),
            _reads(),
            messages_of(m.Undo),
            messages_of(m.LinkTest),
            messages_of(m.DescribeParameter),
            st.just(m.Describe()),
            st.just(m.Release()),
        ),
        min_size=1,
        max_size=longest,
    )
