"""The edges of what rigging takes: numbers that are none, what holds where nothing is said."""

from __future__ import annotations

import math

import pytest

from busproto.errors import InputError
from busproto.rig.hinge import Surface, floating_with_weight_deg
from busproto.rig.supply import Pack


@pytest.mark.parametrize("name", ["b1", "b2", "mass_kg", "centre_m", "area_m2", "chord_m"])
@pytest.mark.parametrize("number", [math.nan, math.inf])
def test_a_surface_of_numbers_that_are_none_is_refused(name: str, number: float) -> None:
    good = {"area_m2": 0.02, "chord_m": 0.05, "b1": -0.5, "b2": -0.9}
    with pytest.raises(InputError):
        Surface(**{**good, name: number})


def test_without_a_word_a_surface_weighs_nothing_and_a_pack_has_no_resistance() -> None:
    assert Surface(0.02, 0.05, -0.5, -0.9).moment_nm(10.0, 0.0, 0.0) == 0.0
    assert Pack("lipo", 2).source_ohm == 0.0


def test_one_that_the_air_does_not_push_back_has_no_place_to_float_at() -> None:
    with pytest.raises(InputError, match=r"b2 is 0\.1: the air does not push this surface back"):
        floating_with_weight_deg(Surface(0.02, 0.05, -0.5, 0.1), 0.0, 100.0)


@pytest.mark.parametrize(("centre_m", "stop_deg"), [(0.05, 30.0), (-0.05, -30.0)])
def test_a_weight_that_nothing_holds_takes_it_to_its_stop(centre_m: float, stop_deg: float) -> None:
    heavy = Surface(0.02, 0.05, -0.5, -0.9, 1.0, centre_m)
    assert floating_with_weight_deg(heavy, 0.0, 0.0, stop_deg=30.0) == stop_deg
