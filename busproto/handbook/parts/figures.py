"""Tables of the handbook that are calculated when a page is read, by the functions that the commands use themselves.

A page says where one belongs: ``<!-- table: NAME -->`` on a line of its own.
"""

from __future__ import annotations

import re
from collections.abc import Callable, Iterable, Sequence
from typing import Final

from busproto.rig.supply import awg_ohm_m, lead_ohm
from busproto.rig.wiring.line import LEAST_IDLE_V, Line, most_nodes
from busproto.rig.wiring.pull_up import greatest_pull_up_ohm, least_pull_up_ohm
from busproto.wire.frame import MAX_ADDRESS

_MARK: Final = re.compile(r"^<!-- table: ([\w-]+) -->$", re.MULTILINE)
METRE_F: Final = 100e-12
"""Capacitance of a metre of cable (common practice, no source)."""
INPUT_F: Final = 15e-12
"""Capacitance of one actuator's input with its plug (common practice, no source)."""
ENDS_OHM: Final = (120.0, 120.0)
ADAPTER_LOADS: Final = 1.0


def filled(text: str) -> str:
    """A page with its tables in their places. Raises KeyError where it wants one that is not there."""
    return _MARK.sub(lambda found: TABLES[found.group(1)](), text)


def _table(heads: Sequence[str], rows: Iterable[Sequence[object]]) -> str:
    lines = [heads, ["---"] * len(heads), *rows]
    return "\n".join(f"| {' | '.join(map(str, line))} |" for line in lines)


def _three(value: float) -> str:
    """Three digits, whole Ohm from 100 up."""
    return f"{float(f'{value:.3g}'):g}"


def greatest_pull_ups() -> str:
    """The greatest pull-up by length, count and line rate."""
    rates = (115_200, 250_000, 500_000, 1_000_000)
    rows = []
    for metres, actuators in ((0.5, 4), (1.0, 6), (2.0, 6), (3.0, 12), (5.0, 16)):
        farad = metres * METRE_F + actuators * INPUT_F
        limits = [f"{_three(greatest_pull_up_ohm(rate, farad))} Ohm" for rate in rates]
        rows.append([f"{metres:g} m", actuators, f"{farad * 1e12:.0f} pF", *limits])
    return _table(["cable", "actuators", "capacitance", *(f"{rate} Bd" for rate in rates)], rows)


def least_pull_ups() -> str:
    """The least pull-up by supply of the line and what a driver sinks."""
    sinks_ma = (3, 8, 20)
    rows = [
        [f"{volts:g} V", *(f"{_three(least_pull_up_ohm(volts, sink / 1000))} Ohm" for sink in sinks_ma)]
        for volts in (3.3, 5.0)
    ]
    return _table(["line's supply", *(f"driver sinks {sink} mA" for sink in sinks_ma)], rows)


def biases() -> str:
    """What hangs on a pair, what a driver sees, how an idle line is held, and the greatest bias."""
    rows = []
    for unit_load, actuators in ((1.0, 8), (1.0, 31), (0.25, 12), (0.125, 8), (0.125, 32)):
        loads = unit_load * actuators + ADAPTER_LOADS
        line = Line(loads, ENDS_OHM)
        rows.append(
            [
                f"{actuators} of {unit_load:g}",
                f"{loads:g}",
                f"{line.pair_ohm:.1f} Ohm",
                f"{line.greatest_bias_ohm():.0f} Ohm",
                f"{Line(loads, ENDS_OHM, 560.0).idle_v * 1000:.0f} mV",
                f"{Line(loads, ENDS_OHM, 680.0).idle_v * 1000:.0f} mV",
            ]
        )
    heads = [
        "actuators",
        "unit loads with the adapter",
        "between the wires",
        f"greatest bias for {LEAST_IDLE_V * 1000:g} mV",
        "idle with 560 Ohm",
        "idle with 680 Ohm",
    ]
    return _table(heads, rows)


def most_actuators() -> str:
    """How many actuators a driver has to drive beside one adapter, and the format has addresses for."""
    rows = [[f"{load:g}", min(MAX_ADDRESS, most_nodes(load, ADAPTER_LOADS))] for load in (1.0, 0.5, 0.25, 0.125)]
    return _table(["unit load of each actuator", "most actuators beside an adapter of one unit load"], rows)


def leads() -> str:
    """Resistance of 1 m of lead and the voltage it loses, for five wire gauges, as a table."""
    rows = []
    for gauge in (26, 24, 22, 20, 18):
        ohm = lead_ohm(1.0, awg_ohm_m(gauge))
        rows.append([f"AWG {gauge}", f"{ohm * 1000:.0f} mOhm", *(f"{ohm * amps:.2f} V" for amps in (1.0, 3.0, 5.0))])
    return _table(["lead", "1 m, out and back", "at 1 A", "at 3 A", "at 5 A"], rows)


TABLES: Final[dict[str, Callable[[], str]]] = {
    "greatest-pull-up": greatest_pull_ups,
    "least-pull-up": least_pull_ups,
    "bias": biases,
    "most-actuators": most_actuators,
    "leads": leads,
}
"""Every table by the name that pages give it."""
