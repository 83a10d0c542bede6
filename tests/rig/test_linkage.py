"""The four-bar linkage: published values, other libraries, and what must hold for any linkage."""

from __future__ import annotations

import itertools
import math
import re

import pytest
from hypothesis import assume, given
from hypothesis import strategies as st

from busproto.errors import InputError
from busproto.rig.linkage import Assembly, Linkage, Throw
from tests.rig.outside import library

ARM, ROD, HORN, BASE, THETA_2 = 40.0, 120.0, 80.0, 100.0, 40.0
"""Norton, Design of Machinery, example 4-1; from memory."""


def norton(assembly: Assembly = Assembly.OPEN) -> Linkage:
    return Linkage(ARM, HORN, ROD, BASE, THETA_2, assembly)


def normal() -> Linkage:
    return Linkage.normal_case(10.0, 15.0, 50.0)


lengths = st.floats(5.0, 200.0)


@st.composite
def linkages(draw: st.DrawFn) -> Linkage:
    """Any linkage that can be put together from measured angles, but for those that all but fold into one line.

    There both assemblies come together, and within a rounding error of that nothing can be told; the parallelogram,
    which folds exactly, has its own test.
    """
    angles = st.floats(-179.0, 179.0)
    try:
        made = Linkage.from_angles(draw(lengths), draw(lengths), draw(lengths), draw(angles), draw(angles))
    except InputError:
        assume(False)
        raise
    shortest, one, other, longest = sorted([made.arm_mm, made.horn_mm, made.rod_mm, made.base_mm])
    assume(abs(shortest + longest - one - other) > 1e-4 * longest)
    return made


@st.composite
def placed(draw: st.DrawFn) -> tuple[Linkage, float]:
    """A linkage and an actuator angle within what it follows, not quite at the ends."""
    linkage = draw(linkages())
    low_deg, high_deg = (min(720.0, max(-720.0, one)) for one in linkage.follows_deg)
    assume(high_deg - low_deg > 1.0)
    share = draw(st.floats(0.02, 0.98))
    return linkage, low_deg + share * (high_deg - low_deg)


# --- outside values ------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("assembly", "theta_4", "theta_3"),
    [(Assembly.OPEN, 57.3249, 20.2979), (Assembly.CROSSED, -98.0050, -60.9780)],
)
def test_position_of_both_assemblies(assembly: Assembly, theta_4: float, theta_3: float) -> None:
    """Freudenstein, Trans. ASME 76 (1954), from memory; Norton prints 57.33, -98.01, 20.30, -60.98, from memory."""
    linkage = norton(assembly)
    assert math.remainder(linkage.horn_neutral_deg, 360.0) == pytest.approx(theta_4, abs=1e-4)
    assert linkage.rod_deg(0.0) == pytest.approx(theta_3, abs=1e-4)


@pytest.mark.parametrize("assembly", list(Assembly))
def test_freudenstein_equation_holds(assembly: Assembly) -> None:
    """K1 cos t4 - K2 cos t2 + K3 = cos(t2 - t4), K1..K3 = 2.5, 1.25, 0.5625; Freudenstein 1955."""
    k_1, k_2 = BASE / ARM, BASE / HORN
    k_3 = (ARM**2 - ROD**2 + HORN**2 + BASE**2) / (2 * ARM * HORN)
    assert (k_1, k_2, k_3) == (2.5, 1.25, 0.5625)
    for turned_deg in (-200.0, -40.0, 0.0, 33.0, 170.0, 500.0):
        theta_2 = math.radians(THETA_2 + turned_deg)
        linkage = norton(assembly)
        theta_4 = math.radians(linkage.horn_neutral_deg + linkage.surface_deg(turned_deg))
        assert k_1 * math.cos(theta_4) - k_2 * math.cos(theta_2) + k_3 == pytest.approx(
            math.cos(theta_2 - theta_4), abs=1e-12
        )


@pytest.mark.parametrize("assembly", list(Assembly))
def test_position_against_a_linkage_library_and_a_root_finder(assembly: Assembly) -> None:
    theta_2 = math.radians(THETA_2)
    end = ARM * math.cos(theta_2), ARM * math.sin(theta_2)
    theta_4 = math.radians(norton(assembly).horn_neutral_deg)
    ours = BASE + HORN * math.cos(theta_4), HORN * math.sin(theta_4)

    root, _, came, _ = library("scipy.optimize").fsolve(
        lambda at: [math.hypot(at[0] - end[0], at[1] - end[1]) - ROD, math.hypot(at[0] - BASE, at[1]) - HORN],
        [ours[0] + 3.0, ours[1] - 2.0],
        full_output=True,
    )
    assert came == 1
    assert tuple(root) == pytest.approx(ours, abs=1e-7)

    _, *numbers = library("pylinkage").circle_intersect(*end, ROD, BASE, 0.0, HORN)
    points = [(float(numbers[0]), float(numbers[1])), (float(numbers[2]), float(numbers[3]))]
    assert any(one == pytest.approx(ours, abs=1e-9) for one in points)


def test_velocities() -> None:
    """Norton, example 6-7, from memory: with w2 = 25 rad/s, w3 = -4.121 and w4 = 6.998 rad/s."""
    linkage = norton()
    assert 25.0 * linkage.rod_ratio(0.0) == pytest.approx(-4.12091, rel=1e-5)
    assert 25.0 * linkage.ratio(0.0) == pytest.approx(6.99799, rel=1e-5)
    assert 1.0 / linkage.ratio(0.0) == pytest.approx(3.57246, rel=1e-5)


def test_transmission_angle_and_its_extremes() -> None:
    """Law of cosines."""
    linkage = norton()
    assert linkage.transmission_deg(0.0) == pytest.approx(37.0270, abs=1e-4)
    assert linkage.smallest_transmission_deg(-180.0, 180.0) == pytest.approx(26.3843, abs=1e-4)
    assert linkage.transmission_deg(-THETA_2) == pytest.approx(26.3843, abs=1e-4)
    assert linkage.transmission_deg(180.0 - THETA_2) == pytest.approx(86.4167, abs=1e-4)
    assert linkage.smallest_transmission_deg(139.0, 141.0) == pytest.approx(
        min(linkage.transmission_deg(139.0), linkage.transmission_deg(141.0)), abs=1e-12
    )


def test_limits_of_the_rocker() -> None:
    """Law of cosines at rod + arm and rod - arm; the crank turns all round, as 40 + 120 < 80 + 100 (Grashof)."""
    linkage = norton()
    assert linkage.reach_deg == (-math.inf, math.inf)
    ends = sorted(linkage.horn_neutral_deg + one for one in linkage.surface_range_deg())
    assert ends == pytest.approx([54.9004, 128.6822], abs=1e-4)
    assert max(linkage.surface_deg(one) for one in range(-720, 720)) <= linkage.surface_range_deg()[1] + 1e-9


@given(st.floats(5.0, 50.0), st.floats(60.0, 300.0), st.floats(-89.0, 89.0))
def test_parallelogram(arm_mm: float, base_mm: float, actuator_deg: float) -> None:
    linkage = Linkage.normal_case(arm_mm, arm_mm, base_mm)
    assert linkage.rod_mm == base_mm
    assert linkage.surface_deg(actuator_deg) == pytest.approx(actuator_deg, abs=1e-9)
    assert linkage.ratio(actuator_deg) == pytest.approx(1.0, abs=1e-9)
    assert linkage.reach_deg == pytest.approx((-90.0, 90.0))


NORMAL_CASE = [
    (0.0, 0.0),
    (30.0, 19.480644),
    (-30.0, -19.461733),
    (45.0, 28.183154),
    (-45.0, -28.066437),
]


@pytest.mark.parametrize(("actuator_deg", "surface_deg"), NORMAL_CASE)
def test_normal_case(actuator_deg: float, surface_deg: float) -> None:
    """Recomputed from the definition of the normal case."""
    assert normal().surface_deg(actuator_deg) == pytest.approx(surface_deg, abs=1e-5)


@pytest.mark.parametrize("actuator_deg", [30.0, -30.0, 45.0, -45.0])
def test_normal_case_against_the_rod_length_solved_and_derived_by_algebra(actuator_deg: float) -> None:
    sympy = library("sympy")
    u, w = sympy.symbols("u w")
    a, c, d = 10, 15, 50
    neutral = sympy.pi / 2 + sympy.asin(sympy.Rational(c - a, d))
    length = (
        (d + c * sympy.cos(neutral + w) - a * sympy.cos(neutral + u)) ** 2
        + (c * sympy.sin(neutral + w) - a * sympy.sin(neutral + u)) ** 2
        - (d**2 - (c - a) ** 2)
    )
    turned = math.radians(actuator_deg)
    root = sympy.nsolve(length.subs(u, turned), w, turned * 0.65)
    assert normal().surface_deg(actuator_deg) == pytest.approx(math.degrees(root), abs=1e-9)
    slope = sympy.idiff(length, w, u).subs({u: turned, w: root})
    assert normal().ratio(actuator_deg) == pytest.approx(float(slope), rel=1e-9)


@pytest.mark.parametrize(("actuator_deg", "ratio"), [(0.0, 0.666667), (30.0, 0.613728), (-30.0, 0.611001)])
def test_local_ratio(actuator_deg: float, ratio: float) -> None:
    """Implicit derivative, recomputed."""
    assert normal().ratio(actuator_deg) == pytest.approx(ratio, abs=1e-5)


def test_throw_against_travel() -> None:
    """Recomputed; the end of a wide sweep is nearly flat."""
    at_60, at_75 = normal().throw(60.0), normal().throw(75.0)
    assert (at_60.plus_deg, at_60.minus_deg) == pytest.approx((35.49499, -35.01927), abs=1e-4)
    assert (at_75.plus_deg, at_75.minus_deg) == pytest.approx((40.80356, -39.27837), abs=1e-4)
    assert normal().ratio(-75.0) == pytest.approx(0.166458, abs=1e-5)
    assert at_60.differential == pytest.approx(35.49499 / 35.01927, abs=1e-5)
    assert normal().throw(60.0, -30.0) == Throw(at_60.plus_deg, normal().surface_deg(-30.0))


def test_a_full_half_turn_goes_past_the_turning_point() -> None:
    """At 180 deg of travel the surface turns back before the end on one side: the trap of "more travel is better"."""
    low_deg, high_deg = normal().follows_deg
    assert -90.0 < low_deg < -75.0 < 90.0 < high_deg
    assert normal().ratio(low_deg) == pytest.approx(0.0, abs=1e-7)
    assert normal().surface_deg(-90.0) > normal().surface_deg(low_deg)


@given(placed())
def test_virtual_work(where: tuple[Linkage, float]) -> None:
    """Statics without friction: T d(actuator) = H d(surface), with the change measured, not the ratio's formula."""
    linkage, actuator_deg = where
    assume(linkage.transmission_deg(actuator_deg) > 3.0)
    step_deg = 1e-5
    moved_deg = linkage.surface_deg(actuator_deg + step_deg) - linkage.surface_deg(actuator_deg - step_deg)
    work = linkage.actuator_torque_nm(2.5, actuator_deg) * 2 * step_deg
    assert work == pytest.approx(2.5 * moved_deg, rel=1e-4, abs=1e-9)


# --- what must hold for any linkage --------------------------------------------------------------------------------


@given(placed())
def test_the_rod_keeps_its_length(where: tuple[Linkage, float]) -> None:
    linkage, actuator_deg = where
    arm = math.radians(linkage.arm_neutral_deg + actuator_deg)
    horn = math.radians(linkage.horn_neutral_deg + linkage.surface_deg(actuator_deg))
    across = linkage.base_mm + linkage.horn_mm * math.cos(horn) - linkage.arm_mm * math.cos(arm)
    up = linkage.horn_mm * math.sin(horn) - linkage.arm_mm * math.sin(arm)
    assert math.hypot(across, up) == pytest.approx(linkage.rod_mm, rel=1e-7, abs=1e-6)


@given(placed())
def test_the_inverse_of_the_surface_angle(where: tuple[Linkage, float]) -> None:
    linkage, actuator_deg = where
    assume(abs(linkage.ratio(actuator_deg)) > 0.01)
    assume(linkage.transmission_deg(actuator_deg) > 1.0)
    surface_deg = linkage.surface_deg(actuator_deg)
    back_deg = linkage.actuator_deg(surface_deg)
    assert back_deg == pytest.approx(actuator_deg, abs=1e-4)
    assert linkage.surface_deg(back_deg) == pytest.approx(surface_deg, abs=1e-6)


@given(linkages())
def test_the_surface_follows_one_way_and_without_a_jump(linkage: Linkage) -> None:
    low_deg, high_deg = (min(400.0, max(-400.0, one)) for one in linkage.follows_deg)
    count = 400
    angles = [low_deg + (high_deg - low_deg) * at / count for at in range(count + 1)]
    surface = [linkage.surface_deg(one) for one in angles]
    towards = math.copysign(1.0, linkage.ratio(0.0))
    steps = [(right - left) * towards for left, right in itertools.pairwise(surface)]
    assert min(steps) > -1e-6
    at = steps.index(max(steps))
    left_deg, right_deg = angles[at], angles[at + 1]
    for _ in range(40):  # the steepest place has no jump: its rise shrinks with its width
        middle_deg = (left_deg + right_deg) / 2
        halves = [(left_deg, middle_deg), (middle_deg, right_deg)]
        left_deg, right_deg = max(
            halves, key=lambda half: abs(linkage.surface_deg(half[1]) - linkage.surface_deg(half[0]))
        )
    assert abs(linkage.surface_deg(right_deg) - linkage.surface_deg(left_deg)) < 0.1
    assert linkage.surface_deg(0.0) == 0.0


@given(linkages())
def test_ends_are_dead_points_or_turning_points(linkage: Linkage) -> None:
    for end_deg in linkage.follows_deg:
        if math.isinf(end_deg):
            continue
        if end_deg in linkage.reach_deg:
            assert linkage.transmission_deg(end_deg) == pytest.approx(0.0, abs=1e-3)
        else:
            arm_deg = linkage.arm_neutral_deg + end_deg
            assert math.sin(math.radians(linkage.rod_deg(end_deg) - arm_deg)) == pytest.approx(0.0, abs=1e-5)


@given(linkages(), st.floats(0.0, 1.0), st.floats(0.0, 1.0))
def test_the_smallest_transmission_angle_is_the_smallest(linkage: Linkage, one: float, other: float) -> None:
    low_deg, high_deg = (min(400.0, max(-400.0, end)) for end in linkage.reach_deg)
    ends = sorted(low_deg + share * (high_deg - low_deg) for share in (one, other))
    sampled = [linkage.transmission_deg(ends[0] + (ends[1] - ends[0]) * at / 500) for at in range(501)]
    found = linkage.smallest_transmission_deg(*ends)
    assert found <= min(sampled) + 1e-6
    # where rod and horn nearly fall in line the angle changes without limit, and samples miss the very end
    assert found >= min(sampled) - 12.0


@given(lengths, lengths, lengths, st.floats(-179.0, 179.0), st.floats(-179.0, 179.0))
def test_measured_lengths_and_angles_give_the_same_linkage(
    arm_mm: float, horn_mm: float, base_mm: float, arm_deg: float, horn_deg: float
) -> None:
    try:
        made = Linkage.from_angles(arm_mm, horn_mm, base_mm, arm_deg, horn_deg)
    except InputError:
        assume(False)
        raise
    assert math.remainder(made.horn_neutral_deg - horn_deg, 360.0) == pytest.approx(0.0, abs=1e-4)
    measured = Linkage.from_measured(arm_mm, horn_mm, made.rod_mm, base_mm, arm_deg, horn_deg)
    assert math.remainder(measured.horn_neutral_deg - made.horn_neutral_deg, 360.0) == pytest.approx(0.0, abs=3.0)


def test_opposite_sides_turn_the_surface_against_the_actuator() -> None:
    linkage = Linkage.normal_case(10.0, 15.0, 50.0, opposite_sides=True)
    assert linkage.assembly is Assembly.CROSSED
    assert linkage.ratio(0.0) == pytest.approx(-2.0 / 3.0)
    assert linkage.actuator_deg(10.0) < 0.0
    for one_deg, other_deg in ((linkage.arm_neutral_deg, linkage.rod_deg(0.0)),):
        assert math.cos(math.radians(one_deg - other_deg)) == pytest.approx(0.0, abs=1e-12)


def test_a_linkage_that_turns_all_round_with_the_actuator() -> None:
    """A drag link: base 20 is the shortest, 20 + 70 < 60 + 50 (Grashof)."""
    linkage = Linkage(60.0, 70.0, 50.0, 20.0, 90.0)
    assert linkage.follows_deg == (-math.inf, math.inf)
    assert linkage.surface_range_deg() == (-math.inf, math.inf)
    for actuator_deg in (-1000.0, -360.0, -90.0, 0.0, 123.0, 720.0, 4000.0):
        surface_deg = linkage.surface_deg(actuator_deg)
        assert linkage.actuator_deg(surface_deg) == pytest.approx(actuator_deg, abs=1e-6)
    assert linkage.surface_deg(360.0) == pytest.approx(360.0, abs=1e-9)


def horn_in_line_with_the_arm_deg() -> float:
    """With the arm at 60 deg, pivots 40 mm apart and a horn of 38 mm: its end as far out along the arm as it gets."""
    out_mm = 20.0 + math.sqrt(20.0**2 - 40.0**2 + 38.0**2)
    return math.degrees(math.atan2(out_mm * math.sin(math.pi / 3), out_mm * math.cos(math.pi / 3) - 40.0))


@pytest.mark.parametrize(
    ("make", "text"),
    [
        (lambda: Linkage.normal_case(0.0, 15.0, 50.0), "the arm's length is 0 mm; a finite number above 0 is wanted"),
        (lambda: Linkage.normal_case(10.0, math.nan, 50.0), "the horn's length is nan mm"),
        (lambda: Linkage.normal_case(10.0, 65.0, 50.0), "only where the pivots are more than 55 mm apart"),
        (lambda: Linkage(10.0, 15.0, 10.0, 50.0, 90.0), "it must be between 35.99 and 65.99 mm"),
        (lambda: Linkage(10.0, 15.0, 25.0, 50.0, 0.0), "at neutral rod and horn stand in line (dead point)"),
        (lambda: Linkage.from_angles(10.0, 40.0, 50.0, 0.0, 180.0), "no rod fits between them"),
        (lambda: Linkage.from_angles(10.0, 15.0, 50.0, 0.0, 0.0), "stand in line"),
        (
            lambda: Linkage.from_angles(20.0, 38.0, 40.0, 60.0, horn_in_line_with_the_arm_deg()),
            "stands in line with the rod",
        ),
        (lambda: Linkage.from_measured(10.0, 15.0, 50.0, 50.0, 90.0, 60.0), "make the rod 57.58 mm long"),
        (lambda: normal().surface_deg(math.inf), "the actuator angle is inf deg"),
        (lambda: normal().actuator_deg(50.0), "turns the surface from -40.03 to 44.02 deg, not to 50 deg"),
        (lambda: Linkage.normal_case(20.0, 20.0, 60.0).surface_deg(95.0), "from -90.00 to 90.00 deg, not to 95 deg"),
        (lambda: Linkage.normal_case(20.0, 20.0, 60.0).ratio(90.0), "stands at its dead point"),
    ],
)
def test_what_cannot_be_says_what_would_do(make: object, text: str) -> None:
    assert callable(make)
    with pytest.raises(InputError, match=re.escape(text)):
        make()


def test_a_parallelogram_goes_until_all_lie_in_one_line_and_no_less() -> None:
    """Equal arms, and a rod as long as the base: the arm stands square to it at neutral, so 90 deg to each line."""
    assert Linkage.normal_case(20.0, 20.0, 60.0).reach_deg == pytest.approx((-90.0, 90.0), abs=1e-9)


@pytest.mark.parametrize("arm_deg", [-360.5, 361.0])
def test_an_angle_beyond_a_turn_is_a_slip(arm_deg: float) -> None:
    with pytest.raises(InputError, match="the arm's neutral angle is"):
        Linkage.from_angles(16.0, 25.0, 120.0, arm_deg, 90.0)
    with pytest.raises(InputError, match="the horn's neutral angle is"):
        Linkage.from_angles(16.0, 25.0, 120.0, 90.0, arm_deg)
    turned = Linkage.from_angles(16.0, 25.0, 120.0, -270.0, 90.0)
    assert turned.rod_mm == pytest.approx(Linkage.from_angles(16.0, 25.0, 120.0, 90.0, 90.0).rod_mm)


def test_the_rod_of_a_parallelogram_does_not_tilt() -> None:
    assert Linkage.normal_case(20.0, 20.0, 60.0).rod_tilt_deg(-45.0, 45.0) == pytest.approx((0.0, 0.0), abs=1e-9)
