"""Bus time and sweep as they are planned: against hand-worked values, a general simulation library, the virtual bus."""

from __future__ import annotations

import random
from collections.abc import Generator
from typing import Any

import pytest
import simpy
from hypothesis import given
from hypothesis import strategies as st

from busproto.ops import Link
from busproto.ops.moving.motion import report
from busproto.plan.check.bus_load import (
    BRIEF_BYTES,
    RATES_BD,
    bus_load,
    bytes_ns,
    demand_ns,
    plan_load,
    poll_cycle_ns,
    poll_fits,
    report_poll_ns,
    round_ns,
    ways_out,
)
from busproto.plan.sweep import sweep, sweep_of
from busproto.sim.bus import VirtualBus
from busproto.sim.line.waveform import of_bytes, rate_of
from busproto.wire import encode_frame, request_frame
from busproto.wire import messages as m
from busproto.wire.frame import BROADCAST_ADDRESS
from busproto.wire.parameters import DIRECTION_REVERSED, FACTORY
from busproto.wire.timing import START_JITTER_NS
from tests.fleet import fleet
from tests.ops.helpers import MS, S, seeds
from tests.plan.texts import write_plan

# --- asking one after the other --------------------------------------------------------------------------------

POLL = {"request_bytes": 8, "reply_bytes": 8, "gap_ns": 100_000, "baud": 115_200}
"""16 nodes, 8 + 8 bytes 8N1 at 115200 Bd, 100 us after each: 25.4222 ms, 127.11 % of 20 ms, at most 12 nodes fit."""


def polled_with_simpy(nodes: int, request_bytes: int, reply_bytes: int, gap_ns: int, baud: int) -> float:
    """The same with simpy: one resource, as many processes as nodes; seconds."""
    world = simpy.Environment()
    line = simpy.Resource(world, capacity=1)

    def node() -> Generator[Any, Any, None]:
        with line.request() as turn:
            yield turn
            for count in (request_bytes, reply_bytes):
                yield world.timeout(count * 10 / baud)
                yield world.timeout(gap_ns / 1e9)

    for _ in range(nodes):
        world.process(node())
    world.run()
    return float(world.now)


def test_a_poll_cycle_has_the_published_length_and_load() -> None:
    cycle_ns = poll_cycle_ns(16, **POLL)
    assert cycle_ns / 1e6 == pytest.approx(25.4222, rel=2e-6)
    assert 100 * cycle_ns / (20 * MS) == pytest.approx(127.11, abs=0.005)
    assert poll_fits(20 * MS, **POLL) == 12


def test_a_plain_scan_of_a_silent_line() -> None:
    """247 addresses, 8 bytes 8N1 each at 115 200 Bd, 10 ms of waiting: 2.64153 s, computed from the stated definition;
    addresses 1 to 247 read in a text on Modbus serial.
    """
    assert poll_cycle_ns(247, 8, 0, 5 * MS, 115_200) / 1e9 == pytest.approx(2.64153, rel=1e-5)


def test_one_request_and_reply_with_parity_and_silent_times() -> None:
    """9600 Bd 8E1, 8 + 7 characters, 3.5 characters of 11 bits of silence behind each: 25.2083 ms.

    Computed from the stated definition, with the silent time of MODBUS over Serial Line V1.02 (from memory). Our line
    has no parity, so that bit of each character comes on top, as long as the simulator's waveform makes it.
    """
    rate = rate_of(9_600)
    silent_ns = round(3.5 * 11 * 10**9 / 9_600)
    parity_ns = 15 * (of_bytes(0, b"\x00", rate, even_parity=True)[-1] - of_bytes(0, b"\x00", rate)[-1])
    whole_ns = poll_cycle_ns(1, 8, 7, silent_ns, 9_600) + parity_ns
    assert silent_ns / 1e6 == pytest.approx(4.010417, rel=1e-6)
    assert whole_ns / 1e6 == pytest.approx(25.2083, rel=2e-6)


@given(st.integers(1, 60), st.integers(1, 128), st.integers(1, 128), st.integers(0, 2 * MS), st.sampled_from(RATES_BD))
def test_simpy_comes_to_the_same_for_any_poll(nodes: int, asked: int, answered: int, gap_ns: int, baud: int) -> None:
    cycle_ns = poll_cycle_ns(nodes, asked, answered, gap_ns, baud)
    assert polled_with_simpy(nodes, asked, answered, gap_ns, baud) * 1e9 == pytest.approx(cycle_ns, abs=2)
    assert poll_fits(cycle_ns, asked, answered, gap_ns, baud) == nodes
    assert poll_fits(cycle_ns - 1, asked, answered, gap_ns, baud) == nodes - 1


def test_asking_each_for_its_report_takes_as_long_on_the_virtual_bus() -> None:
    """The virtual actuators wait 100 us and up to 30 us more; the host asks the next at once: within that."""
    for baud in (115_200, 1_000_000):
        bus = fleet(12, 1, baud=baud, addresses=list(range(1, 13)), clock_ppm=0, echo=False)
        bus.line.record = []
        link = Link(bus.host)
        for address in range(1, 13):
            link.run(report(address))
        sent = bus.line.record
        # our poll also counts a gap behind each reply, which this host does not keep
        gaps_ns = 12 * 100_000
        took_ns = sent[-1].end_ns - sent[0].start_ns
        assert report_poll_ns(12, baud) - gaps_ns <= took_ns <= report_poll_ns(12, baud) - gaps_ns + 12 * 30_000


# --- in the air ------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("channels", "baud", "took_ms"),
    [
        (1, 115_200, (14 + 2) * 10 / 115.2),  # 14 bytes of frame, two for each demand, ten bits a byte
        (7, 115_200, (14 + 14) * 10 / 115.2),
        (32, 115_200, (14 + 64) * 10 / 115.2),
        (32, 1_000_000, 0.78),
    ],
)
def test_a_demand_takes_its_bytes(channels: int, baud: int, took_ms: float) -> None:
    assert demand_ns(channels, baud) / 1e6 == pytest.approx(took_ms, abs=1e-6)
    load = bus_load(channels, baud, 50)
    assert load.busy_ns == (demand_ns(channels, baud),) * 2
    assert load.percent == pytest.approx(took_ms / 20 * 100, rel=1e-6)
    assert load.fits == 32
    assert not load.is_too_slow


def test_a_round_by_hand() -> None:
    """Two neighbours at 1 MBd, no demand: 16 bytes of query, first slot 500 us, lead 5 us, answer of 20 bytes, a slot
    of 45 us, lead 5 us, answer; up to 30 us of jitter before each answer."""
    assert BRIEF_BYTES == 20
    assert round_ns(0, 2, 2, 1_000_000) == (
        160_000 + 500_000 + 5_000 + 200_000 + 45_000 + 5_000 + 200_000,
        160_000 + 500_000 + 35_000 + 200_000 + 45_000 + 35_000 + 200_000,
    )
    assert round_ns(0, 2, 12, 1_000_000)[0] - round_ns(0, 2, 2, 1_000_000)[0] == 10 * 45_000


def round_on(bus: VirtualBus, first: int, places: int, demands: tuple[int, ...]) -> int:
    """How long a round takes on a virtual bus, from its first bit to the last bit of the last answer."""
    bus.line.record = []
    bus.host.write(encode_frame(request_frame(m.ReportRound(first, places, demands), BROADCAST_ADDRESS, 1)))
    bus.kernel.run_until(bus.kernel.now_ns + S)
    sent = bus.line.record
    assert bus.line.overlaps == 0
    return sent[-1].end_ns - sent[0].start_ns


def test_a_round_takes_as_long_on_the_virtual_bus() -> None:
    """Equal clocks: between least and most, to the microsecond that rounding bits to ns may cost.

    On average every start jitters by half of what it may: within 2 % of the middle between least and most.
    """
    ratios = []
    for seed in seeds(20):
        draw = random.Random(seed)
        count, baud, first = draw.randint(2, 32), draw.choice([115_200, 1_000_000]), draw.randint(1, 150)
        places = draw.randint(count, 80)
        between = draw.sample(range(first + 1, first + places - 1), count - 2) if count > 2 else []
        addresses = [first, *sorted(between), first + places - 1]
        channels = draw.randint(0, 32)
        bus = fleet(count, seed, baud=baud, addresses=addresses, clock_ppm=0, echo=False)
        took_ns = round_on(bus, first, places, (0,) * channels)
        least_ns, most_ns = round_ns(channels, count, places, baud)
        assert least_ns - 1000 <= took_ns <= most_ns + 1000, seed
        ratios.append(took_ns / ((least_ns + most_ns) / 2))
    assert sum(ratios) / len(ratios) == pytest.approx(1.0, abs=0.02)


def test_a_round_with_clocks_that_differ_stays_within_their_error() -> None:
    """Each clock is off by up to 1 %: so much the whole may be longer or shorter."""
    for seed in seeds(10):
        bus = fleet(16, seed, baud=1_000_000, addresses=list(range(1, 17)), echo=False)
        least_ns, most_ns = round_ns(16, 16, 16, 1_000_000)
        assert least_ns * 0.989 <= round_on(bus, 1, 16, (0,) * 16) <= most_ns * 1.011


def test_what_fits_is_the_last_that_does() -> None:
    load = bus_load(13, 115_200, 50, actuators=13)
    assert load.is_too_slow
    assert load.percent > 100
    assert not bus_load(load.fits, 115_200, 50, actuators=load.fits).is_too_slow
    assert bus_load(load.fits + 1, 115_200, 50, actuators=load.fits + 1).is_too_slow
    assert bus_load(32, 3_000_000, 1, actuators=1).fits == 239, "all addresses that there are"
    slow = bus_load(32, 9_600, 20)
    assert slow.is_too_slow
    assert not bus_load(slow.fits, 9_600, 20).is_too_slow
    assert bus_load(slow.fits + 1, 9_600, 20).is_too_slow


@given(st.integers(1, 32), st.integers(1, 60), st.integers(0, 100), st.sampled_from(RATES_BD), st.floats(1, 500))
def test_more_is_never_faster(channels: int, actuators: int, missing: int, baud: int, rate: float) -> None:
    load = bus_load(channels, baud, rate, actuators=actuators, places=actuators + missing)
    more = bus_load(channels, baud, rate, actuators=actuators + 1, places=actuators + 1 + missing)
    assert load.busy_ns < more.busy_ns
    assert load.busy_ns[0] < load.busy_ns[1] <= load.busy_ns[0] + actuators * START_JITTER_NS
    assert (
        load.busy_ns[0] < bus_load(channels, baud, rate, actuators=actuators, places=actuators + missing + 1).busy_ns[0]
    )
    assert bytes_ns(10, baud) >= 10 * 10 * 1e9 / baud > bytes_ns(10, baud) - 1
    assert load.is_too_slow == (load.percent > 100)


@pytest.mark.parametrize("with_reports", [False, True])
@pytest.mark.parametrize("baud", [115_200, 1_000_000])
def test_a_demand_reaches_the_arm_when_it_is_said_to(with_reports: bool, baud: int) -> None:
    """On the virtual bus the arm is aimed elsewhere at the moment given as the least latency, not 2 us before."""
    channels = 12
    bus = fleet(channels, 3, baud=baud, addresses=list(range(1, channels + 1)), clock_ppm=0, echo=False)
    last = bus.actuators[-1]
    last.settings.set_working("channel", channels)
    demands = (5000,) * channels
    message = m.ReportRound(1, channels, demands) if with_reports else m.DemandAll(demands)
    bus.host.write(encode_frame(request_frame(message, BROADCAST_ADDRESS, 1)))
    least_ns, most_ns = bus_load(channels, baud, 50, actuators=channels if with_reports else 0).latency_ns
    bus.kernel.run_until(least_ns - 2000)
    assert last.arm.target_deg is None
    bus.kernel.run_until(least_ns + 2000)
    assert last.arm.target_deg == pytest.approx(30.0)
    assert most_ns - least_ns == 20 * MS


def test_a_plan_uses_its_highest_channel_and_the_row_from_first_to_last_address(tmp_path: Any) -> None:
    plan = write_plan(tmp_path, bus="baud = 115200\ndemands-per-second = 40\nreports = true")
    load = plan_load(plan)
    assert (load.channels, load.actuators, load.cycle_ns) == (4, 4, 25 * MS)
    assert load.busy_ns == round_ns(4, 4, 31, 115_200)  # addresses 1, 10, 30, 31


def test_what_would_do_instead_does(tmp_path: Any) -> None:
    plan = write_plan(tmp_path, bus="demands-per-second = 200\nreports = true")
    assert plan_load(plan).is_too_slow
    ways = ways_out(plan)
    assert [way.split(" = ")[0] for way in ways] == ["baud", "demands-per-second", "reports"]
    for way in ways:
        lines = {"demands-per-second": "200", "reports": "true", **dict([way.split(" = ")])}
        told = write_plan(tmp_path, bus="\n".join(f"{key} = {value}" for key, value in lines.items()))
        assert not plan_load(told).is_too_slow, way
    assert ways_out(write_plan(tmp_path, bus="baud = 9600\ndemands-per-second = 500"))[-1] != "reports = false"


# --- what a neutral costs --------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("given_deg", "is_reversed", "stops_deg", "expected"),
    [
        # neutral, travel, end-low, end-high -> low, high, lost at -100 %, at +100 %, to both sides, share
        ((0, 120, -90, 90), False, None, (-60, 60, 0, 0, 60, 0)),
        ((8, 120, -63, 63), False, None, (-52, 63, 0, 5, 55, 5 / 120)),
        ((8, 120, -63, 63), True, None, (-52, 63, 5, 0, 55, 5 / 120)),
        ((-12, 100, -90, 90), False, 110, (-55, 38, 7, 0, 43, 0.07)),
        ((0, 120, -40, 50), False, None, (-40, 50, 20, 10, 40, 0.25)),
        ((0, 120, -40, 50), True, None, (-40, 50, 10, 20, 40, 0.25)),
        ((5, 120, -40, 40), False, None, (-40, 40, 15, 25, 35, 40 / 120)),
        ((0, 180, -90, 90), False, 150, (-75, 75, 15, 15, 75, 30 / 180)),
        ((30, 100, -90, 20), False, None, (-20, 20, 10, 50, 0, 0.6)),  # the neutral itself is out of reach
        ((30, 10, -90, 20), False, None, (20, 20, 5, 5, 0, 1.0)),  # and so is all of the travel
    ],
)
def test_sweeps_by_hand(
    given_deg: tuple[float, float, float, float],
    is_reversed: bool,
    stops_deg: float | None,
    expected: tuple[float, ...],
) -> None:
    found = sweep(*given_deg, is_reversed=is_reversed, mechanical_travel_deg=stops_deg)
    assert (
        found.low_deg,
        found.high_deg,
        found.lost_at_minus_deg,
        found.lost_at_plus_deg,
        found.symmetric_deg,
        found.lost_share,
    ) == pytest.approx(expected)


@pytest.mark.parametrize(("travel_deg", "step_deg"), [(120, 0.006), (180, 0.009), (10, 0.0005)])
def test_a_step_of_the_demand_by_hand(travel_deg: float, step_deg: float) -> None:
    """Half the travel in 10 000 steps to each side."""
    assert sweep(0, travel_deg, -90, 90).step_deg == pytest.approx(step_deg)


def test_unless_it_is_told_an_arm_is_not_reversed() -> None:
    """The upper end cuts 20 deg off the side of positive demands."""
    found = sweep(0, 100, -90, 30)
    assert (found.lost_at_minus_deg, found.lost_at_plus_deg) == pytest.approx((0, 20))


angles = st.floats(-30, 30)
travels = st.floats(10, 180)
ends = st.floats(0, 90)
stops = st.none() | st.floats(10, 360)


@given(angles, travels, ends, ends, stops, st.booleans())
def test_nothing_of_a_sweep_is_lost_twice(
    neutral: float, travel: float, low: float, high: float, stop: float | None, is_reversed: bool
) -> None:
    found = sweep(neutral, travel, -low, high, is_reversed=is_reversed, mechanical_travel_deg=stop)
    assert found.high_deg - found.low_deg + found.lost_deg == pytest.approx(travel)
    assert found.lost_share == pytest.approx(found.lost_deg / travel)
    assert -1e-9 <= found.lost_share <= 1 + 1e-9
    assert -low <= found.low_deg <= found.high_deg <= high
    assert 0 <= found.symmetric_deg <= travel / 2 + 1e-9
    mirrored = sweep(-neutral, travel, -high, low, is_reversed=is_reversed, mechanical_travel_deg=stop)
    assert (mirrored.low_deg, mirrored.high_deg) == (-found.high_deg, -found.low_deg)
    other_way = sweep(neutral, travel, -low, high, is_reversed=not is_reversed, mechanical_travel_deg=stop)
    assert (other_way.lost_at_minus_deg, other_way.lost_at_plus_deg) == (
        found.lost_at_plus_deg,
        found.lost_at_minus_deg,
    )


@given(angles, travels, ends, ends, stops, st.booleans(), st.floats(0, 1), st.sampled_from([-1.0, 1.0]))
def test_what_is_said_to_be_left_is_reached_and_what_is_lost_is_not(
    neutral: float,
    travel: float,
    low: float,
    high: float,
    stop: float | None,
    is_reversed: bool,
    part: float,
    side: float,
) -> None:
    """Any demand goes where the neutral and its share put it, unless that is in the part that is lost."""
    found = sweep(neutral, travel, -low, high, is_reversed=is_reversed, mechanical_travel_deg=stop)
    angle = neutral + (-1 if is_reversed else 1) * side * part * travel / 2
    lost = found.lost_at_plus_deg if side > 0 else found.lost_at_minus_deg
    is_reached = found.low_deg - 1e-9 <= angle <= found.high_deg + 1e-9
    if part * travel / 2 <= found.symmetric_deg and found.symmetric_deg:
        assert is_reached
    if found.symmetric_deg and part * travel / 2 > travel / 2 - lost + 1e-6:
        assert not is_reached


@given(st.integers(-3000, 3000), st.integers(1000, 18000), st.integers(-9000, 0), st.integers(0, 9000), st.booleans())
def test_raw_settings_say_the_same_as_degrees(
    neutral: int, travel: int, low: int, high: int, is_reversed: bool
) -> None:
    settings = {
        **FACTORY,
        "neutral": neutral,
        "travel": travel,
        "end-low": low,
        "end-high": high,
        "direction": DIRECTION_REVERSED if is_reversed else 0,
    }
    by_degrees = sweep(neutral / 100, travel / 100, low / 100, high / 100, is_reversed=is_reversed)
    assert sweep_of(settings) == by_degrees


def test_the_virtual_actuator_goes_where_the_sweep_says() -> None:
    """Demanded to both ends, it stands at the ends of the sweep."""
    draw = random.Random(4)
    for seed in seeds(8):
        bus = fleet(1, seed, addresses=[1], echo=False)
        actuator = bus.actuators[0]
        raw = {
            "neutral": draw.randint(-3000, 3000),
            "travel": draw.randint(1000, 18000),
            "end-low": -draw.randint(0, 9000),
            "end-high": draw.randint(0, 9000),
            "direction": draw.randint(0, 1),
        }
        for name, value in {**raw, "channel": 1, "soft-start": 0, "loss-time-out": 10_000}.items():
            actuator.settings.set_working(name, value)
        found = sweep_of({**FACTORY, **raw}, actuator.model.mechanical_travel_deg)
        reached = []
        for demand in (-10_000, 10_000):
            bus.host.write(encode_frame(request_frame(m.DemandAll((demand,)), BROADCAST_ADDRESS, 1)))
            bus.kernel.run_until(bus.kernel.now_ns + 5 * S)
            actuator.arm.move_to(bus.kernel.now_ns)
            reached.append(actuator.arm.target_deg)
        assert sorted(one for one in reached if one is not None) == pytest.approx([found.low_deg, found.high_deg])
