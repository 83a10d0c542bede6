"""Steering by hand: its demand is kept alive while it lasts, and it ends limp whatever ends it."""

from __future__ import annotations

import itertools
from collections.abc import Callable

import pytest

from busproto.errors import NodeRefusedError, PortClosedError, ReplyTimeoutError
from busproto.ops.link import Link
from busproto.ops.moving.hand_control import Command, View, steer, steer_address, steer_channel
from busproto.wire import messages as m
from busproto.wire.messages import MAX_DEMAND, State
from tests.ops.helpers import MS, Box, DyingPort, S
from tests.ops.moving.helpers import C, alone, demands, fractions, script, slowly, steered, where

LIMP = {State.LIMP, State.RELEASED, State.LOST_LIMP}


# --- the demand stays alive ------------------------------------------------------------------------------------


@pytest.mark.parametrize("time_out_ms", [40, 60, 500])
def test_the_demand_is_kept_alive(time_out_ms: int) -> None:
    made, actuator = alone(loss_time_out=time_out_ms)
    who = made.run(steer_address(5))
    keys = slowly((0.0, C.MUCH_MORE), (3.0, C.QUIT), made=made)
    faults: set[int] = set()
    came = made.run(steer(who, keys, lambda view: faults.add(view.reports[5].faults)))
    assert faults == {0}
    assert came.reached[0].reports[5].state is State.FOLLOWING
    assert actuator.state is State.RELEASED


@pytest.mark.parametrize(("time_out_ms", "period_ns"), [(40, 13_333_333), (60, 20 * MS), (500, 50 * MS)])
def test_the_demand_goes_out_once_a_period(time_out_ms: int, period_ns: int) -> None:
    """Three times within the shortest loss time-out, and 20 times a second at least; the first one on taking hold."""
    made, _ = alone(loss_time_out=time_out_ms)
    who = made.run(steer_address(5))
    sent: list[tuple[int, float]] = []
    made.hooked(lambda one: sent.append((made.now_ns, one.demand / MAX_DEMAND)) if isinstance(one, m.Demand) else None)
    made.run(steer(who, slowly((0.0, C.MUCH_MORE), (1.0, C.QUIT), made=made), lambda _: None))
    assert {fraction for _, fraction in sent} == {0.1}
    apart = [after - before for (before, _), (after, _) in itertools.pairwise(sent)]
    assert apart[1:] == pytest.approx([period_ns] * len(apart[1:]), abs=0.2 * MS)
    assert apart[0] <= period_ns
    assert len(sent) == pytest.approx(1e9 / period_ns, abs=4)


def test_a_script_goes_on_only_when_each_demand_went_out_twice() -> None:
    """So that noise on one of them does not leave a step out."""
    made, _ = alone()
    who = made.run(steer_address(5))
    port = made.hooked(lambda _: None)
    steered(made, C.MORE, C.MORE, C.LESS, subject=who)
    counts = [(fraction, len(list(group))) for fraction, group in itertools.groupby(demands(port))]
    assert [fraction for fraction, _ in counts] == [0.005, 0.01, 0.005]
    assert min(count for _, count in counts) >= 2


def test_it_holds_through_noise() -> None:
    made, _ = alone()
    who = made.run(steer_address(5))
    made.noise(0.005)
    came = steered(made, C.MUCH_MORE, C.MUCH_LESS, C.MUCH_LESS, subject=who)
    assert fractions(came.reached) == [0.1, 0.0, -0.1]
    assert all(one.arrived for one in came.reached)


def test_keys_that_repeat_do_not_pile_up() -> None:
    made, _ = alone()
    who = made.run(steer_address(5))
    pressed = 0

    def held_down() -> Command | None:
        nonlocal pressed
        if made.now_ns > 2 * S:
            return Command.QUIT
        if pressed * S < 100 * made.now_ns:  # a hundred a second
            pressed += 1
            return Command.MORE
        return None

    came = made.run(steer(who, held_down, lambda _: None))
    assert pressed > 190
    assert len(came.reached) == pressed


# --- it ends limp ----------------------------------------------------------------------------------------------


def interrupts_at(made: Box, time_s: float) -> Callable[[], Command | None]:
    first = iter([C.MUCH_MORE])

    def key() -> Command | None:
        if made.now_ns >= time_s * S:
            raise KeyboardInterrupt
        return next(first, None)

    return key


def test_an_interrupt_while_it_waits_for_a_key_leaves_it_limp() -> None:
    made, actuator = alone()
    who = made.run(steer_address(5))
    with pytest.raises(KeyboardInterrupt):
        made.run(steer(who, interrupts_at(made, 1.0), lambda _: None))
    assert actuator.state is State.RELEASED
    assert where(actuator, made) == pytest.approx(6.0, abs=0.11)


@pytest.mark.parametrize("kind", [m.Engage, m.Demand, m.Report])
@pytest.mark.parametrize("number", [3, 20])
def test_an_interrupt_in_mid_exchange_leaves_it_limp(kind: type[m.Message], number: int) -> None:
    made, actuator = alone()
    who = made.run(steer_address(5))
    seen = 0

    def hook(message: m.Message) -> None:
        nonlocal seen
        if type(message) is kind:
            seen += 1
            if seen == (1 if kind is m.Engage else number):
                raise KeyboardInterrupt

    made.hooked(hook)
    with pytest.raises(KeyboardInterrupt):
        made.run(steer(who, slowly((0.0, C.MUCH_MORE), (60.0, C.QUIT), made=made), lambda _: None))
    assert actuator.state in LIMP


def test_an_error_of_whoever_looks_leaves_it_limp() -> None:
    made, actuator = alone()
    who = made.run(steer_address(5))

    def screen_is_gone(view: View) -> None:
        if view.fraction is not None:
            raise OSError("no screen")

    with pytest.raises(OSError, match="no screen"):
        made.run(steer(who, slowly((0.0, C.MORE), (9.0, C.QUIT), made=made), screen_is_gone))
    assert actuator.state is State.RELEASED


def test_one_that_goes_dark_ends_it_and_all_others_are_told_to_go_limp() -> None:
    made, first = alone()
    second = made.add(2, 6, channel=2)
    who = made.run(steer_channel(2, [5, 6]))
    made.bus.kernel.at(1 * S, first.power_off)
    with pytest.raises(ReplyTimeoutError):
        made.run(steer(who, slowly((0.0, C.MUCH_MORE), (60.0, C.QUIT), made=made), lambda _: None))
    assert second.state is State.RELEASED
    assert first.arm.target_deg is None


def test_a_port_that_goes_away_is_said_and_the_loss_action_does_the_rest() -> None:
    made, actuator = alone(loss_action=0)
    who = made.run(steer_address(5))
    made.link = Link(DyingPort(made.bus.host, 30))
    with pytest.raises(PortClosedError):
        made.run(steer(who, slowly((0.0, C.MUCH_MORE), (60.0, C.QUIT), made=made), lambda _: None))
    made.pass_time(1 * S)
    assert actuator.state is State.LOST_LIMP


def test_a_fault_ends_it() -> None:
    made, actuator = alone(over_temperature=40)
    actuator._heat.start(0, 60.0)
    who = made.run(steer_address(5))
    with pytest.raises(NodeRefusedError, match="fault"):
        steered(made, C.MORE, subject=who)
    assert actuator.arm.target_deg is None


def test_a_steering_that_no_link_runs_any_more_ends_without_complaint() -> None:
    made, _ = alone()
    who = made.run(steer_address(5))
    steps = steer(who, script([C.MORE]), lambda _: None)
    next(steps)
    steps.close()
