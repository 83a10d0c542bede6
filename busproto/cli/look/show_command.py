"""``busproto show``."""

from __future__ import annotations

from typing import Any

import click

from busproto.cli import exit_codes
from busproto.cli.common import (
    PortOptions,
    address_text,
    console,
    engaged_json,
    json_option,
    open_link,
    port_options,
    print_engaged,
    print_json,
)
from busproto.cli.look.find_command import proof_text
from busproto.errors import OperationError
from busproto.ops.addressing import parse_address
from busproto.ops.discovery.search import Roster, find
from busproto.ops.holding import Lists
from busproto.ops.link import Link
from busproto.ops.moving.demand_units import pulse_us_per_degree
from busproto.ops.moving.letting_go import OnLine, holding_actuators
from busproto.ops.moving.motion import fault_texts
from busproto.ops.steps import Progress, Steps
from busproto.ops.survey import Snapshot, firmware_text, read_snapshot
from busproto.wire.frame import UNADDRESSED
from busproto.wire.messages import STATE_TEXTS, Status


@click.command(
    epilog="""\b
Examples:
  busproto show 3 --port /dev/ttyUSB0
  busproto show --port sim://tow-plane?seed=1
\b
JSON: "actuators" (address, uid, model, firmware, rating, report, settings with
value, stored_value, factory_value, unit; "not_there": parameters of the table that it lacks; "own":
name, number, range, step of those that only it has), "not_read" (address, reason), "proven" and "reason"
(null where addresses were given, so that nothing was searched), "engaged" (address, state: those
that are not limp).
Exit code 3: an actuator could not be read, or the list is not proven complete."""
)
@click.argument("addresses", nargs=-1)
@click.option("--all-settings", is_flag=True, help="Also those that are as the factory set them.")
@port_options
@json_option
def command(addresses: tuple[str, ...], all_settings: bool, port: PortOptions, as_json: bool) -> int:
    """Show what the actuators at ADDRESSES are, how they are set and how they are; all of them where none is given.

    Changes nothing and moves nothing.
    """
    wanted = [parse_address(text) for text in addresses]
    with open_link(port) as link:
        roster = None
        if not wanted:
            roster = link.run(find())
            wanted = [at for at in roster.by_address if at != UNADDRESSED]
        snapshots, problems = _read_snapshots(link, wanted)
        engaged = link.run(holding_actuators(OnLine(at) for at in wanted))
    is_complete = roster is None or (roster.proven and not roster.unaddressed)
    if as_json:
        print_json(
            {
                "actuators": [snapshot_json(snapshot) for snapshot in snapshots],
                "not_read": [{"address": at, "reason": text} for at, text in problems],
                "proven": None if roster is None else roster.proven,
                "reason": None if roster is None else roster.reason,
                "engaged": engaged_json(engaged),
            }
        )
    else:
        _print(snapshots, problems, roster, all_settings)
        print_engaged(engaged)
    return exit_codes.DONE if is_complete and not problems else exit_codes.NOT_AS_WANTED


def _read_snapshots(link: Link, addresses: list[int]) -> tuple[list[Snapshot], list[tuple[int, str]]]:
    snapshots: list[Snapshot] = []
    problems: list[tuple[int, str]] = []
    lists = Lists()
    for number, address in enumerate(addresses):
        try:
            snapshots.append(link.run(_snapshot(address, number, len(addresses), lists)))
        except OperationError as error:
            problems.append((address, str(error)))
    return snapshots, problems


def _snapshot(address: int, number: int, of: int, lists: Lists) -> Steps[Snapshot]:
    yield Progress("reading", number, of)
    snapshot = yield from read_snapshot(address, lists)
    yield Progress("reading", number + 1, of)
    return snapshot


def snapshot_json(snapshot: Snapshot) -> dict[str, Any]:
    """All that was read from one actuator, as ``show --json`` prints it."""
    description = snapshot.description
    return {
        "address": snapshot.address,
        "uid": description.uid.hex(),
        "model": description.model,
        "firmware": firmware_text(description),
        "rating": {
            "rated_v": [description.supply_min_mv / 1000, description.supply_max_mv / 1000],
            "stall_torque_nm": description.stall_torque_mnm / 1000,
            "stall_current_ma": description.stall_current_ma,
            "no_load_speed_deg_s": description.no_load_speed_deg_s,
            "mechanical_travel_deg": description.mechanical_travel_cdeg / 100,
        },
        "stored_write_count": description.generation,
        "report": status_json(snapshot.status),
        "settings": {
            name: {
                "value": row.value(snapshot.working[name]),
                "stored_value": row.value(snapshot.stored[name]),
                "factory_value": row.value(row.default),
                "unit": row.unit,
            }
            for name, row in snapshot.parameters.rows.items()
        },
        "not_there": list(snapshot.parameters.lacks),
        "own": [
            {"name": name, "number": row.number, "range": row.range_text(), "step": row.count_unit or "1"}
            for name, row in snapshot.parameters.own_rows.items()
        ],
    }


def status_json(status: Status) -> dict[str, Any]:
    """A report as JSON has it: the names of the keys end in their units."""
    return {
        "state": status.state.name.lower().replace("_", "-"),
        "faults": fault_texts(status.faults),
        "position_deg": status.position_cdeg / 100,
        "demand_deg": status.demand_cdeg / 100,
        "current_ma": status.current_ma,
        "supply_v": status.supply_mv / 1000,
        "temperature_degc": status.temperature_cdeg / 100,
        "demand_age_ms": None if status.demand_age_ms == 0xFFFF else status.demand_age_ms,
        "good_frame_count": status.good_frames,
        "bad_frame_count": status.bad_frames,
        "showing": bool(status.is_showing),
    }


def _print(
    snapshots: list[Snapshot], problems: list[tuple[int, str]], roster: Roster | None, all_settings: bool
) -> None:
    from rich.markup import escape
    from rich.table import Table

    out = console()
    for snapshot in snapshots:
        description, status = snapshot.description, snapshot.status
        out.print(
            f"[bold]Address {address_text(snapshot.address)}[/bold]  uid {description.uid.hex()}  "
            f"{escape(description.model)}, "
            f"firmware {firmware_text(description)}"
        )
        out.print(
            f"  rated {description.supply_min_mv / 1000:.1f}..{description.supply_max_mv / 1000:.1f} V, stall "
            f"{description.stall_torque_mnm / 1000:.2f} N m at {description.stall_current_ma / 1000:.1f} A, "
            f"{description.no_load_speed_deg_s} deg/s; memory written {description.generation} x"
        )
        out.print(
            f"  {STATE_TEXTS[status.state]}; at {status.position_cdeg / 100:.2f} deg, {status.supply_mv / 1000:.2f} V, "
            f"{status.current_ma} mA, {status.temperature_cdeg / 100:.1f} degC"
        )
        for text in fault_texts(status.faults):
            out.print(f"  [yellow]{text}[/yellow]")
        if not description.supply_min_mv <= status.supply_mv <= description.supply_max_mv:
            out.print("  [red]the supply is outside its rating[/red]")
        _print_settings(snapshot, all_settings, Table("setting", "is", "stored", "factory", box=None, pad_edge=True))
    for _, text in problems:  # each names its address
        out.print(f"[red]{escape(text)}[/red]")
    if roster is not None:
        if roster.unaddressed:
            uids = ", ".join(uid.hex() for uid in roster.unaddressed)
            out.print(f"[yellow]Without an address, so not shown: {uids}[/yellow]")
        out.print(proof_text(roster))


def _print_settings(snapshot: Snapshot, all_settings: bool, table: Any) -> None:
    from rich.markup import escape

    out = console()
    for row in snapshot.parameters.rows.values():
        working, stored = snapshot.working[row.name], snapshot.stored[row.name]
        is_own = row.name in snapshot.parameters.own
        if not all_settings and not is_own and working == stored == row.default:
            continue
        is_text = row.text(working)
        if row.name == "travel" and isinstance(working, int):
            is_text += f" ({pulse_us_per_degree(working / 100):.2f} us/deg)"
        kept = escape(row.text(stored))
        if stored != working:
            kept = f"[yellow]{kept}[/yellow]"
        name = f"{row.name} (its own, {row.range_text()})" if is_own else row.name
        table.add_row(escape(name), escape(is_text), kept, escape(row.text(row.default)))
    for name in snapshot.parameters.lacks:
        table.add_row(name, "not there", "", "")
    if table.row_count:
        out.print(table)
    else:
        out.print("  all settings as the factory set them")
    out.print()
