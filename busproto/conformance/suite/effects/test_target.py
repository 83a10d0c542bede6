"""Where a demand leads: neutral, travel, direction, correction, ends, stops."""

from __future__ import annotations

import itertools
import random
from collections.abc import Callable

import pytest

from busproto.conformance.clauses import clause
from busproto.conformance.dut import MS, Dut
from busproto.conformance.suite.effects.arms import (
    NEAR_CDEG,
    ROUNDED_CDEG,
    SETTLED_NS,
    driven,
    led_to_cdeg,
    place,
    ready,
    to_all,
)
from busproto.conformance.suite.effects.cover import effect, shows
from busproto.wire import messages as m
from busproto.wire.parameters import BY_NAME, RawValue

DEMANDS = (-10_000, -9_999, -7_500, -5_001, -3_333, -128, -1, 0, 1, 255, 256, 2_500, 5_000, 6_667, 9_999, 10_000)
SETS: dict[str, dict[str, RawValue]] = {
    "factory": {},
    "narrow": {"travel": 1000},
    "wide": {"travel": 18_000},
    "odd travel": {"travel": 12_345, "neutral": 77},
    "neutral high": {"neutral": 3000},
    "neutral low": {"neutral": -3000},
    "reversed": {"direction": 1},
    "reversed, neutral": {"direction": 1, "neutral": -1234, "travel": 8000},
    "ends near": {"end-low": -257, "end-high": 300},
    "ends far apart": {"end-low": -4321, "end-high": 8765, "travel": 18_000, "neutral": 1500},
    "ends at the middle": {"end-low": 0, "end-high": 0},
    "ends, neutral beyond": {"end-high": 1000, "neutral": 2000, "travel": 3000},
    "ends, reversed": {"end-low": -2000, "end-high": 500, "direction": 1, "neutral": -300},
    "two points": {"correction": (-1000, 700)},
    "two points, falling": {"correction": (900, -1000), "travel": 6000},
    "three points": {"correction": (-100, 0, 300), "travel": 4000, "neutral": 250},
    "three points, reversed": {"correction": (-100, 0, 300), "travel": 4000, "direction": 1},
    "four points": {"correction": (-1000, -300, 500, -150), "travel": 9000},
    "five points, an end": {"correction": (0, 400, 0, -400, 100), "end-high": 4000, "end-low": -4100},
    "most points": {"travel": 18_000, "correction": tuple((-1) ** at * (7 * at) for at in range(33))},
    "most points, reversed": {"correction": tuple(30 * at - 480 for at in range(33)), "direction": 1, "neutral": -500},
}


@effect("neutral", "travel", "direction", "end-low", "end-high", "correction")
@shows(m.Status, "demand_cdeg")
@clause("does.angle", "does.correction", "does.ends", "op.41", "op.44", "parameters")
@pytest.mark.parametrize("key", SETS)
def test_every_demand_leads_where_the_page_says(dut: Dut, key: str) -> None:
    ready(dut, soft_start=5000)
    dut.put(SETS[key])
    for demand in DEMANDS if dut.is_virtual else DEMANDS[::5]:
        dut.ask(m.Demand(demand), m.Moving)
        cdeg = led_to_cdeg(SETS[key], demand)
        assert dut.report().demand_cdeg == pytest.approx(float(cdeg), abs=ROUNDED_CDEG), f"{demand / 100} % demanded"


@effect("correction")
@clause("does.correction", "does.angle")
@pytest.mark.parametrize("points", [2, 3, 4, 7, 16, 32, 33])
def test_the_correction_is_that_of_the_table_at_its_points_and_in_between(dut: Dut, points: int) -> None:
    drawn = random.Random(points)
    table = tuple(drawn.randrange(-170, 171) for _ in range(points))
    settings: dict[str, RawValue] = {"correction": table, "travel": 12_000}
    ready(dut, soft_start=5000)
    dut.put(settings)
    span = 2 * m.MAX_DEMAND / (points - 1)
    places = {round(at * span / 4) - m.MAX_DEMAND for at in range(4 * (points - 1) + 1)}
    for demand in sorted(places if dut.is_virtual else drawn.sample(sorted(places), 4)):
        dut.ask(m.Demand(demand), m.Moving)
        cdeg = float(led_to_cdeg(settings, demand))
        assert dut.report().demand_cdeg == pytest.approx(cdeg, abs=ROUNDED_CDEG), f"{demand / 100} % demanded"


@clause("does.angle", "does.ends", "op.41", "parameters")
@pytest.mark.parametrize(
    ("settings", "fraction", "cdeg"),
    [
        ({}, 0.25, 1500),
        ({}, -0.25, -1500),
        ({"travel": 8000}, 0.25, 1000),
        ({"neutral": 400}, 0.0, 400),
        ({"neutral": -400}, 0.25, 1100),
        ({"direction": 1}, 0.25, -1500),
        ({"direction": 1, "neutral": 400}, 0.25, -1100),
        ({"end-high": 900}, 0.25, 900),
        ({"end-low": -900}, -0.25, -900),
        ({"end-high": 900, "direction": 1}, -0.25, 900),
        ({"travel": 8000, "neutral": 300, "direction": 1}, -0.5, 2300),
        ({"travel": 4000, "correction": (500, 0, -300), "neutral": -1000}, -0.5, -1750),
    ],
    ids=str,
)
def test_the_arm_goes_where_the_page_says(dut: Dut, settings: dict[str, RawValue], fraction: float, cdeg: int) -> None:
    ready(dut, **settings)
    status = dut.settle(fraction)
    assert status.demand_cdeg == pytest.approx(cdeg, abs=ROUNDED_CDEG)
    assert status.position_cdeg == pytest.approx(cdeg, abs=NEAR_CDEG)
    assert status.state is m.State.FOLLOWING


@effect("end-low", "end-high")
@clause("does.ends", "does.settings")
@pytest.mark.parametrize("side", [1, -1], ids=["high", "low"])
def test_an_end_set_while_the_arm_is_beyond_it_takes_the_arm_back(dut: Dut, side: int) -> None:
    ready(dut)
    assert dut.settle(0.3 * side).position_cdeg * side > 1800 - NEAR_CDEG
    dut.put({"end-high" if side > 0 else "end-low": 700 * side})
    assert dut.report().demand_cdeg == pytest.approx(700 * side, abs=ROUNDED_CDEG)
    dut.pass_time(200 * MS)
    status = dut.settle(0.3 * side)
    assert status.position_cdeg == pytest.approx(700 * side, abs=NEAR_CDEG)


@clause("does.ends")
@pytest.mark.parametrize("side", [1, -1], ids=["high", "low"])
def test_the_arm_is_not_driven_beyond_a_stop(dut_build: Callable[..., Dut], side: int) -> None:
    dut = dut_build(on_bench=True, rating={"mechanical_travel_deg": 121.5})
    ready(dut, travel=18_000, minimum_drive=30, stiffness=100)
    place(dut, 58.0 * side)
    dut.demand(1.0 * side)
    dut.pass_time(SETTLED_NS)
    assert driven(dut) * side > 0, "it was expected to drive up to the stop"
    place(dut, 60.75 * side)
    dut.pass_time(SETTLED_NS)
    assert driven(dut) * side <= 0, "at the stop it drives on"
    place(dut, 61.25 * side)
    dut.pass_time(SETTLED_NS)
    assert driven(dut) * side <= 0, "beyond the stop it drives on"


# --- what the drive does about it -------------------------------------------------------------------------------------


@effect("neutral", "travel", "direction")
@clause("does.angle", "does.motion", "op.41")
@pytest.mark.parametrize("direction", [0, 1], ids=["normal", "reversed"])
def test_it_drives_towards_the_target_and_stands_at_it(on_bench: Dut, direction: int) -> None:
    dut = on_bench
    side = -1 if direction else 1
    for at_cdeg, error in itertools.product((-5_900, -100, 0, 2_500, 5_800), (-50, 50, -3000, 3000)):
        target = at_cdeg + error
        place(dut, at_cdeg / 100)
        ready(dut, direction=direction, travel=18_000)
        dut.ask(m.Engage(), m.Engaged)
        dut.ask(m.Demand(round(side * target / 9000 * m.MAX_DEMAND)), m.Moving)
        dut.pass_time(SETTLED_NS)
        assert driven(dut) * error > 0, f"the target is {error / 100} deg away, it drives with {driven(dut)} of 1000"
        place(dut, target / 100)
        dut.pass_time(SETTLED_NS)
        assert driven(dut) == 0, f"the arm stands at its target, it drives with {driven(dut)} of 1000"


# --- which tables there may be ----------------------------------------------------------------------------------------


def shape(points: int, size: int, at: int) -> bytes:
    """A table that changes by `size` between the points `at` and `at` + 1, and nowhere else."""
    values = [-(size // 2)] * (at + 1) + [size - size // 2] * (points - at - 1)
    return BY_NAME["correction"].encode(tuple(values))


@clause("does.monotone", "does.unchanged", "op.31")
@pytest.mark.parametrize("side", [1, -1], ids=["rising", "falling"])
@pytest.mark.parametrize(("points", "at"), [(2, 0), (3, 1), (9, 0), (33, 31)])
def test_a_correction_that_would_turn_the_arm_back_is_refused(dut: Dut, points: int, at: int, side: int) -> None:
    row = BY_NAME["correction"]
    spans = points - 1
    travel = -(-BY_NAME["travel"].low // spans) * spans  # the narrowest that has a whole number of counts in each span
    steepest = travel // spans
    for direction in (0, 1):
        dut.put({"correction": (), "direction": direction, "travel": travel})
        good = shape(points, side * steepest, at)
        assert dut.ask(m.Write(row.number, good), m.Written).value == good
        answer = dut.refused(m.Write(row.number, shape(points, side * (steepest + 1), at)), m.Outcome.OUT_OF_RANGE)
        assert (answer.low, answer.high) == (dut.rows[row.name].low, dut.rows[row.name].high)
        assert dut.ask(m.Read(m.Memory.WORKING, bytes([row.number])), m.Values).values == good


@clause("does.monotone", "refusal.range", "does.unchanged")
@shows(m.Refused, "code", "low", "high")
def test_a_travel_that_is_too_narrow_for_the_table_is_refused_and_the_least_is_told(dut: Dut) -> None:
    row = BY_NAME["travel"]
    high = dut.rows[row.name].high
    for table, least in (((0, 0, 900, 300, 300), 3600), ((1000, -1000, 0), 4000)):
        dut.put({"travel": high, "correction": table})
        answer = dut.refused(m.Write(row.number, row.encode(least - 1)), m.Outcome.OUT_OF_RANGE)
        assert (answer.low, answer.high) == (least, high)
        assert dut.get("travel") == high
        dut.put({"travel": least})
        dut.put({"correction": ()})
        dut.put({"travel": row.low})
        assert dut.get("travel") == row.low


@clause("op.41", "does.refuse", "does.unchanged")
@pytest.mark.parametrize("demand", [10_001, -10_001, 32_767, -32_768])
def test_a_demand_out_of_range_is_refused(dut: Dut, demand: int) -> None:
    dut.refused_wire(m.Demand.OPERATION, demand.to_bytes(2, "little", signed=True), m.Outcome.BAD_REQUEST)
    assert dut.report().state is m.State.LIMP
    ready(dut, channel=1)
    to_all(dut, 1000)
    dut.refused_wire(m.Demand.OPERATION, demand.to_bytes(2, "little", signed=True), m.Outcome.BAD_REQUEST)
    assert dut.report().demand_cdeg == pytest.approx(600, abs=ROUNDED_CDEG)
