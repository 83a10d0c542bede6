"""Sag: node voltages against ngspice and against what `rig` calculates for a person, and on a bus that stalls."""

from __future__ import annotations

import math
from collections.abc import Callable
from pathlib import Path

import pytest

from busproto.rig.supply import awg_ohm_m, constant_power_v, lead_ohm
from busproto.sim.bus import VirtualBus
from busproto.sim.errors import ScenarioError
from busproto.sim.kernel import Kernel
from busproto.sim.mechanics.motor import Motor
from busproto.sim.mechanics.supply import Draw, Fed, Supply, awg_ohm, full_or_not, voltages
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


@pytest.mark.parametrize("lead_ohm", [0.0, 0.05, 0.4])
@pytest.mark.parametrize(
    "draw", [Draw(), Draw(0.7), Draw(0.2, 9.0), Draw(-0.5, 0.0, 0.6), Draw(0.1, 4.0, 0.3)], ids=str
)
def test_what_arrives_is_what_the_lead_leaves_and_what_is_drawn_there(draw: Draw, lead_ohm: float) -> None:
    """Kirchhoff's laws at its terminals; of the two voltages at which a power can be had it is the higher one."""
    volts, amps = draw.at_v(8.0, lead_ohm)
    assert volts == pytest.approx(8.0 - lead_ohm * amps)
    assert amps == pytest.approx(draw.amps + draw.watts / volts + draw.siemens * volts)
    assert volts > (8.0 - lead_ohm * draw.amps) / (1 + lead_ohm * draw.siemens) / 2


def test_a_lead_that_cannot_carry_a_power_leaves_half_and_none_is_drawn_from_nothing() -> None:
    """2 A at most through 2 Ohm at 8 V with a power: 4 V, 8 W. Source: the most that a resistance lets through."""
    assert Draw(watts=50.0).at_v(8.0, 2.0)[0] == pytest.approx(4.0)
    assert Draw(watts=50.0).at_v(0.0, 2.0) == (0.0, 0.0)
    assert Draw(0.5, 50.0).at_v(0.0, 0.0) == (0.0, 0.5)
    assert Draw(5.0).at_v(2.0, 1.0) == (0.0, 5.0)


@pytest.mark.parametrize(("power", "supply_v"), [(0.9, 7.56), (0.5, 8.4), (1.0, 6.0)])
@pytest.mark.parametrize("fraction", [1.0, 0.9, 0.4])
def test_at_full_drive_it_draws_by_its_voltage_what_the_winding_lets_through(
    fraction: float, power: float, supply_v: float
) -> None:
    """The bridge passes a share `duty` of the supply on: through the winding flows what that leaves above the back EMF,
    and the supply gives that share of it. Source: Ohm's law, averaged bridge."""
    motor = Motor(
        no_load_deg_s=400.0, idle_ma=12.0, hold_ma=12.0, moving_ma=200.0, stall_ma=4012.0, stall_nm=2.0, rated_v=8.4
    )
    ohm, duty = 8.4 / 4.0, power * 8.4 / supply_v
    emf_v = (power - fraction) * 8.4  # what is missing to full torque at this supply
    draw = full_or_not(motor, 0.012, fraction, 3.0, power, supply_v, changes=True)
    assert (draw.watts, draw.changes) == (0.0, True)
    for volts in (supply_v, supply_v - 0.5):
        assert draw.at_v(volts, 0.0)[1] == pytest.approx(0.012 + duty * (duty * volts - emf_v) / ohm)


def test_below_full_drive_it_draws_a_power() -> None:
    motor = Motor(no_load_deg_s=400.0, stall_ma=4000.0, rated_v=8.4)
    assert full_or_not(motor, 0.012, 0.4, 3.0, None, 7.0, changes=True) == Draw(0.012, 3.0, 0.0, changes=True)
    assert full_or_not(motor, 0.012, 0.4, 3.0, 0.9, 0.0, changes=False) == Draw(0.012, 3.0, 0.0, changes=False)


def test_a_lead_by_hand() -> None:
    """Gauge 24: 0.511 mm, so 84.2 mOhm a metre; 1.5 m out and 1.5 m back. Source: ASTM B258, from memory."""
    assert awg_ohm(1.5, 24) == pytest.approx(3.0 * 0.0842, rel=2e-3)
    assert awg_ohm(1.0, 36) == pytest.approx(2.0 / 58.0 / (math.pi / 4 * 0.127**2))


class Drawing:
    """What a load draws, set by hand."""

    def __init__(self, draw: Draw) -> None:
        self.on_draw: Callable[[], None] | None = None
        self.now = draw
        self.asked_ns: list[int] = []
        self.asked_v: list[float] = []
        self.moved_ns = 0

    def move_to(self, now_ns: int) -> None:
        self.moved_ns = now_ns

    def draw(self, supply_v: float) -> Draw:
        self.asked_ns.append(self.moved_ns)
        self.asked_v.append(supply_v)
        return self.now


class Taker(Fed[Drawing]):
    """A load that is set by hand, and keeps when it is asked and told."""

    def __init__(self, kernel: Kernel, label: str, draw: Draw) -> None:
        self.label, self.is_powered, self.arm = label, True, Drawing(draw)
        self._kernel, self._supply_mv = kernel, lambda: 7600
        self.told: list[str] = []

    def supply_changes(self) -> None:
        super().supply_changes()
        self.told.append("changes")

    def supply_changed(self) -> None:
        self.told.append("changed")


def fed(kernel: Kernel, *draws: Draw, pack_ohm: float = 0.1, lead_ohm: float = 0.05) -> tuple[Supply, list[Taker]]:
    """A pack of 8 V with loads a, b, ... on leads."""
    supply = Supply(kernel, 8000, pack_ohm)
    takers = [Taker(kernel, label, draw) for label, draw in zip("abc", draws, strict=False)]
    for taker in takers:
        supply.add(taker, lead_ohm)
    return supply, takers


def test_it_is_calculated_every_four_milliseconds_for_as_long_as_a_demand_changes() -> None:
    """At whole multiples of 4 ms, the first of them behind the wake; one calculation for many wakes."""
    kernel = Kernel(0)
    supply, (taker,) = fed(kernel, Draw(1.0, changes=True))
    kernel.run_until(5 * MS)
    assert taker.arm.asked_ns == []
    assert taker.arm.on_draw is not None
    taker.arm.on_draw()
    supply.wake()
    assert kernel.next_ns() == 8 * MS
    kernel.run_until(21 * MS)
    assert taker.arm.asked_ns == [8 * MS, 12 * MS, 16 * MS, 20 * MS]
    taker.arm.now = Draw(1.0)
    kernel.run_until(S)
    assert taker.arm.asked_ns[4:] == [24 * MS]
    assert kernel.next_ns() is None
    kernel.run_until(S + 4 * MS)
    supply.wake()
    assert kernel.next_ns() == S + 8 * MS  # never at the moment itself


def test_a_voltage_that_changes_is_told_to_all_and_looked_at_once_more() -> None:
    """Before it changes and after, each once: 1 A and 2 A through 0.1 Ohm and leads of 0.05 Ohm."""
    kernel = Kernel(0)
    supply, takers = fed(kernel, Draw(1.0), Draw(2.0))
    assert [supply.arrives_mv(one) for one in "ab"] == [8000, 8000]
    supply.wake()
    kernel.run_until(S)
    assert [supply.arrives_mv(one) for one in "ab"] == [8000 - 300 - 50, 8000 - 300 - 100]
    assert [one.told for one in takers] == [["changes", "changed"]] * 2
    assert takers[0].arm.asked_ns == [4 * MS, 8 * MS]
    takers[1].arm.now = Draw(2.0 + 0.003)  # below 1 mV
    supply.wake()
    kernel.run_until(2 * S)
    assert [one.told for one in takers] == [["changes", "changed"]] * 2
    takers[1].arm.now = Draw(2.0 + 0.02)  # 3 mV
    supply.wake()
    kernel.run_until(3 * S)
    assert [supply.arrives_mv(one) for one in "ab"] == [7648, 7597]


def test_another_pack_acts_at_once_and_its_sag_follows() -> None:
    kernel = Kernel(0)
    supply, (taker,) = fed(kernel, Draw(1.0))
    supply.wake()
    kernel.run_until(S)
    assert taker.arm.moved_ns == 8 * MS
    supply.open_mv = 7000
    assert taker.arm.moved_ns == S  # up to now it moved with the old one
    assert (supply.open_mv, supply.arrives_mv("a")) == (7000, 7000)
    assert taker.told == ["changes", "changed"] * 2
    kernel.run_until(2 * S)
    assert supply.arrives_mv("a") == 6850


def test_without_any_resistance_nothing_is_calculated() -> None:
    kernel = Kernel(0)
    supply, (taker,) = fed(kernel, Draw(1.0, changes=True), pack_ohm=0.0, lead_ohm=0.0)
    supply.wake()
    assert (supply.sags, kernel.next_ns(), taker.arm.on_draw) == (False, None, None)
    for pack, lead in ((0.1, 0.0), (0.0, 0.1)):
        assert fed(kernel, Draw(), pack_ohm=pack, lead_ohm=lead)[0].sags


def test_one_without_power_draws_nothing_and_is_asked_with_its_own_voltage_else() -> None:
    kernel = Kernel(0)
    taker = Taker(kernel, "a", Draw(1.0, 2.0, 3.0))
    assert taker.draw() == Draw(1.0, 2.0, 3.0)
    assert taker.arm.asked_v == [7.6]
    taker.is_powered = False
    assert taker.draw() == Draw(0.0, 0.0, 0.0, changes=False)


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
