"""Supply wiring: published values, other libraries, and what must hold for any wiring."""

from __future__ import annotations

import inspect
import math
import re
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from busproto.errors import InputError
from busproto.rig import supply
from busproto.rig.supply import Load, Pack, all_stall
from tests.rig.outside import library, spice

ohms = st.floats(0.0, 0.5)


@pytest.mark.parametrize(
    ("gauge", "diameter_mm", "area_mm2"),
    [(18, 1.0237, 0.8230), (20, 0.8118, 0.5176), (22, 0.6438, 0.3255), (24, 0.5106, 0.2047), (26, 0.4049, 0.1288)],
)
def test_wire_gauges(gauge: int, diameter_mm: float, area_mm2: float) -> None:
    """ASTM B258, from memory; figures to four places, so half of the last one is allowed."""
    assert supply.awg_diameter_mm(gauge) == pytest.approx(diameter_mm, abs=5e-5)
    assert supply.awg_area_mm2(gauge) == pytest.approx(area_mm2, abs=5e-5)


@pytest.mark.parametrize(
    ("gauge", "ohm_km", "ohm_kft"),
    [(18, 20.948, 6.385), (20, 33.309, 10.15), (22, 52.963, 16.14), (24, 84.215, 25.67), (26, 133.907, 40.81)],
)
def test_solid_copper(gauge: int, ohm_km: float, ohm_kft: float) -> None:
    """1/58 Ohm mm^2/m, IEC 60028, from memory; per 1000 ft from a public wire table, NBS Circular 31 from memory."""
    assert supply.awg_ohm_m(gauge) * 1000.0 == pytest.approx(ohm_km, rel=1e-3)
    assert supply.awg_ohm_m(gauge) * 304.8 == pytest.approx(ohm_kft, rel=1e-3)


def test_flexible_copper() -> None:
    """IEC 60228, class 5, plain copper, greatest resistance at 20 degC."""
    table = {0.5: 39.0, 0.75: 26.0, 1.0: 19.5, 1.5: 13.3, 2.5: 7.98}
    assert {area: supply.class_5_ohm_m(area) * 1000.0 for area in table} == pytest.approx(table, rel=1e-12)
    assert dict(supply.CLASS_5_OHM_KM) == table


@pytest.mark.parametrize("gauge", [6, 18, 26, 40])
def test_rule_of_gauges(gauge: int) -> None:
    """Six gauges double the diameter, three the area; nearly."""
    assert supply.awg_diameter_mm(gauge - 6) / supply.awg_diameter_mm(gauge) == pytest.approx(2.00503, rel=1e-5)
    assert supply.awg_area_mm2(gauge - 3) / supply.awg_area_mm2(gauge) == pytest.approx(2.00503, rel=1e-5)


def test_temperature() -> None:
    """0.00393 per K, IEC 60028, from memory."""
    assert supply.at_temperature(1.0, 60.0) == pytest.approx(1.1572, rel=1e-4)


def test_drop_out_and_back() -> None:
    for temperature_c, drop_v in ((20.0, 0.31778), (60.0, 0.36774)):
        ohm = supply.lead_ohm(1.0, supply.awg_ohm_m(22), temperature_c=temperature_c)
        assert 3.0 * ohm == pytest.approx(drop_v, rel=1e-4)


CHAIN = (None, 0, 1, 2)


def test_daisy_chain() -> None:
    assert supply.wired_v(6.0, 0.0, CHAIN, [0.05] * 4, [2.0] * 4) == pytest.approx((5.6, 5.3, 5.1, 5.0), rel=1e-6)


def test_daisy_chain_against_a_circuit_simulator(tmp_path: Path) -> None:
    circuit = "V1 s 0 6\nR1 s a 0.05\nR2 a b 0.05\nR3 b c 0.05\nR4 c d 0.05\nI1 a 0 2\nI2 b 0 2\nI3 c 0 2\nI4 d 0 2"
    found = spice(tmp_path, circuit, ["a", "b", "c", "d"])
    assert supply.wired_v(6.0, 0.0, CHAIN, [0.05] * 4, [2.0] * 4) == pytest.approx(found, rel=1e-6)


TREE = (None, 0, 0, 2, None)
"""The second and the third hang on the first, the fourth on the third, the fifth has a lead of its own."""


def test_a_tree_of_leads_against_a_circuit_simulator(tmp_path: Path) -> None:
    leads = "V1 s 0 8\nR0 s p 0.03\nR1 p a 0.1\nR2 a b 0.2\nR3 a c 0.05\nR4 c d 0.15\nR5 p e 0.3\n"
    ohms, nodes = [0.1, 0.2, 0.05, 0.15, 0.3], ["a", "b", "c", "d", "e"]
    found = spice(tmp_path, leads + "I1 a 0 1\nI2 b 0 0.5\nI3 c 0 2\nI4 d 0 1.5\nI5 e 0 0.7", nodes)
    assert supply.wired_v(8.0, 0.03, TREE, ohms, [1.0, 0.5, 2.0, 1.5, 0.7]) == pytest.approx(found, rel=1e-6)
    motors = (
        "RA a 0 2\nRB b 0 4\nRC c 0 1.6\nRD d 0 2.5\nRE e 0 3\nB1 p 0 I=6/V(p)\n.nodeset v(p)=7\n.options reltol=1e-9"
    )
    bus, *found = spice(tmp_path, leads + motors, ["p", *nodes])
    loads = [
        Load(8.0 / motor, 8.0, lead, None, behind)
        for motor, lead, behind in zip((2.0, 4.0, 1.6, 2.5, 3.0), ohms, TREE, strict=True)
    ]
    sag = all_stall(8.0, 0.03, loads, other_w=6.0)
    assert sag.bus_v == pytest.approx(bus, rel=1e-6)
    assert sag.nodes_v == pytest.approx(found, rel=1e-6)
    assert sag.current_a == pytest.approx((8.0 - bus) / 0.03, rel=1e-4)
    assert sag.load_ohm == pytest.approx(bus / ((8.0 - bus) / 0.03 - 6.0 / bus), rel=1e-4)
    assert sag.least_spare_v is None


def test_constant_power() -> None:
    """Root of V^2 - V0 V + R P = 0; collapse above V0^2 / 4 R."""
    assert supply.constant_power_v(7.4, 0.25, 20.0) == pytest.approx(6.647881, rel=1e-6)
    assert supply.collapse_w(7.4, 0.25) == pytest.approx(54.76, rel=1e-6)
    assert supply.constant_power_v(7.4, 0.25, 54.76) == pytest.approx(3.7, rel=1e-6)
    with pytest.raises(InputError, match=re.escape("collapses above 54.76 W")):
        supply.constant_power_v(7.4, 0.25, 54.77)


def test_constant_power_against_a_circuit_simulator(tmp_path: Path) -> None:
    circuit = "V1 s 0 7.4\nR1 s b 0.25\nB1 b 0 I=20/V(b)\n.nodeset v(b)=7"
    (found,) = spice(tmp_path, circuit, ["b"])
    assert supply.constant_power_v(7.4, 0.25, 20.0) == pytest.approx(found, rel=1e-6)


def test_hold_up() -> None:
    assert supply.hold_up_current_s(4700e-6, 6.0, 5.0, 2.0) == pytest.approx(2.350e-3, rel=1e-5)
    assert supply.hold_up_power_s(4700e-6, 6.0, 4.5, 10.0) == pytest.approx(3.70125e-3, rel=1e-5)
    assert supply.hold_up_resistance_s(4700e-6, 6.0, 4.5, 3.0) == pytest.approx(4.05632e-3, rel=1e-5)


@pytest.mark.parametrize(
    ("current_at", "time_s"),
    [
        (lambda volts: 2.0, supply.hold_up_current_s(4700e-6, 6.0, 4.5, 2.0)),
        (lambda volts: 10.0 / volts, supply.hold_up_power_s(4700e-6, 6.0, 4.5, 10.0)),
        (lambda volts: volts / 3.0, supply.hold_up_resistance_s(4700e-6, 6.0, 4.5, 3.0)),
    ],
)
def test_hold_up_against_the_differential_equation_integrated(current_at: object, time_s: float) -> None:
    assert callable(current_at)

    def slope(_: float, volts: list[float]) -> list[float]:
        return [-current_at(volts[0]) / 4700e-6]

    done = library("scipy.integrate").solve_ivp(slope, (0, time_s), [6.0], rtol=1e-11, atol=1e-12)
    assert float(done.y[0][-1]) == pytest.approx(4.5, rel=1e-7)


def test_pack_against_a_rating() -> None:
    """3.7 / 4.2 / 3.0 V, LiFe 3.3 / 3.65 V, high-voltage cells 4.35 V: common practice, no source."""
    lipo, life, high = Pack("lipo", 2), Pack("life", 2), Pack("lipo-hv", 2)
    assert (lipo.nominal_v, lipo.full_v, lipo.empty_v) == pytest.approx((7.4, 8.4, 6.0))
    assert (life.nominal_v, life.full_v) == pytest.approx((6.6, 7.3))
    assert high.full_v == pytest.approx(8.7)
    assert supply.fit_of(lipo.full_v, lipo.empty_v, 4.8, 7.4).over_share == pytest.approx(0.1351, abs=5e-5)
    assert supply.fit_of(life.full_v, life.empty_v, 4.8, 7.4).over_share < 0.0
    assert supply.fit_of(lipo.full_v, lipo.empty_v, 4.8, 8.4).over_share == pytest.approx(0.0, abs=1e-12)
    assert supply.fit_of(lipo.full_v, lipo.empty_v, 6.5, 8.4).under_share == pytest.approx(1 - 6.0 / 6.5)


def test_a_brown_out_threshold_has_no_default_and_is_given_for_each() -> None:
    """No source, common practice: it depends on the actuator alone."""
    assert inspect.signature(Load).parameters["brown_out_v"].default is inspect.Parameter.empty
    with pytest.raises(InputError, match="the brown-out threshold is 0 V"):
        Load(4.0, 7.4, 0.1, 0.0)


def test_all_stall_against_a_circuit_simulator(tmp_path: Path) -> None:
    circuit = "V1 s 0 8.4\nR0 s p 0.03\nR1 p a 0.10\nR2 p b 0.25\nR3 a 0 2.1\nR4 b 0 1.4"
    bus, *nodes = spice(tmp_path, circuit, ["p", "a", "b"])
    sag = all_stall(8.4, 0.03, [Load(4.0, 8.4, 0.1, 5.0), Load(6.0, 8.4, 0.25, 7.5)])
    assert sag.bus_v == pytest.approx(bus, rel=1e-6)
    assert sag.nodes_v == pytest.approx(nodes, rel=1e-6)
    assert sag.spare_v == pytest.approx((nodes[0] - 5.0, nodes[1] - 7.5), rel=1e-4)
    assert sag.least_spare_v == pytest.approx(nodes[1] - 7.5, rel=1e-4)


@given(st.lists(st.tuples(ohms, st.floats(0.0, 5.0)), min_size=1, max_size=12))
def test_a_chain_falls_from_node_to_node_and_loses_what_flows(nodes: list[tuple[float, float]]) -> None:
    segments, currents = [one for one, _ in nodes], [one for _, one in nodes]
    behind = [None, *range(len(nodes) - 1)]
    found = supply.wired_v(12.0, 0.0, behind, segments, currents)
    assert list(found) == sorted(found, reverse=True)
    for at in range(len(nodes)):
        before_v = found[at - 1] if at else 12.0
        assert before_v - found[at] == pytest.approx(segments[at] * sum(currents[at:]), abs=1e-9)


@given(st.floats(1.0, 20.0), st.floats(0.001, 1.0), st.floats(0.0, 1.0))
def test_constant_power_takes_that_power(volts: float, ohm: float, share: float) -> None:
    power_w = share * supply.collapse_w(volts, ohm)
    here_v = supply.constant_power_v(volts, ohm, power_w)
    assert here_v * (volts - here_v) / ohm == pytest.approx(power_w, rel=1e-6, abs=1e-9)
    assert here_v >= volts / 2


@given(st.floats(4.0, 12.0), ohms, st.lists(st.tuples(ohms, st.floats(0.1, 10.0)), min_size=1, max_size=8))
def test_all_stall_keeps_the_currents_even(volts: float, source: float, leads: list[tuple[float, float]]) -> None:
    sag = all_stall(volts, source, [Load(amps, 8.4, lead, 4.0) for lead, amps in leads])
    currents = [here / (8.4 / amps) for here, (_, amps) in zip(sag.nodes_v, leads, strict=True)]
    assert volts - source * math.fsum(currents) == pytest.approx(sag.bus_v, rel=1e-9)
    for here, current, (lead, _) in zip(sag.nodes_v, currents, leads, strict=True):
        assert sag.bus_v - lead * current == pytest.approx(here, rel=1e-9)


@pytest.mark.parametrize(
    ("call", "text"),
    [
        (lambda: supply.awg_diameter_mm(41), "AWG 41 is not between 0 and 40"),
        (lambda: supply.class_5_ohm_m(0.6), "there are: 0.5, 0.75, 1, 1.5, 2.5 mm^2"),
        (lambda: supply.lead_ohm(-1.0, 0.05), "the lead's length is -1 m"),
        (lambda: supply.at_temperature(1.0, 300.0), "the temperature of the wire is 300 degC"),
        (
            lambda: supply.wired_v(6.0, 0.0, [None], [0.1], [1.0, 2.0]),
            "value of each kind; given: 1, 1, 2",
        ),
        (lambda: supply.wired_v(6.0, 0.0, [1, 0], [0.1, 0.1], [1.0, 2.0]), "the leads go round in a circle"),
        (lambda: Pack("alkaline", 4), "there is no chemistry 'alkaline'; there are: lipo, lipo-hv, life"),
        (lambda: Pack("lipo", 0), "a pack has 1 to 14 cells here, not 0"),
        (lambda: supply.fit_of(8.4, 6.0, 8.4, 4.8), "not from 8.4 to 4.8 V"),
        (lambda: supply.fit_of(8.4, 6.0, 0.0, 8.4), "the lowest rated supply is 0 V"),
        (lambda: supply.hold_up_current_s(1e-3, 4.0, 5.0, 1.0), "is the other way"),
        (lambda: supply.hold_up_resistance_s(1e-3, 4.0, 0.0, 1.0), "the lower voltage is 0 V"),
        (lambda: all_stall(7.4, 0.0, []), "at least one actuator is wanted"),
    ],
)
def test_what_cannot_be_is_refused(call: object, text: str) -> None:
    assert callable(call)
    with pytest.raises(InputError, match=re.escape(text)):
        call()
