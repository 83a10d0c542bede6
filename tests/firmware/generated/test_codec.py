"""The generated C against the Python codec: vectors, every message both ways, any bytes through both receivers."""

from __future__ import annotations

from typing import Any

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from busproto.errors import DecodeError, EncodeError
from busproto.wire import (
    PARAMETERS,
    BadFrame,
    Decoder,
    Frame,
    Message,
    crc24,
    decode_frame,
    encode_frame,
    hash,
    message_of,
    timing,
)
from busproto.wire.codec import decode_chunk
from busproto.wire.definition.generate import describe
from busproto.wire.message import BARE_REPLIES, OPERATIONS
from busproto.wire.parameters import BY_NAME, disagreement
from tests.firmware import needs
from tests.firmware.generated.codec import CReceiver, codec
from tests.strategies import (
    BYTES,
    MESSAGE_CLASSES,
    frames,
    frames_of,
    message_frames,
    messages_of,
    payloads,
    plain_message,
    spoiled,
    spoiled_wires,
)
from tests.wire.vectors import VECTORS, Vector

needs.compiler_and_cffi()

each_class = pytest.mark.parametrize("kind", MESSAGE_CLASSES, ids=lambda kind: kind.__name__)


def by_python(kind: Any, payload: bytes) -> Message | str:
    try:
        parsed: Message = kind.parse(payload)
    except DecodeError:
        return "content"
    return parsed


def both_hear(stream: bytes) -> tuple[list[Frame | str], list[Frame | str]]:
    """What both receivers find in a stream, byte by byte, with the number of the byte that completed it."""
    decoder, receiver = Decoder(), CReceiver(codec())
    python: list[Any] = []
    c: list[Any] = []
    for at, byte in enumerate(stream):
        python += [(at, one.reason if isinstance(one, BadFrame) else one) for one in decoder.feed(bytes([byte]))]
        got = receiver.byte(byte)
        c += [(at, got)] if got is not None else []
    assert (decoder.good, decoder.bad) == receiver.counts
    return python, c


# --- frames ----------------------------------------------------------------------------------------------------


@pytest.mark.parametrize("vector", VECTORS, ids=lambda vector: vector.name)
def test_vectors(vector: Vector) -> None:
    assert codec().encode(vector.frame) == vector.wire
    assert codec().decode_chunk(vector.wire[1:-1]) == vector.frame
    ffi, lib = codec().ffi, codec().lib
    encoded = vector.wire[1:-6]
    assert lib.bp_crc24_end(lib.bp_crc24_add(0xFFFFFF, ffi.from_buffer(encoded), len(encoded))) == vector.crc


@given(st.binary(max_size=300), st.integers(0, 300))
def test_crc_in_two_parts(data: bytes, cut: int) -> None:
    lib = codec().lib
    first = lib.bp_crc24_add(0xFFFFFF, data[:cut], len(data[:cut]))
    assert lib.bp_crc24_end(lib.bp_crc24_add(first, data[cut:], len(data[cut:]))) == crc24(data)


@given(frames())
def test_any_frame_both_ways(frame: Frame) -> None:
    wire = encode_frame(frame)
    assert codec().encode(frame) == wire
    assert codec().decode_chunk(wire[1:-1]) == frame


@pytest.mark.parametrize(
    ("name", "value"),
    [("destination", 0xF1), ("destination", 0xFE), ("source", 0xF1), ("source", 0xFF), ("payload_length", 113)],
)
def test_a_frame_that_cannot_be_sent_is_not(name: str, value: int) -> None:
    made = codec().c_frame(Frame(5, 0, 1, 0x44, b""))
    setattr(made, name, value)
    assert codec().lib.bp_encode_frame(made, codec().ffi.new("uint8_t[128]")) == 0


@given(spoiled_wires(payloads()) | st.binary(max_size=200))
def test_any_chunk(data: bytes) -> None:
    chunk = data.replace(b"\x00", b"\x01") if len(data) % 3 else data[1:-1]
    try:
        expected: Frame | None = decode_chunk(chunk)
    except DecodeError:
        expected = None
    got = codec().decode_chunk(chunk)
    assert (got if isinstance(got, Frame) else None) == expected


# --- messages --------------------------------------------------------------------------------------------------


@each_class
@given(data=st.data())
def test_every_message_both_ways(kind: Any, data: st.DataObject) -> None:
    message = data.draw(messages_of(kind))
    payload = message.payload()
    assert codec().pack(kind, codec().fill(message)) == payload
    assert codec().unpack(kind, payload) == message


@each_class
@given(data=st.data())
def test_every_message_in_its_frame(kind: Any, data: st.DataObject) -> None:
    frame, message = data.draw(frames_of(kind))
    assert codec().unpack_any(frame) == message == message_of(frame)
    assert codec().pack_any(message, frame) == frame


@each_class
@given(data=st.data())
def test_any_payload_is_taken_or_refused_alike(kind: Any, data: st.DataObject) -> None:
    payload = data.draw(payloads() | spoiled(messages_of(kind).map(lambda one: one.payload())))[:112]
    assert codec().unpack(kind, payload) == by_python(kind, payload)


@given(frames() | message_frames())
def test_any_frame_holds_the_same_message_or_none(frame: Frame) -> None:
    try:
        expected: Message | str = message_of(frame)
    except DecodeError:
        known = frame.operation in OPERATIONS
        if frame.is_reply:
            refused = bool(frame.payload[:1].strip(b"\x00")) and frame.operation not in BARE_REPLIES
            known = refused or (known and OPERATIONS[frame.operation].reply is not None)
        expected = "content" if known else "unknown"
    assert codec().unpack_any(frame) == expected


@each_class
def test_what_the_definition_does_not_allow_is_not_packed(kind: Any) -> None:
    """Each integer, and each list, one beyond what is allowed, where the C type still holds it."""
    tried = 0
    for item in describe(kind.LAYOUT):
        if not item.name or item.constant is not None:
            continue
        bad: list[Any] = []
        if item.kind == "list" or item.kind == "rest":
            low, high = item.count
            few = [() if item.kind == "list" else b""] if low else []
            bad = few
            made = codec().fill(plain_message(kind))
            if high < 255:
                setattr(made, f"{item.name}_count", high + 1)
                assert codec().pack(kind, made) == "content"
                tried += 1
            if item.limits is not None:
                bad += [(item.limits.high + 1,), (item.limits.low - 1,)]
        elif item.members is not None:
            bad = [max(item.members) + 1]
        elif item.limits is not None:
            both = (item.limits.low - 1, item.limits.high + 1)
            bad = [value for value in both if value >= 0 or item.format.islower()]
        for value in bad:
            made = codec().fill(plain_message(kind))
            codec().put(made, item, value)
            assert codec().pack(kind, made) == "content", (item.name, value)
            tried += 1
    has_limits = any(
        item.name and item.constant is None and (item.limits or item.members or item.count)
        for item in describe(kind.LAYOUT)
    )
    assert bool(tried) == has_limits


# --- receivers -------------------------------------------------------------------------------------------------


@given(st.lists(st.binary(max_size=300) | message_frames().map(encode_frame), max_size=6).map(b"".join))
def test_any_stream_through_both_receivers(stream: bytes) -> None:
    python, c = both_hear(stream)
    assert c == python


@given(st.lists(spoiled(message_frames().map(encode_frame)), min_size=1, max_size=6).map(b"".join))
def test_spoiled_frames_through_both_receivers(stream: bytes) -> None:
    python, c = both_hear(stream)
    assert c == python


@given(spoiled_wires(st.binary(min_size=6, max_size=120)))
def test_well_checked_nonsense_through_both_receivers(wire: bytes) -> None:
    python, c = both_hear(wire + b"\x00")
    assert c == python


@pytest.mark.parametrize("size", [1, 11, 12, 126, 127, 128, 255, 256, 257, 1000, 70_000])
def test_a_piece_of_any_length_costs_itself_only(size: int) -> None:
    stream = b"\x55" * size + VECTORS[0].wire
    python, c = both_hear(stream)
    assert c == python
    assert [one for _, one in python][1:] == [VECTORS[0].frame]


# --- tables ----------------------------------------------------------------------------------------------------


@given(st.binary(min_size=8, max_size=8), st.integers(0, 0xFFFF), BYTES, st.integers(0, 1024))
def test_hash(uid: bytes, epoch: int, salt: int, slots: int) -> None:
    lib = codec().lib
    value = hash.uid_hash(uid, epoch, salt)
    assert lib.bp_uid_hash(uid, epoch, salt) == value
    assert lib.bp_slot_of(value, slots) == hash.slot_of(value, slots)
    assert lib.bp_digest_of(value) == hash.digest_of(value)
    assert lib.bp_list_answer(value) == hash.list_answer(value)
    assert lib.bp_unlisted_answer(value) == hash.unlisted_answer(value)
    assert lib.bp_device_tag(uid) == hash.device_tag(uid)


def test_an_unlisted_actuator_never_answers_with_zero() -> None:
    assert codec().lib.bp_unlisted_answer(0xFFFFFF80) == 1


def test_times() -> None:
    names = [name for name in vars(timing) if name.endswith("_NS")]
    assert len(names) > 5
    for name in names:
        assert getattr(codec().lib, f"BP_{name}") == getattr(timing, name)
    assert codec().lib.BP_UNLISTED_SLOTS == timing.UNLISTED_SLOTS


def test_operations() -> None:
    lib, ffi = codec().lib, codec().ffi
    rows = [lib.bp_operations[at] for at in range(lib.BP_OPERATIONS)]
    to = {"one": 1, "all": 2, "one or all": 3}
    assert [
        (row.number, ffi.string(row.name).decode(), row.audience, bool(row.has_reply), bool(row.is_bare))
        for row in rows
    ] == [
        (number, one.name, to[one.audience], one.reply is not None, number in BARE_REPLIES)
        for number, one in sorted(OPERATIONS.items())
    ]
    assert lib.bp_operation_of(0x99) == ffi.NULL


def test_parameters() -> None:
    lib, ffi = codec().lib, codec().ffi
    rows = [lib.bp_parameters[at] for at in range(lib.BP_PARAMETERS)]
    assert [
        (row.number, row.size, row.points, row.low, row.high, row.factory, row.counts_per_unit, bool(row.moves))
        for row in rows
    ] == [
        (
            row.number,
            row.size,
            row.points,
            row.low,
            row.high,
            row.default if isinstance(row.default, int) else 0,
            row.counts_per_unit,
            row.moves,
        )
        for row in PARAMETERS.values()
    ]
    texts = [tuple(ffi.string(text).decode() for text in (row.name, row.unit, row.count_unit)) for row in rows]
    assert texts == [(row.name, row.unit, row.count_unit) for row in PARAMETERS.values()]
    assert lib.bp_parameter_of(0) == ffi.NULL


def settings_put(made: Any, number: int, data: bytes) -> str:
    result = codec().lib.bp_settings_put(made, number, data, len(data))
    return {0: "ok", 4: "content", 5: "unknown", 6: "out of range"}[result]


def settings_get(made: Any, number: int) -> bytes:
    value = codec().ffi.new("uint8_t[]", codec().lib.BP_LONGEST_VALUE_BYTES)
    return bytes(codec().ffi.buffer(value, codec().lib.bp_settings_get(made, number, value)))


@given(st.sampled_from(list(PARAMETERS.values())), st.binary(max_size=70) | st.binary(max_size=2))
def test_a_value_is_taken_as_the_table_says(row: Any, data: bytes) -> None:
    made = codec().ffi.new("bp_settings *")
    codec().lib.bp_settings_factory(made)
    before = {number: settings_get(made, number) for number in PARAMETERS}
    assert before == {number: one.encode(one.default) for number, one in PARAMETERS.items()}
    try:
        row.decode(data)
        expected = "ok"
    except EncodeError:
        count, odd = divmod(len(data), row.size)
        expected = "content" if odd or (not row.points and count != 1) else "out of range"
    assert settings_put(made, row.number, data) == expected
    after = {number: settings_get(made, number) for number in PARAMETERS}
    assert after == ({**before, row.number: data} if expected == "ok" else before)


@given(st.integers(1000, 18_000), st.lists(st.integers(-1000, 1000), min_size=2, max_size=33) | st.just([]))
def test_a_set_agrees_as_the_page_says(travel: int, table: list[int]) -> None:
    """Both against numpy: the angle of every point, in either direction, never turns back."""
    made = codec().ffi.new("bp_settings *")
    codec().lib.bp_settings_factory(made)
    made.travel, made.correction_count = travel, len(table)
    for at, value in enumerate(table):
        made.correction[at] = value
    spans = max(1, len(table) - 1)
    sums = [side * travel * np.arange(len(table)) + spans * np.array(table, dtype=int) for side in (1, -1)]
    rises = [side * np.diff(angles) for side, angles in zip((1, -1), sums, strict=True)]
    good = all((rise >= 0).all() for rise in rises)
    assert bool(codec().lib.bp_settings_agree(made)) == good
    assert (disagreement({"travel": travel, "correction": tuple(table)}) == "") == good
    steepest = int(np.abs(np.diff(table)).max()) * spans if table else 0
    assert codec().lib.bp_settings_least(made, BY_NAME["travel"].number) == max(1000, steepest)


def test_no_such_parameter() -> None:
    made = codec().ffi.new("bp_settings *")
    assert [settings_put(made, number, b"\x00") for number in (0, 23, 255)] == ["unknown"] * 3
    assert settings_get(made, 200) == b""


def test_the_examples_of_the_page_are_understood() -> None:
    from busproto.wire.page import examples

    for _, frame in examples():
        assert codec().unpack_any(decode_frame(codec().encode(frame))) == message_of(frame)
