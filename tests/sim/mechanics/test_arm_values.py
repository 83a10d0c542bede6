"""What an arm says of itself, limits, current, strain and demand on the supply, worked out from its ratings by hand."""

from __future__ import annotations

import dataclasses
import math
import random

import pytest

from busproto.sim.actuators.model import ActuatorModel
from busproto.sim.mechanics.motion import LOAD_STEP, Arm
from busproto.sim.mechanics.motion_sensor import Curve
from busproto.sim.mechanics.supply import Draw
from busproto.wire.parameters import FACTORY
from tests.sim.helpers import MS, S

MODEL = ActuatorModel("any", friction=0.05, time_constant_ms=10.0, moving_current_ma=500)
"""400 deg/s, 8.4 V, 12 mA limp, 48 mA more while it holds, 3.94 A more at stall, 2.5 N m."""
DRAG = 0.44 / 3.94 - 0.05
INERTIA = 0.01 * 0.95 / 400.0
EMF_DEG_S = 400.0 / (0.95 - DRAG)
OHM = 8.4 / 3.988


def engaged(model: ActuatorModel = MODEL, speed_deg_s: float = 200.0, power: float = 1.0) -> Arm:
    arm = Arm(0.0, 100.0, speed_deg_s, motor=model.motor(), power=power)
    arm.engage(0)
    return arm


class Shared:
    """A part that arms are linked to and that moves by nothing: it only lets loads be set."""

    def __init__(self) -> None:
        self.told: list[tuple[str, int]] = []

    def look(self, now_ns: int) -> None:
        self.told.append(("look", now_ns))

    def changes(self, now_ns: int) -> None:
        self.told.append(("changes", now_ns))

    def changed(self, now_ns: int) -> None:
        self.told.append(("changed", now_ns))

    def hand(self, arm: Arm, to_deg: float, over_ns: int, now_ns: int) -> bool:
        self.told.append((f"hand to {to_deg} in {over_ns}", now_ns))
        return True


# --- limits ------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(("power", "load"), [(1.0, 0.0), (0.8, 0.0), (1.0, 0.3), (0.7, -0.2), (0.2, 0.3)])
def test_the_speed_to_each_side_is_what_load_and_friction_leave(power: float, load: float) -> None:
    """A load counts against plus: full speed (power -+ load - friction) / (1 - friction) to plus, and to minus."""
    arm = engaged(power=power)
    arm.load = load
    limits = arm.limits()
    assert limits.speed == 200.0
    assert limits.up == pytest.approx(400.0 * (power - load - 0.05) / 0.95)
    assert limits.down == pytest.approx(400.0 * (power + load - 0.05) / 0.95)
    assert (limits.lag_s, limits.acceleration, limits.soft_s) == (0.01, math.inf, 0.0)


def test_without_inertia_a_load_that_is_too_heavy_leaves_no_speed_and_never_one_backwards() -> None:
    arm = engaged(dataclasses.replace(MODEL, time_constant_ms=0.0))
    for load, sides in ((2.0, (True, False)), (-2.0, (False, True))):
        arm.load = load
        assert (arm.limits().up == 0.0, arm.limits().down == 0.0) == sides
    heavy = engaged()
    heavy.load = 2.0
    assert heavy.limits().up < 0  # with inertia it is slowed down by that much


def test_limits_hold_what_the_firmware_and_the_load_inertia_add() -> None:
    arm = engaged(dataclasses.replace(MODEL, added_inertia=1.5, acceleration_deg_s2=700.0))
    assert (arm.limits().lag_s, arm.limits().acceleration) == (pytest.approx(0.025), 700.0)
    arm.soft_start_ns = 300 * MS
    assert arm.limits().soft_s == 0.3


@pytest.mark.parametrize(
    ("power", "minimum_drive", "stiffness", "wanted"),
    [
        (1.0, 0.0, 0.5, 0.1),
        (0.5, 0.0, 0.5, 0.2),
        (0.5, 0.04, 0.2, 0.3),
        (1.0, 0.05, 0.5, 0.0),
        (1.0, 0.2, 0.5, 0.0),
        (0.0, 0.0, 0.5, 0.0),
        (-0.1, 0.0, 0.5, 0.0),
    ],
)
def test_friction_stops_it_short_by_what_the_minimum_drive_leaves_over_the_stiffness(
    power: float, minimum_drive: float, stiffness: float, wanted: float
) -> None:
    arm = engaged(power=power)
    arm.minimum_drive, arm.stiffness = minimum_drive, stiffness
    assert arm.short_deg() == pytest.approx(wanted)


# --- current, strain ---------------------------------------------------------------------------------------------


def test_the_current_of_each_part_of_a_way() -> None:
    """Limp; engaged; full torque at the begin; friction and drag at 200 deg/s; braking; there."""
    limp = Arm(0.0, 100.0, motor=MODEL.motor())
    assert limp.current_ma == 12.0
    arm = engaged()
    assert arm.current_ma == 60.0
    arm.aim(60.0, 0)
    assert arm.current_ma == pytest.approx(60.0 + 3940.0)  # all that the supply gives, none of it for a speed yet
    steady = 0.05 + DRAG / 2
    arm.move_to(200 * MS)
    assert arm.current_ma == pytest.approx(60.0 + 3940.0 * steady)
    arm.move_to(arm.run.end_ns - 1)
    braking = min(1.0, 40_000.0 * INERTIA)
    assert arm.current_ma == pytest.approx(60.0 + 3940.0 * (braking - 0.05), rel=1e-5)
    arm.move_to(S)
    assert arm.current_ma == 60.0


def test_the_current_of_an_arm_to_minus_is_that_to_plus() -> None:
    ways = []
    for side in (1, -1):
        arm = engaged()
        arm.aim(side * 60.0, 0)
        currents = []
        for ms in (0, 5, 20, 100, 320):
            arm.move_to(ms * MS)
            currents.append(arm.current_ma)
        ways.append(currents)
    assert ways[0] == pytest.approx(ways[1], rel=1e-9)


@pytest.mark.parametrize("side", [1, -1])
@pytest.mark.parametrize("load", [0.0, 0.1])
def test_the_current_at_the_begin_is_that_of_the_acceleration_and_of_friction_against_it(
    side: int, load: float
) -> None:
    """At no speed yet there is no drag: inertia times 8000 deg/s^2, friction, and a load that counts against plus."""
    arm = engaged(dataclasses.replace(MODEL, acceleration_deg_s2=8000.0))
    arm.load = load
    arm.aim(side * 60.0, 0)
    fraction = abs(side * (INERTIA * 8000.0 + 0.05) + load)
    assert arm.current_ma == pytest.approx(60.0 + 3940.0 * fraction)
    assert arm.draw(8.4) == Draw(0.012, pytest.approx(OHM * (0.048 + 3.94 * fraction) ** 2), 0.0, changes=True)


def test_an_arm_by_itself_has_the_loop_of_the_factory() -> None:
    arm = Arm(0.0, 100.0)
    assert arm.speed_deg_s == FACTORY["slew-limit"] / 10
    assert arm.dead_band_deg == 0.0
    assert [100 * one for one in (arm.stiffness, arm.damping, arm.minimum_drive)] == [
        FACTORY[name] for name in ("stiffness", "damping", "minimum-drive")
    ]


def test_holding_against_a_load_takes_current_by_the_effort_and_no_more_than_flows() -> None:
    arm = engaged(power=0.8)
    arm.mount = Shared()
    for effort, ma in ((0.5, 60.0 + 1970.0), (2.0, 12.0 + 0.8 * 3988.0)):
        arm.loaded(0.5, effort, S)
        assert arm.current_ma == pytest.approx(ma)


def test_strain_is_the_load_on_the_way_and_the_effort_at_rest_over_what_the_supply_gives() -> None:
    arm = engaged(power=0.5)
    arm.mount = Shared()
    arm.loaded(-0.2, 0.1, 0)
    assert arm.strain == pytest.approx(0.2)
    arm.aim(50.0, 0)
    assert arm.is_moving
    assert arm.strain == pytest.approx(0.4)
    arm.power = 0.0
    assert arm.strain == 0.0
    arm.release(S)
    arm.power = 0.5
    assert (arm.strain, arm.load, arm.effort) == (0.0, 0.0, 0.0)


def test_a_load_that_changes_plans_the_way_anew_where_that_matters() -> None:
    """From half a percent of a stall torque on, and only while it is on its way."""
    assert 0 < LOAD_STEP < 0.005
    for more, matters in ((LOAD_STEP * 0.9, False), (LOAD_STEP * 1.1, True)):
        for side in (1, -1):
            arm = engaged(speed_deg_s=1000.0)
            arm.mount = Shared()
            arm.aim(90.0, 0)
            before = arm.run.course
            arm.loaded(side * more, more, 50 * MS)
            assert (arm.run.course is not before) is matters
            assert (arm.load, arm.effort) == (side * more, more)
            later = arm.run.course
            arm.loaded(side * more + 0.1, more, 10 * S)
            assert arm.run.course is later  # it is there


def test_only_what_differs_is_told_to_the_supply() -> None:
    arm = engaged()
    arm.mount = Shared()
    woken: list[int] = []
    arm.on_draw = lambda: woken.append(1)
    arm.loaded(1e-6, 0.0, S)
    arm.loaded(0.0, 1e-6, S)
    assert (woken, arm.load, arm.effort) == ([], 0.0, 0.0)
    arm.loaded(0.3, 0.3, S)
    assert len(woken) == 1
    arm.loaded(0.3 + 5e-7, 0.3 - 5e-7, S)
    assert len(woken) == 1
    arm.loaded(0.3 + 2e-6, 0.3, S)
    arm.loaded(0.3 + 2e-6, 0.3 + 2e-6, S)
    assert len(woken) == 3
    arm.loaded(0.3, 0.3, S, watts=4.0, is_full=True)
    assert (arm.watts, arm.is_full) == (4.0, True)


def test_engaged_on_its_way_it_sets_out_anew_from_rest() -> None:
    """At 150 ms it goes 200 deg/s; taking hold there it has none of that, whatever it is asked for at once."""
    arm, fresh = engaged(), engaged()
    arm.aim(90.0, 0)
    arm.move_to(150 * MS)
    assert arm.run.course.motion(150 * MS)[1] == pytest.approx(200.0)
    arm.engage(150 * MS)
    at_deg = arm.position_deg
    arm.aim(at_deg + 40.0, 150 * MS)
    fresh.aim(40.0, 0)
    for ms in (1, 5, 20, 100, 400):
        arm.move_to((150 + ms) * MS)
        fresh.move_to(ms * MS)
        assert arm.position_deg - at_deg == pytest.approx(fresh.position_deg, abs=1e-9)


@pytest.mark.parametrize("rest_deg", [30.0, -7.0])
def test_the_dead_band_counts_from_where_the_arm_stands(rest_deg: float) -> None:
    """Not from the middle, nor from where it once stood."""
    arm = engaged()
    arm.dead_band_deg = 0.5
    arm.aim(rest_deg, 0)
    for number, (more_deg, is_driven) in enumerate([(0.4, False), (-0.4, False), (0.6, True), (0.3 - rest_deg, True)]):
        now_ns = (1 + number) * S
        arm.move_to(now_ns)
        before = arm.position_deg
        arm.aim(rest_deg + more_deg, now_ns)
        arm.move_to(now_ns + 900 * MS)
        assert arm.position_deg == pytest.approx(rest_deg + more_deg if is_driven else before, abs=1e-9)


@pytest.mark.parametrize("then_ns", [0, 130 * MS])
@pytest.mark.parametrize("first_deg", [60.0, -60.0])
@pytest.mark.parametrize("second_deg", [80.0, 35.0, 10.0, -50.0])
def test_of_two_targets_at_one_moment_the_last_counts(then_ns: int, first_deg: float, second_deg: float) -> None:
    """From rest at 30 deg, and on the way to 70 deg."""
    arms = [Arm(30.0, 100.0, 200.0, motor=MODEL.motor()) for _ in range(2)]
    for arm in arms:
        arm.engage(0)
        if then_ns:
            arm.aim(70.0, 0)
    arms[0].aim(first_deg, then_ns)
    for arm in arms:
        arm.aim(second_deg, then_ns)
    for after_ms in (1, 20, 100, 200, 300, 400, 900):
        for arm in arms:
            arm.move_to(then_ns + after_ms * MS)
        assert arms[0].position_deg == pytest.approx(arms[1].position_deg, abs=1e-9)
    assert arms[0].position_deg == second_deg


# --- on the supply -----------------------------------------------------------------------------------------------


def test_what_a_free_arm_demands_of_the_supply() -> None:
    """Limp a current; at full drive a winding behind its back EMF; below that a power; at rest what holding ripples."""
    assert Arm(0.0, 100.0, motor=MODEL.motor()).draw(8.4) == Draw(0.012)
    arm = engaged()
    ripples_w = OHM * 0.048**2
    assert arm.draw(8.4) == Draw(0.012, pytest.approx(ripples_w), 0.0, changes=False)
    arm.aim(60.0, 0)
    for ms in (0, 4):
        arm.move_to(ms * MS)
        speed = arm.run.course.motion(ms * MS)[1]
        full = arm.draw(8.4)
        assert (full.watts, full.changes) == (0.0, True)
        # the mean of the current through the winding, and its ripple
        assert full.at_v(8.4, 0.0)[1] == pytest.approx(0.012 + 0.048 + 3.94 * (1 - speed / EMF_DEG_S), rel=2e-2)
    arm.move_to(200 * MS)
    fraction = 0.05 + DRAG / 2
    amps = 0.048 + 3.94 * fraction
    watts = OHM * amps**2 + 8.4 * 200.0 / EMF_DEG_S * fraction * 3.94
    assert arm.draw(8.4) == Draw(0.012, pytest.approx(watts), 0.0, changes=True)
    arm.move_to(arm.run.end_ns - MS)  # it brakes: the shaft drives
    _, speed, acceleration = arm.run.course.motion(arm.time_ns)
    fraction = INERTIA * acceleration + 0.05 + DRAG * speed / 400.0
    watts = OHM * (0.048 + 3.94 * -fraction) ** 2 + 2.5 * fraction * math.radians(speed)
    assert fraction < 0
    assert arm.draw(8.4) == Draw(0.012, pytest.approx(watts), 0.0, changes=True)
    arm.move_to(S)
    assert arm.draw(8.4) == Draw(0.012, pytest.approx(ripples_w), 0.0, changes=False)


def test_what_a_linked_arm_demands_is_what_its_part_has_set() -> None:
    arm = engaged(power=0.9)
    arm.mount = Shared()
    arm.loaded(0.3, 0.4, 0, watts=5.5)
    assert arm.draw(7.56) == Draw(0.012, 5.5, 0.0, changes=False)
    arm.loaded(0.3, 0.9, 0, watts=5.5, is_full=True)
    full = arm.draw(7.56)
    assert full.watts == 0.0
    assert full.at_v(7.56, 0.0)[1] == pytest.approx(0.012 + 3.988 * 0.9)


# --- links, hands, sensor ----------------------------------------------------------------------------------------


def test_the_part_that_it_shares_is_told_of_each_change_before_and_after() -> None:
    arm, part = engaged(), Shared()
    arm.mount = part
    for what in (
        lambda: arm.aim(20.0, S),
        lambda: arm.feed(0.7, 2 * S),
        lambda: arm.engage(3 * S),
        lambda: arm.release(4 * S),
    ):
        part.told.clear()
        what()
        assert [name for name, _ in part.told if name != "look"] == ["changes", "changed"]
    part.told.clear()
    assert arm.hand(130.0, 7 * MS, 5 * S)
    assert ("hand to 100.0 in 7000000", 5 * S) in part.told
    part.told.clear()
    arm.feed(0.7, 6 * S)  # as it was
    assert part.told == []


def test_it_is_placed_where_its_part_says() -> None:
    arm = engaged(dataclasses.replace(MODEL, backlash_deg=1.0))
    arm.mount = Shared()
    arm.place(12.0, 11.8, 3 * S)
    assert (arm.position_deg, arm.arm_deg, arm.time_ns) == (12.0, 11.8, 3 * S)
    arm.place(12.0, 9.0, 3 * S)
    assert arm.arm_deg == 11.5  # no further behind than half of the backlash


def test_its_shaft_would_be_at_the_true_angle_of_its_reading() -> None:
    curve = Curve(0.7, 0.3, 0.2, 1.0)
    arm = Arm(0.0, 100.0, 200.0, motor=MODEL.motor(), curve=curve)
    arm.engage(0)
    arm.aim(30.0, 0)
    for ms in (50, 400):
        arm.move_to(ms * MS)
        reading_deg, speed = arm.run.course.at(ms * MS)
        assert arm.reference(ms * MS) == (pytest.approx(curve.true_deg(reading_deg)), speed)
    assert arm.reading_deg == pytest.approx(30.0, abs=0.06)
    plain = engaged()
    plain.aim(30.0, 0)
    assert plain.reference(S) == (30.0, 0.0)


@pytest.mark.parametrize("deg", [-170.0, -33.0, 0.0, 8.0, 95.0])
def test_a_sensor_curve_is_two_harmonics_of_half_a_turn(deg: float) -> None:
    curve = Curve(0.7, 0.3, 0.2, 1.0)
    angle = math.radians(2 * deg)
    assert curve.error_deg(deg) == pytest.approx(0.7 * math.sin(angle + 0.3) + 0.2 * math.sin(2 * angle + 1.0))
    assert Curve(0.7, 0.3).error_deg(deg) == pytest.approx(0.7 * math.sin(angle + 0.3))
    assert Curve().error_deg(deg) == 0.0
    assert curve.error_deg(deg + 180.0) == pytest.approx(curve.error_deg(deg))
    assert curve.true_deg(deg) == pytest.approx(deg - curve.error_deg(deg))


def test_a_drawn_curve_has_its_harmonics_anywhere_on_the_circle() -> None:
    """Of 3000 units: the first harmonic has 60 to 90 % of the amplitude, the second the rest; each phase is as likely
    as any other, so that the mean of its sine and cosine is near 0 (1 / sqrt(6000) is one standard deviation)."""
    curves = [Curve.drawn(random.Random(seed), 2.0) for seed in range(3000)]
    firsts = [one.first_deg for one in curves]
    assert (min(firsts), max(firsts)) == (pytest.approx(1.2, abs=0.01), pytest.approx(1.8, abs=0.01))
    assert sum(firsts) / len(firsts) == pytest.approx(1.5, abs=0.01)
    assert {round(one.first_deg + one.second_deg, 9) for one in curves} == {2.0}
    for phases in ([one.first_phase for one in curves], [one.second_phase for one in curves]):
        assert min(phases) < 0.02
        assert max(phases) > 2 * math.pi - 0.02
        assert all(0.0 <= one <= 2 * math.pi for one in phases)
        assert sum(map(math.sin, phases)) / len(phases) == pytest.approx(0.0, abs=0.05)
        assert sum(map(math.cos, phases)) / len(phases) == pytest.approx(0.0, abs=0.05)


def test_a_hand_in_the_past_of_a_change_has_done_its_part() -> None:
    """A hand over 2 s that is followed by another after 0.5 s: a quarter of the way."""
    arm = Arm(0.0, 100.0, motor=MODEL.motor())
    arm.hand(40.0, 2 * S, S)
    arm.move_to(S + 500 * MS)
    assert (arm.position_deg, arm.arm_deg) == (10.0, 10.0)
    arm.engage(S + 500 * MS)
    arm.move_to(9 * S)
    assert (arm.position_deg, arm.target_deg) == (10.0, 10.0)


def test_time_does_not_go_back() -> None:
    arm = engaged()
    arm.aim(30.0, 0)
    arm.move_to(100 * MS)
    at_deg = arm.position_deg
    arm.move_to(50 * MS)
    assert (arm.position_deg, arm.time_ns) == (at_deg, 100 * MS)


@pytest.mark.parametrize("added_inertia", [0.0, 1.0])
def test_a_motor_that_cannot_overcome_its_friction_warms_while_it_tries(added_inertia: float) -> None:
    """3 % of the supply against 5 % of friction: it stands, and its winding takes P = I^2 R all the time."""
    arm = engaged(dataclasses.replace(MODEL, added_inertia=added_inertia), power=0.03)
    heat = arm.heat = MODEL.heat()
    arm.aim(40.0, 0)
    begun = heat.degc(0)
    arm.move_to(500 * S)
    assert arm.position_deg == 0.0
    degc = heat.degc(500 * S)
    assert degc > begun + 0.03
    arm.move_to(1000 * S)
    assert heat.degc(1000 * S) > degc
