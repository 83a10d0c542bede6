"""Several actuators on one surface, and correction tables: section G of the outside values, and what must hold."""

from __future__ import annotations

import itertools
import math
import re
from collections.abc import Sequence

import pytest
from hypothesis import given
from hypothesis import strategies as st

from busproto.errors import InputError
from busproto.rig import gang
from busproto.rig.gang import Member, fight
from tests.rig.outside import library

members = st.lists(st.builds(Member, st.floats(0.05, 50.0), st.floats(-5.0, 5.0)), min_size=1, max_size=5)
G2 = [Member(2.0), Member(2.0), Member(2.0, 1.5)]
G4 = [Member(2.0, 0.2), Member(3.0, -0.4), Member(1.0, 1.0)]
STEP = [0.0, 1.0, 2.0, 3.0], [0.0, 0.0, 1.0, 1.0]


def wavy(angle_deg: float) -> float:
    """The error curve of G6: 2 sin(2x) deg."""
    return 2.0 * math.sin(math.radians(2.0 * angle_deg))


def test_g1_two_are_springs_in_series() -> None:
    found = fight([Member(2.0, 0.0), Member(3.0, 1.5)])
    assert found.torques_nm == pytest.approx((-1.8, 1.8), abs=1e-9)


def test_g2_three_equal() -> None:
    found = fight(G2)
    assert found.surface_deg == pytest.approx(0.5, abs=1e-9)
    assert found.torques_nm == pytest.approx((-1.0, -1.0, 2.0), abs=1e-9)


def test_g3_with_a_load() -> None:
    found = fight(G2, 1.5)
    assert found.surface_deg == pytest.approx(0.25, abs=1e-9)
    assert math.fsum(found.torques_nm) == pytest.approx(1.5, abs=1e-9)


@pytest.mark.parametrize("load_nm", [0.0, 1.5, -4.0])
def test_g2_and_g3_against_the_equations_solved(load_nm: float) -> None:
    """Unknowns: three torques and the surface angle; torque_i + k_i x = k_i e_i, and their sum is the load."""
    numpy = library("numpy")
    matrix = [[1, 0, 0, 2], [0, 1, 0, 2], [0, 0, 1, 2], [1, 1, 1, 0]]
    *torques, surface = numpy.linalg.solve(matrix, [0, 0, 3, load_nm])
    found = fight(G2, load_nm)
    assert (*found.torques_nm, found.surface_deg) == pytest.approx((*map(float, torques), float(surface)), abs=1e-9)


def test_g4_three_unequal() -> None:
    found = fight(G4)
    assert found.surface_deg == pytest.approx(0.0333333, abs=1e-6)
    assert found.torques_nm == pytest.approx((0.333333, -1.3, 0.966667), abs=1e-6)


def test_g4_against_the_least_energy_of_the_springs() -> None:
    def energy(at: float) -> float:
        return sum(0.5 * one.stiffness_nm_deg * (one.error_deg - at) ** 2 for one in G4)

    found = library("scipy.optimize").minimize_scalar(energy, tol=1e-12)
    assert fight(G4).surface_deg == pytest.approx(float(found.x), abs=1e-6)


@given(members)
def test_g5_perfect_correction_and_no_load(several: list[Member]) -> None:
    found = fight([Member(one.stiffness_nm_deg) for one in several])
    assert max(map(abs, found.torques_nm)) <= 1e-12


@pytest.mark.parametrize(
    ("count", "left_deg", "bound_deg"),
    [(5, 0.140755, 0.154213), (9, 0.0376926, 0.0385531), (17, 0.00958420, 0.00963829)],
)
def test_g6_what_a_linear_table_leaves(count: int, left_deg: float, bound_deg: float) -> None:
    """Bound (h^2 / 8) max e'': de Boor, from memory; max e'' = 8 deg per rad^2 here."""
    table = gang.correction_for(wavy, -45.0, 45.0, count)
    assert gang.residual_deg(wavy, -45.0, 45.0, table) == pytest.approx(left_deg, abs=1e-5)
    bound = gang.residual_bound_deg(-45.0, 45.0, count, 8.0 * math.radians(1.0) ** 2)
    assert bound == pytest.approx(bound_deg, abs=1e-5)


@pytest.mark.parametrize("count", [5, 9, 17, 33])
def test_g6_against_another_interpolation(count: int) -> None:
    numpy = library("numpy")
    points = numpy.linspace(-45, 45, count)
    everywhere = numpy.linspace(-45, 45, 100_001)
    error = 2 * numpy.sin(numpy.radians(2 * everywhere))
    left = numpy.max(numpy.abs(error - numpy.interp(everywhere, points, 2 * numpy.sin(numpy.radians(2 * points)))))
    table = gang.correction_for(wavy, -45.0, 45.0, count)
    assert gang.residual_deg(wavy, -45.0, 45.0, table) == pytest.approx(float(left), abs=1e-5)


def test_g7_monotone_curve() -> None:
    """Fritsch & Carlson, SIAM J. Numer. Anal. 17 (1980), from memory."""
    curve = gang.monotone_curve(*STEP)
    assert [curve(at) for at in (0.5, 1.5, 2.5)] == pytest.approx([0.0, 0.5, 1.0], abs=1e-12)


def test_g7_trap_a_cubic_spline_goes_to_the_wrong_side_and_is_refused() -> None:
    spline = library("scipy.interpolate").CubicSpline(*STEP)
    assert float(spline(0.5)) == pytest.approx(-0.25, abs=1e-12)
    places = [0.0, 0.5, 1.0, 2.0, 3.0]
    with pytest.raises(InputError, match="from 0 to 0\\.5 deg the corrected angle falls from 0 to -0\\.25 deg"):
        gang.require_monotone(places, [float(spline(at)) for at in places])
    curve = gang.monotone_curve(*STEP)
    gang.require_monotone(places, [curve(at) for at in places])


@st.composite
def tables(draw: st.DrawFn) -> tuple[list[float], list[float]]:
    count = draw(st.integers(2, 12))
    widths = draw(st.lists(st.floats(0.1, 20.0), min_size=count - 1, max_size=count - 1))
    angles = list(itertools.accumulate(widths, initial=draw(st.floats(-50.0, 50.0))))
    hundredths = st.integers(-1000, 1000)  # as they are stored
    values = [one / 100 for one in draw(st.lists(hundredths, min_size=count, max_size=count))]
    return angles, values


@given(tables(), st.floats(-0.2, 1.2))
def test_g7_against_another_implementation(table: tuple[list[float], list[float]], share: float) -> None:
    angles, values = table
    at = angles[0] + share * (angles[-1] - angles[0])
    inside = min(angles[-1], max(angles[0], at))
    theirs = library("scipy.interpolate").PchipInterpolator(angles, values)
    assert gang.monotone_curve(angles, values)(at) == pytest.approx(float(theirs(inside)), abs=1e-9)


@given(tables())
def test_a_monotone_curve_stays_between_its_points(table: tuple[list[float], list[float]]) -> None:
    angles, values = table
    curve = gang.monotone_curve(angles, values)
    for (left, right), (low, high) in zip(itertools.pairwise(angles), itertools.pairwise(values), strict=True):
        for step in range(9):
            value = curve(left + (right - left) * step / 8)
            assert min(low, high) - 1e-9 <= value <= max(low, high) + 1e-9


@given(members, st.floats(-20.0, 20.0))
def test_the_torques_sum_to_the_load(several: list[Member], load_nm: float) -> None:
    found = fight(several, load_nm)
    assert math.fsum(found.torques_nm) == pytest.approx(load_nm, abs=1e-9)


@given(members, st.floats(-10.0, 10.0))
def test_a_common_error_moves_the_surface_and_fights_nobody(several: list[Member], error_deg: float) -> None:
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
    table = gang.table_curve([-45.0, 0.0, 45.0], [1.0, 0.0, -1.0])
    several = [Member(2.0), Member(2.0, 0.1)]
    found = gang.fight_over(several, [wavy, table], [-45.0, 0.0, 22.5])
    for at, angle in zip(found, (-45.0, 0.0, 22.5), strict=True):
        assert at == fight([Member(2.0, wavy(angle)), Member(2.0, 0.1 + table(angle))])
    assert found[1].torques_nm == pytest.approx((-0.1, 0.1))


@given(st.sampled_from([3, 5, 9, 17, 33]), st.floats(0.1, 3.0), st.floats(0.3, 3.0))
def test_a_correction_leaves_no_more_than_its_bound(count: int, size_deg: float, waves: float) -> None:
    def error(angle_deg: float) -> float:
        return size_deg * math.sin(math.radians(waves * angle_deg))

    second = size_deg * math.radians(waves) ** 2
    bound = gang.residual_bound_deg(-60.0, 60.0, count, second)
    exact = gang.correction_for(error, -60.0, 60.0, count)
    assert gang.residual_deg(error, -60.0, 60.0, exact) <= bound + 1e-9
    stored = gang.correction_for(error, -60.0, 60.0, count, in_counts=True)
    assert gang.residual_deg(error, -60.0, 60.0, stored) <= bound + 0.005 + 1e-9
    assert all(round(one * 100) == pytest.approx(one * 100, abs=1e-9) for one in stored)


def test_a_finer_table_is_a_better_one() -> None:
    left = [
        gang.residual_deg(wavy, -45.0, 45.0, gang.correction_for(wavy, -45.0, 45.0, count)) for count in (3, 5, 9, 17)
    ]
    assert left == sorted(left, reverse=True)


def jumpy(angle_deg: float) -> float:
    return 40.0 if angle_deg > 10.0 else 0.0


@pytest.mark.parametrize(
    ("call", "text"),
    [
        (lambda: fight([]), "a gang has at least one actuator"),
        (lambda: fight(G2, math.nan), "the load is nan N m"),
        (lambda: Member(0.0), "the stiffness is 0 N m/deg"),
        (lambda: gang.fight_over(G2, [wavy], [0.0]), "3 actuators need 3 error curves; 1 are given"),
        (lambda: gang.correction_for(jumpy, -45.0, 45.0, 9), "more demand would move the arm back"),
        (lambda: gang.correction_for(wavy, -45.0, 45.0, 34), "2 to 33 points, not 34"),
        (lambda: gang.even_points(10.0, 10.0, 3), "from a lower to a higher angle, not from 10 to 10 deg"),
        (lambda: gang.table_curve([0.0, 0.0], [1.0, 2.0]), "the angles of a table must rise; 0 deg follows 0 deg"),
        (lambda: gang.table_curve([0.0, 1.0], [1.0]), "given are 2 angles and 1 values"),
        (lambda: gang.monotone_curve([0.0, 1.0], [1.0, math.inf]), "a value of the table is inf deg"),
    ],
)
def test_what_cannot_be_is_refused(call: object, text: str) -> None:
    assert callable(call)
    with pytest.raises(InputError, match=re.escape(text)):
        call()


def test_two_points_are_a_straight_line() -> None:
    line: Sequence[float] = [gang.monotone_curve([0.0, 2.0], [1.0, 5.0])(at) for at in (-1.0, 0.5, 3.0)]
    assert line == pytest.approx([1.0, 2.0, 5.0])
