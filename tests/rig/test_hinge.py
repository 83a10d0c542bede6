"""Air and hinge moments: published values, other libraries, and what must hold for any surface."""

from __future__ import annotations

import math
import re

import pytest
from hypothesis import given
from hypothesis import strategies as st

from busproto.errors import InputError
from busproto.rig import hinge
from busproto.rig.hinge import Surface, atmosphere, plain_flap
from busproto.rig.linkage import Linkage
from tests.rig.outside import library

PA, AREA, CHORD = 980.0, 0.06, 0.10
chord_ratios = st.floats(0.02, 1.0)


@pytest.mark.parametrize(
    ("altitude_m", "density_kg_m3"), [(0.0, 1.22500), (1000.0, 1.11166), (2000.0, 1.00655), (3000.0, 0.909254)]
)
def test_density_of_the_standard_atmosphere(altitude_m: float, density_kg_m3: float) -> None:
    """ICAO Doc 7488 / US Standard Atmosphere 1976; geometric altitude."""
    assert atmosphere(altitude_m).density_kg_m3 == pytest.approx(density_kg_m3, rel=2e-5)


@pytest.mark.parametrize("altitude_m", [-500.0, 0.0, 1500.0, 3000.0, 8000.0, 11_000.0, 11_100.0, 15_000.0, 20_000.0])
def test_density_against_two_libraries(altitude_m: float) -> None:
    ours = atmosphere(altitude_m)
    one = library("ambiance").Atmosphere(altitude_m)
    other = library("fluids.atmosphere").ATMOSPHERE_1976(altitude_m)
    theirs = [
        (float(one.density[0]), float(one.pressure[0]), float(one.temperature[0]), float(one.speed_of_sound[0])),
        (other.rho, other.P, other.T, other.v_sonic),
    ]
    for density, pressure, temperature, sound in theirs:
        assert ours.density_kg_m3 == pytest.approx(density, rel=1e-5)
        assert ours.pressure_pa == pytest.approx(pressure, rel=1e-5)
        assert ours.temperature_k == pytest.approx(temperature, rel=1e-6)
        assert ours.sound_m_s == pytest.approx(sound, rel=1e-5)


def test_a_smoothed_atmosphere_is_outside_the_tolerance() -> None:
    """A model that is 0.12 % low at 1500 m (as a smoothed one is) must not pass for this one."""
    exact = library("fluids.atmosphere").ATMOSPHERE_1976(1500.0).rho
    assert atmosphere(1500.0).density_kg_m3 == pytest.approx(exact, rel=2e-5)
    assert exact * (1.0 - 0.0012) != pytest.approx(exact, rel=2e-5)


def test_dynamic_pressure() -> None:
    assert hinge.dynamic_pressure_pa(40.0, 1.225) == pytest.approx(980.0, rel=1e-6)
    assert hinge.dynamic_pressure_pa(200 / 3.6, 1.225) == pytest.approx(1890.432, rel=1e-6)


def test_dynamic_pressure_units_by_a_library() -> None:
    units = library("pint").UnitRegistry()
    pressure = 0.5 * units.Quantity(1.225, "kg/m^3") * units.Quantity(200, "km/hour") ** 2
    assert hinge.dynamic_pressure_pa(200 / 3.6, 1.225) == pytest.approx(pressure.to("Pa").magnitude, rel=1e-12)


def test_hinge_moment() -> None:
    """By definition H = Ch q S c."""
    assert hinge.hinge_moment_nm(0.1, PA, AREA, CHORD) == pytest.approx(0.588, rel=1e-9)
    fast_pa = hinge.dynamic_pressure_pa(80.0, 1.225)
    assert hinge.hinge_moment_nm(0.1, fast_pa, AREA, CHORD) == pytest.approx(4 * 0.588, rel=1e-9)


def test_plain_flap_of_a_quarter_chord() -> None:
    """Glauert, R&M 1095 (1927), from memory; Houghton & Carpenter eq. 4.49-4.54."""
    flap = plain_flap(0.25)
    assert flap.lift_slope == pytest.approx(3.82645, rel=1e-5)
    assert flap.effectiveness == pytest.approx(0.608998, rel=1e-5)
    assert flap.b1 == pytest.approx(-0.565347, rel=1e-5)
    assert flap.b2 == pytest.approx(-0.943608, rel=1e-5)


@pytest.mark.parametrize("ratio", [0.02, 0.1, 0.25, 0.4, 0.5, 0.75, 0.99])
def test_plain_flap_closed_form_against_the_integral_of_the_pressure(ratio: float) -> None:
    """The pressure difference of a thin aerofoil in its log form (Houghton & Carpenter eq. 4.51), integrated."""
    quad = library("scipy.integrate").quad
    cosine = 2 * ratio - 1
    at_hinge = math.acos(cosine)
    share = (math.pi - at_hinge) / math.pi

    def lever(angle: float) -> float:
        return (cosine - math.cos(angle)) / 2 * math.sin(angle) / 2

    def of_alpha(angle: float) -> float:
        return 4 * (1 + math.cos(angle)) / math.sin(angle) * lever(angle)

    def of_flap(angle: float) -> float:
        logarithm = math.log(abs(math.sin((angle + at_hinge) / 2) / math.sin((angle - at_hinge) / 2)))
        return share * of_alpha(angle) + 4 / math.pi * logarithm * lever(angle)

    flap = plain_flap(ratio)
    for ours, pressure in ((flap.b1, of_alpha), (flap.b2, of_flap)):
        moment, _ = quad(pressure, at_hinge, math.pi, epsabs=1e-14, epsrel=1e-11, limit=200)
        assert ours == pytest.approx(-moment / ratio**2, rel=1e-6)


def test_plain_flap_against_a_lumped_vortex_panel_solve() -> None:
    """2000 flat panels, vortex at a quarter, no flow through at three quarters: b1 exact, b2 within 0.1 %."""
    numpy = library("numpy")
    count, ratio = 2000, 0.25
    edges = numpy.linspace(0.0, 1.0, count + 1)
    width = edges[1] - edges[0]
    vortex, control = edges[:-1] + width / 4, edges[:-1] + 3 * width / 4
    influence = 1 / (2 * numpy.pi * (control[:, None] - vortex[None, :]))
    behind = control > 1 - ratio
    for ours, slope, tolerance in (
        (plain_flap(ratio).b1, numpy.ones(count), 1e-4),
        (plain_flap(ratio).b2, behind.astype(float), 1e-3),
    ):
        circulation = numpy.linalg.solve(influence, slope)
        levers = numpy.where(vortex > 1 - ratio, vortex - (1 - ratio), 0.0)
        moment = -2 * float(circulation @ levers) / ratio**2
        assert ours == pytest.approx(moment, rel=tolerance)


def test_a_flap_of_the_whole_chord_is_a_flat_plate() -> None:
    """Flat plate: the lift stands at the quarter chord, so b1 = b2 = -pi/2."""
    for ratio in (1.0, 1.0 - 1e-9):
        flap = plain_flap(ratio)
        assert (flap.b1, flap.b2, flap.effectiveness) == pytest.approx((-math.pi / 2, -math.pi / 2, 1.0), rel=1e-5)


def test_chain_to_the_actuator() -> None:
    pressure_pa = hinge.dynamic_pressure_pa(50.0, 1.225)
    assert pressure_pa == pytest.approx(1531.25, rel=1e-9)
    coefficient = hinge.hinge_coefficient(0.0, plain_flap(0.25).b2, 0.0, -15.0)
    moment_nm = hinge.hinge_moment_nm(coefficient, pressure_pa, 0.08, 0.05)
    assert moment_nm == pytest.approx(1.51310, rel=1e-5)
    parallel = Linkage.normal_case(12.0, 20.0, 1e6)  # so long a rod that the ratio at neutral is arm / horn = 0.6
    assert parallel.ratio(0.0) == pytest.approx(0.6)
    assert parallel.actuator_torque_nm(moment_nm, 0.0) == pytest.approx(0.907857, rel=1e-5)
    assert hinge.margin(1.815714, 0.907857) == pytest.approx(2.0, rel=1e-5)


def test_floating_angle_of_a_limp_surface() -> None:
    """b1 alpha + b2 delta = 0; Etkin & Reid, free elevator, from memory."""
    assert hinge.floating_deg(-0.565347, -0.943608, 5.0) == pytest.approx(-2.9957, abs=1e-4)
    still = Surface(AREA, CHORD, -0.565347, -0.943608)
    assert hinge.floating_with_weight_deg(still, 5.0, PA) == pytest.approx(-2.9957, abs=1e-4)


@given(chord_ratios)
def test_a_flap_is_pushed_back_and_less_effective_than_the_whole(ratio: float) -> None:
    flap = plain_flap(ratio)
    assert -math.pi / 2 - 1e-9 <= flap.b2 <= flap.b1 + 1e-9 < 0.0
    assert 0.0 < flap.effectiveness <= 1.0 + 1e-12


@given(chord_ratios, chord_ratios)
def test_effectiveness_rises_with_the_chord_ratio(one: float, other: float) -> None:
    low, high = sorted((one, other))
    assert plain_flap(low).effectiveness <= plain_flap(high).effectiveness + 1e-12


@given(st.floats(0.1, 200.0), st.floats(0.1, 1.5))
def test_airspeed_is_the_inverse_of_dynamic_pressure(speed_m_s: float, density: float) -> None:
    pressure_pa = hinge.dynamic_pressure_pa(speed_m_s, density)
    assert hinge.airspeed_m_s(pressure_pa, density) == pytest.approx(speed_m_s, rel=1e-12)


@given(st.floats(-1000.0, 19_900.0), st.floats(1.0, 100.0))
def test_density_falls_with_altitude(altitude_m: float, higher_m: float) -> None:
    assert atmosphere(altitude_m + higher_m).density_kg_m3 < atmosphere(altitude_m).density_kg_m3


def test_warm_air_is_thinner_at_the_same_pressure() -> None:
    cool, warm = atmosphere(500.0), atmosphere(500.0, temperature_offset_k=15.0)
    assert warm.pressure_pa == cool.pressure_pa
    assert warm.density_kg_m3 == pytest.approx(cool.density_kg_m3 * cool.temperature_k / warm.temperature_k)


@given(st.floats(0.3, 10.0), st.floats(0.0, 0.3), st.floats(0.0, 10.0), st.floats(0.0, 0.05))
def test_the_worst_margin_speed_has_the_wanted_margin_somewhere_and_nowhere_less(
    stall_nm: float, mass_kg: float, alpha_deg: float, steady_nm: float
) -> None:
    surface = Surface(AREA, CHORD, -0.3, -0.6, mass_kg, 0.03)
    linkage = Linkage.normal_case(12.0, 20.0, 80.0)
    speed = hinge.worst_margin_speed_m_s(
        surface,
        alpha_deg,
        1.2,
        stall_nm,
        (-50.0, 50.0),
        linkage.surface_deg,
        linkage.ratio,
        wanted=1.5,
        steady_nm=steady_nm,
    )
    pressure_pa = hinge.dynamic_pressure_pa(speed, 1.2)
    needed = [
        (surface.worst_moment_nm(linkage.surface_deg(one / 10), alpha_deg, pressure_pa) + steady_nm)
        * linkage.ratio(one / 10)
        for one in range(-500, 501)
    ]
    assert hinge.margin(stall_nm, max(needed)) == pytest.approx(1.5, rel=1e-3)


def test_weight_that_alone_is_too_much_leaves_no_speed() -> None:
    heavy = Surface(AREA, CHORD, -0.3, -0.6, 20.0, 0.1)
    speed = hinge.worst_margin_speed_m_s(heavy, 0.0, 1.2, 1.0, (-30.0, 30.0), lambda one: one, lambda _: 1.0)
    assert speed == 0.0


def test_weight_and_its_balance() -> None:
    """Statics: 0.2 kg, 0.03 m behind the hinge; a mass 0.06 m ahead that is half of it holds it level."""
    weight_nm = hinge.weight_moment_nm(0.2, 0.03, 0.0)
    assert weight_nm == pytest.approx(0.2 * 9.80665 * 0.03)
    balance_kg = hinge.balance_mass_kg(0.2, 0.03, 0.06)
    assert weight_nm + hinge.weight_moment_nm(balance_kg, -0.06, 0.0) == pytest.approx(0.0, abs=1e-15)
    assert hinge.balance_mass_kg(0.2, -0.01, 0.06) == 0.0
    assert hinge.weight_moment_nm(0.2, 0.03, 60.0, 3.0) == pytest.approx(weight_nm * 3.0 * 0.5)


@given(st.floats(0.0, 0.5), st.floats(-10.0, 10.0), st.floats(100.0, 3000.0))
def test_a_limp_surface_floats_where_the_moments_are_even(mass_kg: float, alpha_deg: float, pressure_pa: float) -> None:
    surface = Surface(AREA, CHORD, -0.5, -0.9, mass_kg, 0.02)
    floats_deg = hinge.floating_with_weight_deg(surface, alpha_deg, pressure_pa)
    assert surface.moment_nm(floats_deg, alpha_deg, pressure_pa) == pytest.approx(0.0, abs=1e-9)
    assert floats_deg >= hinge.floating_deg(-0.5, -0.9, alpha_deg) - 1e-9  # its weight lets it hang


def test_without_air_a_surface_hangs_on_its_stop_or_stays() -> None:
    assert hinge.floating_with_weight_deg(Surface(AREA, CHORD, -0.5, -0.9, 0.1, 0.02), 0.0, 0.0) == 60.0
    assert hinge.floating_with_weight_deg(Surface(AREA, CHORD, -0.5, -0.9, 0.1, -0.02), 0.0, 0.0, stop_deg=20) == -20.0
    assert hinge.floating_with_weight_deg(Surface(AREA, CHORD, -0.5, -0.9), 5.0, 0.0) == 0.0


@given(st.floats(-30.0, 30.0), st.floats(-20.0, 20.0), st.floats(0.0, 3000.0))
def test_the_worst_moment_is_no_less_than_any(surface_deg: float, alpha_deg: float, pressure_pa: float) -> None:
    surface = Surface(AREA, CHORD, -0.5, -0.9, 0.1, 0.02)
    worst = surface.worst_moment_nm(surface_deg, alpha_deg, pressure_pa, 3.0)
    for alpha in (alpha_deg, -alpha_deg):
        for factor in (3.0, -3.0):
            assert abs(surface.moment_nm(surface_deg, alpha, pressure_pa, factor)) <= worst + 1e-12


def test_the_air_as_a_spring() -> None:
    surface = Surface(AREA, CHORD, -0.5, -0.6)
    assert surface.stiffness_nm_rad(PA) == pytest.approx(0.6 * PA * AREA * CHORD)
    assert surface.moment_nm(math.degrees(0.1), 0.0, PA) == pytest.approx(-0.1 * surface.stiffness_nm_rad(PA))


@pytest.mark.parametrize(
    ("call", "text"),
    [
        (lambda: atmosphere(25_000.0), "the altitude is 25000 m; -1000 to 20000 m is allowed"),
        (lambda: atmosphere(math.nan), "the altitude is nan m"),
        (lambda: atmosphere(0.0, temperature_offset_k=100.0), "the temperature offset is 100 K"),
        (lambda: plain_flap(0.0), "the chord ratio is 0; 0.01 to 1 is allowed"),
        (lambda: hinge.hinge_moment_nm(0.1, -1.0, 1.0, 1.0), "the dynamic pressure is -1 Pa"),
        (lambda: hinge.hinge_moment_nm(math.inf, 1.0, 1.0, 1.0), "the hinge-moment coefficient is inf"),
        (lambda: hinge.floating_deg(-0.1, 0.2, 5.0), "limp, it would go to its stop"),
        (lambda: hinge.margin(0.0, 1.0), "the stall torque is 0 N m"),
        (lambda: Surface(0.0, 0.1, -0.1, -0.1), "the surface's area is 0 m^2"),
        (lambda: hinge.balance_mass_kg(0.1, 0.1, 0.0), "the lever of the balance mass is 0 m"),
    ],
)
def test_what_cannot_be_is_refused(call: object, text: str) -> None:
    assert callable(call)
    with pytest.raises(InputError, match=re.escape(text)):
        call()
