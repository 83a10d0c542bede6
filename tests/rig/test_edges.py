"""The edges of what rigging takes: numbers that are none, what holds where nothing is said."""

from __future__ import annotations

import math
from collections.abc import Callable
from typing import Final

import pytest

from busproto.errors import InputError
from busproto.rig.actuator import Actuator
from busproto.rig.drive import Drive, loss_window, second_order_step
from busproto.rig.hinge import Surface, atmosphere, floating_with_weight_deg, hinge_coefficient, plain_flap
from busproto.rig.judged import demand_step_deg, sensor_step_deg
from busproto.rig.linkage import Linkage
from busproto.rig.supply import Pack, at_temperature
from busproto.rig.tables import HolesTable
from busproto.rig.wiring.pull_up import rise_s

PUSHED_BACK: Final = Surface(0.02, 0.05, -0.5, -0.9)


@pytest.mark.parametrize("name", ["b1", "b2", "mass_kg", "centre_m", "area_m2", "chord_m"])
@pytest.mark.parametrize("number", [math.nan, math.inf])
def test_a_surface_of_numbers_that_are_none_is_refused(name: str, number: float) -> None:
    good = {"area_m2": 0.02, "chord_m": 0.05, "b1": -0.5, "b2": -0.9}
    with pytest.raises(InputError):
        Surface(**{**good, name: number})


def test_without_a_word_a_surface_weighs_nothing_and_a_pack_has_no_resistance() -> None:
    assert Surface(0.02, 0.05, -0.5, -0.9).moment_nm(10.0, 0.0, 0.0) == 0.0
    assert Surface(0.02, 0.05, -0.5, -0.9, 0.1).moment_nm(10.0, 0.0, 0.0) == 0.0, "it is balanced"
    assert Pack("lipo", 2).source_ohm == 0.0


def test_one_that_the_air_does_not_push_back_has_no_place_to_float_at() -> None:
    with pytest.raises(InputError, match=r"b2 is 0\.1: the air does not push this surface back"):
        floating_with_weight_deg(Surface(0.02, 0.05, -0.5, 0.1), 0.0, 100.0)


@pytest.mark.parametrize(("centre_m", "stop_deg"), [(0.05, 30.0), (-0.05, -30.0)])
def test_a_weight_that_nothing_holds_takes_it_to_its_stop(centre_m: float, stop_deg: float) -> None:
    heavy = Surface(0.02, 0.05, -0.5, -0.9, 1.0, centre_m)
    assert floating_with_weight_deg(heavy, 0.0, 0.0, stop_deg=30.0) == stop_deg


@pytest.mark.parametrize(
    ("call", "low", "high"),
    [
        (lambda deg: Linkage.from_angles(10.0, 15.0, 50.0, deg, 90.0), -360.0, 360.0),
        (lambda deg: Linkage.from_angles(10.0, 15.0, 50.0, 90.0, deg), -360.0, 360.0),
        (lambda deg: Linkage(10.0, 15.0, 50.0, 50.0, deg), -360.0, 360.0),
        (lambda deg: Linkage.from_measured(10.0, 15.0, 50.0, 50.0, 90.0, deg, tolerance_deg=180.0), -360.0, 360.0),
        (demand_step_deg, None, 360.0),
        (lambda deg: Actuator(stall_nm=1.0, supply_v=(4.8, 8.4), travel_deg=deg), None, 180.0),
        (atmosphere, -1000.0, 20_000.0),
        (lambda kelvin: atmosphere(0.0, temperature_offset_k=kelvin), -60.0, 60.0),
        (plain_flap, 0.01, 1.0),
        (lambda deg: floating_with_weight_deg(PUSHED_BACK, 0.0, 100.0, stop_deg=deg), 1e-6, 90.0),
        (lambda celsius: at_temperature(1.0, celsius), -60.0, 200.0),
        (lambda share: rise_s(1000.0, 1e-9, share), 0.0, 0.99),
        (lambda ratio: second_order_step(ratio, 10.0), 0.0, None),
    ],
)
def test_a_number_is_taken_up_to_the_last_that_is_stated_and_refused_beyond(
    call: Callable[[float], object], low: float | None, high: float | None
) -> None:
    """The ranges are those of the docstrings. None: there the number itself is left out, which the next test holds."""
    for bound, beyond in ((low, -math.inf), (high, math.inf)):
        if bound is None:
            continue
        call(bound)
        with pytest.raises(InputError, match="is allowed"):
            call(math.nextafter(bound, beyond))


@pytest.mark.parametrize(
    "call",
    [
        demand_step_deg,
        lambda deg: Actuator(stall_nm=1.0, supply_v=(4.8, 8.4), travel_deg=deg),
        lambda ohm: rise_s(ohm, 1e-9),
        lambda volt: Actuator(stall_nm=1.0, supply_v=(volt, 8.4), travel_deg=120.0),
        lambda nm: Actuator(stall_nm=nm, supply_v=(4.8, 8.4), travel_deg=120.0),
    ],
)
def test_nothing_is_no_travel_no_resistor_and_no_rating(call: Callable[[float], object]) -> None:
    call(1.0)
    with pytest.raises(InputError, match="a finite number above 0 is wanted"):
        call(0.0)


@pytest.mark.parametrize(
    ("call", "text"),
    [
        (lambda: loss_window(0.0, 20.0), "the time-out is 0 ms"),
        (lambda: loss_window(500.0, 0.0), "the period of the frames is 0 ms"),
        (lambda: loss_window(500.0, -20.0), "the period of the frames is -20 ms"),
        (lambda: Drive(0.0, 1.0), "the no-load speed is 0 deg/s"),
        (lambda: Drive(300.0, 0.0), "the stall torque is 0 N m"),
        (lambda: hinge_coefficient(math.nan, -0.9, 1.0, 1.0), "b1 is nan"),
        (lambda: hinge_coefficient(-0.5, math.inf, 1.0, 1.0), "b2 is inf"),
        (lambda: sensor_step_deg(120.0, 25), "a sensor has 1 to 24 bits here, not 25"),
    ],
)
def test_a_number_outside_of_what_can_be_is_refused_by_its_name(call: Callable[[], object], text: str) -> None:
    with pytest.raises(InputError) as caught:
        call()
    assert text in str(caught.value)


def test_the_last_number_that_can_be_is_taken() -> None:
    assert sensor_step_deg(120.0, 24) == pytest.approx(120.0 / 2**24)
    assert len(HolesTable(first=10.0, last=109.5, pitch=0.5).each_mm()) == 200
    with pytest.raises(InputError, match="201 are too many"):
        HolesTable(first=10.0, last=110.0, pitch=0.5).each_mm()
