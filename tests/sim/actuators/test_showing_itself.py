"""How an actuator makes itself known: by its flag where it is limp, by a small motion where it is engaged."""

from __future__ import annotations

from busproto.sim.actuators.actuator import Actuator
from busproto.wire import messages as m
from tests.sim.helpers import FRAME_14_NS, HOLD, MS, Bench, bench, positions, where


def holding(**more: int) -> tuple[Bench, Actuator]:
    """One that holds at 10 deg since long ago, at address 5, without soft start; raw settings with _ for -."""
    made = bench()
    stored = {"channel": 1, "soft-start": 0, "loss-action": HOLD}
    stored |= {name.replace("_", "-"): value for name, value in more.items()}
    actuator = made.plug_in(1, 5, stored, at_deg=10.0)
    made.send(m.Engage(), 5)
    made.run(2000 * MS)
    made.bus.host.take()
    return made, actuator


def test_limp_it_shows_itself_by_the_flag_only() -> None:
    made = bench()
    actuator = made.add(1, 5, at_deg=10.0)
    arrived_ns = made.send(m.ShowYourself(8), 5)
    assert [one.message for one in made.answers(10 * MS)] == [m.Showing(0)]
    assert made.status(5).is_showing == 1
    assert positions(made, actuator, arrived_ns, 100, 350, 700) == [10.0, 10.0, 10.0]
    made.run_until(arrived_ns + 800 * MS - FRAME_14_NS)
    assert made.status(5).is_showing == 0


def test_engaged_it_shows_itself_by_a_small_motion_to_and_fro() -> None:
    """3 deg to one side, 0.4 s later to the other, and back where it was at the end."""
    made, actuator = holding()
    arrived_ns = made.send(m.ShowYourself(9), 5)
    assert positions(made, actuator, arrived_ns, 5, 350, 750, 850, 950, 2000) == [11.5, 13.0, 7.0, 13.0, 10.0, 10.0]
    assert [one.message for one in made.answers(0)] == [m.Showing(1)]
    assert actuator.current_state() is m.State.LOST_HOLD


def test_a_duration_of_zero_ends_it_where_it_was() -> None:
    made, actuator = holding()
    made.send(m.ShowYourself(100), 5)
    made.run(100 * MS)
    assert where(made, actuator) == 13.0
    made.bus.host.take()
    assert made.ask(m.Showing, m.ShowYourself(0), 5).moves == 0
    assert made.status(5).is_showing == 0
    made.run(1000 * MS)
    assert where(made, actuator) == 10.0


def test_asked_again_on_a_swing_it_ends_where_it_was_at_first() -> None:
    made, actuator = holding()
    for _ in range(4):
        made.send(m.ShowYourself(3), 5)
        made.run(150 * MS)
    made.run(1000 * MS)
    assert where(made, actuator) == 10.0


def test_it_swings_about_what_is_demanded_meanwhile() -> None:
    made, actuator = holding(loss_time_out=10_000)
    shown_ns = made.send(m.ShowYourself(20), 5)
    made.run(100 * MS)
    made.demand(5000)
    assert positions(made, actuator, shown_ns, 350, 750, 1150, 2500) == [33.0, 27.0, 33.0, 30.0]


def test_a_swing_does_not_leave_the_end_limits() -> None:
    made, actuator = holding(end_high=1100)
    shown_ns = made.send(m.ShowYourself(8), 5)
    assert positions(made, actuator, shown_ns, 350, 750, 1000) == [11.0, 7.0, 10.0]


def test_released_and_moved_by_hand_it_does_not_swing_back() -> None:
    """Motion only from a demand or an explicit engage: the old middle is forgotten."""
    made, actuator = holding()
    shown_ns = made.send(m.ShowYourself(50), 5)
    made.run(100 * MS)
    made.send(m.Release(), 5)
    made.run(10 * MS)
    assert actuator.arm.hand(60.0, 0, made.now_ns)
    made.run(MS)
    made.send(m.Engage(), 5)
    assert positions(made, actuator, shown_ns, 350, 450, 850, 5000, 6000) == [60.0] * 5
    assert made.status(5).is_showing == 0
