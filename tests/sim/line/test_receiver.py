"""What a UART makes of a waveform, against values worked out by hand and against published limits of real receivers."""

from __future__ import annotations

from collections.abc import Callable
from fractions import Fraction

import pytest
from hypothesis import given
from hypothesis import strategies as st

from busproto.sim.line.receiver import ReceivedByte, Receiver, byte_ns, tolerance
from busproto.sim.line.waveform import bits_ns, level_at, of_bytes, rate_of, wired_and

MBD = 1_000_000
BAUDS = (1_200, 9_600, 57_600, 115_200, 250_000, 921_600, 1_000_000, 3_000_000, 3_999_999)
WORST = bytes([0x00, 0xFF, 0x00, 0x55, 0xAA, 0x01, 0x80, 0x7E, 0x00])
"""Bytes back to back whose stop bits stand alone between lows, and whose data bits are high up to the next byte."""


def sent(data: bytes, start_ns: int = 0, baud: int = MBD) -> list[int]:
    return of_bytes(start_ns, data, rate_of(baud))


def hear(edges: list[int], baud: int = MBD, until_ns: int = 10**13) -> list[ReceivedByte]:
    received, rest = Receiver(baud).receive(edges, until_ns)
    assert rest is None
    return received


def seen(received: list[ReceivedByte]) -> list[tuple[int, bool]]:
    return [(byte.value, byte.framing_error) for byte in received]


def clean(data: bytes) -> list[tuple[int, bool]]:
    return [(byte, False) for byte in data]


# --- one transmission ------------------------------------------------------------------------------------------


def test_waveform_sampled_a_hundred_times_a_bit() -> None:
    """What sigrok-cli (uart, 115200 Bd) makes of samples at 11.52 MHz, with 20 idle bits first; run by a test of its
    own: the data bits of the first byte span samples 2100 to 2900, those of each next byte 1000 samples more."""
    edges = sent(bytes([0x02, 0x07, 0x41, 0x12]), bits_ns(20, rate_of(115_200)), 115_200)

    def sample(number: int) -> int:
        """Level in the middle of a sample period."""
        return level_at(edges, int(Fraction((2 * number + 1) * 10**9, 2 * 11_520_000)))

    assert [sample(number) for number in (0, 1999, 2000, 2099)] == [1, 1, 0, 0]
    for place, byte in enumerate((0x02, 0x07, 0x41, 0x12)):
        first = 2100 + 1000 * place
        assert [sample(first + 100 * k) for k in range(8)] == [byte >> k & 1 for k in range(8)]
        assert [sample(first + 100 * k + 99) for k in range(8)] == [byte >> k & 1 for k in range(8)]
        assert [sample(first + 800 + k) for k in (0, 99)] == [1, 1]


@given(
    st.binary(min_size=1, max_size=24),
    st.one_of(st.sampled_from(BAUDS), st.integers(1_200, 4_000_000)),
    st.integers(0, 10**12),
)
def test_one_transmission_is_received_as_sent(data: bytes, baud: int, start_ns: int) -> None:
    received, rest = Receiver(baud, start_ns).receive(sent(data, start_ns, baud), 10**13)
    assert rest is None
    assert seen(received) == clean(data)
    assert [byte.start_ns - start_ns for byte in received] == [
        int(Fraction(10 * k * 10**9, baud)) for k in range(len(data))
    ]


def test_a_byte_is_complete_in_the_middle_of_its_stop_bit() -> None:
    assert hear(sent(b"\x55", 400)) == [ReceivedByte(0x55, 400, 9_900, False)]


def test_a_receiver_gives_each_byte_once_however_often_it_is_asked() -> None:
    edges, receiver = sent(b"\x01\x02\x03"), Receiver(MBD)
    answers = [receiver.receive(edges, until_ns) for until_ns in (0, 9_499, 9_500, 9_999, 10_000, 29_500, 99_000)]
    assert [([byte.value for byte in received], rest) for received, rest in answers] == [
        ([], 9_500),
        ([], 9_500),
        ([1], None),
        ([], None),
        ([], 19_500),
        ([2, 3], None),
        ([], None),
    ]


@given(
    st.binary(min_size=1, max_size=6),
    st.sampled_from((0, 8, 16)),
    st.integers(0, 9_999),
    st.lists(st.integers(0, 700_000), max_size=9).map(sorted),
)
def test_asked_in_steps_it_gives_what_it_gives_at_once(
    data: bytes, ticks: int, phase_ns: int, looks_ns: list[int]
) -> None:
    edges = sent(data, 5_000, 115_200)
    at_once, _ = Receiver(115_200, oversampling=ticks, phase_ns=phase_ns).receive(edges, 10**6)
    receiver = Receiver(115_200, oversampling=ticks, phase_ns=phase_ns)
    assert [byte for look_ns in [*looks_ns, 10**6] for byte in receiver.receive(edges, look_ns)[0]] == at_once


def test_it_looks_for_start_bits_from_a_moment_on_only() -> None:
    receiver = Receiver(MBD)
    receiver.look_from(10_001)
    receiver.look_from(5_000)  # it has looked further already
    assert seen(receiver.receive(sent(b"\x01\x02\x03"), 10**6)[0]) != clean(b"\x01\x02\x03")
    assert seen(Receiver(MBD, 10_000).receive(sent(b"\x01\x02\x03"), 10**6)[0]) == clean(b"\x02\x03")


@pytest.mark.parametrize(("low_ns", "heard"), [(499, []), (500, []), (501, clean(b"\xff"))])
def test_a_low_pulse_shorter_than_half_a_bit_is_no_start_bit(low_ns: int, heard: list[tuple[int, bool]]) -> None:
    """1 MBd: the start bit is sampled 500 ns behind its edge. The byte at 20,000 ns is heard either way."""
    edges = [1_000, 1_000 + low_ns, *sent(b"\x42", 20_000)]
    assert seen(hear(edges)) == [*heard, (0x42, False)]


def test_while_it_looks_at_a_start_bit_it_sees_no_other_edge() -> None:
    """Low from 1000 to 1200 and again from 1400: at 1500 the line is low, and this is one start bit, from 1000 on.

    Low from 1000 to 1200, 1400 to 1490 and from 1600: at 1500 it is high; the one that begins at 1400 went unnoticed.
    """
    late = sent(b"\x42", 1_600)
    assert [byte.start_ns for byte in hear([1_000, 1_200, 1_400, *sent(b"\x42", 1_000)[1:]])] == [1_000]
    assert hear([1_000, 1_200, 1_400, 1_490, *late]) == [ReceivedByte(0x42, 1_600, 11_100, False)]
    assert hear([1_000, 1_200, 1_600 - 10, *late[1:]]) == [ReceivedByte(0x42, 1_590, 11_090, False)]


@pytest.mark.parametrize("ticks", [-1, 1, 4, 9, 32])
def test_an_oversampling_that_there_is_not(ticks: int) -> None:
    with pytest.raises(ValueError, match=f"oversampling {ticks}: 0, 8 or 16"):
        Receiver(MBD, oversampling=ticks)


def test_another_rate_holds_from_the_next_byte_on() -> None:
    receiver = Receiver(MBD, clock_ppm=1000)
    receiver.set_baud(115_200)
    assert receiver.rate == 115_200 * 1_001_000
    assert seen(receiver.receive(sent(b"\x12\x34", 0, 115_200), 10**6)[0]) == clean(b"\x12\x34")
    assert byte_ns(rate_of(115_200)) == 86_805


# --- how far two clocks may differ -----------------------------------------------------------------------------


def last_that_holds(holds: Callable[[int], bool], good: int, bad: int) -> int:
    """Between one that holds and one that does not: the last that does, by bisection."""
    assert holds(good)
    assert not holds(bad)
    while abs(bad - good) > 1:
        middle = (good + bad) // 2
        good, bad = (middle, bad) if holds(middle) else (good, middle)
    return good


def understands(sender_ppm: int, receiver_ppm: int = 0) -> bool:
    received, _ = Receiver(9_600, clock_ppm=receiver_ppm).receive(of_bytes(0, WORST, rate_of(9_600, sender_ppm)), 10**9)
    return seen(received) == clean(WORST)


@pytest.mark.parametrize("sign", [1, -1], ids=["fast", "slow"])
def test_the_ideal_limit_of_two_clocks(sign: int) -> None:
    """0.5 / 9.5 = 5.263 %: the stop bit is sampled 9.5 bits behind the edge. Computed from the stated definition.

    Tolerance 0.001 %, 10 ppm.
    """
    limit_ppm = last_that_holds(lambda ppm: understands(sign * ppm), 0, 200_000)
    assert abs(limit_ppm - 0.5 / 9.5 * 1e6) <= 10


def test_the_ideal_limit_shared_by_both() -> None:
    """(1 + x) / (1 - x) = 10 / 9.5 and (1 - x) / (1 + x) = 9 / 9.5; 2.632 % to first order, half of the limit above.

    Computed from the stated definition.
    """
    fast = last_that_holds(lambda ppm: understands(ppm, -ppm), 0, 100_000)
    slow = last_that_holds(lambda ppm: understands(-ppm, ppm), 0, 100_000)
    assert abs(fast - 0.5 / 19.5 * 1e6) <= 10
    assert abs(slow - 0.5 / 18.5 * 1e6) <= 10
    assert (fast + slow) / 2 == pytest.approx(26_320, abs=50)


@pytest.mark.parametrize(
    ("data_bits", "ticks", "slow", "fast"),
    [(8, 16, 95.36, 104.58), (9, 16, 95.81, 104.14), (8, 8, 96.00, 103.90)],
)
def test_the_limits_of_a_real_receiver(data_bits: int, ticks: int, slow: float, fast: float) -> None:
    """Per cent, to 0.01. Microchip, AVR USART, table "Error Tolerance"."""
    assert [100 * one for one in tolerance(data_bits, ticks)] == pytest.approx([slow, fast], abs=0.0101)


@pytest.mark.parametrize(("data_bits", "true_tick"), [(8, 147), (9, 163)])
def test_the_margin_of_a_second_makers_receiver(data_bits: int, true_tick: int) -> None:
    """Stop bit sampled at tick 154 (170 with 9 bits) where a slow sender's begins no later than tick 147 (163): 4.54 %
    and 4.12 %. NXP KL27 reference manual Rev 5, 38.5.2.7. Ours allows as much, and less than one tick more.
    """
    sampled_tick = true_tick + 7
    slow, _ = tolerance(data_bits, 16)
    assert 0 <= 1 - slow - (sampled_tick - true_tick) / sampled_tick < 1 / sampled_tick
    if data_bits == 8:
        for phase_ns in range(0, 13_100, 131):
            assert oversampled(WORST, Fraction(true_tick, sampled_tick), 16, phase_ns) == clean(WORST)


def oversampled(data: bytes, share: Fraction, ticks: int, phase_ns: int) -> list[tuple[int, bool]]:
    """What a receiver at 9600 Bd hears of a sender whose rate is so much of its own."""
    rate = int(rate_of(9_600) * share)
    receiver = Receiver(9_600, oversampling=ticks, phase_ns=phase_ns)
    return seen(receiver.receive(of_bytes(100_000, data, rate), 10**12)[0])


@pytest.mark.parametrize("ticks", [8, 16])
@given(st.binary(min_size=1, max_size=12), st.fractions(0, 1), st.integers(0, 200_000))
def test_rates_within_the_limits_are_understood_at_every_phase(
    ticks: int, data: bytes, place: Fraction, phase_ns: int
) -> None:
    """Anywhere between the published limits, less 0.001 % for whole ns."""
    slow, fast = (Fraction(one) for one in tolerance(8, ticks))
    share = slow + Fraction(1, 100_000) + place * (fast - slow - Fraction(1, 50_000))
    assert oversampled(data, share, ticks, phase_ns) == clean(data)


@pytest.mark.parametrize("ticks", [8, 16])
@pytest.mark.parametrize("end", [0, 1], ids=["slow", "fast"])
def test_the_limits_themselves_at_many_phases(ticks: int, end: int) -> None:
    limit, inwards = Fraction(tolerance(8, ticks)[end]), (Fraction(1, 100_000), Fraction(-1, 100_000))[end]
    for phase_ns in range(0, 13_100, 131):
        assert oversampled(WORST, limit + inwards, ticks, phase_ns) == clean(WORST)


@pytest.mark.parametrize("ticks", [8, 16])
def test_above_the_fast_limit_some_phases_fail_and_further_on_all_do(ticks: int) -> None:
    _, fast = tolerance(8, ticks)
    phases_ns = range(0, 13_100, 131)
    above = [oversampled(WORST, Fraction(fast) + Fraction(1, 1000), ticks, phase_ns) for phase_ns in phases_ns]
    assert sum(heard != clean(WORST) for heard in above) > 0
    far = [oversampled(WORST, Fraction(fast) + Fraction(2, 100), ticks, phase_ns) for phase_ns in phases_ns]
    assert clean(WORST) not in far


@pytest.mark.parametrize(("divisor", "per_cent"), [(16 * 9, -3.549), (8 * 17, 2.124)])
def test_the_rates_that_a_divider_of_16_mhz_gives_at_115200(divisor: int, per_cent: float) -> None:
    """ATmega48/88/168 data sheet 2545D, table 84 (it prints -3.5 and 2.1). Both are within a 16x receiver's limits
    and beyond the 2 % that the same makers advise at most ("Error Tolerance"). Here they are a sender's clock error."""
    rate = rate_of(115_200, round(per_cent * 10_000))
    assert rate / 10**6 == pytest.approx(16_000_000 / divisor, abs=115_200 * 0.00001)
    slow, fast = tolerance(8, 16)
    assert slow < rate / rate_of(115_200) < fast
    for phase_ns in range(0, 600, 7):
        receiver = Receiver(115_200, oversampling=16, phase_ns=phase_ns)
        assert seen(receiver.receive(of_bytes(0, WORST, rate), 10**9)[0]) == clean(WORST)


def test_a_spike_between_samples_or_in_one_of_three_is_outvoted() -> None:
    """16 ticks of 62.5 ns a bit at 1 MBd; the votes of data bit 0 are at ticks 23, 24, 25 behind the start edge."""
    edges = sent(b"\xff", 0)
    at_tick = [tick * 1000 // 16 for tick in range(30)]
    for first, last, value in ((24, 24, 0xFF), (26, 30, 0xFF), (23, 24, 0xFE), (24, 25, 0xFE), (23, 25, 0xFE)):
        spike = [at_tick[first] - 10, (at_tick[last] if last < 30 else 1900) + 10]
        wave = sorted([*edges, *spike])
        assert seen(Receiver(MBD, oversampling=16).receive(wave, 10**6)[0]) == [(value, False)]


# --- several at once -------------------------------------------------------------------------------------------


def test_wired_and_of_two_bytes_sent_at_once() -> None:
    """0x55 and 0x33 at once are 0x11; so decodes sigrok-cli the AND of both waveforms, in a test of its own."""
    both = wired_and([sent(b"\x55", 0, 115_200), sent(b"\x33", 0, 115_200)])
    assert hear(both, 115_200) == [ReceivedByte(0x11, 0, 82_465, False)]


@given(st.lists(st.integers(0, 255), min_size=1, max_size=5), st.sampled_from(BAUDS))
def test_bytes_sent_at_once_are_received_as_their_and(values: list[int], baud: int) -> None:
    wanted = 0xFF
    for value in values:
        wanted &= value
    assert seen(hear(wired_and([sent(bytes([value]), 1_000, baud) for value in values]), baud)) == [(wanted, False)]


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
    assert seen(hear(wired_and([sent(bytes([first])), sent(bytes([second]), offset_ns)]))) == wanted


def test_after_a_low_stop_bit_the_next_byte_begins_at_a_falling_edge() -> None:
    """0x00 twice, 5000 ns apart, keep the line low until 14000; a third byte at 20000 is heard again."""
    received = hear(wired_and([sent(b"\x00"), sent(b"\x00", 5_000), sent(b"\x3c", 20_000)]))
    assert received == [ReceivedByte(0x00, 0, 9_500, True), ReceivedByte(0x3C, 20_000, 29_500, False)]


@given(
    st.binary(min_size=1, max_size=8), st.sampled_from(BAUDS), st.fractions(0, Fraction(49, 100)), st.integers(0, 10**9)
)
def test_twins_within_half_a_bit_look_like_one(data: bytes, baud: int, share: Fraction, start_ns: int) -> None:
    """Identical bits on one bit edge are undetectable: that is what uid and tag are for."""
    offset_ns = int(share * 10**9 / baud)
    both = wired_and([sent(data, start_ns, baud), sent(data, start_ns + offset_ns, baud)])
    assert seen(hear(both, baud)) == clean(data)


@given(st.binary(min_size=1, max_size=8), st.sampled_from(BAUDS), st.data())
def test_twins_a_bit_or_more_apart_never_look_like_one(data: bytes, baud: int, draw: st.DataObject) -> None:
    offset_ns = draw.draw(st.integers(10**9 // baud + 1, 10**10 * len(data) // baud - 1), label="offset_ns")
    both = wired_and([sent(data, 0, baud), sent(data, offset_ns, baud)])
    assert seen(hear(both, baud)) != clean(data)
