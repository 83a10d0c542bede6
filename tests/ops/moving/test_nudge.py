"""A nudge: a small swing where the arm stands, nothing else, and limp whatever happens."""

from __future__ import annotations

from collections.abc import Callable

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from busproto.errors import InputError, NodeRefusedError, OperationError, PortClosedError, ReplyTimeoutError
from busproto.ops import Link, release_all
from busproto.ops.moving.nudge import SHORTEST_LOSS_MS, Nudged, nudge
from busproto.sim.actuators.actuator import Actuator
from busproto.sim.actuators.showing import SHOW_SWING_DEG
from busproto.wire import Message
from busproto.wire.frame import UNADDRESSED
from busproto.wire.messages import LIMP_STATES, Demand, Engage, Release, ShowYourself, State, Write
from busproto.wire.parameters import DIRECTION_REVERSED, LOSS_HOLD, LOSS_LIMP, LOSS_PRESET, RawValue
from tests.ops.helpers import MS, Box, DyingPort, S, box, lasting, once

SENSOR_DEG = 0.05


def nudged_within(bench: Box, actuator: Actuator, **given: float) -> tuple[Nudged, list[float]]:
    """A nudge of the actuator at address 5, and where its arm was from millisecond to millisecond."""
    way: list[float] = []

    def look() -> None:
        actuator.arm.move_to(bench.now_ns)
        way.append(actuator.arm.position_deg)
        bench.bus.kernel.at(bench.now_ns + MS, look)

    look()
    return bench.run(nudge(5, **given)), way


@pytest.mark.parametrize("at_deg", [-58.0, -7.3, 0.0, 12.5, 59.0])
@pytest.mark.parametrize("action", [LOSS_LIMP, LOSS_HOLD, LOSS_PRESET])
def test_the_arm_swings_about_where_it_stands_and_is_limp_again(at_deg: float, action: int) -> None:
    bench = box()
    actuator = bench.add(1, 5, at_deg=at_deg, loss_action=action, preset=6000)
    bench.run(release_all())
    nudged, way = nudged_within(bench, actuator)
    assert nudged.was_seen
    assert nudged.swing_deg == pytest.approx(2 * SHOW_SWING_DEG, abs=2 * SENSOR_DEG)
    assert max(abs(deg - at_deg) for deg in way) <= SHOW_SWING_DEG + 0.1
    assert actuator.state is State.RELEASED
    bench.pass_time(20 * S)  # and stays so
    assert actuator.state is State.RELEASED
    assert abs(actuator.arm.position_deg - at_deg) <= SHOW_SWING_DEG + 0.1


@given(
    st.floats(-55, 55),
    st.integers(-500, 500),
    st.sampled_from([0, DIRECTION_REVERSED]),
    st.lists(st.integers(-300, 300), min_size=2, max_size=9).map(tuple) | st.just(()),
)
@settings(max_examples=25)
def test_it_stays_there_with_any_neutral_direction_and_correction(
    at_deg: float, neutral: int, direction: int, correction: tuple[int, ...]
) -> None:
    bench = box()
    stored: dict[str, RawValue] = {
        "neutral": neutral,
        "direction": direction,
        "correction": correction,
        "travel": 16000,
    }
    actuator = bench.add(1, 5, at_deg=at_deg, settings=stored)
    nudged, way = nudged_within(bench, actuator, duration_s=0.8)
    assert nudged.was_seen
    assert max(abs(deg - at_deg) for deg in way) <= SHOW_SWING_DEG + 0.2


def test_nothing_lasting_is_written() -> None:
    bench = box()
    actuator = bench.add(1, 5, at_deg=3.0)
    port = bench.hooked(lambda _: None)
    before = lasting(actuator)
    bench.run(nudge(5))
    after = lasting(actuator)
    assert {name: before[name] for name in ("address", "working", "memory", "generation")} == {
        name: after[name] for name in ("address", "working", "memory", "generation")
    }
    assert not any(isinstance(request, Write) for request in port.sent)


@pytest.mark.parametrize(
    ("at_deg", "stored"),
    [
        (80.0, {}),  # a hand put it beyond the travel
        (-40.0, {"end_low": -2000}),
        (0.0, {"loss_action": LOSS_PRESET, "loss_time_out": SHORTEST_LOSS_MS - 1}),
    ],
)
def test_where_it_would_have_to_go_elsewhere_nothing_moves(at_deg: float, stored: dict[str, int]) -> None:
    bench = box()
    actuator = bench.add(1, 5, at_deg=at_deg, **stored)
    port = bench.hooked(lambda _: None)
    with pytest.raises(OperationError, match=r"nothing moved.*by hand"):
        bench.run(nudge(5))
    assert not any(isinstance(request, Engage | Demand | ShowYourself) for request in port.sent)
    assert actuator.arm.position_deg == at_deg


def test_one_without_an_address_or_power_is_not_nudged() -> None:
    bench = box()
    bench.add(1, UNADDRESSED)
    bench.add(2, 6, powered=False)
    with pytest.raises(ReplyTimeoutError):
        bench.run(nudge(6))
    with pytest.raises((NodeRefusedError, OperationError)):
        bench.run(nudge(UNADDRESSED))


@pytest.mark.parametrize("duration_s", [0.1, 10.0])
def test_the_ends_of_its_range_are_in_it(duration_s: float) -> None:
    bench = box(1)
    bench.add(1, 5)
    began_ns = bench.now_ns
    bench.run(nudge(5, duration_s))
    assert bench.now_ns - began_ns >= duration_s * 1e9


def test_of_itself_it_swings_twice_to_each_side_and_no_longer() -> None:
    bench = box(1)
    bench.add(1, 5)
    began_ns = bench.now_ns
    bench.run(nudge(5))
    assert 1.6 <= (bench.now_ns - began_ns) / 1e9 < 1.9


@pytest.mark.parametrize("duration_s", [0.0, 0.09, -1.0, 10.1, 11.0, float("nan")])
def test_a_duration_outside_its_range_is_refused_before_anything_is_sent(duration_s: float) -> None:
    bench = box()
    bench.add(1, 5)
    port = bench.hooked(lambda _: None)
    with pytest.raises(InputError):
        bench.run(nudge(5, duration_s))
    assert port.sent == []


def test_a_blocked_arm_is_said_not_to_have_moved() -> None:
    bench = box()
    actuator = bench.add(1, 5)
    actuator.arm.stop_deg = 0.0
    nudged = bench.run(nudge(5))
    assert not nudged.was_seen
    assert actuator.state in LIMP_STATES


def _interrupt() -> None:
    raise KeyboardInterrupt


@pytest.mark.parametrize(
    ("kind", "number"), [(Engage, 1), (Demand, 1), (Demand, 2), (Demand, 9), (ShowYourself, 1), (Release, 1)]
)
def test_it_is_limp_also_on_ctrl_c(kind: type[Message], number: int) -> None:
    bench = box()
    actuator = bench.add(1, 5, loss_action=LOSS_HOLD)
    bench.hooked(once(kind, _interrupt, number=number))
    with pytest.raises(KeyboardInterrupt):
        bench.run(nudge(5))
    assert actuator.state is State.RELEASED


@pytest.mark.parametrize("kind", [ShowYourself, Demand])
def test_one_that_falls_mute_is_told_to_go_limp_all_the_same(kind: type[Message]) -> None:
    bench = box()
    actuator = bench.add(1, 5, loss_action=LOSS_HOLD)
    hook: Callable[[Message], None] = once(kind, lambda: setattr(actuator, "is_mute", True), number=1)
    bench.hooked(hook)
    with pytest.raises(ReplyTimeoutError):
        bench.run(nudge(5))
    assert actuator.state is State.RELEASED


def test_a_port_that_goes_away_is_told() -> None:
    bench = box()
    bench.add(1, 5)
    bench.link = Link(DyingPort(bench.bus.host, at_write=8))
    with pytest.raises(PortClosedError):
        bench.run(nudge(5))
