"""The report round: each actuator in a row of addresses reports in turn, and no two answers overlap."""

from __future__ import annotations

import random

import pytest

from busproto.ops import Link
from busproto.ops.moving.motion import report_round
from busproto.sim.bus import VirtualBus
from busproto.wire import Decoder, Frame, encode_frame, message_of, request_frame
from busproto.wire import messages as m
from busproto.wire.frame import BROADCAST_ADDRESS, RUNNING_BAUD
from tests.fleet import fleet
from tests.ops.helpers import MS, lasting, seeds

CYCLE_NS = 10 * MS
FULL = 32


def addresses_of(reports: dict[int, m.BriefStatus]) -> list[int]:
    return list(reports)


def frames_in(data: bytes) -> list[Frame]:
    return [found for found in Decoder().feed(data) if isinstance(found, Frame)]


@pytest.mark.parametrize("baud", [115_200, 1_000_000])
@pytest.mark.parametrize("echo", [True, False])
def test_every_addressed_one_reports_in_the_order_of_addresses(echo: bool, baud: int) -> None:
    for seed in seeds(3):
        addresses = random.Random(seed).sample(range(1, 60), 20)
        bus = fleet(20, seed, baud=baud, echo=echo, addresses=addresses, clock_ppm=0)
        reports = Link(bus.host).run(report_round(1, 60))
        assert addresses_of(reports) == sorted(addresses)
        assert bus.line.overlaps == 0


def test_what_it_says_is_what_a_report_of_its_own_says() -> None:
    bus = fleet(3, 1, addresses=[4, 5, 6])
    link = Link(bus.host)
    bus.actuators[1].arm.position_deg = 12.35
    bus.host.write(encode_frame(request_frame(m.Release(), 6, 7)))
    bus.kernel.run_until(5 * MS)
    bus.host.take()
    reports = link.run(report_round(4, 3))
    assert {address: one.state for address, one in reports.items()} == {
        4: m.State.LIMP,
        5: m.State.LIMP,
        6: m.State.RELEASED,
    }
    assert reports[5].position_cdeg == 1235
    assert reports[4].position_cdeg == 0
    idle_ma = bus.actuators[0].model.idle_current_ma
    assert {one.current_cma for one in reports.values()} == {round(idle_ma / 20)}


def test_only_those_in_the_row_report() -> None:
    bus = fleet(8, 2, addresses=[1, 2, 9, 10, 14, 15, 100, 239])
    link = Link(bus.host)
    assert addresses_of(link.run(report_round(9, 6))) == [9, 10, 14]
    assert addresses_of(link.run(report_round(239, 1))) == [239]
    assert addresses_of(link.run(report_round(16, 80))) == []


def test_the_missing_are_left_out_and_those_behind_move_up() -> None:
    for seed in seeds(5):
        bus = fleet(12, seed, addresses=list(range(1, 13)))
        silent = random.Random(seed).sample(range(12), 4)
        for number in silent[:2]:
            bus.actuators[number].power_off()
        for number in silent[2:]:
            bus.actuators[number].is_mute = True
        reports = Link(bus.host).run(report_round(1, 12))
        assert addresses_of(reports) == [number + 1 for number in range(12) if number not in silent]


def test_who_has_no_address_says_nothing() -> None:
    bus = fleet(5, 3, addresses=[1, 240, 2, 240, 239])
    bus.line.record = []
    reports = Link(bus.host).run(report_round(1, 239))
    assert addresses_of(reports) == [1, 2, 239]
    senders = {one.sender for one in bus.line.record}
    assert not senders & {bus.actuators[1], bus.actuators[3]}


def test_it_changes_nothing() -> None:
    bus = fleet(6, 4, addresses=[1, 2, 3, 4, 240, 6])
    before = [lasting(actuator) for actuator in bus.actuators]
    Link(bus.host).run(report_round(1, 10))
    assert [lasting(actuator) for actuator in bus.actuators] == before


def test_a_new_request_ends_the_round() -> None:
    """Who has not had its turn when the host goes on keeps silent."""
    bus = fleet(20, 5, addresses=list(range(1, 21)), echo=False)
    bus.host.write(encode_frame(request_frame(m.ReportRound(1, 20, ()), BROADCAST_ADDRESS, 1)))
    bus.host.read_until(50 * MS)  # until the first has reported
    bus.host.write(encode_frame(request_frame(m.Release(), BROADCAST_ADDRESS, 2)))
    bus.kernel.run_until(100 * MS)
    assert len(frames_in(bus.host.take())) < 5


@pytest.mark.parametrize("clock_ppm", [0, 10_000, -10_000])
def test_no_two_answers_ever_overlap(clock_ppm: int) -> None:
    """Gaps anywhere in the row, many seeds, clocks that agree."""
    for seed in seeds(40):
        draw = random.Random(seed)
        count = draw.randint(2, 32)
        addresses = draw.sample(range(1, 240), count)
        baud = draw.choice([115_200, 1_000_000])
        bus = fleet(count, seed, baud=baud, addresses=addresses, clock_ppm=clock_ppm)
        reports = Link(bus.host).run(report_round(1, 239))
        assert bus.line.overlaps == 0, seed
        assert addresses_of(reports) == sorted(addresses), seed


def test_clocks_that_differ_keep_the_order_of_a_row_with_small_gaps() -> None:
    """Each clock has an error of its own, up to 1 %.

    A slot forgives 10 us: what two clocks drift apart in the 500 us to the first one, or in some ten idle slots.
    """
    for seed in seeds(40):
        draw = random.Random(seed)
        addresses = [1]
        while len(addresses) < 24:
            addresses.append(addresses[-1] + draw.randint(1, 4))
        bus = fleet(len(addresses), seed, baud=draw.choice([115_200, 1_000_000]), addresses=addresses)
        reports = Link(bus.host).run(report_round(1, 100))
        assert bus.line.overlaps == 0, seed
        assert addresses_of(reports) == addresses, seed


def flat_out(bus: VirtualBus, cycle: int) -> list[Frame]:
    """One cycle: a round with the demands of all, in 10 ms; what came back."""
    end_ns = bus.kernel.now_ns + CYCLE_NS
    demands = tuple((1000 * (cycle + channel)) % 20_001 - 10_000 for channel in range(FULL))
    bus.host.write(encode_frame(request_frame(m.ReportRound(1, FULL, demands), BROADCAST_ADDRESS, cycle % 256)))
    bus.kernel.run_until(end_ns)
    assert not bus.line.is_busy
    return frames_in(bus.host.take())


@pytest.mark.parametrize("clock_ppm", [0, 10_000, -10_000, None])
def test_thirty_two_reports_fit_beside_a_demand_into_ten_milliseconds(clock_ppm: int | None) -> None:
    """100 times a second at 1 MBd. `None`: each clock has an error of its own, up to 1 %."""
    for seed in seeds(4):
        bus = fleet(FULL, seed, baud=RUNNING_BAUD, echo=False, addresses=list(range(1, FULL + 1)), clock_ppm=clock_ppm)
        for number, actuator in enumerate(bus.actuators):
            actuator.settings.set_working("channel", number + 1)
        for cycle in range(8):
            reports = flat_out(bus, cycle)
            assert [frame.source for frame in reports] == list(range(1, FULL + 1))
            assert all(isinstance(message_of(frame), m.BriefStatus) for frame in reports)
            assert {frame.sequence for frame in reports} == {cycle}
        assert bus.line.overlaps == 0
        assert {actuator.current_state() for actuator in bus.actuators} <= {m.State.SOFT_STARTING, m.State.FOLLOWING}
