"""What an actuator does when no valid demand comes for its loss time-out.

Demands are 0.01 % of the travel: with the factory travel of 120 deg, 5000 is 30 deg. Factory settings otherwise."""

from __future__ import annotations

import random

import pytest

from busproto.wire import encode_frame, request_frame
from busproto.wire import messages as m
from busproto.wire.frame import BROADCAST_ADDRESS
from tests.sim.helpers import HOLD, LIMP, MS, PRESET, bench, positions, where

LOSSES = [
    pytest.param(LIMP, m.State.LOST_LIMP, None, id="limp"),
    pytest.param(HOLD, m.State.LOST_HOLD, 30.0, id="hold"),
    pytest.param(PRESET, m.State.LOST_PRESET, -10.0, id="preset"),
]


@pytest.mark.parametrize(("action", "state", "target_deg"), LOSSES)
def test_the_loss_action_begins_when_the_time_out_has_passed(
    action: int, state: m.State, target_deg: float | None
) -> None:
    made = bench()
    actuator = made.add(1, 5, channel=1, soft_start=0, loss_action=action, preset=-1000, loss_time_out=500)
    arrived_ns = made.demand(5000)
    assert positions(made, actuator, arrived_ns, 499) == [30.0]
    made.run_until(arrived_ns + 500 * MS - 1)
    assert (actuator.current_state(), actuator.arm.target_deg) == (m.State.FOLLOWING, 30.0)
    made.run_until(arrived_ns + 500 * MS)
    assert (actuator.current_state(), actuator.arm.target_deg) == (state, target_deg)
    made.run(1000 * MS)
    assert where(made, actuator) == (-10.0 if action == PRESET else 30.0)
    assert actuator.arm.hand(50.0, 0, made.now_ns) is (action == LIMP)
    assert made.status(5).faults == m.Fault.DEMAND_LOST


@pytest.mark.parametrize(("action", "state", "target_deg"), LOSSES)
def test_a_new_demand_after_a_loss_begins_a_soft_start(action: int, state: m.State, target_deg: float | None) -> None:
    """From rest: 150 t^2 deg in the direction of the demand, 1.5 deg after 0.1 s."""
    made = bench()
    actuator = made.add(1, 5, channel=1, loss_action=action, preset=-1000, loss_time_out=100)
    made.demand(0)
    made.run(2000 * MS)
    assert actuator.current_state() is state
    before_deg = where(made, actuator)
    arrived_ns = made.demand(10_000)
    assert actuator.current_state() is m.State.SOFT_STARTING
    assert where(made, actuator) == before_deg
    assert positions(made, actuator, arrived_ns, 50, 90) == [before_deg + 0.375, before_deg + 1.215]
    made.run_until(arrived_ns + 99 * MS)
    made.demand(10_000)
    assert actuator.current_state() is m.State.SOFT_STARTING


@pytest.mark.parametrize("preset_raw", [-9000, 9000])
def test_the_preset_position_lies_within_the_end_limits(preset_raw: int) -> None:
    made = bench()
    actuator = made.add(
        1, 5, channel=1, loss_action=PRESET, preset=preset_raw, end_low=-2000, end_high=4500, loss_time_out=100
    )
    made.demand(0)
    made.run(3000 * MS)
    assert where(made, actuator) == (-20.0 if preset_raw < 0 else 45.0)


@pytest.mark.parametrize("seed", range(8))
def test_loss_with_frames_lost_at_random(seed: int) -> None:
    """Time-out T = 50 ms, frames every P = 20 ms, three of four hit: loss T to T + P after the last wanted frame.

    Common practice, no source; tolerance one tick, here 1 ms. A frame is wanted when it asks something of the
    channel and its check is good.
    """
    made, chance = bench(seed=seed), random.Random(seed)
    actuator = made.add(1, 5, channel=2, loss_time_out=50)
    wanted_ns: list[int] = []
    losses_ns: list[int] = []
    for frame in range(100):
        whole = encode_frame(request_frame(m.DemandAll((0, 1000)), BROADCAST_ADDRESS, frame))
        if chance.random() < 0.75:
            made.send_bytes(whole[:7] + bytes([whole[7] ^ 4]) + whole[8:])
        else:
            wanted_ns.append(made.send_bytes(whole))
            assert actuator.current_state() in {m.State.SOFT_STARTING, m.State.FOLLOWING}
        while made.now_ns < (frame + 1) * 20 * MS:
            was_lost = actuator.current_state() is m.State.LOST_LIMP
            made.run_until(min(made.now_ns + MS, (frame + 1) * 20 * MS))
            if actuator.current_state() is m.State.LOST_LIMP and not was_lost:
                losses_ns.append(made.now_ns - wanted_ns[-1])
    assert len(losses_ns) >= 5
    assert all(50 * MS <= loss_ns <= 70 * MS for loss_ns in losses_ns)
    assert max(losses_ns) <= 51 * MS, "it counts from the wanted frame itself, so it is at T within a tick"


def test_a_demand_to_one_puts_off_the_loss_too() -> None:
    made = bench()
    actuator = made.add(1, 5, channel=1, loss_time_out=100)
    made.demand(0)
    made.run(90 * MS)
    arrived_ns = made.send(m.Demand(0), 5)
    made.run_until(arrived_ns + 100 * MS - 1)
    assert actuator.current_state() is m.State.SOFT_STARTING
    made.run_until(arrived_ns + 100 * MS)
    assert actuator.current_state() is m.State.LOST_LIMP


@pytest.mark.parametrize(("before_ms", "after_ms"), [(10_000, 50), (50, 10_000)], ids=["shorter", "longer"])
def test_a_new_time_out_holds_at_once(before_ms: int, after_ms: int) -> None:
    made = bench()
    actuator = made.add(1, 5, channel=1, loss_time_out=before_ms)
    arrived_ns = made.demand(0)
    made.ask(m.Written, m.Write(17, after_ms.to_bytes(2, "little")), 5, wait_ns=10 * MS)
    made.run_until(arrived_ns + after_ms * MS - 1)
    assert actuator.current_state() in {m.State.SOFT_STARTING, m.State.FOLLOWING}
    made.run_until(arrived_ns + after_ms * MS)
    assert actuator.current_state() is m.State.LOST_LIMP


def test_a_time_out_made_shorter_than_the_wait_so_far_is_a_loss_now() -> None:
    made = bench()
    actuator = made.add(1, 5, channel=1, loss_time_out=10_000)
    made.demand(0)
    made.run(500 * MS)
    made.ask(m.Written, m.Write(17, (100).to_bytes(2, "little")), 5, wait_ns=5 * MS)
    assert actuator.current_state() is m.State.LOST_LIMP
