"""The shared line: what is delivered when, overlaps, echo, power cuts, those who sense it, limits.

At 1 MBd a bit lasts 1000 ns and a byte 10,000 ns; a byte 0xFF pulls the line low in its start bit only, so that the
wired AND of such bytes can be worked out by hand. Bit k of a byte that began at t is sampled at t + 1500 + 1000 k."""

from __future__ import annotations

from collections.abc import Sequence
from functools import partial

import pytest
from hypothesis import given
from hypothesis import strategies as st

from busproto.sim.errors import LimitError
from busproto.sim.kernel import Kernel
from busproto.sim.line.hearing import Ear, LineKind, Reception, Transmission
from busproto.sim.line.line import Line
from busproto.sim.line.receiver import Receiver
from busproto.sim.line.waveform import rate_of
from tests.sim.helpers import Tap, bench
from tests.sim.line.wire import A, B, C, Wire

# --- one at a time ---------------------------------------------------------------------------------------------


def test_bytes_arrive_whole_at_the_end_of_their_last_stop_bit() -> None:
    wire = Wire()
    wire.send(700, A, b"\x00\x01\xfe")
    wire.run()
    assert wire.heard == [(30_700, 30_700, b"\x00\x01\xfe")]
    (reception,) = wire.receptions
    assert (reception.details, reception.framing_errors) == ((), 0)
    assert [(one.sender, one.start_ns) for one in reception.transmissions] == [(A, 700)]
    assert (wire.line.frames, wire.line.overlaps) == (1, 0)


def test_one_that_begins_where_the_other_ends_does_not_overlap() -> None:
    wire = Wire()
    wire.send(0, A, b"\x11\x22")
    wire.send(20_000, B, b"\x33")
    wire.run()
    assert wire.heard == [(20_000, 20_000, b"\x11\x22"), (30_000, 30_000, b"\x33")]
    assert (wire.line.frames, wire.line.overlaps) == (2, 0)


def test_every_listener_hears_the_same_in_the_order_of_listening() -> None:
    wire = Wire()
    together: list[Reception] = []
    first, second = Tap(wire.line, together, name="first"), Tap(wire.line, together, name="second")
    wire.line.listen(first)
    wire.line.listen(second)
    wire.send(0, A, b"\x55")
    wire.run()
    assert [one.data for one in together] == [b"\x55", b"\x55"]
    assert wire.tap.heard == b"\x55"


# --- overlaps --------------------------------------------------------------------------------------------------


def test_two_at_once_are_heard_as_their_wired_and() -> None:
    """Published check for the value: sigrok-cli on the AND of both waveforms."""
    wire = Wire()
    wire.send(0, A, b"\x55")
    wire.send(0, B, b"\x33")
    wire.run()
    assert wire.heard == [(10_000, 9_500, b"\x11")]
    assert {one.sender for one in wire.receptions[0].transmissions} == {A, B}
    assert (wire.line.frames, wire.line.overlaps) == (2, 1)


def test_two_that_end_together_are_not_heard_once_more() -> None:
    wire = Wire()
    wire.send(0, A, b"\xff\x0f")
    wire.send(10_000, B, b"\x3c")
    wire.run()
    assert wire.heard == [(20_000, 19_500, b"\xff\x0c")]


def test_an_overlapped_group_is_delivered_whenever_one_of_it_ends() -> None:
    """B's start bit, low from 5000 to 6000, falls on data bit 4 of A's first byte."""
    wire = Wire()
    wire.send(0, A, b"\xff\xff")
    wire.send(5_000, B, b"\xff")
    wire.run()
    assert wire.heard == [(15_000, 9_500, b"\xef"), (20_000, 19_500, b"\xff")]
    assert wire.line.overlaps == 1


def test_a_chain_of_overlaps_is_one_group_and_what_follows_is_clean() -> None:
    wire = Wire()
    wire.send(0, A, b"\xff")
    wire.send(7_000, B, b"\xff")
    wire.send(16_000, C, b"\xff")
    wire.send(60_000, A, b"\x42")
    wire.send(80_000, A, b"\xff")
    wire.send(82_000, B, b"\xff")
    wire.run()
    # byte at 0: low again at 7000 (bit 6); the stop bit of B is high at 9500; byte at 16000: clean, stop at 25500
    assert wire.heard == [
        (10_000, 9_500, b"\xbf"),
        (26_000, 25_500, b"\xff"),
        (70_000, 70_000, b"\x42"),
        (90_000, 89_500, b"\xfd"),
    ]
    assert wire.line.overlaps == 2
    assert wire.receptions[2].details == ()


def test_framing_errors_are_counted_and_the_bytes_passed_on() -> None:
    """0x00 twice, 5000 ns apart, is low until 14000: no stop bit at 9500."""
    wire = Wire()
    wire.send(0, A, b"\x00")
    wire.send(5_000, B, b"\x00")
    wire.run()
    assert [(one.data, one.framing_errors) for one in wire.receptions] == [(b"\x00", 1)]


def test_a_receiver_left_in_the_middle_of_a_byte_finishes_it() -> None:
    """B = 0x7F from 5000 on is low from 5000 to 6000 and, its bit 7, from 13000 to 14000.

    The receiver takes the latter for a start bit; that byte ends at 22500, when no device sends any more.
    """
    wire = Wire()
    wire.send(0, A, b"\xff")
    wire.send(5_000, B, b"\x7f")
    wire.run()
    assert wire.heard == [(10_000, 9_500, b"\xef"), (22_500, 22_500, b"\xff")]


def test_a_transmission_that_begins_in_such_a_byte_is_mangled_by_it() -> None:
    """As before, but C begins at 17000: its start bit is data bit 3 of the byte that began at 13000."""
    wire = Wire()
    wire.send(0, A, b"\xff")
    wire.send(5_000, B, b"\x7f")
    wire.send(17_000, C, b"\xff")
    wire.send(40_000, A, b"\x42")
    wire.run()
    assert wire.heard == [(10_000, 9_500, b"\xef"), (27_000, 22_500, b"\xf7"), (50_000, 50_000, b"\x42")]
    assert wire.receptions[-1].details == ()
    assert wire.line.overlaps == 1


def test_a_transmission_that_begins_just_after_such_a_byte_is_clean() -> None:
    wire = Wire()
    wire.send(0, A, b"\xff")
    wire.send(5_000, B, b"\x7f")
    wire.send(22_501, C, b"\x42")
    wire.run()
    assert wire.heard[1:] == [(22_500, 22_500, b"\xff"), (32_501, 32_501, b"\x42")]


@given(st.binary(min_size=1, max_size=6), st.binary(min_size=1, max_size=6), st.integers(0, 70_000))
def test_no_byte_is_heard_before_it_is_complete_or_out_of_order(first: bytes, second: bytes, offset_ns: int) -> None:
    wire = Wire()
    wire.send(0, A, first)
    wire.send(offset_ns, B, second)
    wire.run()
    ends = [byte.end_ns for one in wire.receptions for byte in one.details]
    assert ends == sorted(ends)
    assert all(end_ns <= now_ns for now_ns, end_ns, _ in wire.heard)
    assert wire.line.overlaps == (offset_ns < 10_000 * len(first))
    assert not wire.line.is_busy


# --- own bytes -------------------------------------------------------------------------------------------------


def test_without_own_leaves_out_what_began_while_the_listener_drove() -> None:
    """Bytes begin at 0, 10000 (B's start bit falls on its bit 4) and 25000. A drives until 20000, B from 15000."""
    wire = Wire()
    wire.send(0, A, b"\xff\xff")
    wire.send(15_000, B, b"\xff\xff")
    wire.run()
    assert [one.data for one in wire.receptions] == [b"\xff\xef", b"\xff"]
    assert [one.without_own(A) for one in wire.receptions] == [b"", b"\xff"]
    assert [one.without_own(B) for one in wire.receptions] == [b"\xff\xef", b""]
    assert [one.without_own(C) for one in wire.receptions] == [b"\xff\xef", b"\xff"]


def test_without_own_of_a_clean_reception_is_all_or_nothing() -> None:
    wire = Wire()
    wire.send(0, A, b"\x01\x02")
    wire.run()
    (reception,) = wire.receptions
    assert (reception.without_own(A), reception.without_own(B)) == (b"", b"\x01\x02")


@pytest.mark.parametrize(("echo", "wanted"), [(True, b"\x01\x02\x03"), (False, b"")], ids=["on", "off"])
def test_echo(echo: bool, wanted: bytes) -> None:
    made = bench(echo=echo, baud=1_000_000)
    made.bus.host.write(b"\x01\x02")
    made.bus.host.write(b"\x03")
    made.run_until(100_000)
    assert made.bus.host.take() == wanted
    assert made.trace == [(20_000, b"\x01\x02"), (30_000, b"\x03")]


@pytest.mark.parametrize("echo", [True, False], ids=["on", "off"])
def test_the_host_hears_others_whether_it_hears_itself_or_not(echo: bool) -> None:
    made = bench(echo=echo, baud=1_000_000)
    made.bus.line.transmit(A, b"\x77")
    made.run_until(50_000)
    assert made.bus.host.take() == b"\x77"


# --- power cuts ------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("cut_ns", "heard"),
    [
        (0, []),
        (9_999, []),
        (10_000, [(10_000, 10_000, b"\x01")]),
        (25_000, [(25_000, 25_000, b"\x01\x02")]),
        (39_999, [(39_999, 39_999, b"\x01\x02\x03")]),
        (40_000, [(40_000, 40_000, b"\x01\x02\x03\x04")]),
    ],
)
def test_a_driver_that_loses_power_is_heard_up_to_its_last_whole_byte(
    cut_ns: int, heard: list[tuple[int, int, bytes]]
) -> None:
    wire = Wire()
    wire.line.watch(wire)
    wire.send(0, A, b"\x01\x02\x03\x04")
    wire.cut(cut_ns, A)
    wire.run()
    assert wire.heard == heard
    assert wire.sensed == [(0, "busy"), (cut_ns, "idle")]
    assert not wire.line.is_busy


def test_after_a_cut_the_line_is_clean() -> None:
    wire = Wire()
    wire.send(0, A, b"\x01\x02")
    wire.cut(15_000, A)
    wire.send(16_000, B, b"\x42")
    wire.run()
    assert wire.heard == [(15_000, 15_000, b"\x01"), (26_000, 26_000, b"\x42")]
    assert wire.line.overlaps == 0


def test_a_cut_within_a_collision_takes_one_of_the_two_off() -> None:
    """A's third byte, begun at 20000, would have met B, begun at 22000; without it B is heard as it is."""
    wire = Wire()
    wire.line.watch(wire)
    wire.send(0, A, b"\xff\xff\xff\xff")
    wire.send(22_000, B, b"\xff")
    wire.cut(25_000, A)
    wire.run()
    assert wire.heard == [(25_000, 19_500, b"\xff\xff"), (32_000, 31_500, b"\xff")]
    assert wire.sensed == [(0, "busy"), (32_000, "idle")]


def test_cutting_off_one_that_does_not_drive_changes_nothing() -> None:
    wire = Wire()
    wire.send(0, A, b"\x01")
    wire.cut(5_000, B)
    wire.run()
    assert wire.heard == [(10_000, 10_000, b"\x01")]


# --- sensing ---------------------------------------------------------------------------------------------------


def test_watchers_are_told_when_the_line_becomes_busy_and_idle() -> None:
    wire = Wire()
    wire.line.watch(wire)
    wire.line.watch(wire)
    wire.send(1_000, A, b"\x01\x02")
    wire.send(5_000, B, b"\x01\x02")
    wire.send(60_000, A, b"\x03")
    wire.send(70_000, B, b"\x04")
    wire.run()
    assert wire.sensed == [
        (1_000, "busy"),
        (25_000, "idle"),
        (60_000, "busy"),
        (70_000, "idle"),
        (70_000, "busy"),
        (80_000, "idle"),
    ]


def test_whoever_stops_watching_is_told_no_more() -> None:
    wire = Wire()
    wire.line.unwatch(wire)
    wire.line.watch(wire)
    wire.send(0, A, b"\x01")
    wire.kernel.at(5_000, lambda: wire.line.unwatch(wire))
    wire.send(20_000, A, b"\x01")
    wire.run()
    assert wire.sensed == [(0, "busy")]


def test_bytes_are_delivered_before_the_idle_line_is_told() -> None:
    """So one that hears a query begins its backoff before the others learn that the line is free."""
    wire = Wire()
    wire.line.watch(wire)

    class Noting(Tap):
        def heard_alike(self, reception: Reception, but: Sequence[Ear]) -> None:
            wire.sensed.append((wire.kernel.now_ns, "heard"))

    wire.line.listen(Noting(wire.line, name="noting"))
    wire.send(0, A, b"\x01")
    wire.run()
    assert wire.sensed == [(0, "busy"), (10_000, "heard"), (10_000, "idle")]


def test_a_start_bit_is_seen_five_microseconds_after_its_edge() -> None:
    wire = Wire()
    wire.kernel.run_until(1_000)
    wire.line.transmit(A, b"\x01")
    looks = {time_ns: wire.line.seen_busy(time_ns) for time_ns in (1_000, 5_999, 6_000, 10_999)}
    assert looks == {1_000: False, 5_999: False, 6_000: True, 10_999: True}
    assert wire.line.is_busy
    wire.kernel.run_until(11_000)
    assert not wire.line.is_busy
    assert not wire.line.seen_busy(11_000)


# --- clocks ----------------------------------------------------------------------------------------------------


@pytest.mark.parametrize("always_bits", [False, True], ids=["fast path", "bits"])
@pytest.mark.parametrize(
    ("sender_ppm", "receiver_ppm"), [(25_000, -25_000), (-25_000, 25_000), (50_000, 0), (-50_000, 0)]
)
def test_clocks_within_five_percent_of_each_other_understand_each_other(
    always_bits: bool, sender_ppm: int, receiver_ppm: int
) -> None:
    kernel = Kernel()
    line = Line(kernel, 115_200, always_bits=always_bits)
    tap = Tap(line, receiver=Receiver(115_200, clock_ppm=receiver_ppm))
    line.listen(tap)
    line.transmit(A, bytes(range(90)), rate=rate_of(115_200, sender_ppm))
    kernel.run_until(10**9)
    assert tap.heard == bytes(range(90))


@pytest.mark.parametrize("sender_ppm", [-60_000, 60_000, 1_000_000, -500_000])
def test_clocks_further_apart_do_not(sender_ppm: int) -> None:
    kernel = Kernel()
    line = Line(kernel, 115_200)
    tap = Tap(line)
    line.listen(tap)
    line.transmit(A, bytes(range(90)), rate=rate_of(115_200, sender_ppm))
    kernel.run_until(10**9)
    assert tap.heard != bytes(range(90))
    assert tap.heard


# --- audiences -------------------------------------------------------------------------------------------------


class Choosy(Tap):
    """One who cares for A only, and is not eager."""

    is_eager = False

    def attends(self, senders: Sequence[object]) -> bool:
        return A in senders


def test_an_audience_is_told_of_what_it_attends_only() -> None:
    wire = Wire()
    choosy = Choosy(wire.line, name="choosy")
    wire.line.listen(choosy)
    wire.send(0, A, b"\x01")
    wire.send(20_000, B, b"\x02")
    wire.send(40_000, B, b"\xff\xff")
    wire.send(55_000, A, b"\xff")  # its start bit is data bit 4 of B's second byte
    wire.run()
    assert choosy.heard == b"\x01\xff"
    assert wire.tap.heard == b"\x01\x02\xff\xef\xff"[:4]


def test_whoever_is_not_eager_is_told_at_the_end_only() -> None:
    wire = Wire()
    choosy = Choosy(wire.line, name="choosy")
    wire.line.listen(choosy)
    wire.line.transmit(A, b"\x01\x02\x03")
    wire.kernel.run_until(25_000)
    wire.line.flush()
    assert (wire.tap.heard, choosy.heard) == (b"\x01\x02", b"")
    wire.run()
    assert (wire.tap.heard, choosy.heard) == (b"\x01\x02\x03", b"\x01\x02\x03")


# --- limit -----------------------------------------------------------------------------------------------------


def test_more_transmissions_than_allowed_stop_the_bus() -> None:
    kernel = Kernel()
    line = Line(kernel, 1_000_000, max_frames=2)
    line.transmit(A, b"\x01")
    kernel.run_until(20_000)
    line.transmit(A, b"\x01")
    kernel.run_until(40_000)
    with pytest.raises(LimitError) as caught:
        line.transmit(A, b"\x01")
    assert str(caught.value) == "the virtual bus stopped: more than 2 frames (limits.frames in the scenario)"
    assert caught.value.key == "frames"
    assert not line.is_busy


@given(
    st.sampled_from(LineKind),
    st.lists(st.tuples(st.integers(0, 300), st.binary(max_size=3), st.integers(1, 400)), min_size=1, max_size=6),
    st.sampled_from([(1_000_000, 1_000_000), (1_000_000, 930_000)]),
)
def test_a_waveform_that_grows_is_that_of_all_who_drove(
    kind: LineKind, sent: list[tuple[int, bytes, int]], bauds: tuple[int, int]
) -> None:
    """Bytes, and a line held low, at any moments; each looks at it as it begins."""
    kernel = Kernel(1)
    line = Line(kernel, 1_000_000, kind=kind, always_bits=True)
    group: list[Transmission] = []

    def begin(data: bytes, for_us: int, turn: int) -> None:
        if not line._group:
            group.clear()
        now = kernel.now_ns
        until_ns = now + for_us * 1_000
        rate = rate_of(bauds[turn % 2])
        group.append(line.transmit(turn, data, rate=rate) if data else line.pull_low(turn, until_ns))
        assert line._waveform() == line.waveform_of(group)

    for turn, (at_us, data, for_us) in enumerate(sent):
        kernel.at(at_us * 1_000, partial(begin, data, for_us, turn))
    kernel.run_until(5_000_000)
    assert line._group == []
