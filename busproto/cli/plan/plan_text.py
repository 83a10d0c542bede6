"""What 'plan check' prints of a plan and of a fleet map, for a person."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from pathlib import Path
from typing import Final

from busproto.cli.common import address_text, console
from busproto.plan.check.bus_load import BusLoad, plan_load, report_poll_ns
from busproto.plan.check.check import role_sweep
from busproto.plan.check.rigging import setting
from busproto.plan.check.supply_check import line_of
from busproto.plan.files import FleetFile, ModelTable
from busproto.plan.load import Plan
from busproto.plan.sweep import Sweep
from busproto.rig.drive import loss_window
from busproto.wire.parameters import BY_NAME

_SWEEP_HEADINGS: Final = (
    "addr.",
    "chan.",
    "neutral",
    "arm goes\nfrom..to",
    "lost at\n-100 %",
    "lost at\n+100 %",
    "left\nboth\nsides",
    "one\nstep",
)


def _print_plan(path: Path, plan: Plan) -> None:
    from rich.markup import escape
    from rich.table import Table

    _say(f"{path}: airframe '{plan.title}', on the fleet map '{plan.fleet_title}' ({plan.fleet.name})", "bold")
    _say(f"  {_count(len(plan.roles), 'function')}, {_count(len(plan.gangs), 'gang')}, {_pack_text(plan)}")
    for gang in plan.gangs.values():
        channels = list(dict.fromkeys(plan.roles[member].channel for member in gang.members))
        together = f"channel {channels[0]}" if len(channels) == 1 else f"channels {', '.join(map(str, channels))}"
        members = ", ".join(f"'{member}'" for member in gang.members)
        _say(f"  gang '{gang.name}' follows {together}: {members}")
    for line in (*_bus_lines(plan_load(plan), len(plan.roles)), *_line_lines(plan), *_loss_lines(plan)):
        _say(f"  {line}")
    for line in _model_lines(plan.models):
        _say(f"  {line}")
    _say("  What each arm reaches, in degrees; a step is 0.01 % of demand:")
    table = Table(box=None, pad_edge=False, padding=(0, 1, 0, 0))
    table.add_column("function", overflow="fold", min_width=10, vertical="bottom")
    for heading in _SWEEP_HEADINGS:
        table.add_column(heading, justify="right", no_wrap=True, vertical="bottom")
    for role in plan.roles.values():
        sweep = role_sweep(plan, role)
        row = (
            role.function,
            str(role.address),
            str(role.channel),
            BY_NAME["neutral"].text(role.settings["neutral"]).removesuffix(" deg"),
            f"{sweep.low_deg:.2f}..{sweep.high_deg:.2f}",
            _lost_text(sweep.lost_at_minus_deg),
            _lost_text(sweep.lost_at_plus_deg),
            f"{sweep.symmetric_deg:.2f}",
            f"{sweep.step_deg:.4f}",
        )
        table.add_row(*map(escape, row), style="red" if _is_cut(sweep) else None)
    out = console()
    out.print(table)
    out.print()


def _print_fleet(path: Path, fleet: FleetFile) -> None:
    from rich.markup import escape
    from rich.table import Table

    _say(f"{path}: fleet map '{fleet.title}'", "bold")
    _say(f"  {_count(len(fleet.function), 'function')}, {_count(len(fleet.model), 'model')}")
    for line in _model_lines(fleet.model):
        _say(f"  {line}")
    table = Table("function", "address", "channel", "set differently from the rest", box=None, pad_edge=False)
    for name, row in fleet.function.items():
        settings = ", ".join(f"{key} = {value}" for key, value in row.settings.items())
        table.add_row(escape(name), address_text(row.address), str(row.channel), escape(settings))
    out = console()
    out.print()
    out.print(table)
    out.print()


def _bus_lines(load_now: BusLoad, functions: int) -> Iterable[str]:
    least_ms, most_ms = (one / 1e6 for one in load_now.busy_ns)
    what = "demands of " + _count(load_now.channels, "channel")
    if load_now.actuators:
        what += f" and {_count(load_now.actuators, 'report')}"
    busy = f"{most_ms:.1f} ms" if load_now.busy_ns[0] == load_now.busy_ns[1] else f"{least_ms:.1f} to {most_ms:.1f} ms"
    fits = _count(load_now.fits, "actuator" if load_now.actuators else "channel")
    fits += " at neighbouring addresses" if load_now.actuators else ""
    fits = f"{fits} would fit" if load_now.fits else "not even one would fit"
    yield (
        f"bus at {load_now.baud} Bd: {what} take {busy} of a cycle of {load_now.cycle_ns / 1e6:.1f} ms, "
        f"{load_now.percent:.0f} %"
    )
    soonest_ms, latest_ms = (one / 1e6 for one in load_now.latency_ns)
    yield f"{fits}; a demand reaches the arms after {soonest_ms:.1f} to {latest_ms:.1f} ms"
    each_ms = report_poll_ns(functions, load_now.baud) / 1e6
    yield f"asking each for its whole report, one after the other, takes {each_ms:.1f} ms"


def _line_lines(plan: Plan) -> Iterable[str]:
    line = line_of(plan)
    if line is None:
        return
    pair = f"{line.pair_ohm:.1f} Ohm between the wires"
    if line.bias_ohm is not None:
        pair += f", {line.driver_ohm:.1f} Ohm for a driver with the bias; idle at {line.idle_v * 1000:.0f} mV"
    yield f"line with {line.unit_loads:g} unit loads and {_count(len(line.terminations_ohm), 'termination')}: {pair}"


def _loss_lines(plan: Plan) -> Iterable[str]:
    """When loss actions begin, of those whose time-out is longer than the time between two demands."""
    period_ms = 1000 / plan.bus.demands_per_second
    times = sorted({setting(role, "loss-time-out") for role in plan.roles.values()})
    for time_out_ms in times:
        if time_out_ms < period_ms:
            continue
        least_ms, most_ms = loss_window(time_out_ms, period_ms).after_loss_ms
        which = "" if len(times) == 1 else f" of those with a time-out of {time_out_ms} ms"
        yield f"the loss action{which} begins {least_ms:.0f} to {most_ms:.0f} ms after the demands are lost"


def _model_lines(models: Mapping[str, ModelTable]) -> Iterable[str]:
    """Ratings in the trade's units, converted."""
    for name, model in models.items():
        said = []
        if isinstance(model.stall_torque, str):
            said.append(f"{model.stall_torque} is {model.stall_nm:.4g} N m")
        if isinstance(model.no_load_speed, str):
            said.append(f"{model.no_load_speed} is {model.no_load_deg_s:.4g} deg/s")
        if said:
            yield f"model '{name}': {', '.join(said)}"


def _pack_text(plan: Plan) -> str:
    if plan.full_mv is None:
        return "pack not stated"
    empty = "" if plan.empty_mv is None else f"{plan.empty_mv / 1000:.2f} to "
    return f"pack {empty}{plan.full_mv / 1000:.2f} V"


def _is_cut(sweep: Sweep) -> bool:
    return _lost_text(sweep.lost_deg) != "-"


def _lost_text(lost_deg: float) -> str:
    return f"{lost_deg:.2f}" if lost_deg >= 0.005 else "-"


def _count(number: int, thing: str) -> str:
    return f"{number} {thing}" + ("" if number == 1 else "s")


def _print_rows(rows: list[tuple[str, str, str]]) -> None:
    """Findings or problems, one below the other; long ones go on under their own beginning."""
    from rich.markup import escape
    from rich.table import Table

    table = Table(box=None, show_header=False, pad_edge=False, padding=(0, 2, 0, 0))
    has_places = any(where for _, where, _ in rows)
    for word, where, text in rows:
        colour = "red" if word == "error" else "yellow"
        cells = [f"[{colour}]{word}[/]", *([escape(where)] if has_places else []), escape(text)]
        table.add_row(*cells)
    if rows:
        out = console()
        out.print(table)
        out.print()


def _say(text: str, style: str | None = None) -> None:
    console().print(text, markup=False, style=style, soft_wrap=True)
