"""Surfaces with one to three actuators: balance of torques, what it costs, limp members, hands, and the free swing."""

from __future__ import annotations

import math
from collections.abc import Sequence

import pytest
from hypothesis import given
from hypothesis import strategies as st

from busproto.sim.actuators.actuator import Actuator
from busproto.sim.actuators.model import ActuatorModel
from busproto.sim.mechanics.surface import Hinge, Link, Surface
from busproto.wire import messages as m
from tests.sim.helpers import HOLD, MS, Bench, S, bench, wire_to_all

STRONG = ActuatorModel(
    "strong",
    stall_torque_mnm=60_000,
    stall_current_ma=60_000,
    moving_current_ma=3000,
    friction=0.0,
    time_constant_ms=5.0,
)
"""So strong that only its loop and its link give way, and without friction."""

RUDDER = ActuatorModel("rudder", friction=0.04, stall_torque_mnm=4000, stall_current_ma=4800, no_load_speed_deg_s=300)

PLAIN = {"travel": 10_000, "soft-start": 0, "dead-band": 0, "minimum-drive": 0, "loss-action": HOLD, "stiffness": 100}


def demand(deg: float) -> int:
    """Share of a travel of 100 deg, in 0.01 %: 0.005 deg each."""
    return round(deg / 50 * 10_000)


class Gang:
    """Actuators at addresses 1, 2, 3 on one surface whose links make the whole stiffness of each as wanted."""

    def __init__(
        self,
        whole: Sequence[float],
        *,
        model: ActuatorModel = STRONG,
        hinge: Hinge = Hinge(),  # noqa: B008 - frozen
        ratio: float = 1.0,
        **stored: int,
    ) -> None:
        self.made: Bench = bench()
        settings = {**PLAIN, **{name.replace("_", "-"): value for name, value in stored.items()}}
        self.actuators: list[Actuator] = [
            self.made.plug_in(at, at, {**settings, "channel": at}, model=model) for at in range(1, len(whole) + 1)
        ]
        self.made.bus.supply_mv = model.supply_mv[1]
        links = {}
        for actuator, wanted in zip(self.actuators, whole, strict=True):
            loop = model.stall_torque_mnm / 1000 * actuator.arm.stiffness / ratio**2
            links[actuator.label] = Link(1 / (1 / wanted - 1 / loop), ratio)
        self.surface: Surface = self.made.bus.link("rudder", hinge, links)

    def to(self, *degrees: float, wait_ns: int = 2 * S) -> None:
        self.made.demand(*(demand(deg) for deg in degrees))
        self.made.run(wait_ns)

    @property
    def torques_nm(self) -> list[float]:
        return [nm / 1000 for nm in self.surface.torques_mnm().values()]


# --- published cases -------------------------------------------------------------------------------------------


def test_g1_two_that_are_a_degree_and_a_half_apart() -> None:
    """k 2 and 3 N m/deg: 1.8 N m each, opposite. Source: springs in series."""
    gang = Gang([2.0, 3.0])
    gang.to(0.0, 1.5)
    assert gang.torques_nm == pytest.approx([-1.8, 1.8], abs=1e-9)
    assert list(gang.surface.mismatch_deg().values()) == pytest.approx([-0.75, 0.75], abs=1e-9)


def test_g2_three_equal_ones() -> None:
    """k 2, e 0, 0, 1.5: x 0.5, torques -1, -1, 2. Oracle: numpy.linalg.solve."""
    numpy = pytest.importorskip("numpy")
    gang = Gang([2.0, 2.0, 2.0])
    gang.to(0.0, 0.0, 1.5)
    assert gang.surface.deg == pytest.approx(0.5, abs=1e-9)
    assert gang.torques_nm == pytest.approx([-1.0, -1.0, 2.0], abs=1e-9)
    # unknown x and three torques: t_i + k x = k e_i, sum t = 0
    a = numpy.array([[2.0, 1, 0, 0], [2.0, 0, 1, 0], [2.0, 0, 0, 1], [0, 1, 1, 1]])
    solved = numpy.linalg.solve(a, [0.0, 0.0, 3.0, 0.0])
    assert [gang.surface.deg, *gang.torques_nm] == pytest.approx(list(solved), abs=1e-9)


def test_g3_with_a_load_of_1_5_nm() -> None:
    """x 0.25, the torques sum up to the load. Source: statics."""
    gang = Gang([2.0, 2.0, 2.0])
    gang.to(0.0, 0.0, 1.5)
    gang.surface.push(1.5)
    gang.made.run(100 * MS)
    assert gang.surface.deg == pytest.approx(0.25, abs=1e-9)
    assert gang.torques_nm == pytest.approx([-0.5, -0.5, 2.5], abs=1e-9)
    assert sum(gang.torques_nm) == pytest.approx(1.5, abs=1e-9)


def test_g4_three_unequal_ones() -> None:
    """k 2, 3, 1; e 0.2, -0.4, 1.0: x 1/30. Oracle: the least of the springs' energy, by scipy."""
    optimize = pytest.importorskip("scipy.optimize")
    gang = Gang([2.0, 3.0, 1.0])
    gang.to(0.2, -0.4, 1.0)
    assert gang.surface.deg == pytest.approx(0.0333333, abs=1e-6)
    assert gang.torques_nm == pytest.approx([0.333333, -1.3, 0.966667], abs=1e-6)
    errors = [0.2, -0.4, 1.0]
    energy = optimize.minimize_scalar(
        lambda x: sum(k * (e - x) ** 2 / 2 for k, e in zip((2.0, 3.0, 1.0), errors, strict=True)), tol=1e-12
    )
    assert gang.surface.deg == pytest.approx(energy.x, abs=1e-7)


def test_g5_alike_and_without_load_no_actuator_pulls() -> None:
    """All torques 0. Source: calc."""
    gang = Gang([2.0, 3.0, 1.0])
    gang.to(12.0, 12.0, 12.0)
    assert gang.torques_nm == pytest.approx([0.0, 0.0, 0.0], abs=1e-9)
    assert gang.surface.deg == pytest.approx(12.0, abs=1e-9)


@given(
    st.lists(st.floats(0.2, 20.0), min_size=1, max_size=3),
    st.lists(st.integers(-300, 300), min_size=3, max_size=3),
    st.floats(-3.0, 3.0),
)
def test_any_gang_balances_as_the_formula_has_it(stiffness: list[float], counts: list[int], load: float) -> None:
    """x = (sum k e - T) / sum k. Source: statics."""
    gang = Gang(stiffness)
    gang.surface.push(load)
    wishes = [count * 0.005 for count in counts][: len(stiffness)]
    gang.to(*wishes)
    x = (sum(k * e for k, e in zip(stiffness, wishes, strict=True)) - load) / sum(stiffness)
    assert gang.surface.deg == pytest.approx(x, abs=1e-7)
    wanted = [k * (e - x) for k, e in zip(stiffness, wishes, strict=True)]
    assert gang.torques_nm == pytest.approx(wanted, abs=1e-6)


# --- what it costs ---------------------------------------------------------------------------------------------


def test_force_fight_costs_current_and_warms_and_sets_overload() -> None:
    gang = Gang([1.0, 1.0], model=RUDDER, minimum_drive=5)
    gang.to(0.0, 0.0)
    calm = [gang.made.status(address) for address in (1, 2)]
    gang.to(0.0, 7.0, wait_ns=5 * S)
    fight = [gang.made.status(address) for address in (1, 2)]
    assert [one.current_ma for one in calm] == [60, 60]
    # link 4/3 N m/deg behind a loop of 4 N m/deg, which gives 5 % at once: t = 4/3 (3.5 - (t - f - 0.20) / 4), where
    # friction holds f of it, -0.16 to 0.16 N m, as each came to rest; what it does not hold takes current
    torque = gang.torques_nm[1]
    assert gang.torques_nm[0] == pytest.approx(-torque, abs=1e-6)
    assert 4 / 3 * (3.5 + 0.04 / 4) / (4 / 3) <= torque <= 4 / 3 * (3.5 + 0.36 / 4) / (4 / 3)
    held = [torque - (one.current_ma - 60) * 4 / 4740 for one in fight]
    assert all(-0.16 <= nm <= 0.161 for nm in held)
    assert torque == pytest.approx(3.5 / (3 / 4 + 1 / 4) + (sum(held) / 2 + 0.20) / 4, abs=1e-3)
    assert [one.faults & m.Fault.OVERLOAD for one in calm] == [0, 0]
    assert [one.faults & m.Fault.OVERLOAD for one in fight] == [m.Fault.OVERLOAD] * 2
    assert all(hot.temperature_cdeg > cold.temperature_cdeg + 2000 for hot, cold in zip(fight, calm, strict=True))


def test_overload_limit_is_a_share_of_the_stall_torque() -> None:
    found = []
    for limit in (40, 60):
        gang = Gang([1.0, 1.0], model=RUDDER, overload_limit=limit)
        gang.to(0.0, 4.3)  # 2.15 N m each, half of the stall torque behind the friction
        found.append(bool(gang.made.status(1).faults & m.Fault.OVERLOAD))
    assert found == [True, False]


def test_a_fight_that_is_too_hot_ends_limp() -> None:
    """48 % of 4.8 A through 1.75 ohm at 20 K/W would end at 22 + 187 degC; it takes back drive from 50 degC on."""
    gang = Gang([1.0, 1.0], model=RUDDER, over_temperature=60, minimum_drive=5)
    gang.to(0.0, 4.2)
    begin = gang.made.now_ns
    while not any(one.state is m.State.FAULTED for one in gang.actuators) and gang.made.now_ns < begin + 300 * S:
        gang.made.run(S)
    assert 15 * S < gang.made.now_ns - begin < 120 * S
    hot = next(one for one in gang.actuators if one.state is m.State.FAULTED)
    status = gang.made.status(hot.address)
    assert status.faults & m.Fault.OVER_TEMPERATURE
    assert (status.current_ma, status.temperature_cdeg // 100) == (12, 60)
    assert abs(gang.torques_nm[0]) < 0.161  # the other one only drags it now


def test_near_its_limit_it_takes_back_drive_before_it_gives_up() -> None:
    gang = Gang([1.0, 1.0], model=RUDDER, over_temperature=60, minimum_drive=5)
    gang.to(0.0, 4.2)
    powers = []
    for _ in range(60):
        gang.made.run(S)
        powers.append(gang.actuators[0].arm.power)
    assert max(powers) == 1.0
    assert min(powers) < 0.9


# --- hinge moment ----------------------------------------------------------------------------------------------


AIR = Hinge(area_m2=0.08, chord_m=0.05, b2=-0.943608)
"""b2 of a thin aerofoil with a plain flap of a quarter of the chord: Glauert, R&M 1095 (1927), from memory."""


def test_f6_hinge_moment_at_50_m_s() -> None:
    """S 0.08 m^2, c 0.05 m, 15 deg, q 1531.25 Pa: 1.51310 N m. Source: H = Ch q S c, calc."""
    assert AIR.moment_nm(15.0, 50.0) == pytest.approx(-1.51310, abs=1e-5)
    assert AIR.moment_nm(15.0, 100.0) == pytest.approx(4 * -1.51310, abs=4e-5)


def test_the_air_pushes_it_back_and_every_member_bears_its_part() -> None:
    gang = Gang([2.0, 2.0], hinge=AIR)
    gang.to(15.0, 15.0)
    gang.surface.set_airspeed(50.0)
    gang.made.run(S)
    air = AIR.spring_nm_rad(50.0) * math.pi / 180
    x = 4 * 15 / (4 + air)
    assert gang.surface.deg == pytest.approx(x, abs=1e-7)
    assert gang.torques_nm == pytest.approx([air * x / 2] * 2, abs=1e-7)


def test_against_the_air_it_is_slower_and_what_is_too_much_pushes_it_back() -> None:
    """One of 4 N m at the rated supply; the ratings are 300 deg/s and slew 300 deg/s."""
    hinge = Hinge(area_m2=0.2, chord_m=0.1, b2=-0.9)
    times = []
    for speed in (0.0, 25.0):
        gang = Gang([2.0], model=RUDDER, hinge=hinge)
        gang.surface.set_airspeed(speed)
        gang.to(10.0)
        gang.made.demand(demand(20.0))
        begin = gang.made.now_ns
        while gang.surface.deg < 17.0 and gang.made.now_ns < begin + S:
            gang.made.run(MS)
        times.append((gang.made.now_ns - begin) / MS)
    assert 20 < times[0] < times[1] * 0.7 < 140
    gang.surface.set_airspeed(120.0)
    gang.made.run(S)
    # stall torque and what friction holds, no more: it is pushed through
    assert 3.84 < gang.torques_nm[0] < 4.16 + 1e-6
    assert gang.surface.deg < 8.0


def test_hinge_friction_holds_it_where_it_came_from() -> None:
    stops = []
    for first in (-20.0, 20.0):
        gang = Gang([2.0], hinge=Hinge(friction_nm=0.5))
        gang.to(first)
        gang.to(0.0)
        stops.append(gang.surface.deg)
    assert stops == pytest.approx([-0.25, 0.25], abs=2e-3)  # the shaft swings a little as it arrives


def test_an_unbalanced_surface_hangs_by_its_weight_over_the_stiffness() -> None:
    gang = Gang([2.0], hinge=Hinge(unbalance_nm=-0.4))
    gang.to(0.0)
    assert gang.surface.deg == pytest.approx(-0.2, abs=1e-5)


# --- limp members, hands ---------------------------------------------------------------------------------------


def test_a_limp_member_is_carried_along_and_its_friction_is_felt() -> None:
    gang = Gang([2.0, 2.0], model=RUDDER)
    gang.to(0.0)  # only the first was ever told anything
    gang.made.demand(demand(20.0), m.NO_DEMAND)
    gang.made.run(2 * S)
    second = gang.actuators[1]
    assert second.arm.target_deg is None
    assert sum(gang.torques_nm) == pytest.approx(0.0, abs=1e-6)
    assert 0.01 < abs(gang.torques_nm[1]) < 0.16 + 1e-6  # no more than 4 % of 4 N m
    second.arm.move_to(gang.made.now_ns)
    twist = gang.torques_nm[1] / gang.surface.members[1].stiffness_nm_deg
    assert second.arm.position_deg == pytest.approx(gang.surface.deg + twist)
    assert second.arm.position_deg > 19.0
    assert gang.made.status(2).current_ma == 12


def test_a_hand_moves_the_surface_and_all_its_limp_members_each_behind_its_backlash() -> None:
    lash = ActuatorModel("lash", backlash_deg=1.0, friction=0.0)
    gang = Gang([1.0, 1.0, 1.0], model=lash)
    first, second, third = gang.actuators
    assert first.arm.hand(10.0, 500 * MS, gang.made.now_ns)
    gang.made.run(S)
    for one in gang.actuators:
        one.arm.move_to(gang.made.now_ns)
    assert gang.surface.deg == 10.0
    assert [one.arm.position_deg for one in (first, second, third)] == [9.5] * 3
    assert [one.arm.arm_deg for one in (first, second, third)] == [10.0] * 3
    assert second.arm.hand(0.0, 500 * MS, gang.made.now_ns)
    gang.made.run(S)
    third.arm.move_to(gang.made.now_ns)
    assert (gang.surface.deg, third.arm.position_deg) == (0.0, 0.5)


def test_a_hand_does_not_move_a_surface_that_one_of_them_holds() -> None:
    gang = Gang([2.0, 2.0])
    gang.to(5.0)
    assert gang.actuators[1].arm.hand(30.0, 100 * MS, gang.made.now_ns) is False
    gang.made.run(S)
    assert gang.surface.deg == pytest.approx(5.0, abs=1e-6)


def test_taking_hold_does_not_jump_and_going_limp_lets_the_fight_go() -> None:
    gang = Gang([2.0, 3.0], model=RUDDER)
    gang.to(0.0, 1.5)
    assert abs(gang.torques_nm[0]) > 1.0
    gang.made.ask(m.Released, m.Release(), 2)
    gang.made.run(500 * MS)
    assert abs(gang.torques_nm[0]) < 0.16 + 1e-6  # what the friction of the limp one holds
    at_deg = gang.surface.deg
    gang.made.ask(m.Engaged, m.Engage(), 2)
    gang.made.run(100 * MS)
    assert gang.surface.deg == pytest.approx(at_deg, abs=0.01)


# --- swing -----------------------------------------------------------------------------------------------------


FREE = ActuatorModel("free", friction=0.0, moving_current_ma=60, time_constant_ms=0.0)
"""Its shaft weighs nothing and turns by itself: what swings is the surface alone."""


def swinging(inertia: float, damping: float, spring_nm_rad: float, friction_nm: float = 0.0) -> Gang:
    """A limp surface on a spring of air, as at a speed at which the air is that spring."""
    speed = 30.0
    chord = spring_nm_rad / (1.225 * speed**2 / 2)
    hinge = Hinge(
        area_m2=1.0, chord_m=chord, b2=-1.0, inertia_kgm2=inertia, damping_nms=damping, friction_nm=friction_nm
    )
    gang = Gang([1.0], model=FREE, hinge=hinge)
    gang.surface.set_airspeed(speed)
    gang.made.run(4 * MS)
    gang.surface.put(20.0)
    return gang


def followed(gang: Gang, step_ns: int, count: int) -> list[float]:
    found = []
    for _ in range(count):
        gang.made.run(step_ns)
        found.append(gang.surface.deg)
    return found


def test_d11_limp_surface_released_at_20_deg() -> None:
    """I 0.002, c 0.02, k 3.528: 6.63697 Hz, extrema -13.7227, 9.4157, -6.4603 deg, each 75.336 ms.

    Source: logarithmic decrement, calc.
    """
    gang = swinging(0.002, 0.02, 3.528)
    half_ns = 75_336_000
    assert followed(gang, half_ns, 3) == pytest.approx([-13.7227, 9.4157, -6.4603], rel=1e-4)


def test_d11_against_an_ode_solver() -> None:
    integrate = pytest.importorskip("scipy.integrate")
    gang = swinging(0.002, 0.02, 3.528)
    found = followed(gang, 3 * MS, 200)
    solved = integrate.solve_ivp(
        lambda _, y: [y[1], (-0.02 * y[1] - 3.528 * y[0]) / 0.002],
        (0, 0.6),
        [20.0, 0.0],
        t_eval=[0.003 * k for k in range(1, 201)],
        rtol=1e-10,
        atol=1e-10,
    )
    assert found == pytest.approx(list(solved.y[0]), abs=1.5e-3)


def test_d12_the_wind_moves_a_limp_surface_to_its_floating_angle_and_its_actuator_with_it() -> None:
    """b1 -0.565347, b2 -0.943608, alpha 5 deg: -2.9957 deg. Source: Etkin & Reid, free elevator, from memory."""
    hinge = Hinge(area_m2=0.1, chord_m=0.1, b1=-0.565347, b2=-0.943608, alpha_deg=5.0)
    gang = Gang([1.0], model=FREE, hinge=hinge)
    gang.surface.set_airspeed(20.0)
    gang.made.run(S)
    assert gang.surface.deg == pytest.approx(-2.9957, abs=1e-4)
    assert gang.made.status(1).position_cdeg == -300


def test_with_friction_each_half_swing_loses_twice_its_angle_and_it_comes_to_rest() -> None:
    """Without damping, friction of 2 deg of the spring: 20, -16, 12, -8, 4, 0. Source: calc (Coulomb oscillator)."""
    friction = 3.528 * math.radians(2.0)
    gang = swinging(0.002, 0.0, 3.528, friction)
    half_ns = round(math.pi / math.sqrt(3.528 / 0.002) * S)
    assert followed(gang, half_ns, 5) == pytest.approx([-16.0, 12.0, -8.0, 4.0, 0.0], abs=1e-3)
    assert followed(gang, S, 1) == pytest.approx([0.0], abs=2.0)


# --- scenarios -------------------------------------------------------------------------------------------------


def test_one_that_turns_the_other_way_pulls_the_same_way() -> None:
    """Ratio -1 and direction reversed: the same demand, no fight."""
    made = bench()
    for at, direction in ((1, 0), (2, 1)):
        made.plug_in(at, at, {**PLAIN, "channel": at, "direction": direction}, model=STRONG)
    surface = made.bus.link("s", Hinge(), {"number 1": Link(2.0), "number 2": Link(2.0, -1.0)})
    made.demand(demand(10.0), demand(10.0))
    made.run(S)
    assert surface.deg == pytest.approx(10.0, abs=1e-9)
    assert list(surface.torques_mnm().values()) == pytest.approx([0.0, 0.0], abs=1e-6)
    surface.push(1.0)
    made.run(S)
    assert list(surface.torques_mnm().values()) == pytest.approx([500.0, 500.0], abs=1e-6)
    assert [one.arm.load > 0 for one in surface.members] == [True, False]


# --- how often one looks ---------------------------------------------------------------------------------------


@given(st.lists(st.integers(0, 1500), max_size=25))
def test_nothing_depends_on_how_often_one_looks(looks_ms: list[int]) -> None:
    def played(looks: list[int]) -> list[float]:
        hinge = Hinge(area_m2=0.1, chord_m=0.08, b2=-0.8, friction_nm=0.1, inertia_kgm2=0.003, damping_nms=0.01)
        gang = Gang([2.0, 3.0, 1.5], model=RUDDER, hinge=hinge, dead_band=10, minimum_drive=5)
        gang.surface.set_airspeed(25.0)
        begin = gang.made.now_ns
        acts = {
            0: lambda: gang.made.bus.host.write(wire_to_all(m.DemandAll((3000, 2800, 3300)))),
            300: lambda: gang.made.bus.host.write(wire_to_all(m.DemandAll((-3000, -2800, -2500)))),
            700: lambda: gang.surface.set_airspeed(45.0),
            1000: lambda: gang.actuators[0].power_off(),
            1100: lambda: [one.power_off() for one in gang.actuators],
        }
        for at_ms in sorted({*acts, *looks}):
            gang.made.run_until(begin + at_ms * MS)
            if at_ms in looks:
                gang.surface.torques_mnm()
                gang.actuators[1].arm.move_to(gang.made.now_ns)
            acts.get(at_ms, lambda: None)()
        gang.made.run_until(begin + 1600 * MS)
        return [gang.surface.deg, *gang.torques_nm, *(one.arm.load for one in gang.actuators)]

    assert played(looks_ms) == pytest.approx(played([]), abs=1e-9)
