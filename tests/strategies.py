"""Hypothesis strategies for frames and messages, derived from the construct definitions.

A new operation is covered the moment its class stands in the table: nothing here names one.
"""

from __future__ import annotations

import dataclasses
import enum
import functools
from typing import Any, Final

import construct as c
from hypothesis import strategies as st

from busproto.conformance.strategies import spoiled
from busproto.wire.definition.layout import Coded, Counted, Label, Limits
from busproto.wire.frame import (
    BROADCAST_ADDRESS,
    HOST_ADDRESS,
    MAX_ADDRESS,
    MAX_PAYLOAD_BYTES,
    MIN_ADDRESS,
    UNADDRESSED,
    Frame,
)
from busproto.wire.message import BARE_REPLIES, OPERATIONS, FieldInfo, Message, fields_of
from busproto.wire.messages import Refused
from tests.independent.codec import framed, sealed

MESSAGE_CLASSES: Final[tuple[Any, ...]] = (
    *(operation.request for operation in OPERATIONS.values()),
    *(operation.reply for operation in OPERATIONS.values() if operation.reply is not None),
    Refused,
)
"""Every request, every reply, and the refusal."""


def integer_range(subcon: Any) -> tuple[int, int]:
    """Least and greatest value of an integer field of the definition, its limits applied."""
    if isinstance(subcon, Limits):
        return subcon.low, subcon.high
    bits = 8 * subcon.sizeof()
    if subcon.fmtstr[-1].islower():
        return -(1 << bits - 1), (1 << bits - 1) - 1
    return 0, (1 << bits) - 1


def _integers(low: int, high: int) -> st.SearchStrategy[int]:
    return st.integers(low, high) | st.sampled_from(sorted({low, high, max(low, min(high, 0))}))


def coded_members(subcon: Coded) -> list[enum.IntEnum]:
    """The members that a coded field may hold."""
    low, high = integer_range(subcon.subcon)
    return [member for member in subcon.members if low <= member <= high]


def _is_counted(subcon: Any) -> bool:
    return isinstance(subcon, Counted)


def _is_bytes(subcon: Any) -> bool:
    return isinstance(subcon, c.Bytes)


def _printable(raw: bytes) -> str:
    return "".join(chr(0x20 + byte % 0x5F) for byte in raw)


def _tiled(few: tuple[Any, ...], length: int) -> tuple[Any, ...]:
    return (few * (length // len(few) + 1))[:length]


def values_of(subcon: Any) -> st.SearchStrategy[Any]:
    """The values that a field of this definition may hold."""
    if isinstance(subcon, Coded):
        return st.sampled_from(coded_members(subcon))
    if isinstance(subcon, Label):
        return st.binary(max_size=subcon.size).map(_printable)
    if _is_counted(subcon):
        if subcon.subcon is c.GreedyBytes:
            return st.binary(min_size=subcon.low, max_size=subcon.high)
        element = values_of(subcon.subcon.subcon)
        few = st.lists(element, min_size=1, max_size=6).map(tuple)
        return st.builds(_tiled, few, st.integers(subcon.low, subcon.high))
    if _is_bytes(subcon):
        return st.binary(min_size=subcon.length, max_size=subcon.length)
    strategy = _integers(*integer_range(subcon))
    if isinstance(subcon, Limits) and subcon.also is not None:
        strategy |= st.just(subcon.also)
    return strategy


def bad_values_of(subcon: Any) -> list[Any]:
    """Values that a field of this definition must refuse: just outside, wrong length, wrong type."""
    if isinstance(subcon, Coded):
        members = coded_members(subcon)
        return [min(members) - 1, max(members) + 1, None, "1", 1.0, True]
    if isinstance(subcon, Label):
        return ["x" * (subcon.size + 1), "\x1f", "\x7f", "\u00e9", "a\x00b", None, 5, b"abc"]
    if _is_counted(subcon):
        if subcon.subcon is c.GreedyBytes:
            bad: list[Any] = [bytes(subcon.high + 1), "abc", None, [1, 2]]
            return [*bad, bytes(subcon.low - 1)] if subcon.low else bad
        element = subcon.subcon.subcon
        low, high = integer_range(element)
        good = (low,) * max(1, subcon.low)
        bad = [(low,) * (subcon.high + 1), list(good), None, 5]
        bad += [(*good[:-1], one) for one in (low - 1, high + 1, None, 1.5, True)]
        return [*bad, (low,) * (subcon.low - 1)] if subcon.low else bad
    if _is_bytes(subcon):
        return [bytes(subcon.length - 1), bytes(subcon.length + 1), "x" * subcon.length, None]
    low, high = integer_range(subcon)
    return [low - 1, high + 1, None, "1", 1.5, True]


@functools.cache
def messages_of(message_class: Any) -> st.SearchStrategy[Any]:
    """Any value of one message class."""
    return st.builds(message_class, **{field.name: values_of(field.subcon) for field in fields_of(message_class)})


@functools.cache
def messages() -> st.SearchStrategy[Any]:
    """Any message: every class, every value it may hold."""
    return st.one_of([messages_of(message_class) for message_class in MESSAGE_CLASSES])


def plain_message(message_class: type[Message], **changes: Any) -> Any:
    """One fixed good message of a class: the least value of every field, but for `changes`."""
    fields = {field.name: _least(field) for field in fields_of(message_class)}
    return message_class(**{**fields, **changes})


def _least(field: FieldInfo) -> Any:
    subcon = field.subcon
    if isinstance(subcon, Coded):
        return coded_members(subcon)[0]
    if isinstance(subcon, Label):
        return ""
    if _is_counted(subcon):
        if subcon.subcon is c.GreedyBytes:
            return bytes(subcon.low)
        return (integer_range(subcon.subcon.subcon)[0],) * subcon.low
    return bytes(subcon.length) if _is_bytes(subcon) else integer_range(subcon)[0]


ADDRESSES: Final = st.integers(HOST_ADDRESS, UNADDRESSED)
DESTINATIONS: Final = ADDRESSES | st.just(BROADCAST_ADDRESS)
NODE_ADDRESSES: Final = st.integers(MIN_ADDRESS, MAX_ADDRESS)
BYTES: Final = st.integers(0, 0xFF)
TAGS: Final = st.integers(0, 0xFFFF)


_SPARSE: Final = bytes([0] * 0x80 + [1] * 0x40 + list(range(0xC0, 0x100)))


def with_zeros(size: int) -> st.SearchStrategy[bytes]:
    """Strings of at most `size` bytes in which half the bytes are zero: those the removal is for."""
    return st.binary(max_size=size).map(lambda raw: raw.translate(_SPARSE))


def payloads() -> st.SearchStrategy[bytes]:
    """Any payload."""
    return st.binary(max_size=MAX_PAYLOAD_BYTES) | with_zeros(MAX_PAYLOAD_BYTES)


@functools.cache
def frames() -> st.SearchStrategy[Frame]:
    """Any frame, whether or not it holds a known message."""
    return st.builds(Frame, DESTINATIONS, ADDRESSES, BYTES, BYTES, payloads(), st.none() | TAGS)


@functools.cache
def frames_of(message_class: Any) -> st.SearchStrategy[tuple[Frame, Any]]:
    """Any frame that carries a message of this class, and the message."""
    number = getattr(message_class, "OPERATION", None)
    # A refusal answers any operation but those whose replies have no outcome byte.
    operations = sorted(set(OPERATIONS) - set(BARE_REPLIES)) if number is None else [number]

    def made(message: Any, *header: int) -> tuple[Frame, Any]:
        destination, source, sequence, operation, tag = header
        carried = tag if message_class.IS_REPLY else None
        return Frame(destination, source, sequence, operation, message.payload(), carried), message

    return st.builds(
        made, messages_of(message_class), DESTINATIONS, ADDRESSES, BYTES, st.sampled_from(operations), TAGS
    )


@functools.cache
def message_frames() -> st.SearchStrategy[Frame]:
    """Any frame that carries a good message."""
    pairs = st.one_of([frames_of(message_class) for message_class in MESSAGE_CLASSES])
    return pairs.map(lambda pair: pair[0])


def spoiled_wires(bodies: st.SearchStrategy[bytes]) -> st.SearchStrategy[bytes]:
    """Wire bytes spoiled at each level: on the line; before the check bytes were made; before zeros were removed.

    The last two carry good check bytes, so that they reach the checks behind.
    """
    on_line = spoiled(bodies.map(framed))
    encoded = spoiled(bodies.map(lambda body: framed(body)[1:-6])).map(sealed)
    in_body = spoiled(bodies).map(framed)
    return st.one_of(on_line, encoded, in_body)


def replaced(message: Any, name: str, value: Any) -> Any:
    """`message` made anew with one field changed."""
    return dataclasses.replace(message, **{name: value})
