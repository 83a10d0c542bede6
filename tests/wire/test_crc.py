"""The frame check: published values, second libraries, and what it is promised to find."""

from __future__ import annotations

import binascii
import itertools
import os
import random
from collections.abc import Iterator
from typing import Final

import crccheck.crc
import pytest
from hypothesis import given
from hypothesis import strategies as st
from pymodbus.framer import FramerRTU

from busproto.wire import BadFrame, ChecksumError, DecodeError, Decoder, Frame, decode_frame, encode_frame
from busproto.wire.codec import decode_chunk
from busproto.wire.crc import (
    CRC_CHECK,
    CRC_MODEL,
    CRC_POLYNOMIAL,
    CRC_WIDTH_BITS,
    TRAILER_BYTES,
    CrcModel,
    crc24,
    trailer,
)
from tests.independent import codec as by_the_page
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
    assert by_the_page.crc24(NINE) == CRC_CHECK
    assert second_library.calc(NINE) == CRC_CHECK


def test_polynomial() -> None:
    """The polynomial of the RevEng catalogue entries for the FlexRay frame CRC; crcmod knows it as well."""
    assert CRC_POLYNOMIAL == 1 << CRC_WIDTH_BITS | 0x5D6DCB
    assert crccheck.crc.Crc24FlexrayA.poly() == 0x5D6DCB


@given(st.binary(max_size=130))
def test_crc_equals_the_pages_and_second_library(data: bytes) -> None:
    assert crc24(data) == by_the_page.crc24(data) == second_library.calc(data)


@given(st.binary(min_size=1, max_size=121))
def test_trailer_equals_definition(data: bytes) -> None:
    assert trailer(data) == by_the_page.check_of(data)


@pytest.mark.parametrize("size", [1, 7, 121])
def test_trailer_of_extremes(size: int) -> None:
    """No zero bits, and nothing but zero bits: the count has room for both."""
    for data in (b"\xff" * size, b"\x00" * size):
        assert trailer(data) == by_the_page.check_of(data)
    assert trailer(b"\xff" * size)[4] == 0x80


# --- other models, by the code that makes ours ------------------------------------------------------------------

MODELS: Final = {
    # name as in the RevEng catalogue: model, CRC of "123456789"
    "CRC-16/MODBUS": (CrcModel(16, 0x18005, 0xFFFF, 0, True), 0x4B37),
    "CRC-16/ARC": (CrcModel(16, 0x18005, 0, 0, True), 0xBB3D),
    "CRC-16/IBM-3740": (CrcModel(16, 0x11021, 0xFFFF, 0, False), 0x29B1),
    "CRC-16/XMODEM": (CrcModel(16, 0x11021, 0, 0, False), 0x31C3),
    "CRC-16/IBM-SDLC (X-25)": (CrcModel(16, 0x11021, 0xFFFF, 0xFFFF, True), 0x906E),
    "CRC-16/KERMIT": (CrcModel(16, 0x11021, 0, 0, True), 0x2189),
    "CRC-8/SMBUS": (CrcModel(8, 0x107, 0, 0, False), 0xF4),
    "CRC-8/MAXIM-DOW": (CrcModel(8, 0x131, 0, 0, True), 0xA1),
    "CRC-8/SAE-J1850": (CrcModel(8, 0x11D, 0xFF, 0xFF, False), 0x4B),
    "CRC-24/FLEXRAY-A": (CrcModel(24, 0x15D6DCB, 0xFEDCBA, 0, False), 0x7979BD),
    "CRC-32/ISO-HDLC": (CrcModel(32, 0x104C11DB7, 0xFFFFFFFF, 0xFFFFFFFF, True), 0xCBF43926),
    "CRC-32/ISCSI (C)": (CrcModel(32, 0x11EDC6F41, 0xFFFFFFFF, 0xFFFFFFFF, True), 0xE3069283),
    "ours": (CRC_MODEL, CRC_CHECK),
}
MODBUS, X25, DOW = (MODELS[name][0] for name in ("CRC-16/MODBUS", "CRC-16/IBM-SDLC (X-25)", "CRC-8/MAXIM-DOW"))


def by_table(model: CrcModel, data: bytes, bits: int) -> int:
    """As the decoders for other tools and the C do it, so many bits at a time."""
    table, register = model.table(bits), model.start
    for byte in data:
        register ^= byte
        for _ in range(8 // bits):
            register = register >> bits ^ table[register & (1 << bits) - 1]
    return register ^ model.final


@pytest.mark.parametrize("name", MODELS)
def test_a_model_has_the_check_value_of_the_catalogue(name: str) -> None:
    """Names and values of the RevEng catalogue: the first read as copied in public code, the others as crccheck has
    them.
    """
    model, expected = MODELS[name]
    assert model.function()(NINE) == expected
    if model.is_reflected:
        assert by_table(model, NINE, 8) == by_table(model, NINE, 4) == expected
    else:
        with pytest.raises(ValueError, match="reflected models only"):
            model.table(8)


@given(st.sampled_from(sorted(MODELS)), st.binary(max_size=40))
def test_a_model_is_that_of_a_second_library(name: str, data: bytes) -> None:
    model, _ = MODELS[name]
    second = crccheck.crc.Crc(
        width=model.width_bits,
        poly=model.polynomial ^ 1 << model.width_bits,
        initvalue=model.start,
        reflect_input=model.is_reflected,
        reflect_output=model.is_reflected,
        xor_output=model.final,
    )
    assert model.function()(data) == second.calc(data)
    if model.is_reflected:
        assert by_table(model, data, 8) == by_table(model, data, 4) == second.calc(data)


def test_worked_examples() -> None:
    """02 07 gives 1241h, sent as 41 12 (MODBUS over Serial Line V1.02, CRC appendix, from memory); the serial number
    02 1C B8 01 00 00 00 gives A2h (1-Wire CRC application note 27, from memory).

    Trap: pymodbus returns the first with its bytes swapped, as it sends it high byte first from there.
    """
    example = bytes.fromhex("0207")
    assert MODBUS.function()(example).to_bytes(2, "little") == bytes.fromhex("4112")
    assert FramerRTU.compute_CRC(example) == 0x4112
    assert DOW.function()(bytes.fromhex("021CB801000000")) == 0xA2


@given(st.binary(max_size=130))
def test_the_residue_where_the_check_follows_low_byte_first(data: bytes) -> None:
    """MODBUS 0; X-25 F0B8h before the final exclusive or: RFC 1662 C.2 (read as copied in public code). The same of
    ours, whatever the data are.
    """
    for model, residue in ((MODBUS, 0), (X25, 0xF0B8), (CRC_MODEL, crc24(crc24(b"").to_bytes(3, "little")) ^ 0xFFFFFF)):
        crc = model.function()
        whole = data + crc(data).to_bytes(model.width_bits // 8, "little")
        assert crc(whole) ^ model.final == residue


@pytest.mark.parametrize(
    ("polynomial", "width_bits", "order", "primes"),
    [(0x18005, 16, 32_767, (7, 31, 151)), (0x11021, 16, 32_767, (7, 31, 151)), (0x107, 8, 127, (127,))],
    ids=["18005", "11021", "107"],
)
def test_how_long_data_have_a_hamming_distance_of_four(
    polynomial: int, width_bits: int, order: int, primes: tuple[int, ...]
) -> None:
    """Two errors `order` bits apart are the nearest that stay unseen (its factors show that none is nearer), so data
    of `order` bits less the check have distance 4; an odd number of errors is always seen.

    Koopman & Chakravarty, DSN 2004, from memory: 32 751 and 119 data bits.
    """
    crc = CrcModel(width_bits, polynomial, 0, 0, True).function()
    size = order // 8 + 2
    whole = bytes(size)

    def is_unseen(*places: int) -> bool:
        return crc(flipped(whole, sum(1 << place for place in places))) == crc(whole)

    assert is_unseen(3, 3 + order)
    assert not any(is_unseen(3, 3 + order // prime) for prime in primes)
    assert order - width_bits == {32_767: 32_751, 127: 119}[order]
    draw = random.Random(polynomial)
    for count in (1, 3, 5, 7):
        assert not any(is_unseen(*draw.sample(range(8 * size), count)) for _ in range(50))


def test_against_the_standard_library() -> None:
    """binascii computes three of them."""
    for name, judge in (
        ("CRC-16/XMODEM", lambda data: binascii.crc_hqx(data, 0)),
        ("CRC-16/IBM-3740", lambda data: binascii.crc_hqx(data, 0xFFFF)),
        ("CRC-32/ISO-HDLC", binascii.crc32),
    ):
        for data in (b"", NINE, bytes(range(256))):
            assert MODELS[name][0].function()(data) == judge(data)


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
