"""Each parameter of the motion does something that one can see."""

from __future__ import annotations

from typing import Any

import pytest

from busproto.sim.actuators.actuator import Actuator
from busproto.sim.actuators.model import ActuatorModel
from busproto.wire import messages as m
from tests.sim.helpers import HOLD, MS, Bench, S, bench, where

PLAIN = ActuatorModel("plain")


def moved(
    model: ActuatorModel = PLAIN, *, supply_mv: int = 7400, wait_ns: int = 3 * S, **stored: int
) -> tuple[Bench, Actuator]:
    """An actuator that was told to go to 30 deg."""
    made = bench()
    made.bus.supply_mv = supply_mv
    settings = {name.replace("_", "-"): value for name, value in stored.items()}
    actuator = made.plug_in(1, 5, {"channel": 1, "soft-start": 0, "loss-action": HOLD, **settings}, model=model)
    made.demand(5000)
    made.run(wait_ns)
    return made, actuator


def end_deg(**more: Any) -> float:
    made, actuator = moved(**more)
    return where(made, actuator)


STICKY = ActuatorModel("sticky", friction=0.12)


def test_minimum_drive_overcomes_friction() -> None:
    """12 % of friction at 7.4 of 8.4 V: (0.13622 - 0.05) / 0.6 per degree short, none with 14 %."""
    assert end_deg(model=STICKY) == pytest.approx(30.0 - (0.12 * 8.4 / 7.4 - 0.05) / 0.6, abs=1e-6)
    assert end_deg(model=STICKY, minimum_drive=14) == 30.0


def test_stiffness_brings_it_nearer_in_spite_of_friction() -> None:
    short = [30.0 - end_deg(model=STICKY, stiffness=stiffness) for stiffness in (10, 50, 100)]
    assert short == pytest.approx([(0.12 * 8.4 / 7.4 - 0.05) / share for share in (0.1, 0.5, 1.0)], abs=1e-6)


def test_friction_leaves_it_on_the_side_it_came_from() -> None:
    made, actuator = moved(STICKY, stiffness=10)
    from_below = where(made, actuator)
    made.demand(8000)
    made.run(S)
    made.demand(5000)
    made.run(S)
    assert where(made, actuator) - 30.0 == pytest.approx(30.0 - from_below)


def test_dead_band_keeps_it_from_following_small_changes() -> None:
    found = []
    for dead_band in (0, 100):
        made, actuator = moved(dead_band=dead_band)
        made.demand(5100)  # 0.6 deg more
        made.run(S)
        found.append(where(made, actuator))
    assert found == [30.6, 30.0]


def test_slew_limit_and_supply_limit_the_speed() -> None:
    """Whichever is lower: 400 deg/s at 8.4 V, so 400 (5.0 / 8.4 - 0.03) / 0.97 at 5.0 V, as friction stays."""
    found = []
    for slew, supply_mv in ((1000, 7400), (3000, 7400), (3000, 5000)):
        made, actuator = moved(slew_limit=slew, supply_mv=supply_mv, wait_ns=60 * MS)
        before = where(made, actuator)
        made.run(10 * MS)
        found.append((where(made, actuator) - before) * 100)
    assert found == [pytest.approx(100.0, rel=1e-3), pytest.approx(300.0, rel=1e-3), pytest.approx(233.1, rel=2e-3)]


def test_a_supply_that_sags_on_the_way_slows_it_down_at_once() -> None:
    made, actuator = moved(wait_ns=50 * MS, travel=18_000, slew_limit=20_000)
    made.bus.supply_mv = 4000
    made.run(60 * MS)
    before = where(made, actuator)
    made.run(5 * MS)
    assert (where(made, actuator) - before) / 0.005 == pytest.approx(400 * (4.0 / 8.4 - 0.03) / 0.97, rel=0.01)


def test_soft_start_takes_its_time() -> None:
    found = [end_deg(soft_start=soft_ms, wait_ns=200 * MS) for soft_ms in (0, 1000)]
    assert found == [30.0, pytest.approx(150 * 0.2**2, abs=1e-2)]


def test_under_voltage_is_reported_below_the_limit_that_was_set() -> None:
    found = []
    for limit in (7000, 7500):
        made, _ = moved(under_voltage=limit)
        found.append(bool(made.status(5).faults & m.Fault.UNDER_VOLTAGE))
    assert found == [False, True]


def test_without_supply_it_goes_nowhere() -> None:
    assert end_deg(supply_mv=0) == 0.0
