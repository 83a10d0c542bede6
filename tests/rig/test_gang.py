"""Several actuators on one surface: published values, other libraries, and what must hold."""

from __future__ import annotations

import math
import re

import pytest
from hypothesis import given
from hypothesis import strategies as st

from busproto.errors import InputError
from busproto.rig import gang
from busproto.rig.gang import Member, fight
from tests.rig.outside import library

members = st.lists(st.builds(Member, st.floats(0.05, 50.0), st.floats(-5.0, 5.0)), min_size=1, max_size=5)
EQUAL = [Member(2.0), Member(2.0), Member(2.0, 1.5)]
UNEQUAL = [Member(2.0, 0.2), Member(3.0, -0.4), Member(1.0, 1.0)]


def wavy(angle_deg: float) -> float:
    """An error curve: 2 sin(2x) deg."""
    return 2.0 * math.sin(math.radians(2.0 * angle_deg))


def test_two_are_springs_in_series() -> None:
    found = fight([Member(2.0, 0.0), Member(3.0, 1.5)])
    assert found.torques_nm == pytest.approx((-1.8, 1.8), abs=1e-9)


def test_three_equal() -> None:
    found = fight(EQUAL)
    assert found.surface_deg == pytest.approx(0.5, abs=1e-9)
    assert found.torques_nm == pytest.approx((-1.0, -1.0, 2.0), abs=1e-9)


def test_with_a_load() -> None:
    found = fight(EQUAL, 1.5)
    assert found.surface_deg == pytest.approx(0.25, abs=1e-9)
    assert math.fsum(found.torques_nm) == pytest.approx(1.5, abs=1e-9)


@pytest.mark.parametrize("load_nm", [0.0, 1.5, -4.0])
def test_three_against_the_equations_solved(load_nm: float) -> None:
    """Unknowns: three torques and the surface angle; torque_i + k_i x = k_i e_i, and their sum is the load."""
    numpy = library("numpy")
    matrix = [[1, 0, 0, 2], [0, 1, 0, 2], [0, 0, 1, 2], [1, 1, 1, 0]]
    *torques, surface = numpy.linalg.solve(matrix, [0, 0, 3, load_nm])
    found = fight(EQUAL, load_nm)
    assert (*found.torques_nm, found.surface_deg) == pytest.approx((*map(float, torques), float(surface)), abs=1e-9)


def test_three_unequal() -> None:
    found = fight(UNEQUAL)
    assert found.surface_deg == pytest.approx(0.0333333, abs=1e-6)
    assert found.torques_nm == pytest.approx((0.333333, -1.3, 0.966667), abs=1e-6)


def test_unequal_ones_against_the_least_energy_of_the_springs() -> None:
    def energy(at: float) -> float:
        return sum(0.5 * one.stiffness_nm_deg * (one.error_deg - at) ** 2 for one in UNEQUAL)

    found = library("scipy.optimize").minimize_scalar(energy, tol=1e-12)
    assert fight(UNEQUAL).surface_deg == pytest.approx(float(found.x), abs=1e-6)


@given(members)
def test_perfect_correction_and_no_load(several: list[Member]) -> None:
    found = fight([Member(one.stiffness_nm_deg) for one in several])
    assert max(map(abs, found.torques_nm)) <= 1e-12


@given(members, st.floats(-20.0, 20.0))
def test_the_torques_sum_to_the_load(several: list[Member], load_nm: float) -> None:
    found = fight(several, load_nm)
    assert math.fsum(found.torques_nm) == pytest.approx(load_nm, abs=1e-9)


@given(members, st.floats(-10.0, 10.0))
def test_a_common_error_moves_the_surface_without_a_fight(several: list[Member], error_deg: float) -> None:
    found = fight([Member(one.stiffness_nm_deg, error_deg) for one in several])
    assert found.surface_deg == pytest.approx(error_deg, abs=1e-9)
    assert found.worst_nm == pytest.approx(0.0, abs=1e-9)


@given(members, st.floats(0.0, 20.0), st.floats(0.0, 20.0))
def test_more_load_pushes_the_surface_further(several: list[Member], one: float, other: float) -> None:
    low, high = sorted((one, other))
    assert fight(several, high).surface_deg <= fight(several, low).surface_deg + 1e-9


def test_what_a_fight_costs() -> None:
    """Linear model: torque over stall torque, times stall current."""
    found = fight([Member(2.0, 0.0, 2.5, 4000.0), Member(3.0, 1.5, 5.0, 6000.0)])
    assert found.currents_ma == pytest.approx((1.8 / 2.5 * 4000.0, 1.8 / 5.0 * 6000.0))
    assert found.total_ma == pytest.approx(2880.0 + 2160.0)
    assert fight([Member(2.0), Member(3.0, 1.5, 5.0, 6000.0)]).total_ma is None
    assert gang.standing_current_ma(-9.0, 2.5, 4000.0) == 4000.0


def test_a_fight_over_the_sweep_follows_the_error_curves() -> None:
    several = [Member(2.0), Member(2.0, 0.1)]
    found = gang.fight_over(several, [wavy, lambda angle: -angle / 45.0], [-45.0, 0.0, 22.5])
    for at, angle in zip(found, (-45.0, 0.0, 22.5), strict=True):
        assert at == fight([Member(2.0, wavy(angle)), Member(2.0, 0.1 - angle / 45.0)])
    assert found[1].torques_nm == pytest.approx((-0.1, 0.1))


rated = st.lists(
    st.builds(Member, st.floats(0.05, 50.0), st.floats(-60.0, 60.0), st.floats(0.1, 10.0), st.just(4000.0)),
    min_size=2,
    max_size=5,
)


def test_three_far_apart_pull_with_all_they_have() -> None:
    """Presets of -10, 20 and -10 deg: the one in the middle stalls against the two others, which share it."""
    found = gang.standoff([Member(6.3, one, 6.5, 4800.0) for one in (-10.0, 20.0, -10.0)])
    assert found.torques_nm == pytest.approx((-3.25, 6.5, -3.25), abs=1e-9)
    assert found.worst_nm == pytest.approx(6.5)
    assert found.total_ma == pytest.approx(4800.0 * 2)
    assert found.surface_deg == pytest.approx(-10.0 + 3.25 / 6.3)


@given(rated)
def test_a_standoff_balances_and_no_member_gives_more_than_its_stall(several: list[Member]) -> None:
    found = gang.standoff(several)
    assert math.fsum(found.torques_nm) == pytest.approx(0.0, abs=1e-6)
    for one, torque_nm in zip(several, found.torques_nm, strict=True):
        assert one.stall_nm is not None
        assert abs(torque_nm) <= one.stall_nm + 1e-9
        assert torque_nm * (one.error_deg - found.surface_deg) >= -1e-9


@given(rated)
def test_a_standoff_is_where_the_energy_of_springs_with_an_end_is_least(several: list[Member]) -> None:
    """Outside judge: the energy of each spring goes on in a straight line beyond its stall; it is convex."""

    def energy(at: float) -> float:
        total = 0.0
        for one in several:
            assert one.stall_nm is not None
            away, end = abs(one.error_deg - at), one.stall_nm / one.stiffness_nm_deg
            inside = min(away, end)
            total += 0.5 * one.stiffness_nm_deg * inside**2 + one.stall_nm * max(0.0, away - end)
        return total

    found = library("scipy.optimize").minimize_scalar(
        energy, bounds=(-61.0, 61.0), method="bounded", options={"xatol": 1e-9}
    )
    assert energy(gang.standoff(several).surface_deg) <= float(found.fun) * (1 + 1e-6) + 1e-7


@pytest.mark.parametrize(
    ("call", "text"),
    [
        (lambda: fight([]), "a gang has at least one actuator"),
        (lambda: fight(EQUAL, math.nan), "the load is nan N m"),
        (lambda: Member(0.0), "the stiffness is 0 N m/deg"),
        (lambda: gang.fight_over(EQUAL, [wavy], [0.0]), "3 actuators need 3 error curves; 1 are given"),
    ],
)
def test_what_cannot_be_is_refused(call: object, text: str) -> None:
    assert callable(call)
    with pytest.raises(InputError, match=re.escape(text)):
        call()
