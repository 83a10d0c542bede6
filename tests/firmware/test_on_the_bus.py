"""Devices in C on the virtual bus, alone and beside actuators in Python: what a host does with them, and gets."""

from __future__ import annotations

import random
from typing import Any

import pytest

from busproto.errors import NodeRefusedError
from busproto.ops import (
    assign,
    assign_all,
    commit,
    demand,
    describe,
    engage,
    find,
    move,
    ordered_moves,
    prove_addresses,
    read,
    read_all,
    release_all,
    report,
    restart,
    stream,
    take_demand_away,
    undo,
    write,
)
from busproto.ops.discovery.methods import METHODS
from busproto.ops.transact import transact
from busproto.wire import Decoder, Frame, encode_frame, message_of, request_frame
from busproto.wire import messages as m
from busproto.wire.frame import UNADDRESSED
from busproto.wire.parameters import FACTORY
from tests.firmware import needs
from tests.firmware.benches import DeviceBox, device_box
from tests.ops.helpers import MS, S, listed, right_or_not_proven, uid_of

needs.compiler_and_cffi()

KINDS = {"python": lambda _: False, "c": lambda _: True, "mixed": lambda number: bool(number % 2)}
each_kind = pytest.mark.parametrize("kind", ["c", "mixed"])
MOST_PPM = 10_000


def filled(kind: str, count: int, *, seed: int = 0, baud: int = 115_200, addressed: bool = True) -> DeviceBox:
    """A bus with so many of a kind, their clocks off by up to 1 %."""
    made, stream_ = device_box(seed, baud=baud), random.Random(f"clocks {seed}")
    for number in range(1, count + 1):
        ppm = stream_.randint(-MOST_PPM, MOST_PPM)
        named: dict[str, Any] = {"clock_ppm": ppm} if KINDS[kind](number) else {}
        made.either(
            KINDS[kind](number),
            number,
            number if addressed else UNADDRESSED,
            settings={"channel": min(number, 32)},
            **named,
        )
    return made


# --- discovery -------------------------------------------------------------------------------------------------


@each_kind
@pytest.mark.parametrize("count", [1, 3, 16])
@pytest.mark.parametrize("baud", [115_200, 1_000_000])
def test_find_proves_every_actuator(kind: str, count: int, baud: int) -> None:
    made = filled(kind, count, seed=count, baud=baud, addressed=False)
    roster = made.run(find(rng=random.Random(count)))
    assert right_or_not_proven(roster, made.truth)
    assert roster.proven


@each_kind
def test_thirty_two_are_found_about_as_fast_as_in_python(kind: str) -> None:
    took = {}
    for one in ("python", kind):
        made = filled(one, 32, seed=5, baud=1_000_000, addressed=False)
        assert made.run(find(rng=random.Random(7))).proven
        took[one] = made.now_ns
    assert took[kind] == pytest.approx(took["python"], rel=0.15)


@each_kind
def test_find_where_every_receiver_samples_every_bit(kind: str) -> None:
    made = filled(kind, 6, seed=8, addressed=False)
    made.bus.line.always_bits = True
    roster = made.run(find(rng=random.Random(4)))
    assert right_or_not_proven(roster, made.truth)
    assert roster.proven


@each_kind
@pytest.mark.parametrize("seed", range(6))
def test_under_noise_it_is_right_or_not_proven(kind: str, seed: int) -> None:
    made = filled(kind, 8, seed=seed, addressed=False)
    made.noise(2e-3)
    roster = made.run(find(rng=random.Random(seed)))
    right_or_not_proven(roster, made.truth)


@each_kind
@pytest.mark.parametrize("name", [name for name in METHODS if name != "poll"])
def test_every_other_way_to_search_finds_the_same(kind: str, name: str) -> None:
    made = filled(kind, 6, seed=2)
    roster = made.run(METHODS[name].run(random.Random(3), made.bus.host.baud))
    assert listed(roster) == made.truth


@each_kind
def test_several_at_one_address_are_told_apart(kind: str) -> None:
    made = device_box(4)
    for number in range(4):
        made.either(KINDS[kind](number), number + 1, 7)
    roster = made.run(find(rng=random.Random(1)))
    assert roster.proven
    assert listed(roster) == {uid_of(number + 1): 7 for number in range(4)}


@each_kind
def test_addresses_are_given_by_uid_and_proven(kind: str) -> None:
    made = filled(kind, 9, addressed=False)
    wanted = {uid_of(number): 10 + number for number in range(1, 10)}
    roster = made.run(find(rng=random.Random(3)))
    made.run(assign_all(ordered_moves(roster, wanted)))
    assert made.truth == wanted
    assert made.run(prove_addresses(wanted, rng=random.Random(1))) == ""


# --- settings --------------------------------------------------------------------------------------------------


def test_settings_are_written_stored_read_back_and_undone() -> None:
    made = filled("c", 2)
    assert made.run(read_all(1)) == {**FACTORY, "channel": 1}
    made.run(write(1, {"neutral": 150}))
    made.run(write(1, {"correction": (-100, 0, 300)}))
    assert made.run(read_all(1, m.Memory.STORED)) == {**FACTORY, "channel": 1}
    made.run(undo(1, m.Memory.STORED))
    assert made.run(read(1, "neutral")) == 0
    made.run(write(1, {"neutral": 150}))
    made.run(write(1, {"correction": (-100, 0, 300)}))
    assert made.run(commit(1)) == 2
    made.run(restart(1))
    made.pass_time(10 * MS)
    stored = {**FACTORY, "channel": 1, "neutral": 150, "correction": (-100, 0, 300)}
    assert made.run(read_all(1)) == made.run(read_all(1, m.Memory.STORED)) == stored
    assert made.run(read_all(1, m.Memory.FACTORY)) == FACTORY
    made.run(undo(1, m.Memory.FACTORY))
    assert made.run(read_all(1)) == FACTORY
    assert made.run(read_all(2)) == {**FACTORY, "channel": 2}


def test_out_of_range_changes_nothing_and_tells_the_range() -> None:
    made = filled("c", 1)
    with pytest.raises(NodeRefusedError) as refused:
        made.run(transact(m.Write(17, b"\x0f\x00"), 1, m.Written))
    assert (refused.value.low, refused.value.high) == (20, 10_000)
    assert made.run(read(1, "loss-time-out")) == 500


def test_it_describes_itself_as_one_in_python_does() -> None:
    made = device_box()
    made.device(1, 1)
    made.add(uid_of(2), 2)
    c, python = made.run(describe(1)), made.run(describe(2))
    assert c.uid == uid_of(1)
    names = [name for name in type(c).__dataclass_fields__ if name != "uid"]
    assert [getattr(c, name) for name in names] == [getattr(python, name) for name in names]


# --- motion ----------------------------------------------------------------------------------------------------


@each_kind
def test_a_move_gets_there_and_ends_limp(kind: str) -> None:
    made = filled(kind, 2)
    for address in (1, 2):
        result = made.run(move(address, 0.5))
        assert result.arrived
        assert made.run(report(address)).position_cdeg == pytest.approx(3000, abs=25)
        assert made.run(report(address)).state in {m.State.RELEASED, m.State.LIMP}


@pytest.mark.parametrize(
    ("stored", "share", "angle_deg"),
    [
        ({}, 1.0, 60.0),
        ({}, -0.25, -15.0),
        ({"travel": 9000}, 1.0, 45.0),
        ({"neutral": 150}, 0.5, 31.5),
        ({"direction": 1, "neutral": 150}, 0.5, -28.5),
        ({"end-high": 2000}, 0.5, 20.0),
        ({"end-low": -2000}, -0.5, -20.0),
        ({"correction": (-100, 0, 300)}, 0.5, 31.5),
        ({"correction": (-100, 0, 300), "direction": 1}, 0.5, -28.5),
        ({"correction": (0, 0, 300), "end-high": 3100}, 0.5, 31.0),
        ({"travel": 18000, "neutral": 3000}, 1.0, 90.0),
    ],
)
def test_where_a_demand_leads(stored: dict[str, Any], share: float, angle_deg: float) -> None:
    """The cases of the Python actuator's test."""
    made = device_box()
    device = made.device(1, 5, settings={"soft-start": 0, "loss-action": 1, **stored})
    made.run(demand(5, share))
    made.pass_time(S)
    status = made.run(report(5))
    assert status.demand_cdeg == round(angle_deg * 100)
    assert device.arm.position_deg == pytest.approx(angle_deg, abs=0.12)


def test_soft_start_and_slew_limit_hold() -> None:
    """Over the soft start the way grows with the square of time: 150 deg/s^2 at 300 deg/s within 1 s."""
    made = device_box()
    device = made.device(1, 5, settings={"loss-time-out": 10_000})
    made.run(demand(5, 1.0))
    begin_ns, fastest = made.now_ns, 0.0
    for ms, deg in ((100, 1.5), (200, 6.0), (400, 24.0)):
        made.pass_time(begin_ns + ms * MS - made.now_ns)
        device.arm.move_to(made.now_ns)
        assert device.arm.position_deg == pytest.approx(deg, abs=1.2)
    for _ in range(400):
        made.pass_time(2 * MS)
        device.arm.move_to(made.now_ns)
        fastest = max(fastest, device.arm.speed_deg_s)
    assert fastest <= 300 * 1.1


def test_it_comes_to_rest_within_the_dead_band_and_does_not_swing() -> None:
    for stiffness, damping, minimum in ((20, 30, 5), (60, 30, 5), (100, 30, 5), (60, 0, 5), (60, 100, 5), (60, 30, 0)):
        made = device_box()
        device = made.device(
            1,
            5,
            settings={
                "soft-start": 0,
                "loss-action": 1,
                "stiffness": stiffness,
                "damping": damping,
                "minimum-drive": minimum,
            },
        )
        made.run(demand(5, 0.7))
        made.pass_time(600 * MS)
        most = 0.0
        for _ in range(200):
            made.pass_time(1 * MS)
            device.arm.move_to(made.now_ns)
            most = max(most, abs(device.arm.position_deg - 42.0))
        short_deg = max(0.0, 0.04 - minimum / 100) / (stiffness / 100)
        assert most <= 0.12 + short_deg, (stiffness, damping, minimum)
        assert device.arm.speed_deg_s == 0.0


@pytest.mark.parametrize(
    ("action", "state", "angle_deg"),
    [(0, m.State.LOST_LIMP, 30.0), (1, m.State.LOST_HOLD, 30.0), (2, m.State.LOST_PRESET, -10.0)],
)
@each_kind
def test_taking_the_demand_away_shows_the_loss_action(kind: str, action: int, state: m.State, angle_deg: float) -> None:
    made = device_box()
    for number in (1, 2):
        made.either(
            KINDS[kind](number),
            number,
            number,
            settings={"channel": number, "loss-action": action, "preset": -1000, "soft-start": 100},
        )
    made.run(stream({1: 0.5, 2: 0.5}, 600 * MS))
    for address in (1, 2):
        assert made.run(report(address)).state is m.State.FOLLOWING
    made.pass_time(900 * MS)
    for address in (1, 2):
        status = made.run(report(address))
        assert status.state is state
        assert status.faults == m.Fault.DEMAND_LOST
        assert status.position_cdeg == pytest.approx(angle_deg * 100, abs=25)
    made.run(stream({1: 0.0, 2: 0.0}, 900 * MS))
    assert {made.run(report(address)).state for address in (1, 2)} <= {m.State.FOLLOWING, m.State.SOFT_STARTING}


def test_a_hand_moves_the_limp_arm_and_not_the_held_one() -> None:
    made = device_box()
    device = made.device(1, 5)
    assert device.arm.hand(20.0, 100 * MS, made.now_ns)
    made.pass_time(100 * MS)
    assert made.run(report(5)).position_cdeg == 2000
    made.run(engage(5))
    assert not device.arm.hand(0.0, 100 * MS, made.now_ns)
    made.pass_time(200 * MS)
    assert made.run(report(5)).position_cdeg == pytest.approx(2000, abs=12)
    made.run(release_all())
    assert device.state is m.State.RELEASED
    assert device.arm.hand(0.0, 100 * MS, made.now_ns)


def test_hot_it_goes_limp_and_refuses_until_it_has_cooled() -> None:
    made = device_box()
    device = made.device(1, 5, settings={"over-temperature": 40, "loss-time-out": 10_000})
    made.run(engage(5))
    device.arm._degc = 41.0
    made.pass_time(300 * MS)
    status = made.run(report(5))
    assert (status.state, status.faults) == (m.State.FAULTED, m.Fault.OVER_TEMPERATURE)
    with pytest.raises(NodeRefusedError) as refused:
        made.run(engage(5))
    assert refused.value.code == m.Outcome.FAULT_STANDS
    made.pass_time(60 * S)
    made.run(engage(5))
    assert made.run(report(5)).state is m.State.SOFT_STARTING


def test_low_supply_is_reported() -> None:
    made = device_box()
    made.device(1, 5, settings={"under-voltage": 6000})
    assert made.run(report(5)).faults == 0
    made.bus.supply_mv = 5900
    status = made.run(report(5))
    assert (status.faults, status.supply_mv) == (m.Fault.UNDER_VOLTAGE, 5900)


def test_show_yourself_moves_an_engaged_arm_about_its_place() -> None:
    made = device_box()
    device = made.device(1, 5, settings={"soft-start": 0, "loss-time-out": 10_000})
    made.run(engage(5))
    made.run(transact(m.ShowYourself(20), 5, m.Showing))
    assert device.showing_until_ns == pytest.approx(made.now_ns + 2 * S, abs=20 * MS)
    seen = []
    for _ in range(100):
        made.pass_time(20 * MS)
        device.arm.move_to(made.now_ns)
        seen.append(device.arm.position_deg)
    assert 1.0 < max(seen) < 4.0
    assert -4.0 < min(seen) < -1.0
    made.pass_time(500 * MS)
    device.arm.move_to(made.now_ns)
    assert device.arm.position_deg == pytest.approx(0.0, abs=0.15)


@each_kind
def test_a_report_round_brings_every_report_in_order(kind: str) -> None:
    made = filled(kind, 16, baud=1_000_000)
    rounds = _round(made, m.ReportRound(1, 16, ()))
    assert [source for source, _ in rounds] == list(range(1, 17))
    assert all(status.state is m.State.LIMP for _, status in rounds)
    _round(made, m.ReportRound(1, 16, (5000,) * 16))
    made.pass_time(400 * MS)
    rounds = _round(made, m.ReportRound(1, 16, (5000,) * 16))
    assert [source for source, _ in rounds] == list(range(1, 17))
    assert all(status.position_cdeg > 500 for _, status in rounds)


def _round(made: DeviceBox, request: m.ReportRound) -> list[tuple[int, Any]]:
    made.bus.host.take()
    made.bus.host.write(encode_frame(request_frame(request, 0xFF, 1)))
    made.pass_time(30 * MS)
    found = Decoder().feed(made.bus.host.take())
    assert all(isinstance(one, Frame) for one in found)
    return [(one.source, message_of(one)) for one in found if isinstance(one, Frame) and one.is_reply]


def test_the_demand_taken_away_by_the_operation() -> None:
    """The operation of the command line's loss test runs over C as over Python."""
    made = device_box()
    for number in range(1, 7):
        stored = {"channel": number, "loss-action": number % 3, "loss-time-out": 100 * number, "preset": 500}
        made.either(number > 3, number, number, settings=stored)
    made.run(stream(dict.fromkeys(range(1, 7), 0.1), 600 * MS))
    seen = made.run(take_demand_away(range(1, 7), 2 * S))
    assert [seen[number].action for number in range(1, 4)] == [seen[number].action for number in range(4, 7)]
    assert all(one.action for one in seen.values())


def test_assign_moves_one_only() -> None:
    made = filled("mixed", 4)
    made.run(assign(uid_of(1), 9))
    assert made.truth == {uid_of(1): 9, uid_of(2): 2, uid_of(3): 3, uid_of(4): 4}
