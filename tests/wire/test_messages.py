"""Every message of the table: generated code against construct, good values against bad ones."""

from __future__ import annotations

import dataclasses
import functools
from typing import Any

import pytest
from cobs import cobs
from hypothesis import given
from hypothesis import strategies as st

from busproto.wire import (
    ChecksumError,
    DecodeError,
    EncodeError,
    Frame,
    TruncatedFrameError,
    decode_frame,
    encode_frame,
    message_of,
)
from busproto.wire import messages as m
from busproto.wire.codec import reply_frame, request_frame
from busproto.wire.frame import MAX_PAYLOAD_BYTES, MIN_WIRE_BYTES
from busproto.wire.generators.reference import compose_frame, compose_payload, interpret_frame, interpret_message
from busproto.wire.message import OPERATIONS, REPLIES, REQUESTS, Message, fields_of
from tests.independent.codec import framed, sealed
from tests.strategies import (
    MESSAGE_CLASSES,
    bad_values_of,
    frames,
    frames_of,
    message_frames,
    messages_of,
    payloads,
    plain_message,
    replaced,
    spoiled,
    spoiled_wires,
)

each_class = pytest.mark.parametrize("message_class", MESSAGE_CLASSES, ids=lambda cls: cls.__name__)


def decoded(wire: bytes) -> Frame | None:
    """What the codec makes of the bytes, None where it refuses them."""
    try:
        return decode_frame(wire)
    except DecodeError:
        return None


def interpreted(wire: bytes) -> Frame | None:
    """The same by construct."""
    try:
        return interpret_frame(wire)
    except DecodeError:
        return None


def message_or_none(read: Any, frame: Frame) -> Message | None:
    try:
        message: Message = read(frame)
    except DecodeError:
        return None
    return message


@functools.cache
def payloads_near(message_class: Any) -> st.SearchStrategy[bytes]:
    """Any payload, and payloads near one of this class."""
    near = spoiled(messages_of(message_class).map(lambda message: message.payload()))
    return payloads() | near.map(lambda payload: payload[:MAX_PAYLOAD_BYTES])


def frame_for(message_class: type[Message], payload: bytes) -> Frame:
    """A frame whose operation asks for this class, with any payload."""
    number = getattr(message_class, "OPERATION", m.Report.OPERATION)
    return Frame(0, 1, 2, number, payload, 0xBEEF if message_class.IS_REPLY else None)


def values_in(message: Message) -> list[tuple[type, Any]]:
    """The fields with their types, so that a number and an enumeration member do not count as the same."""
    values = [getattr(message, field.name) for field in dataclasses.fields(message)]  # type: ignore[arg-type]
    return [(type(value), value) for value in values]


def assert_agreement(frame: Frame) -> None:
    """Codec and construct both read the same message from the frame, or both refuse it."""
    fast, slow = message_or_none(message_of, frame), message_or_none(interpret_message, frame)
    assert fast == slow
    if fast is not None and slow is not None:
        assert type(fast) is type(slow)
        assert values_in(fast) == values_in(slow)
        assert fast.payload() == frame.payload == compose_payload(slow)


# --- whole frames -----------------------------------------------------------------------------------------------


@given(frames())
def test_frames_by_codec_and_construct(frame: Frame) -> None:
    wire = encode_frame(frame)
    assert wire == compose_frame(frame)
    assert decode_frame(wire) == frame == interpret_frame(wire)
    assert len(wire) == MIN_WIRE_BYTES + len(frame.payload) + 2 * frame.is_reply


@given(message_frames())
def test_messages_through_whole_frames(frame: Frame) -> None:
    received = decode_frame(encode_frame(frame))
    assert message_of(received) == interpret_message(received)
    assert message_of(received).payload() == frame.payload


@given(st.binary(max_size=140) | spoiled_wires(st.binary(max_size=125)))
def test_any_wire_is_judged_alike(wire: bytes) -> None:
    frame = decoded(wire)
    assert frame == interpreted(wire)
    if frame is not None:
        assert encode_frame(frame) == wire


@given(spoiled_wires(frames().map(lambda frame: cobs.decode(encode_frame(frame)[1:-6]))))
def test_spoiled_frames_are_judged_alike(wire: bytes) -> None:
    """Good frames with a few bytes changed on the line, behind the check bytes, and in the body."""
    frame = decoded(wire)
    assert frame == interpreted(wire)
    if frame is not None:
        assert encode_frame(frame) == wire


@given(frames())
def test_frames_with_any_payload_are_read_alike(frame: Frame) -> None:
    assert_agreement(frame)


# --- every message class ----------------------------------------------------------------------------------------


@each_class
@given(st.data())
def test_good_values(message_class: Any, data: st.DataObject) -> None:
    frame, message = data.draw(frames_of(message_class))
    assert frame.payload == message.payload() == compose_payload(message)
    assert len(frame.payload) <= MAX_PAYLOAD_BYTES
    assert message_of(frame) == message == interpret_message(frame)
    assert_agreement(frame)


@each_class
@given(st.data())
def test_any_payload_is_judged_alike(message_class: Any, data: st.DataObject) -> None:
    payload = data.draw(payloads_near(message_class))
    assert_agreement(frame_for(message_class, payload))


@each_class
def test_every_length_is_judged_alike(message_class: type[Message]) -> None:
    """Zeros, ones and full bytes at every length, so that no length near the right one is left to chance."""
    for size in range(MAX_PAYLOAD_BYTES + 1):
        for fill in (0x00, 0x01, 0xFF):
            assert_agreement(frame_for(message_class, bytes([fill]) * size))
            assert_agreement(frame_for(message_class, (b"\x00" + bytes([fill]) * size)[:MAX_PAYLOAD_BYTES]))


BAD_FIELDS = [
    pytest.param(message_class, field.name, bad, id=f"{message_class.__name__}.{field.name}={bad!r:.20}")
    for message_class in MESSAGE_CLASSES
    for field in fields_of(message_class)
    for bad in bad_values_of(field.subcon)
]


@pytest.mark.parametrize(("message_class", "name", "bad"), BAD_FIELDS)
def test_bad_value_is_refused_by_name(message_class: type[Message], name: str, bad: Any) -> None:
    good = plain_message(message_class)
    with pytest.raises(EncodeError) as caught:
        replaced(good, name, bad)
    assert caught.value.field == name
    assert str(caught.value).startswith(f"{name}: ")


@pytest.mark.parametrize(
    ("message_class", "name", "low", "high"),
    [
        (m.RollCall, "slots", 0, 1024),
        (m.MemberList, "total", 0, 239),
        (m.Assign, "address", 1, 240),
        (m.Assigned, "address", 1, 240),
        (m.Demand, "demand", -10000, 10000),
        (m.Status, "is_showing", 0, 1),
        (m.Status, "state", 0, 7),
        (m.Status, "position_cdeg", -32768, 32767),
        (m.Status, "supply_mv", 0, 65535),
        (m.ShowYourself, "duration_ds", 0, 100),
        (m.Showing, "moves", 0, 1),
        (m.Read, "memory", 0, 2),
        (m.Refused, "code", 1, 8),
        (m.Refused, "low", -(2**31), 2**31 - 1),
    ],
)
def test_ranges_written_by_hand(message_class: type[Message], name: str, low: int, high: int) -> None:
    """The ranges are part of the format; these are said here once more, so that none changes unseen."""
    good = plain_message(message_class)
    for inside in (low, high):
        assert getattr(replaced(good, name, inside), name) == inside
    for outside in (low - 1, high + 1):
        with pytest.raises(EncodeError):
            replaced(good, name, outside)


@pytest.mark.parametrize(
    ("message_class", "name", "least", "most"),
    [
        (m.RollCall, "digests", 0, 53),
        (m.MemberList, "digests", 0, 53),
        (m.DemandAll, "demands", 1, 32),
        (m.Read, "numbers", 1, 40),
        (m.Values, "values", 0, 111),
        (m.Write, "value", 0, 66),
        (m.Written, "value", 0, 66),
        (m.LinkTest, "data", 0, 64),
        (m.LinkTested, "data", 0, 64),
        (m.Description, "model", 0, 16),
    ],
)
def test_lengths_written_by_hand(message_class: type[Message], name: str, least: int, most: int) -> None:
    good = plain_message(message_class)
    kind = type(getattr(good, name))
    one: Any = "x" if kind is str else b"x" if kind is bytes else (0,)
    for inside in (least, most):
        assert len(getattr(replaced(good, name, one * inside), name)) == inside
    for outside in {least - 1, most + 1} - {-1}:
        with pytest.raises(EncodeError):
            replaced(good, name, one * outside)


@each_class
def test_messages_are_frozen_values(message_class: type[Message]) -> None:
    message = plain_message(message_class)
    assert message == plain_message(message_class)
    for field in fields_of(message_class):
        with pytest.raises(dataclasses.FrozenInstanceError):
            setattr(message, field.name, getattr(message, field.name))


@each_class
def test_is_documented(message_class: type[Message]) -> None:
    """Class docstring and field texts are the format page; a docstring made by dataclass does not count."""
    text = message_class.__doc__ or ""
    assert text
    assert not text.startswith(f"{message_class.__name__}(")
    assert text.strip()[0].isupper()
    for field in fields_of(message_class):
        assert field.doc, field.name


# --- the table --------------------------------------------------------------------------------------------------


def test_table_is_whole() -> None:
    assert {number: row.request for number, row in OPERATIONS.items()} == REQUESTS
    assert {number: row.reply for number, row in OPERATIONS.items() if row.reply is not None} == REPLIES
    assert [number for number, row in OPERATIONS.items() if row.number != number] == []
    assert len({row.name for row in OPERATIONS.values()}) == len(OPERATIONS)
    assert {row.audience for row in OPERATIONS.values()} == {"one", "all", "one or all"}


def test_only_what_all_hear_has_no_reply() -> None:
    """A request to one actuator is answered; without a reply there is only what no actuator answers with a frame."""
    assert {row.name for row in OPERATIONS.values() if row.reply is None} == {
        "member list",
        "address list",
        "suppress",
        "demand all",
    }
    assert all(row.audience == "all" for row in OPERATIONS.values() if row.reply is None)


def test_code_generated_is_there_to_read() -> None:
    """Generated functions carry their source, so that a traceback or a reader can see them."""
    assert "def parse(data_):" in (m.Status.parse.__doc__ or "")
    assert "def build(made):" in (m.Status.build.__doc__ or "")


def test_unknown_operation() -> None:
    with pytest.raises(DecodeError, match="no request of operation 0x7f"):
        message_of(Frame(1, 0, 0, 0x7F, b""))
    with pytest.raises(DecodeError, match="no reply to operation 0x7f"):
        message_of(Frame(0, 1, 0, 0x7F, b"\x00", 1))


def test_refusal_of_unknown_operation_is_read() -> None:
    """An actuator that does not know an operation says so under that operation's number."""
    refused = m.Refused(m.Outcome.UNKNOWN_OPERATION, 0, 0)
    assert message_of(Frame(0, 1, 0, 0x7F, refused.payload(), 1)) == refused


@pytest.mark.parametrize(
    ("message", "payload"),
    [
        (m.Report(), ""),
        (m.Demand(-10000), "f0d8"),
        (m.DemandAll((0, 10000, -10000, m.NO_DEMAND)), "00001027f0d80080"),
        (m.RollCall(0x1234, 0x56, 64, (0xABCD,)), "3412564000cdab"),
        (m.Assign(bytes(range(8)), 0xEF), "0001020304050607ef"),
        (m.Read(m.Memory.FACTORY, bytes([1, 22])), "020116"),
        (m.Moving(m.State.FOLLOWING, -1), "0002ffff"),
        (m.Refused(m.Outcome.OUT_OF_RANGE, -3000, 3000), "0348f4ffffb80b0000"),
        (
            m.Status(m.State.SOFT_STARTING, 5, 1, -2, 3, 7400, -40, 65535, 6, 7, 1),
            "00 01 05 0100 feff 0300 e81c d8ff ffff 0600 0700 01",
        ),
    ],
)
def test_payloads_written_by_hand(message: Message, payload: str) -> None:
    """calc: little endian, field after field, as the classes say; made with pencil, not with the codec."""
    assert message.payload() == bytes.fromhex(payload)


def test_request_and_reply_frames() -> None:
    asked = request_frame(m.Report(), 7, 200)
    assert asked == Frame(7, 0, 200, 0x44, b"", None)
    answered = reply_frame(m.Moving(m.State.LIMP, 0), asked, 7, 0xBEEF)
    assert answered == Frame(0, 7, 200, 0x44, bytes(4), 0xBEEF)


@pytest.mark.parametrize(
    ("field", "bad"),
    [
        ("destination", -1),
        ("destination", 0xF1),
        ("destination", 0xFE),
        ("destination", 0x100),
        ("source", -1),
        ("source", 0xF1),
        ("source", 0xFF),
        ("sequence", -1),
        ("sequence", 0x100),
        ("operation", -1),
        ("operation", 0x100),
        ("payload", bytes(MAX_PAYLOAD_BYTES + 1)),
        ("tag", -1),
        ("tag", 0x10000),
    ],
)
def test_bad_frame_field_is_refused_by_name(field: str, bad: object) -> None:
    good = Frame(1, 0, 0, 0x44, b"")
    with pytest.raises(EncodeError) as caught:
        replaced(good, field, bad)
    assert caught.value.field == field


def test_frame_limits_are_allowed() -> None:
    for frame in (
        Frame(0xFF, 0xF0, 0xFF, 0xFF, bytes(MAX_PAYLOAD_BYTES), 0xFFFF),
        Frame(0xF0, 0, 0, 0, b"", 0),
    ):
        assert decode_frame(encode_frame(frame)) == frame


@pytest.mark.parametrize(
    "wire",
    [b"", b"\x00", b"\x00\x00", b"\x00" * 14, bytes.fromhex("0002200201010251bbd5fffa82")],
    ids=["nothing", "one delimiter", "two delimiters", "delimiters", "no trailing delimiter"],
)
def test_not_a_frame(wire: bytes) -> None:
    assert decoded(wire) is None
    assert interpreted(wire) is None


@pytest.mark.parametrize(
    ("chunk_size", "kind", "text"),
    [
        (11, TruncatedFrameError, "11 bytes, a frame has 12 at least"),
        (12, ChecksumError, "check bytes"),
        (126, ChecksumError, "check bytes"),
        (127, DecodeError, "127 bytes, a frame has 126 at most"),
    ],
)
def test_sizes_at_the_edge(chunk_size: int, kind: type[DecodeError], text: str) -> None:
    """The size is judged before anything else, and each judgement has its own kind of error."""
    chunk = b"\x80" * chunk_size
    with pytest.raises(DecodeError, match=text) as caught:
        decode_frame(b"\x00" + chunk + b"\x00")
    assert type(caught.value) is kind
    assert caught.value.raw == chunk


def test_payload_shorter_than_announced_is_truncated() -> None:
    with pytest.raises(TruncatedFrameError, match="1 bytes where 2 are announced"):
        decode_frame(framed(bytes.fromhex("200201000051aa")))


def test_zero_byte_inside_is_refused() -> None:
    """Good check bytes over a string that still holds a zero: a receiver would have split it there."""
    wire = sealed(bytes.fromhex("07200001000051"))
    assert decoded(wire) is None
    assert interpreted(wire) is None
