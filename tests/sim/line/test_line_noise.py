"""Noise and faults of the line, and drivers of a pair: what each does to bytes."""

from __future__ import annotations

import random
from collections.abc import Callable

from busproto.sim.kernel import Kernel
from busproto.sim.line.hearing import LineKind
from busproto.sim.line.line import Line
from tests.sim.helpers import Tap
from tests.sim.line.wire import A, B, Wire

# --- noise -----------------------------------------------------------------------------------------------------


def flips(seed: int, rate: float, data: bytes, taps: int = 1) -> list[list[int]]:
    """For each of several listeners, the numbers of the bits that were flipped for it."""
    kernel = Kernel(seed)
    line = Line(kernel, 1_000_000)
    listeners = [Tap(line, name=str(number)) for number in range(taps)]
    for tap in listeners:
        line.listen(tap)
    line.add_noise(rate)
    line.flip_record = []
    line.transmit(A, data)
    kernel.run_until(10**9)
    return [[begin // 1000 for ear, begin, _ in line.flip_record if ear is tap.ears[0]] for tap in listeners]


def test_noise_is_the_same_for_the_same_seed_only() -> None:
    hits = [flips(seed, 0.1, bytes(90)) for seed in (1, 1, 2)]
    assert hits[0] == hits[1] != hits[2]
    assert all(hits)


def test_noise_hits_each_listener_for_itself() -> None:
    first, second, third = flips(5, 0.1, bytes(500), taps=3)
    assert first != second != third != first
    assert all(20 < len(one) < 90 for one in (first, second, third))


def test_noise_of_rate_zero_flips_nothing() -> None:
    assert flips(3, 0.0, bytes(90)) == [[]]


def test_noise_hits_as_often_as_it_says() -> None:
    """20,000 bytes at 20 %: 4000 expected to be hit, standard deviation 56.6; six of them are allowed.

    A byte of ten bits is spared with probability 0.8, so a bit is flipped with 1 - 0.8 ** 0.1 = 2.21 %: 4413 of
    200,000, standard deviation 65.7. Start and stop bits (each a tenth: 441, 20.8) are hit like any other.
    """
    (hits,) = flips(7, 0.2, bytes(20_000))
    assert abs(len({bit // 10 for bit in hits}) - 4000) <= 340
    assert abs(len(hits) - 4413) <= 394
    for place in range(10):
        assert abs(sum(bit % 10 == place for bit in hits) - 441) <= 125


def test_what_a_flipped_bit_does() -> None:
    """Each flip is looked up, and the byte that was heard is worked out from it: data bit, start bit or stop bit."""
    seen = set()
    for seed in range(300):
        wire = Wire(Kernel(seed))
        wire.line.flip_record = []
        wire.line.add_noise(0.1)
        wire.send(0, A, b"\x5a")
        wire.run()
        places = [begin // 1000 for _, begin, _ in wire.line.flip_record]
        heard = [(byte.value, byte.framing_error) for one in wire.receptions for byte in one.details]
        if not places:
            assert [one.data for one in wire.receptions] == [b"\x5a"]
        elif len(places) == 1 and 1 <= places[0] <= 8:
            assert heard == [(0x5A ^ 1 << places[0] - 1, False)]
        elif places == [9]:
            assert heard == [(0x5A, True)]
        elif places == [0]:
            # no start bit: the byte begins at data bit 0, which is low, and the idle line follows
            assert heard == [(0x5A >> 1 | 0x80, False)]
        else:
            continue
        seen.add(tuple(places))
    assert {(), (0,), (9,)} <= seen
    assert len(seen) >= 9


def test_noise_ends_when_it_is_told_to() -> None:
    wire = Wire()
    end = wire.line.add_noise(0.99)
    wire.send(0, A, bytes(10))
    wire.kernel.at(150_000, end)
    wire.kernel.at(160_000, end)
    wire.send(200_000, A, b"\x42")
    wire.run()
    assert b"".join(one.data for one in wire.receptions[:-1]) != bytes(10)
    assert wire.receptions[-1].data == b"\x42"


def pulling_low(wire: Wire, until_ns: int) -> Callable[[], None]:
    def pull() -> None:
        wire.line.pull_low(B, until_ns)

    return pull


# --- faults of the line ----------------------------------------------------------------------------------------


def test_a_line_held_low_is_one_zero_with_a_framing_error() -> None:
    """A UART waits for a high level before it takes another start bit."""
    wire = Wire()
    wire.kernel.at(5_000, pulling_low(wire, 305_000))
    wire.send(400_000, A, b"\x42")
    wire.run()
    assert wire.heard == [(305_000, 14_500, b"\x00"), (410_000, 410_000, b"\x42")]
    assert wire.receptions[0].framing_errors == 1


def test_bytes_under_a_line_held_low_are_lost() -> None:
    wire = Wire()
    wire.kernel.at(5_000, pulling_low(wire, 105_000))
    wire.send(20_000, A, b"\xff\xff")
    wire.run()
    assert b"".join(one.data for one in wire.receptions) == b"\x00"


def test_a_burst_is_the_same_for_the_same_stream_and_ends_when_it_should() -> None:
    heard = []
    for seed in (1, 1, 2):
        wire = Wire()
        wire.line.watch(wire)
        wire.line.disturb(B, 500_000, random.Random(seed))
        wire.send(600_000, A, b"\x42")
        wire.run()
        assert wire.sensed == [(0, "busy"), (500_000, "idle"), (600_000, "busy"), (610_000, "idle")]
        assert wire.receptions[-1].data == b"\x42"
        heard.append([one.data for one in wire.receptions[:-1]])
    assert heard[0] == heard[1] != heard[2]
    assert 10 < len(b"".join(heard[0])) <= 50


# --- a pair ----------------------------------------------------------------------------------------------------


def collided(kind: LineKind, seed: int, first: bytes, second: bytes) -> bytes:
    kernel = Kernel(seed)
    line = Line(kernel, 1_000_000, kind=kind)
    tap = Tap(line)
    line.listen(tap)
    line.transmit(A, first)
    line.transmit(B, second)
    kernel.run_until(10**6)
    return tap.heard


def test_drivers_of_a_pair_that_agree_are_heard_and_where_they_do_not_the_level_is_drawn() -> None:
    """0x55 and 0x33 agree in their low bits 0 and 3, 4, 7: bit k of the result is theirs wherever they agree."""
    agreed = 0xFF & ~(0x55 ^ 0x33)
    values = [collided(LineKind.DIFFERENTIAL, seed, b"\x55", b"\x33")[0] for seed in range(40)]
    assert {value & agreed for value in values} == {0x11}
    assert len(set(values)) > 8
    assert values[0] == collided(LineKind.DIFFERENTIAL, 0, b"\x55", b"\x33")[0]
    assert {collided(LineKind.OPEN_DRAIN, seed, b"\x55", b"\x33") for seed in range(40)} == {b"\x11"}


def test_one_driver_alone_on_a_pair_is_heard_as_it_is() -> None:
    kernel = Kernel()
    line = Line(kernel, 1_000_000, kind=LineKind.DIFFERENTIAL, always_bits=True)
    tap = Tap(line)
    line.listen(tap)
    line.transmit(A, bytes(range(90)))
    kernel.run_until(10**6)
    assert tap.heard == bytes(range(90))
