"""The frame check: published values, second libraries, and what it is promised to find."""

from __future__ import annotations

import binascii
import itertools
import os
from collections.abc import Iterator

import crccheck.crc
import crcmod.predefined
import pytest
from hypothesis import given
from hypothesis import strategies as st
from pymodbus.framer import FramerRTU

from busproto.wire import BadFrame, ChecksumError, DecodeError, Decoder, Frame, decode_frame, encode_frame
from busproto.wire.codec import decode_chunk
from busproto.wire.crc import (
    CRC_CHECK,
    CRC_POLYNOMIAL,
    CRC_WIDTH_BITS,
    TRAILER_BYTES,
    crc24,
    trailer,
)
from tests.independent import REFLECTED_POLYNOMIAL, check_bytes, crc24_by_bits
from tests.strategies import frames, message_frames
from tests.wire.vectors import VECTORS, Vector

NINE = b"123456789"

second_library = crccheck.crc.Crc(
    width=24, poly=0x5D6DCB, initvalue=0xFFFFFF, reflect_input=True, reflect_output=True, xor_output=0xFFFFFF
)


def test_check_value() -> None:
    """Check value of this project's CRC; the bit loop and crccheck compute it too."""
    assert CRC_CHECK == 0x2F27EE
    assert crc24(NINE) == CRC_CHECK
    assert crc24_by_bits(NINE) == CRC_CHECK
    assert second_library.calc(NINE) == CRC_CHECK


def test_polynomial() -> None:
    """The polynomial of the RevEng catalogue entries for the FlexRay frame CRC; crcmod knows it as well."""
    assert CRC_POLYNOMIAL == 1 << CRC_WIDTH_BITS | 0x5D6DCB
    assert crccheck.crc.Crc24FlexrayA.poly() == 0x5D6DCB
    assert int(f"{REFLECTED_POLYNOMIAL:024b}"[::-1], 2) == 0x5D6DCB


@given(st.binary(max_size=130))
def test_crc_equals_bit_loop_and_second_library(data: bytes) -> None:
    assert crc24(data) == crc24_by_bits(data) == second_library.calc(data)


@given(st.binary(min_size=1, max_size=121))
def test_trailer_equals_definition(data: bytes) -> None:
    assert trailer(data) == check_bytes(data)


@pytest.mark.parametrize("size", [1, 7, 121])
def test_trailer_of_extremes(size: int) -> None:
    """No zero bits, and nothing but zero bits: the count has room for both."""
    for data in (b"\xff" * size, b"\x00" * size):
        assert trailer(data) == check_bytes(data)
    assert trailer(b"\xff" * size)[4] == 0x80


# --- the oracles themselves -------------------------------------------------------------------------------------


def test_modbus_check_value() -> None:
    """RevEng catalogue entry CRC-16/MODBUS; crcmod and crccheck compute it too."""
    assert crcmod.predefined.mkCrcFun("modbus")(NINE) == 0x4B37
    assert crccheck.crc.Crc16Modbus.calc(NINE) == 0x4B37


def test_modbus_worked_example_and_byte_order() -> None:
    """MODBUS over Serial Line V1.02, CRC appendix (from memory): 02 07 gives 1241h, sent as 41 12.

    Trap: pymodbus returns it with its bytes swapped, as it sends it high byte first from there.
    """
    example = bytes.fromhex("0207")
    assert crcmod.predefined.mkCrcFun("modbus")(example) == 0x1241
    assert crccheck.crc.Crc16Modbus.calc(example) == 0x1241
    assert FramerRTU.compute_CRC(example) == 0x4112


@pytest.mark.parametrize(
    ("crccheck_name", "crcmod_name", "expected"),
    [
        ("Crc16Arc", "crc-16", 0xBB3D),
        ("Crc16Ibm3740", "crc-ccitt-false", 0x29B1),
        ("Crc16Xmodem", "xmodem", 0x31C3),
        ("Crc16X25", "x-25", 0x906E),
        ("Crc16Kermit", "kermit", 0x2189),
        ("Crc8Smbus", "crc-8", 0xF4),
        ("Crc8MaximDow", "crc-8-maxim", 0xA1),
        ("Crc8SaeJ1850", None, 0x4B),
        ("Crc15Can", None, 0x059E),
        ("Crc32", "crc-32", 0xCBF43926),
        ("Crc32C", "crc-32c", 0xE3069283),
        ("Crc24FlexrayA", "crc-24-flexray-a", 0x7979BD),
        ("Crc24FlexrayB", "crc-24-flexray-b", 0x1F23B8),
        ("Crc24Openpgp", "crc-24", 0x21CF02),
    ],
)
def test_oracles_against_catalogue(crccheck_name: str, crcmod_name: str | None, expected: int) -> None:
    """Check values named as in the RevEng catalogue: both libraries that judge our CRC compute them."""
    assert getattr(crccheck.crc, crccheck_name).calc(NINE) == expected
    if crcmod_name is not None:
        assert crcmod.predefined.mkCrcFun(crcmod_name)(NINE) == expected


def test_oracles_against_standard_library() -> None:
    """binascii computes three of them, independent of both libraries."""
    assert binascii.crc_hqx(NINE, 0) == 0x31C3
    assert binascii.crc_hqx(NINE, 0xFFFF) == 0x29B1
    assert binascii.crc32(NINE) == 0xCBF43926


# --- what is always found ---------------------------------------------------------------------------------------


def flipped(data: bytes, pattern: int) -> bytes:
    """`data` with the bits of `pattern` changed; bit 0 is the first bit on the line."""
    return (int.from_bytes(data, "little") ^ pattern).to_bytes(len(data), "little")


def is_accepted(chunk: bytes) -> bool:
    try:
        decode_chunk(chunk)
    except DecodeError:
        return False
    return True


SIXTEEN = [vector for vector in VECTORS if len(vector.wire) == 16]


def test_there_are_frames_of_sixteen_bytes() -> None:
    assert [vector.name for vector in SIXTEEN] == ["reply, empty, tag BEEF", "broadcast, two bytes"]
    assert all(is_accepted(vector.wire[1:-1]) for vector in SIXTEEN)


@pytest.mark.parametrize("vector", SIXTEEN, ids=lambda vector: vector.name)
def test_every_double_error_is_found(vector: Vector) -> None:
    """All pairs of bits of a 16-byte frame between its delimiters: calc, exhaustive."""
    chunk = vector.wire[1:-1]
    pairs = list(itertools.combinations(range(8 * len(chunk)), 2))
    assert len(pairs) == 6216
    assert not [pair for pair in pairs if is_accepted(flipped(chunk, 1 << pair[0] | 1 << pair[1]))]


def bursts(bits: int, length: int, step: int) -> Iterator[int]:
    """Errors that begin and end with a flipped bit, `length` bits long, at every place of `bits`."""
    for inner in range(0, 1 << max(0, length - 2), step):
        burst = 1 | inner << 1 | 1 << length - 1
        for at in range(bits - length + 1):
            yield burst << at


@pytest.mark.parametrize("length", range(1, 17))
def test_every_burst_is_found(length: int) -> None:
    """Bursts of up to 16 bits anywhere between the delimiters of a 16-byte frame.

    Up to 10 bits every one; of the longer ones every 31st inner pattern, all of them in the deep profile.
    """
    chunk = SIXTEEN[0].wire[1:-1]
    step = 1 if length <= 10 or os.environ.get("HYPOTHESIS_PROFILE") == "deep" else 31
    patterns = set(bursts(8 * len(chunk), length, step))
    assert len(patterns) >= (113 - length) * ((1 << max(0, length - 2)) // step)
    assert not [pattern for pattern in patterns if is_accepted(flipped(chunk, pattern))]


def test_every_one_two_and_three_flips_are_found() -> None:
    """Hamming distance: all 234,248 ways to hit up to three bits of the shortest frame, delimiters too."""
    wire = VECTORS[0].wire
    bits = 8 * len(wire)
    tried = 0
    whole = int.from_bytes(wire, "little")
    single = [1 << bit for bit in range(bits)]
    for count in (1, 2, 3):
        for hit in itertools.combinations(single, count):
            tried += 1
            stream = (whole ^ sum(hit)).to_bytes(len(wire), "little") + b"\x00"
            assert not [one for one in Decoder().feed(stream) if isinstance(one, Frame)]
    assert tried == 234_248


def test_flips_are_not_found_by_refusing_everything() -> None:
    """The counter-check of the above: the untouched frame passes the very same way."""
    assert Decoder().feed(VECTORS[0].wire + b"\x00") == [VECTORS[0].frame]


@given(frames(), st.data())
def test_up_to_five_flips_are_found(frame: Frame, data: st.DataObject) -> None:
    """Hamming distance 6 holds for frames of any length, as long as no delimiter is made."""
    chunk = encode_frame(frame)[1:-1]
    places = data.draw(st.sets(st.integers(0, 8 * len(chunk) - 1), min_size=1, max_size=5))
    assert not is_accepted(flipped(chunk, sum(1 << place for place in places)))


@given(frames(), st.data())
def test_errors_in_one_direction_are_found(frame: Frame, data: st.DataObject) -> None:
    """Any number of bits that only fall, or only rise: the count of zero bits finds them (Berger's idea)."""
    chunk = encode_frame(frame)[1:-1]
    mask = data.draw(st.binary(min_size=len(chunk), max_size=len(chunk)))
    fallen = bytes(byte & other for byte, other in zip(chunk, mask, strict=True))
    risen = bytes(byte | other for byte, other in zip(chunk, mask, strict=True))
    for spoilt in (fallen, risen):
        if spoilt != chunk:
            assert not is_accepted(spoilt)


def test_checksum_error_tells_both() -> None:
    wire = bytearray(VECTORS[0].wire)
    wire[-2] ^= 0x01
    with pytest.raises(ChecksumError) as caught:
        decode_frame(bytes(wire))
    assert caught.value.expected == VECTORS[0].wire[-6:-1]
    assert caught.value.actual == bytes(wire[-6:-1])
    assert len(caught.value.actual) == TRAILER_BYTES


# --- several talk at once ---------------------------------------------------------------------------------------


def wired_and(*wires: bytes) -> bytes:
    """What an open-drain line carries when senders start on the same bit edge."""
    value = int.from_bytes(wires[0], "little")
    for wire in wires[1:]:
        value &= int.from_bytes(wire, "little")
    return value.to_bytes(len(wires[0]), "little")


def test_wired_and_of_published_bytes() -> None:
    """55h and 33h at once read as 11h (a logic analyser's UART decoder on the AND of both waveforms)."""
    assert wired_and(b"\x55", b"\x33") == b"\x11"


@st.composite
def colliding_frames(draw: st.DrawFn) -> list[Frame]:
    """Two to four different replies of equal length; mostly alike, as neighbouring serial numbers are."""
    first = draw(message_frames() | frames())
    size = len(first.payload)
    alike = st.builds(
        lambda at, bit, tag: Frame(
            first.destination,
            first.source,
            first.sequence,
            first.operation,
            flipped(first.payload, 1 << (8 * at + bit) % (8 * size)) if size else b"",
            None if first.tag is None else tag,
        ),
        st.integers(0, max(0, size - 1)),
        st.integers(0, 7),
        st.integers(0, 0xFFFF),
    )
    unlike = st.builds(
        Frame,
        st.just(first.destination),
        st.integers(0, 240),
        st.just(first.sequence),
        st.just(first.operation),
        st.binary(min_size=size, max_size=size),
        st.none() if first.tag is None else st.integers(0, 0xFFFF),
    )
    others = draw(st.lists(alike | unlike, min_size=1, max_size=3))
    return [first, *others]


@given(colliding_frames())
def test_wired_and_of_different_frames_is_never_a_frame(all_frames: list[Frame]) -> None:
    wires = {encode_frame(frame) for frame in all_frames}
    heard = Decoder().feed(wired_and(*wires) + b"\x00")
    if len(wires) == 1:  # the same bits on the same edges: no code can see that there were two
        assert heard == [all_frames[0]]
    else:
        assert heard
        assert all(isinstance(one, BadFrame) for one in heard)
