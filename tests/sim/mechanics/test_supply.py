"""Sag: node voltages against ngspice and against what `rig` calculates for a person, and on a bus that stalls."""

from __future__ import annotations

from pathlib import Path

import pytest

from busproto.rig.supply import awg_ohm_m, constant_power_v, lead_ohm
from busproto.sim.bus import VirtualBus
from busproto.sim.errors import ScenarioError
from busproto.sim.mechanics.supply import Draw, awg_ohm, voltages
from busproto.sim.scene import scenario
from busproto.wire import messages as m
from tests.rig.outside import spice
from tests.sim.helpers import MS, Bench, S, said


def test_h8_constant_power_through_a_resistance() -> None:
    """7.4 V, 0.25 Ohm, 20 W: 6.647881 V. Source: quadratic root; the same from `rig`."""
    (found,) = voltages(7.4, 0.25, {"a": (Draw(watts=20.0), 0.0)}).values()
    assert found == pytest.approx(6.647881, abs=1e-6)
    assert found == pytest.approx(constant_power_v(7.4, 0.25, 20.0), abs=1e-6)


@pytest.mark.parametrize("gauge", [18, 22, 26])
def test_a_lead_is_as_the_rig_has_it(gauge: int) -> None:
    """ASTM B258 and IEC 60028, from memory; both halves of the project calculate alike."""
    assert awg_ohm(1.4, gauge) == pytest.approx(lead_ohm(1.4, awg_ohm_m(gauge)), rel=1e-12)


def test_a_star_of_unlike_takers_against_ngspice(tmp_path: Path) -> None:
    """Behind one pack: a current, a power, and a stalled winding with a back EMF, each on a lead. Source: ngspice."""
    takes = {
        "a": (Draw(amps=0.5), 0.30),
        "b": (Draw(watts=9.0), 0.12),
        "c": (Draw(amps=-1.5 / 2.1, siemens=1 / 2.1), 0.20),
    }
    circuit = (
        "V1 p 0 8.4\nRp p n 0.05\nRa n a 0.30\nIa a 0 0.5\nRb n b 0.12\nBb b 0 I=9.0/V(b)\n"
        "Rc n c 0.20\nRw c e 2.1\nVe e 0 1.5"
    )
    assert list(voltages(8.4, 0.05, takes).values()) == pytest.approx(
        spice(tmp_path, circuit, ["a", "b", "c"]), abs=1e-6
    )


def test_more_than_can_be_had_goes_to_where_the_most_can() -> None:
    """54.76 W at most from 7.4 V through 0.25 Ohm, at half the voltage: V^2 / 4 R. Source: calc."""
    (found,) = voltages(7.4, 0.25, {"a": (Draw(watts=80.0), 0.0)}).values()
    assert found == pytest.approx(3.7, abs=0.25)


STALLED = """
title = "two that are stalled"
supply = 8.4
pack = { resistance = 0.06 }
model.m = { backlash = 0.0 }
actuator = [
    { label = "a", model = "m", address = 1, lead = { length = 1.5, gauge = 24 } },
    { label = "b", model = "m", address = 2, lead = { resistance = 0.11 } },
    { label = "c", model = "m", address = 3 },
]
surface = [{ name = "s", members = [{ actuator = "a", stiffness = 5.0 }, { actuator = "b", stiffness = 5.0 }] }]
"""


def stalled() -> tuple[VirtualBus, Bench]:
    bus = scenario.parse(STALLED.replace("address = ", 'settings = { loss-action = "hold" }, address = ')).build()
    made = Bench(bus)
    for address in (1, 2, 3):
        made.ask(m.Engaged, m.Engage(), address)
    bus.surface("s").push(20.0)
    made.run(2 * S)
    return bus, made


def test_each_reports_what_arrives_at_it_and_no_more_current_than_flows(tmp_path: Path) -> None:
    """Two stalled windings of 8.4 V / 3.988 A on their leads, a third that only holds. Source: ngspice."""
    bus, made = stalled()
    found = [made.status(address) for address in (1, 2, 3)]
    ohm = 8.4 / 3.988
    circuit = (
        f"V1 p 0 8.4\nRp p n 0.06\nRa n a {awg_ohm(1.5, 24)}\nRb n b 0.11\nIa a 0 0.012\nIb b 0 0.012\n"
        f"Rwa a 0 {ohm}\nRwb b 0 {ohm}\nIn n 0 0.0127"
    )
    wanted = spice(tmp_path, circuit, ["a", "b", "n"])
    assert [one.supply_mv for one in found] == pytest.approx([volts * 1000 for volts in wanted], abs=2.0)
    assert [one.current_ma for one in found[:2]] == pytest.approx([12 + 1000 * v / ohm for v in wanted[:2]], abs=2.0)
    assert bus.supply_mv == 8400
    assert bus.kernel.next_ns() is None or bus.kernel.next_ns() - made.now_ns > 4 * MS  # at rest nothing is calculated


def test_many_at_once_sag_together_and_are_slower() -> None:
    text = """
title = "t"
supply = 7.6
pack = { resistance = 0.08 }
model.m = { time-constant = 20.0 }
"""
    text += "".join(
        f'[[actuator]]\nlabel = "{at}"\nmodel = "m"\naddress = {at}\n'
        f'settings = {{ channel = {at}, soft-start = 0, loss-action = "hold", slew-limit = 2000 }}\n'
        for at in range(1, 6)
    )
    ways, lowest = [], []
    for count in (1, 5):
        made = Bench(scenario.parse(text).build())
        made.demand(*[8000] * count)
        volts = []
        for _ in range(10):
            made.run(3 * MS)
            volts.append(made.bus.supply.arrives_mv("1"))
        one = made.bus.actuators[0].arm
        one.move_to(made.now_ns)
        ways.append(one.position_deg)
        lowest.append(min(volts))
    assert lowest[1] < lowest[0] - 500 < 7600 - 500
    assert ways[1] < 0.95 * ways[0]


def test_a_lead_is_said_in_one_way_or_the_other() -> None:
    with pytest.raises(ScenarioError) as caught:
        scenario.parse(STALLED.replace("gauge = 24", "resistance = 0.1, gauge = 24"))
    assert said(caught.value.problems) == ["actuator[0].lead: either length and gauge, or a resistance"]
