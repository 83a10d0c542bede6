"""``busproto plan``: begin, check and describe the files of a plan. No bus is needed for any of it."""

from __future__ import annotations

import contextlib
import os
from collections.abc import Mapping
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any, Final

import click

from busproto import lasting
from busproto.atomic_files import write_whole
from busproto.cli import exit_codes
from busproto.cli.common import console, json_option, print_json
from busproto.cli.completion import complete_example
from busproto.cli.plan.plan_text import (
    _count,
    _print_fleet,
    _print_plan,
    _print_rows,
    _say,
)
from busproto.errors import FileError, InputError
from busproto.plan import examples
from busproto.plan.check.bus_load import plan_load, report_poll_ns
from busproto.plan.check.check import check, check_fleet, role_sweep
from busproto.plan.check.supply_check import line_of
from busproto.plan.files import KINDS, FleetFile, ModelTable, schema
from busproto.plan.finding import KINDS as FINDING_KINDS
from busproto.plan.finding import Finding
from busproto.plan.load import Plan, Role, kind_of, load, load_fleet

FIRST_EXAMPLE: Final = "start"


@click.group(no_args_is_help=False)
def command() -> None:
    """The files of a plan: one fleet map for all airframes, and a file for each airframe. No bus is needed."""


# --- new -------------------------------------------------------------------------------------------------------


@command.command(
    "new",
    short_help="Write a commented fleet map and airframe file to begin with.",
    epilog="""\b
Examples:
  busproto plan new hangar
  busproto plan new there --example hauler
  busproto plan new --list-examples
\b
JSON: "files" (paths that were written), "next" (the command to go on with); with
--list-examples "examples" (name, title, files).
Files that are there are never overwritten: then nothing is written (exit code 2).""",
)
@click.argument("directory", required=False, type=click.Path(path_type=Path))
@click.option(
    "--example",
    default=FIRST_EXAMPLE,
    show_default=True,
    metavar="NAME",
    shell_complete=complete_example,
    help="Which example to write.",
)
@click.option("--list-examples", is_flag=True, help="List the examples instead.")
@json_option
def new(directory: Path | None, example: str, list_examples: bool, as_json: bool) -> None:
    """Write the files of an example into DIRECTORY, which is made where it is missing.

    The one named "start" explains every line and every parameter; put your own figures in their place.
    """
    if list_examples:
        _list_examples(as_json)
        return
    if directory is None:
        raise click.UsageError("a DIRECTORY is wanted, or --list-examples", click.get_current_context())
    texts = examples.texts(example)
    paths = write_new(directory, texts)
    airframe = paths[0]
    if as_json:
        print_json({"files": [str(path) for path in paths], "next": f"busproto plan check {airframe}"})
        return
    for path in paths:
        click.echo(f"written: {path}")
    click.echo(f"Put your own figures in their place, then: busproto plan check {airframe}")


def write_new(directory: Path, texts: Mapping[str, str]) -> list[Path]:
    """Write files into a directory, all of them or none; gives their paths.

    Raises:
        InputError: one of them is there already, or cannot be written; nothing was left behind.
    """
    paths = [directory / name for name in texts]
    there = [str(path) for path in paths if os.path.lexists(path)]
    if there:
        raise InputError(f"nothing was written: already there: {', '.join(there)}; choose another directory")
    made = [one for one in (directory, *directory.parents) if not os.path.lexists(one)]
    written: list[Path] = []
    try:
        directory.mkdir(parents=True, exist_ok=True)
        with lasting.account() as done:  # of its own: where it fails, nothing of it lasts
            for path, text in zip(paths, texts.values(), strict=True):
                write_whole(path, text)
                written.append(path)
    except BaseException as error:
        with contextlib.suppress(OSError):
            for path in written:
                path.unlink()
            for one in made:
                one.rmdir()
        if isinstance(error, OSError | ValueError) and not isinstance(error, InputError):
            why = getattr(error, "strerror", None) or str(error)
            raise InputError(f"'{directory}' cannot be made: {why}") from error
        raise
    for change in done.changes:
        lasting.note_change(change)
    return paths


def _list_examples(as_json: bool) -> None:
    rows = [
        {"name": name, "title": examples.title(name), "files": list(examples.texts(name))} for name in examples.names()
    ]
    if as_json:
        print_json({"examples": rows})
        return
    from rich.markup import escape
    from rich.table import Table

    table = Table("example", "what it is", "files", box=None)
    for row in rows:
        table.add_row(*(escape(str(one)) for one in (row["name"], row["title"], ", ".join(row["files"]))))
    console().print(table)


# --- check -----------------------------------------------------------------------------------------------------


@dataclass
class _Looked:
    """What came of looking at one file."""

    path: Path
    kind: str = ""
    plan: Plan | None = None
    fleet: FleetFile | None = None
    findings: list[Finding] = field(default_factory=list)
    problems: tuple[str, ...] = ()


@command.command(
    "check",
    short_help="Say what does not fit together in the files of a plan, with line and key.",
    epilog=f"""\b
Examples:
  busproto plan check hangar/airframe.toml
  busproto plan check hangar/fleet.toml hangar/*.toml --json
\b
JSON: "checked", "error_count", "advice_count". Each of "checked" has "file", "kind"
(airframe, fleet-map, or null), "usable", "problems" (texts; then there is nothing
more), "title", "fleet_map" (its title), "functions" (function, address, channel;
on an airframe also gang, place, model, firmware, and sweep with low_deg,
high_deg, lost_at_minus_deg, lost_at_plus_deg, symmetric_deg, lost_share, step_deg),
"gangs" (gang, gang_number, function_names), "bus" (baud, demands_per_second, channel_count,
actuator_count, cycle_ms, busy_ms least and most, load_percent, fitting_count,
latency_ms least and most, ask_each_ms), "line_load" (unit_loads, pair_ohm, driver_ohm, idle_v, or null),
"models" (model, stall_torque_written, stall_torque_nm, no_load_speed_written,
no_load_speed_deg_s),
"findings" (kind, severity error or advice, file, line, key,
function_names, text).
\b
Kinds of findings:
{chr(10).join(f"  {kind:<24} {text}" for kind, text in FINDING_KINDS.items())}
\b
Exit code 0: it fits, or there is advice only. 3: there are errors. 2: a file cannot
be used.""",
)
@click.argument("files", nargs=-1, required=True, type=click.Path(path_type=Path))
@json_option
def check_files(files: tuple[Path, ...], as_json: bool) -> int:
    """Check airframe FILES, each with the fleet map that it takes over, or a fleet map alone.

    Says everything that is wrong at once, and what a neutral costs. Changes nothing; no bus is needed.
    """
    looked = [_look_at(path) for path in files]
    errors = sum(one.is_error for each in looked for one in each.findings)
    advice = sum(not one.is_error for each in looked for one in each.findings)
    if as_json:
        print_json({"checked": [_file_json(each) for each in looked], "error_count": errors, "advice_count": advice})
    else:
        for each in looked:
            _print(each)
    unusable = [
        f"'{each.path}' cannot be used ({_count(len(each.problems), 'problem')})" for each in looked if each.problems
    ]
    if unusable:
        click.echo(f"busproto: {'; '.join(unusable)}", err=True)
        return exit_codes.USAGE
    return exit_codes.NOT_AS_WANTED if errors else exit_codes.DONE


def _look_at(path: Path) -> _Looked:
    """What can be said about a file. Raises InputError where it cannot be read."""
    looked = _Looked(path)
    try:
        looked.kind = kind_of(path)
        if looked.kind == "airframe":
            looked.plan = load(path)
            looked.findings = check(looked.plan)
        else:
            looked.fleet, source = load_fleet(path)
            looked.findings = check_fleet(looked.fleet, source)
    except FileError as error:
        looked.problems = error.problems
    return looked


def _file_json(looked: _Looked) -> dict[str, Any]:
    body: dict[str, Any] = {
        "file": str(looked.path),
        "kind": looked.kind or None,
        "usable": not looked.problems,
        "problems": list(looked.problems),
    }
    plan, fleet = looked.plan, looked.fleet
    if plan is not None:
        body |= {
            "title": plan.title,
            "fleet_map": plan.fleet_title,
            "functions": [_role_json(plan, role) for role in plan.roles.values()],
            "gangs": [
                {"gang": gang.name, "gang_number": gang.number, "function_names": list(gang.members)}
                for gang in plan.gangs.values()
            ],
            "bus": _bus_json(plan),
            "line_load": _line_json(plan),
            "models": _models_json(plan.models),
        }
    elif fleet is not None:
        body |= {
            "title": fleet.title,
            "fleet_map": fleet.title,
            "functions": [
                {"function": name, "address": row.address, "channel": row.channel}
                for name, row in fleet.function.items()
            ],
            "models": _models_json(fleet.model),
        }
    else:
        return body
    return {**body, "findings": [_finding_json(one) for one in looked.findings]}


def _role_json(plan: Plan, role: Role) -> dict[str, Any]:
    sweep = role_sweep(plan, role)
    return {
        "function": role.function,
        "address": role.address,
        "channel": role.channel,
        "gang": role.gang or None,
        "place": role.settings["place"],
        "model": role.model,
        "firmware": role.firmware,
        "sweep": {
            "low_deg": round(sweep.low_deg, 4),
            "high_deg": round(sweep.high_deg, 4),
            "lost_at_minus_deg": round(sweep.lost_at_minus_deg, 4),
            "lost_at_plus_deg": round(sweep.lost_at_plus_deg, 4),
            "symmetric_deg": round(sweep.symmetric_deg, 4),
            "lost_share": round(sweep.lost_share, 6),
            "step_deg": round(sweep.step_deg, 6),
        },
    }


def _bus_json(plan: Plan) -> dict[str, Any]:
    load_now = plan_load(plan)
    return {
        "baud": load_now.baud,
        "demands_per_second": plan.bus.demands_per_second,
        "channel_count": load_now.channels,
        "actuator_count": load_now.actuators,
        "cycle_ms": load_now.cycle_ns / 1e6,
        "busy_ms": [one / 1e6 for one in load_now.busy_ns],
        "load_percent": round(load_now.percent, 2),
        "fitting_count": load_now.fits,
        "latency_ms": [one / 1e6 for one in load_now.latency_ns],
        "ask_each_ms": report_poll_ns(len(plan.roles), load_now.baud) / 1e6,
    }


def _finding_json(finding: Finding) -> dict[str, Any]:
    return {
        "kind": finding.kind,
        "severity": "error" if finding.is_error else "advice",
        "file": finding.file,
        "line": finding.line,
        "key": finding.key,
        "function_names": list(finding.functions),
        "text": finding.text,
    }


# --- what a person reads ---------------------------------------------------------------------------------------


def _print(looked: _Looked) -> None:
    out = console()
    if looked.problems:
        _say(f"{looked.path}: cannot be used", "red")
        _print_rows([("error", "", problem) for problem in looked.problems])
        return
    if looked.plan is not None:
        _print_plan(looked.path, looked.plan)
    elif looked.fleet is not None:
        _print_fleet(looked.path, looked.fleet)
    _print_rows([("error" if one.is_error else "advice", one.where, one.what) for one in looked.findings])
    errors = sum(one.is_error for one in looked.findings)
    advice = len(looked.findings) - errors
    if errors:
        _say(f"{_count(errors, 'error')} to be mended" + (f", {_count(advice, 'piece')} of advice." if advice else "."))
    else:
        _say("It fits together" + (f"; {_count(advice, 'piece')} of advice." if advice else "."), "green")
    out.print()


def _models_json(models: Mapping[str, ModelTable]) -> list[dict[str, Any]]:
    return [
        {
            "model": name,
            "stall_torque_written": model.stall_torque,
            "stall_torque_nm": None if model.stall_nm is None else round(model.stall_nm, 7),
            "no_load_speed_written": model.no_load_speed,
            "no_load_speed_deg_s": None if model.no_load_deg_s is None else round(model.no_load_deg_s, 4),
        }
        for name, model in models.items()
    ]


def _line_json(plan: Plan) -> dict[str, Any] | None:
    line = line_of(plan)
    if line is None:
        return None
    return {
        "unit_loads": round(line.unit_loads, 4),
        "pair_ohm": round(line.pair_ohm, 3),
        "driver_ohm": round(line.driver_ohm, 3),
        "idle_v": round(line.idle_v, 5),
    }


# --- schema ----------------------------------------------------------------------------------------------------


@command.command(
    "schema",
    short_help="Print the JSON Schema of a kind of file, for editors.",
    epilog="""\b
Examples:
  busproto plan schema airframe > airframe.schema.json
  busproto plan schema fleet-map > fleet-map.schema.json
The output is the schema itself, JSON Schema draft 2020-12.""",
)
@click.argument("kind", type=click.Choice(sorted(KINDS)))
def print_schema(kind: str) -> None:
    """Print the JSON Schema of a KIND of file: every key and parameter with unit and range."""
    print_json(schema(kind))
