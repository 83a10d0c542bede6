"""The parts of an actuator that wait for something, each alone on a clock: heat, loss of demand, showing itself."""

from __future__ import annotations

import math
from dataclasses import dataclass, field

import pytest

from busproto.sim.actuators.heat_watch import HeatWatch
from busproto.sim.actuators.loss_watch import LossWatch
from busproto.sim.actuators.showing import Showing
from busproto.sim.kernel import Kernel
from busproto.sim.mechanics.heat import Heat
from busproto.sim.mechanics.motion import Arm
from busproto.sim.mechanics.motion_course import Course, Limits
from busproto.sim.mechanics.motion_run import Run
from busproto.sim.mechanics.motor import Motor
from tests.sim.helpers import MS, S


def slow(ns: int) -> int:
    """A clock that counts a tenth too slowly: what it takes for so much takes longer."""
    return ns * 11 // 10


# --- heat ----------------------------------------------------------------------------------------------------------


@dataclass
class Watched:
    """A winding of 2 Ohm, 20 K/W and 100 s, and the looks at it."""

    kernel: Kernel = field(default_factory=Kernel)
    heat: Heat = field(default_factory=lambda: Heat(2.0, 20.0, 100.0))
    arm: Arm = field(default_factory=lambda: Arm(0.0, 100.0, motor=Motor(idle_ma=10.0, hold_ma=1510.0)))
    looks_ns: list[int] = field(default_factory=list)
    goes_on: bool = False

    def look(self) -> bool:
        self.looks_ns.append(self.kernel.now_ns)
        return self.goes_on

    def watch(self) -> HeatWatch:
        return HeatWatch(self.kernel, self.heat, self.arm, limit_degc=lambda: 60.0, by_clock=slow, look=self.look)


def test_it_looks_at_its_heat_a_quarter_of_a_second_of_its_own_clock_later() -> None:
    """Once for many calls; again, and so on, for as long as there is a reason to."""
    made = Watched()
    watch = made.watch()
    made.kernel.run_until(S)
    assert made.looks_ns == []
    watch.look_soon()
    made.kernel.run_until(S + 100 * MS)
    watch.look_soon()
    made.kernel.run_until(5 * S)
    assert made.looks_ns == [S + 275 * MS]
    made.goes_on = True
    watch.look_soon()
    made.kernel.run_until(6 * S)
    assert made.looks_ns[1:] == [5 * S + 275 * MS, 5 * S + 550 * MS, 5 * S + 825 * MS]
    made.goes_on = False
    made.kernel.run_until(9 * S)
    assert made.looks_ns[4:] == [6 * S + 100 * MS]


def test_without_power_it_looks_no_more_and_with_power_anew() -> None:
    made = Watched()
    watch = made.watch()
    watch.look_soon()
    watch.stop()
    made.kernel.run_until(S)
    assert made.looks_ns == []
    watch.start()
    watch.look_soon()
    made.kernel.run_until(2 * S)
    assert made.looks_ns == [S + 275 * MS]
    watch.stop()  # there is nothing to stop


def test_how_warm_it_is_now_and_what_that_leaves_of_its_drive() -> None:
    """1.5 A in 2 Ohm: 90 K in the end, 33.4 K after 46.3 s; from 50 degC on it takes back, above 60 degC it is hot."""
    made = Watched()
    watch = made.watch()
    made.heat.start(0)
    assert (watch.degc(), watch.is_hot(), watch.drive_share()) == (22.0, False, 1.0)
    assert not watch.will_cut_back()  # limp
    made.arm.heat = made.heat
    made.arm.engage(0)
    for degc, share, is_hot in ((33.0, 1.0, False), (55.0, 0.75, False), (59.99, 0.5005, False), (61.0, 0.5, True)):
        at_s = -100.0 * math.log(1 - (degc - 22.0) / 90.0)
        made.kernel.run_until(round(at_s * S))
        assert watch.degc() == pytest.approx(degc)
        assert watch.drive_share() == pytest.approx(share)
        assert watch.is_hot() is is_hot
    assert watch.will_cut_back()


@pytest.mark.parametrize(("ma", "will"), [(830.0, False), (845.0, True)])
def test_it_will_take_back_drive_where_its_current_ends_within_ten_degrees_of_the_limit(ma: float, will: bool) -> None:
    """40 K for 1 A, 28 K for 0.837 A, which end at 50 degC."""
    made = Watched(arm=Arm(0.0, 100.0, motor=Motor(hold_ma=ma)))
    made.arm.engage(0)
    assert made.watch().will_cut_back() is will


def test_exactly_at_its_limit_it_is_not_too_hot() -> None:
    made = Watched()
    for degc, is_hot in ((60.0, False), (60.001, True)):
        made.heat.start(0, degc)
        assert made.watch().is_hot() is is_hot


def test_another_temperature_from_outside_leaves_the_current_as_it_is() -> None:
    """At 50 degC, with 40 K for 1 A, it ends at 62 degC: 12 (1 - 1/e) warmer after 100 s."""
    heat = Heat(2.0, 20.0, 100.0)
    heat.start(0)
    heat.draws(0, 1000.0)
    heat.warm(7 * S, 50.0)
    assert heat.degc(7 * S) == 50.0
    assert heat.degc(107 * S) == pytest.approx(62.0 - 12.0 / math.e)
    heat.start(200 * S)
    assert [heat.degc(at) for at in (200 * S, 900 * S)] == [22.0, 22.0]


def test_started_anew_it_takes_no_current_of_what_was_before() -> None:
    """Neither that of a way nor that behind it."""
    heat = Heat(2.0, 20.0, 100.0)
    way = Run(Course((0.0, 0.0), 90.0, 0, 0.0, Limits(1.0)), Motor(no_load_deg_s=300.0, stall_ma=5000.0), 0.5, 1.0)
    heat.draws(0, 1000.0, way)
    assert heat.degc(50 * S) > 60.0
    heat.start(50 * S)
    assert [heat.degc(at * S) for at in (50, 60, 200)] == [22.0, 22.0, 22.0]
    heat.start(200 * S, 40.0)
    assert heat.degc(200 * S) == 40.0
    assert heat.degc(300 * S) == pytest.approx(22.0 + 18.0 / math.e)


# --- loss of the demand --------------------------------------------------------------------------------------------


@dataclass
class Fed:
    """A loss time-out of so many ms, and when it has passed."""

    kernel: Kernel = field(default_factory=Kernel)
    time_out_ms: int = 100
    is_at_work: bool = True
    losses_ns: list[int] = field(default_factory=list)

    def watch(self) -> LossWatch:
        return LossWatch(
            self.kernel,
            time_out_ns=lambda: self.time_out_ms * MS,
            is_at_work=lambda: self.is_at_work,
            lost=lambda: self.losses_ns.append(self.kernel.now_ns),
        )


def test_the_time_out_counts_from_the_last_demand_on() -> None:
    made = Fed()
    watch = made.watch()
    for at_ms in (10, 50, 149):
        made.kernel.run_until(at_ms * MS)
        watch.fed()
    made.kernel.run_until(249 * MS - 1)
    assert (made.losses_ns, watch.was_lost) == ([], False)
    made.kernel.run_until(S)
    assert (made.losses_ns, watch.was_lost) == ([249 * MS], True)
    watch.fed()
    made.kernel.run_until(2 * S)
    assert made.losses_ns == [249 * MS, S + 100 * MS]
    watch.start()
    assert not watch.was_lost


def test_one_that_does_not_follow_loses_nothing() -> None:
    made = Fed(is_at_work=False)
    watch = made.watch()
    watch.fed()
    made.kernel.run_until(S)
    made.is_at_work = True
    made.kernel.run_until(2 * S)
    assert (made.losses_ns, watch.was_lost) == ([], False)


@pytest.mark.parametrize(("after_ms", "lost_ms"), [(300, 300), (60, 60), (10, 40)])
def test_another_time_out_holds_for_the_wait_that_runs(after_ms: int, lost_ms: int) -> None:
    """From the demand on; where it is over already, at once."""
    made = Fed()
    watch = made.watch()
    watch.fed()
    made.kernel.run_until(40 * MS)
    made.time_out_ms = after_ms
    watch.time_out_changed()
    made.kernel.run_until(S)
    assert made.losses_ns == [lost_ms * MS]
    watch.time_out_changed()  # none runs
    made.kernel.run_until(2 * S)
    assert made.losses_ns == [lost_ms * MS]


@pytest.mark.parametrize("how", ["stop", "forget"])
def test_a_time_out_that_was_ended_does_not_pass(how: str) -> None:
    made = Fed()
    watch = made.watch()
    getattr(watch, how)()  # none runs
    watch.fed()
    made.kernel.run_until(40 * MS)
    getattr(watch, how)()
    made.kernel.run_until(S)
    assert made.losses_ns == []
    if how == "stop":
        watch.start()
    watch.fed()
    made.kernel.run_until(2 * S)
    assert made.losses_ns == [S + 100 * MS]


# --- showing itself ------------------------------------------------------------------------------------------------


def shown(duration_ds: int, *, swings: bool = True, until_ns: int = 9 * S) -> tuple[list[tuple[int, float]], int]:
    """When it swings from where, about 20 deg between -100 and 100 deg, and until when it shows itself; from 1 s on."""
    kernel = Kernel()
    found: list[tuple[int, float]] = []
    showing = Showing(
        kernel, by_clock=slow, swung=lambda: found.append((kernel.now_ns, showing.angle_deg(20.0, -100.0, 100.0)))
    )
    assert showing.until_ns == 0
    kernel.run_until(S)
    showing.begin(duration_ds, swings=swings)
    kernel.run_until(until_ns)
    return found, showing.until_ns


def test_it_swings_by_three_degrees_every_four_tenths_of_a_second_of_its_own_clock() -> None:
    found, until_ns = shown(10)
    assert found == [(S, 23.0), (S + 440 * MS, 17.0), (S + 880 * MS, 23.0), (S + 1100 * MS, 20.0)]
    assert until_ns == S + 1100 * MS


def test_a_show_of_a_whole_number_of_beats_ends_with_the_last() -> None:
    found, until_ns = shown(8)
    assert found == [(S, 23.0), (S + 440 * MS, 17.0), (S + 880 * MS, 20.0)]
    assert until_ns == S + 880 * MS


def test_limp_it_shows_a_flag_alone() -> None:
    assert shown(8, swings=False) == ([], S + 880 * MS)
    assert shown(0) == ([(S, 20.0)], S)


@pytest.mark.parametrize(
    ("rest_deg", "up", "down"),
    [
        (20.0, 23.0, 17.0),
        (98.5, 100.0, 95.5),
        (-99.0, -96.0, -100.0),
        (101.0, 101.0, 98.0),  # it rests beyond an end limit: it swings to the other side alone
        (-102.0, -99.0, -102.0),
    ],
)
def test_a_swing_ends_at_the_end_limits_or_where_it_rests(rest_deg: float, up: float, down: float) -> None:
    kernel = Kernel()
    found: list[float] = []
    showing = Showing(
        kernel, by_clock=lambda ns: ns, swung=lambda: found.append(showing.angle_deg(rest_deg, -100.0, 100.0))
    )
    showing.begin(8, swings=True)
    kernel.run_until(S)
    assert found == [up, down, rest_deg]


def test_a_swing_that_was_ended_does_not_come_and_the_flag_stays() -> None:
    kernel = Kernel()
    found: list[int] = []
    showing = Showing(kernel, by_clock=lambda ns: ns, swung=lambda: found.append(kernel.now_ns))
    showing.begin(20, swings=True)
    kernel.run_until(500 * MS)
    showing.end_swing()
    assert showing.angle_deg(20.0, -100.0, 100.0) == 20.0
    assert showing.until_ns == 2 * S
    kernel.run_until(9 * S)
    assert found == [0, 400 * MS]
    showing.forget()
    assert showing.until_ns == 0
