"""Bits on the line and what a UART makes of them, against bit lists and values worked out by hand."""

from __future__ import annotations

from fractions import Fraction

import pytest
from hypothesis import given
from hypothesis import strategies as st

from sim.line import wired_and
from sim.uart import ReceivedByte, Receiver, Transmission, bits_ns, bytes_ns, character_bits

MBD = 1_000_000
BAUDS = (1_200, 9_600, 57_600, 115_200, 250_000, 921_600, 1_000_000, 3_000_000, 3_999_999)


def bits_of(data: bytes) -> list[int]:
    """Start bit, eight bits low one first, stop bit, for each byte."""
    return [bit for byte in data for bit in (0, *(int(one) for one in f"{byte:08b}"[::-1]), 1)]


def sent(data: bytes, start_ns: int = 0, baud: int = MBD) -> Transmission:
    return Transmission(start_ns, data, baud, object())


def seen(received: list[ReceivedByte]) -> list[tuple[int, bool]]:
    return [(byte.value, byte.framing_error) for byte in received]


# --- times -----------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("parity", "bits", "microseconds"), [(False, 10, 86.8056), (True, 11, 95.4861)], ids=["8N1", "8E1"]
)
def test_character_time_at_115200(parity: bool, bits: int, microseconds: float) -> None:
    """Value: calc, (1 + 8 + parity + stop) / baud. A time is rounded down to whole ns, so up to 1 ns is missing."""
    assert character_bits(parity) == bits
    assert bits_ns(bits * 1000, 115_200) / 1e6 == pytest.approx(microseconds, rel=1e-6)
    assert 0 <= microseconds * 1000 - bits_ns(bits, 115_200) < 1.0


def test_two_stop_bits_make_a_character_of_eleven_bits() -> None:
    assert character_bits(stop_bits=2) == 11
    assert character_bits(parity=True, stop_bits=2) == 12


def test_times_are_rounded_down_to_whole_nanoseconds() -> None:
    assert bits_ns(10, 115_200) == 86_805
    assert bits_ns(11, 115_200) == 95_486
    assert bytes_ns(1, 115_200) == 86_805
    assert bytes_ns(14, 115_200) == 1_215_277
    assert bytes_ns(128, MBD) == 1_280_000


def test_rounding_does_not_add_up() -> None:
    """1,152,000 bits at 115,200 Bd last ten seconds, to the nanosecond."""
    assert bytes_ns(115_200, 115_200) == 10_000_000_000
    assert Transmission(5, bytes(115_200), 115_200, None).end_ns == 10_000_000_005


# --- waveform --------------------------------------------------------------------------------------------------


@pytest.mark.parametrize("baud", BAUDS)
@pytest.mark.parametrize("start_ns", [0, 1, 86_805, 10**12 + 7])
def test_level_is_that_of_the_bit_list_around_every_edge(baud: int, start_ns: int) -> None:
    data = bytes([0x00, 0xFF, 0x55, 0xAA, 0x01, 0x80, 0x7E])
    bits = bits_of(data)
    one = sent(data, start_ns, baud)
    begins = [start_ns + int(Fraction(k * 10**9, baud)) for k in range(len(bits) + 1)]
    wanted = {begins[0] - 1: 1}
    for k, bit in enumerate(bits):
        wanted[begins[k]] = wanted[begins[k] + 1] = wanted[begins[k + 1] - 1] = bit
    wanted |= {begins[-1]: 1, begins[-1] + 1: 1}
    assert {time_ns: one.level(time_ns) for time_ns in wanted} == wanted
    assert one.end_ns == begins[-1]


@given(
    st.binary(min_size=1, max_size=12),
    st.sampled_from(BAUDS),
    st.integers(0, 10**10),
    st.integers(-100_000, 12_000_000),
)
def test_level_is_that_of_the_bit_list_anywhere(data: bytes, baud: int, start_ns: int, after_ns: int) -> None:
    bits = bits_of(data)
    begins = [int(Fraction(k * 10**9, baud)) for k in range(len(bits) + 1)]
    inside = [bit for k, bit in enumerate(bits) if begins[k] <= after_ns < begins[k + 1]]
    assert sent(data, start_ns, baud).level(start_ns + after_ns) == (inside[0] if inside else 1)


@given(st.binary(min_size=1, max_size=12), st.sampled_from(BAUDS), st.integers(0, 10**10))
def test_falling_edges_are_those_of_the_bit_list(data: bytes, baud: int, start_ns: int) -> None:
    bits = bits_of(data)
    wanted = [
        start_ns + int(Fraction(k * 10**9, baud))
        for k, (before, now) in enumerate(zip([1, *bits], bits, strict=False))
        if before and not now
    ]
    assert sent(data, start_ns, baud).falling_edges() == wanted


def test_waveform_sampled_a_hundred_times_a_bit() -> None:
    """Published check: samples at 11.52 MHz, 20 idle bits first, as decoded by sigrok-cli (uart, 115200 Bd).

    The data bits of the first byte span samples 2100 to 2900, those of each next byte 1000 samples more.
    """
    one = sent(bytes([0x02, 0x07, 0x41, 0x12]), bits_ns(20, 115_200), 115_200)

    def sample(number: int) -> int:
        """Level in the middle of a sample period."""
        return one.level(int(Fraction((2 * number + 1) * 10**9, 2 * 11_520_000)))

    assert [sample(number) for number in (0, 1999, 2000, 2099)] == [1, 1, 0, 0]
    for place, byte in enumerate((0x02, 0x07, 0x41, 0x12)):
        first = 2100 + 1000 * place
        assert [sample(first + 100 * k) for k in range(8)] == [byte >> k & 1 for k in range(8)]
        assert [sample(first + 100 * k + 99) for k in range(8)] == [byte >> k & 1 for k in range(8)]
        assert [sample(first + 800 + k) for k in (0, 99)] == [1, 1]


# --- one transmission ------------------------------------------------------------------------------------------


@given(
    st.binary(min_size=1, max_size=24),
    st.one_of(st.sampled_from(BAUDS), st.integers(1_200, 4_000_000)),
    st.integers(0, 10**12),
)
def test_one_transmission_is_received_as_sent(data: bytes, baud: int, start_ns: int) -> None:
    one = sent(data, start_ns, baud)
    received, rest = Receiver(baud, start_ns).receive([one], one.end_ns)
    assert [byte.value for byte in received] == list(data)
    assert [byte.start_ns - start_ns for byte in received] == [
        int(Fraction(10 * k * 10**9, baud)) for k in range(len(data))
    ]
    assert not any(byte.framing_error for byte in received)
    assert rest is None


def test_a_byte_is_complete_in_the_middle_of_its_stop_bit() -> None:
    received, rest = Receiver(MBD, 0).receive([sent(b"\x55", 400)], 10_400)
    assert received == [ReceivedByte(0x55, 400, 9_900, False)]
    assert rest is None


def test_a_receiver_gives_each_byte_once_however_often_it_is_asked() -> None:
    one, receiver = sent(b"\x01\x02\x03"), Receiver(MBD, 0)
    answers = [receiver.receive([one], until_ns) for until_ns in (0, 9_499, 9_500, 9_999, 10_000, 29_500, 99_000)]
    assert [([byte.value for byte in received], rest) for received, rest in answers] == [
        ([], 9_500),
        ([], 9_500),
        ([1], None),
        ([], None),
        ([], 19_500),
        ([2, 3], None),
        ([], None),
    ]


# --- several at once -------------------------------------------------------------------------------------------


def test_wired_and_of_two_bytes_sent_at_once() -> None:
    """0x55 and 0x33 at once are 0x11. Published check made with an independent UART decoder: sigrok-cli, on the
    AND of both waveforms."""
    both = [sent(b"\x55", 0, 115_200), sent(b"\x33", 0, 115_200)]
    assert wired_and(both) == [ReceivedByte(0x11, 0, 82_465, False)]


@given(st.lists(st.integers(0, 255), min_size=1, max_size=5), st.sampled_from(BAUDS))
def test_bytes_sent_at_once_are_received_as_their_and(values: list[int], baud: int) -> None:
    wanted = 0xFF
    for value in values:
        wanted &= value
    received = wired_and([sent(bytes([value]), 1_000, baud) for value in values])
    assert seen(received) == [(wanted, False)]


# Two bytes at 1 MBd, the second so many ns after the first. A receiver samples bit k of a byte that began at t
# at t + 1500 + 1000 k, and its stop bit at t + 9500.
OFFSETS = [
    pytest.param(0xFF, 0xFF, 3_000, [(0xFB, False)], id="start bit falls on data bit 2"),
    pytest.param(0xFF, 0xFF, 4_500, [(0xF7, False)], id="half a bit: low from 4500 to 5500 is sampled at 4500"),
    pytest.param(0xFF, 0xFF, 4_501, [(0xEF, False)], id="one ns more: low at 5500, no more at 4500"),
    pytest.param(0x00, 0x00, 5_000, [(0x00, True)], id="low from 0 to 14000: no stop bit, no second byte"),
    pytest.param(0xFF, 0xFF, 9_000, [(0xFF, True)], id="start bit falls on the stop bit and is spent there"),
    pytest.param(0xFF, 0xFF, 9_501, [(0xFF, False), (0xFF, False)], id="start bit just after the stop bit was sampled"),
    pytest.param(0xFF, 0x00, 9_000, [(0xFF, True)], id="no stop bit, then low until 18000"),
    pytest.param(
        0xFF, 0x55, 9_000, [(0xFF, True), (0xD5, False)], id="framing error, then from 11000 a byte out of step"
    ),
    pytest.param(0x0F, 0xFF, 6_000, [(0x0F, False)], id="hidden in bits that are low already"),
    pytest.param(0xFF, 0xFF, 10_000, [(0xFF, False), (0xFF, False)], id="one after the other"),
]


@pytest.mark.parametrize(("first", "second", "offset_ns", "wanted"), OFFSETS)
def test_overlap_by_an_offset(first: int, second: int, offset_ns: int, wanted: list[tuple[int, bool]]) -> None:
    assert seen(wired_and([sent(bytes([first])), sent(bytes([second]), offset_ns)])) == wanted


def test_after_a_low_stop_bit_the_next_byte_begins_at_a_falling_edge() -> None:
    """0x00 twice, 5000 ns apart, keep the line low until 14000; a third byte at 20000 is heard again."""
    received = wired_and([sent(b"\x00"), sent(b"\x00", 5_000), sent(b"\x3c", 20_000)])
    assert received == [ReceivedByte(0x00, 0, 9_500, True), ReceivedByte(0x3C, 20_000, 29_500, False)]


@given(
    st.binary(min_size=1, max_size=8), st.sampled_from(BAUDS), st.fractions(0, Fraction(49, 100)), st.integers(0, 10**9)
)
def test_twins_within_half_a_bit_look_like_one(data: bytes, baud: int, share: Fraction, start_ns: int) -> None:
    """Identical bits on one bit edge are undetectable: that is what uid and tag are for."""
    offset_ns = int(share * 10**9 / baud)
    one, other = sent(data, start_ns, baud), sent(data, start_ns + offset_ns, baud)
    assert seen(wired_and([one, other])) == [(byte, False) for byte in data]


@given(st.binary(min_size=1, max_size=8), st.sampled_from(BAUDS), st.data())
def test_twins_a_bit_or_more_apart_never_look_like_one(data: bytes, baud: int, draw: st.DataObject) -> None:
    offset_ns = draw.draw(st.integers(10**9 // baud + 1, bytes_ns(len(data), baud) - 1), label="offset_ns")
    both = [sent(data, 0, baud), sent(data, offset_ns, baud)]
    assert seen(wired_and(both)) != [(byte, False) for byte in data]
