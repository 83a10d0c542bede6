"""The position loop on a desk bench: dead band, stiffness, damping, minimum drive; gang and place do nothing.

How an arm comes to its target is left to the maker. Only what the page promises of these words is checked: the sense
of the drive, that it grows, where there is none, and how much the minimum drive adds.
"""

from __future__ import annotations

import itertools

import pytest

from busproto.conformance.clauses import clause
from busproto.conformance.dut import MS, Dut
from busproto.conformance.suite.effects.arms import SETTLED_NS, driven, place, ready, steadily_driven, turn
from busproto.conformance.suite.effects.cover import effect
from busproto.wire import messages as m
from busproto.wire.parameters import BY_NAME

BARE: dict[str, int] = {"dead_band": 0, "minimum_drive": 0, "damping": 0}
SIDES = pytest.mark.parametrize("side", [1, -1], ids=["towards plus", "towards minus"])
PLACES = (0, -2_245, 2_200)
"""Where the arm stands, 0.01 deg: the neutral reaches a little further."""
FADE_CDEG = 12
"""The minimum drive may fade in over 0.1 deg; and a step of the sensor."""


@effect("dead-band")
@clause("parameters.loop", "does.motion")
@SIDES
def test_within_the_dead_band_there_is_no_drive_and_beyond_there_is(on_bench: Dut, side: int) -> None:
    for at_cdeg, band in zip(itertools.cycle(PLACES), (10, 60, 255, 300, 500), strict=False):
        check_dead_band(on_bench, band, at_cdeg, side)


def check_dead_band(on_bench: Dut, band: int, at_cdeg: int, side: int) -> None:
    """Check one dead band, 0.01 deg, where the arm stands at `at_cdeg`."""
    settings: dict[str, int] = {"dead_band": band, "minimum_drive": 10, "stiffness": 100}
    for error in (band - 2, band // 2, 1):
        came = steadily_driven(on_bench, side * error, at_cdeg=at_cdeg, **settings)
        assert came == 0, f"the arm rests {error / 100} deg off, within {band / 100} deg: it drives with {came} of 1000"
    for error in (band + FADE_CDEG, band + 250):
        came = steadily_driven(on_bench, side * error, at_cdeg=at_cdeg, **settings)
        assert came * side >= 100, (
            f"the arm rests {error / 100} deg off, beyond {band / 100} deg, and 100 of 1000 is the least drive: "
            f"it drives with {came} of 1000"
        )


@effect("dead-band")
@clause("parameters.loop", "does.write")
@SIDES
def test_an_arm_that_is_moved_out_of_the_dead_band_is_driven_back(on_bench: Dut, side: int) -> None:
    dut = on_bench
    steadily_driven(dut, 0, dead_band=200, minimum_drive=10)
    for away, is_driven in ((1.9, False), (2.2, True), (0.5, False), (4.0, True)):
        place(dut, away * side)
        dut.pass_time(SETTLED_NS)
        assert (driven(dut) * side < 0) == is_driven, f"{away} deg off it drives with {driven(dut)} of 1000"
    place(dut, 0.5 * side)
    dut.pass_time(SETTLED_NS)
    assert driven(dut) == 0
    dut.put({"dead-band": 30})
    dut.pass_time(SETTLED_NS)
    assert driven(dut) * side < 0, "a smaller dead band was expected to act at once"


@effect("stiffness")
@clause("parameters.loop")
@SIDES
def test_the_drive_grows_with_the_error_and_with_the_stiffness(on_bench: Dut, side: int) -> None:
    for at_cdeg in PLACES:
        check_growth(on_bench, at_cdeg, side)


def check_growth(on_bench: Dut, at_cdeg: int, side: int) -> None:
    """Check how the drive grows where the arm stands at `at_cdeg`."""
    by_stiffness = [
        side * steadily_driven(on_bench, 40 * side, at_cdeg=at_cdeg, **BARE, stiffness=stiffness)
        for stiffness in (10, 30, 60, 80, 100)
    ]
    assert by_stiffness[0] > 0, f"{by_stiffness[0]} of 1000 towards the target"
    rises("stiffness 10, 30, 60, 80, 100", by_stiffness)
    by_error = [
        side * steadily_driven(on_bench, error * side, at_cdeg=at_cdeg, **BARE, stiffness=20)
        for error in (10, 20, 40, 80, 160, 320)
    ]
    assert by_error[0] > 0, f"{by_error[0]} of 1000 towards the target"
    rises("an error of 0.1, 0.2, 0.4, 0.8, 1.6, 3.2 deg", by_error)


def rises(what: str, drives: list[int]) -> None:
    """Check that each is more than the one before, up to full drive."""
    for before, after in itertools.pairwise(drives):
        assert after > before or before == 1000, f"{what}: the drive was expected to grow, it is {drives}"


@effect("stiffness")
@clause("does.write", "parameters.loop")
def test_a_stiffness_that_is_written_acts_at_once(on_bench: Dut) -> None:
    soft = steadily_driven(on_bench, 40, **BARE, stiffness=10)
    on_bench.put({"stiffness": 60})
    on_bench.pass_time(10 * MS)
    assert driven(on_bench) > soft


@effect("minimum-drive")
@clause("parameters.loop")
@SIDES
def test_the_minimum_drive_is_added_in_the_sense_of_the_error(on_bench: Dut, side: int) -> None:
    for at_cdeg, error in zip(PLACES, (11, 30, 150), strict=True):
        settings: dict[str, int] = {**BARE, "stiffness": 5}
        without = steadily_driven(on_bench, error * side, at_cdeg=at_cdeg, **settings)
        for percent in (1, 5, 13, 30):
            came = steadily_driven(on_bench, error * side, at_cdeg=at_cdeg, **{**settings, "minimum_drive": percent})
            assert (came - without) * side == pytest.approx(10 * percent, abs=3), (
                f"{percent} % was expected to be added to {without} of 1000, it drives with {came} of 1000"
            )


@effect("damping")
@clause("parameters.loop")
@SIDES
def test_damping_takes_drive_from_an_arm_that_moves_and_none_from_one_that_rests(on_bench: Dut, side: int) -> None:
    for speed in (30.0, 120.0):
        check_damping(on_bench, side, speed)


def check_damping(dut: Dut, side: int, speed: float) -> None:
    """Check what damping does to the drive of an arm that turns at `speed`, deg/s."""
    moving, resting = [], []
    for damping in (0, 25, 50, 100):
        settings: dict[str, int] = {**BARE, "stiffness": 20, "damping": damping}
        resting.append(side * steadily_driven(dut, 30 * side, **settings))
        place(dut, -speed / 50 * side)  # a fiftieth of a second later it is where it rested
        turn(dut, speed * side)
        dut.pass_time(20 * MS)
        moving.append(side * driven(dut))
    assert len(set(resting)) == 1, f"damping 0, 25, 50, 100: the arm rests, and is driven with {resting}"
    assert moving[0] <= resting[0] + 30, f"a moving arm is driven on: {moving[0]} of 1000, at rest {resting[0]}"
    for before, after in itertools.pairwise(moving):
        assert after < before or before == -1000, (
            f"damping 0, 25, 50, 100: the drive along a motion was expected to fall, it is {moving}"
        )


@effect("gang", "place")
@clause("parameters", "does.motion")
@pytest.mark.parametrize(("name", "values"), [("gang", (0, 1, 32)), ("place", (0, 1, 2, 3))])
def test_gang_and_place_are_numbers_for_the_host(dut: Dut, name: str, values: tuple[int, ...]) -> None:
    ready(dut, channel=2)
    dut.settle(0.1)
    seen = []
    for value in values:
        dut.put({name: value})
        dut.tell(m.DemandAll((5000, 1000)))
        status = dut.settle(0.1)
        assert dut.get(name) == value
        seen.append((status.state, status.demand_cdeg))
    assert seen == [(m.State.FOLLOWING, 600)] * len(values)


@clause("parameters.loop")
def test_a_drive_is_no_more_than_full(on_bench: Dut) -> None:
    most = {name.replace("-", "_"): BY_NAME[name].high for name in ("stiffness", "minimum-drive", "damping")}
    for error in (-3000, 3000):
        on_bench.bench.forget()
        assert steadily_driven(on_bench, error, **most) * error > 0
        assert all(abs(one.permille) <= 1000 for one in on_bench.bench.driven)


@clause("does.motion", "does.limp")
def test_limp_there_is_no_drive_whatever_the_error(on_bench: Dut) -> None:
    dut = on_bench
    steadily_driven(dut, 200, stiffness=100)
    dut.ask(m.Release(), m.Released)
    dut.bench.forget()
    for deg in (0.0, 50.0, -50.0):
        place(dut, deg)
        dut.pass_time(SETTLED_NS)
    assert all(not one.is_on and one.permille == 0 for one in dut.bench.driven)
    assert not dut.bench.is_on
    place(dut, -50.0)
    dut.ask(m.Engage(), m.Engaged)
    dut.pass_time(SETTLED_NS)
    assert driven(dut) == 0, "engage holds the arm where it is"
