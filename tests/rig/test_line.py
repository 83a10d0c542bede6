"""The differential line as a load: against published limits and Ohm's law, and a circuit simulator."""

from __future__ import annotations

import math
from pathlib import Path

import pytest

from busproto.errors import InputError
from busproto.rig.wiring.line import LEAST_IDLE_V, Line, inputs_ohm, most_nodes
from tests.rig.outside import spice

ENDS = (120.0, 120.0)


def test_what_32_unit_loads_and_two_terminations_are() -> None:
    """12 kOhm a unit load, 32 of them: TIA/EIA-485-A, quoted in doi 10.1186/s13639-016-0042-x table 1; Ohm's law."""
    assert inputs_ohm(32.0) == pytest.approx(375.0)
    assert Line(32.0, ENDS).pair_ohm == pytest.approx(51.724, rel=1e-4)
    assert most_nodes(1 / 8) == 256
    assert most_nodes(1.0) == 32
    assert most_nodes(1 / 8, 1.0) == 248
    assert most_nodes(1.0, 40.0) == 0


@pytest.mark.parametrize(
    ("unit_loads", "bias_ohm", "idle_mv"), [(0.0, 560.0, 254.24), (32.0, 560.0, 220.72), (32.0, 680.0, 183.19)]
)
def test_what_a_bias_leaves_between_the_wires(unit_loads: float, bias_ohm: float, idle_mv: float) -> None:
    """A divider of 5 V; a receiver needs 200 mV, source as above: the last one fails."""
    line = Line(unit_loads, ENDS, bias_ohm)
    assert line.idle_v * 1000 == pytest.approx(idle_mv, abs=0.005)
    assert (line.idle_v >= LEAST_IDLE_V) == (idle_mv > 200.0)


def test_a_bias_against_a_circuit_simulator(tmp_path: Path) -> None:
    circuit = "V1 s 0 5\nR1 s a 560\nR2 a b 120\nR3 a b 120\nR4 a b 375\nR5 b 0 560"
    high, low = spice(tmp_path, circuit, ["a", "b"])
    assert Line(32.0, ENDS, 560.0).idle_v == pytest.approx(high - low, rel=1e-6)
    driven = "V1 a b 1.5\nRG b 0 1\nR2 a b 120\nR3 a b 120\nR4 a b 375\nR5 a b 1120\nVZ q 0 0"
    assert spice(tmp_path, driven, ["a"]) == pytest.approx([1.5])
    assert Line(32.0, ENDS, 560.0).driver_ohm == pytest.approx(1 / (1 / 51.7241379 + 1 / 1120))


def test_the_greatest_bias_resistor_just_holds_the_line() -> None:
    line = Line(32.0, ENDS)
    most_ohm = line.greatest_bias_ohm()
    assert Line(32.0, ENDS, most_ohm).idle_v == pytest.approx(LEAST_IDLE_V)
    assert most_ohm == pytest.approx(620.69, abs=0.01)
    with pytest.raises(InputError, match=r"0.1 V cannot hold a line at 0.2 V"):
        Line(1.0, ENDS, bias_v=0.1).greatest_bias_ohm()


def test_without_anything_on_it() -> None:
    assert math.isinf(Line(0.0).pair_ohm)
    assert Line(0.0, bias_ohm=560.0).idle_v == 5.0
    assert Line(4.0, ENDS).idle_v == 0.0
    assert Line(4.0, ENDS).driver_ohm == Line(4.0, ENDS).pair_ohm


@pytest.mark.parametrize(
    "bad", [{"unit_loads": -1.0}, {"terminations_ohm": (0.0,)}, {"bias_ohm": 0.0}, {"bias_v": 0.0}]
)
def test_what_cannot_be_is_refused(bad: dict[str, object]) -> None:
    with pytest.raises(InputError):
        Line(**{"unit_loads": 1.0, **bad})  # type: ignore[arg-type]
