"""What does not fit with the pack, the ratings and the line: every check that is about volts, amps and ohms."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from typing import Final

from busproto.plan.files import ModelTable
from busproto.plan.finding import Finding, make, row_of
from busproto.plan.load import Plan
from busproto.rig.drive import Drive, rating_share
from busproto.rig.wiring.line import LEAST_IDLE_V, MOST_UNIT_LOADS, Line, most_nodes
from busproto.toml_source import Path, Source

MOST_SHARE: Final = 1.0
"""Stall torque times no-load speed over volts times amps: more is no plain DC motor (`busproto.rig.drive`)."""
IMPOSSIBLE_SHARE: Final = 4.0
"""More of it gives more power than it takes."""
LEAST_SHARE: Final = 0.1
"""Less of it is a unit that was mistaken, more likely than a gear; a choice: a kgf cm is about a tenth of a N m."""
ENDS: Final = 2


def line_of(plan: Plan) -> Line | None:
    """What hangs on the differential line; None where the airframe does not say it."""
    table = plan.line
    if table is None:
        return None
    loads = table.unit_load * len(plan.roles) + table.other_loads
    return Line(loads, tuple(table.terminations), table.bias, table.bias_supply)


def supply_findings(plan: Plan) -> Iterator[Finding]:
    if plan.full_mv is None:
        text = "there is no [supply] and no [pack], so the rating of the actuators cannot be checked"
        yield make("supply-unstated", plan.airframe, (), text, is_error=False)
        return
    full_v, empty_v = plan.full_mv / 1000, None if plan.empty_mv is None else plan.empty_mv / 1000
    has_supply = "supply" in plan.airframe.data
    full: Path = ("supply", "full") if has_supply else ("pack", "cells")
    empty: Path = ("supply", "empty") if "empty" in plan.airframe.data.get("supply", {}) else full
    if empty_v is not None and empty_v > full_v:
        text = f"{empty_v:.2f} V is above the full pack of {full_v:.2f} V"
        yield make("supply-exchanged", plan.airframe, empty, text)
    for role in plan.roles.values():
        concerned = (role.function,)
        model = plan.models.get(role.model or "")
        if model is not None:
            low_v, high_v = sorted(model.supply)
            rated = f"'{role.model}' is rated for {low_v:.2f}..{high_v:.2f} V"
            if full_v > high_v:
                text = f"a full pack of {full_v:.2f} V is above the rating: {rated}"
                yield make("supply-above-rating", plan.airframe, full, text, functions=concerned)
            elif full_v < low_v:
                text = f"even a full pack of {full_v:.2f} V is below the rating: {rated}"
                yield make("supply-below-rating", plan.airframe, full, text, functions=concerned)
            if empty_v is not None and empty_v < low_v <= full_v:
                text = f"an empty pack of {empty_v:.2f} V is below the rating: {rated}"
                yield make("supply-below-rating", plan.airframe, empty, text, is_error=False, functions=concerned)
        row = row_of(plan, role)
        limit_v = row.raw("under-voltage") / 1000
        if limit_v > full_v:
            text = f"{limit_v:.3f} V is above a full pack of {full_v:.2f} V: a low supply would always be reported"
            yield row.finding("under-voltage-above-pack", "under-voltage", text)
        elif empty_v is not None and limit_v > empty_v:
            text = f"{limit_v:.3f} V is above an empty pack of {empty_v:.2f} V: reported before the pack is used up"
            yield row.finding("under-voltage-early", "under-voltage", text, is_error=False)


def model_findings(models: Mapping[str, ModelTable], source: Source) -> Iterator[Finding]:
    for name, model in models.items():
        low_v, high_v = model.supply
        if low_v > high_v:
            text = f"the lower voltage stands first: {high_v:.2f}, {low_v:.2f}"
            yield make("supply-exchanged", source, ("model", name, "supply"), text)
        yield from _rating_findings(name, model, source)


def _rating_findings(name: str, model: ModelTable, source: Source) -> Iterator[Finding]:
    """Whether torque, speed and current of a rating can stand together."""
    if model.stall_nm is None or model.no_load_deg_s is None or model.stall_current is None:
        return
    drive, volts, amps = Drive(model.no_load_deg_s, model.stall_nm), max(model.supply), model.stall_current / 1000
    share = rating_share(drive, volts, amps)
    here = ("model", name, "stall-torque")
    figures = (
        f"{model.stall_nm:.3g} N m times {model.no_load_deg_s:.4g} deg/s is {4 * drive.peak_w:.3g} W, {volts:g} V "
        f"times {amps:g} A is {volts * amps:.3g} W"
    )
    if share > IMPOSSIBLE_SHARE:
        text = (
            f"{figures}: at half its speed it would give {drive.peak_w:.3g} W, more than it takes when it draws its "
            "stall current; look at the units of torque and speed"
        )
        yield make("rating-impossible", source, here, text)
    elif share > MOST_SHARE:
        text = (
            f"{figures}: a DC motor gives at most as much torque times speed as it takes volts times amps; only a "
            "drive that limits its current when it stalls has more. Look at the units"
        )
        yield make("rating-implausible", source, here, text, is_error=False)
    elif share < LEAST_SHARE:
        text = f"{figures}: only {share:.0%} of what goes in; look at the units of torque and speed"
        yield make("rating-implausible", source, here, text, is_error=False)


def line_findings(plan: Plan) -> Iterator[Finding]:
    """What hangs on the differential line, where the airframe says it."""
    table, line = plan.line, line_of(plan)
    if table is None or line is None:
        return
    if line.unit_loads > MOST_UNIT_LOADS + 1e-9:
        fits = most_nodes(table.unit_load, table.other_loads)
        text = (
            f"{len(plan.roles)} actuators of {table.unit_load:g} unit load each and {table.other_loads:g} more are "
            f"{line.unit_loads:g}; a driver has to drive {MOST_UNIT_LOADS:g}: at most {fits} such actuators"
        )
        yield make("line-load", plan.airframe, ("line", "unit-load"), text)
    if len(line.terminations_ohm) != ENDS:
        text = f"{_terminations(len(line.terminations_ohm))}; a line has one at each of its two ends"
        yield make("line-ends", plan.airframe, ("line", "terminations"), text, is_error=False)
    if line.bias_ohm is None:
        text = (
            "no bias is stated: nothing holds an idle line but the receivers' own threshold, which their maker has to "
            f"promise. Two resistors of up to {line.greatest_bias_ohm():.0f} Ohm on {line.bias_v:g} V would hold it at "
            f"{LEAST_IDLE_V * 1000:g} mV"
        )
        yield make("line-idle", plan.airframe, ("line",), text, is_error=False)
    elif line.idle_v < LEAST_IDLE_V:
        text = (
            f"two resistors of {line.bias_ohm:g} Ohm on {line.bias_v:g} V hold the idle line of {line.pair_ohm:.1f} "
            f"Ohm at {line.idle_v * 1000:.1f} mV; a receiver may take less than {LEAST_IDLE_V * 1000:g} mV for a start "
            f"bit: {line.greatest_bias_ohm():.0f} Ohm or less"
        )
        yield make("line-idle", plan.airframe, ("line", "bias"), text)


def _terminations(count: int) -> str:
    return "no termination is stated" if not count else f"{count} termination{'s are' if count > 1 else ' is'} stated"
