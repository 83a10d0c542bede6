"""``busproto set``."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

import click

from busproto.cli.common import (
    PortOptions,
    clear_option,
    json_option,
    open_link,
    port_options,
    print_json,
    require_clearance,
)
from busproto.errors import InputError
from busproto.ops.addressing import parse_address
from busproto.ops.holding import require_parameter
from busproto.ops.link import Link
from busproto.ops.moving.motion import is_limp, report
from busproto.ops.parameter_access import commit, read_all, read_whole, undo, write
from busproto.wire.messages import Memory
from busproto.wire.parameter_list import STANDARD, ParameterList
from busproto.wire.parameters import BY_NAME, Parameter, RawValue, disagreement

UNDO_TO = {"stored": Memory.STORED, "factory": Memory.FACTORY}


@click.command(
    epilog="""\b
Examples:
  busproto set 5 neutral=1.5 loss-action=hold --store --port /dev/ttyUSB0
  busproto set 5 correction=0,0.2,0.1 --port /dev/ttyUSB0
  busproto set 5 --undo stored --port /dev/ttyUSB0
\b
Values are in the unit of the parameter; 'busproto spec' lists names, units and ranges.
A parameter that only this actuator has is named as 'busproto show ADDRESS' names it.
Without --store a change is gone after a restart.
\b
JSON: "address", "changed" (name, was, is, unit), "stored" (bool), "undone"
("stored", "factory" or null)."""
)
@click.argument("address")
@click.argument("changes", nargs=-1, metavar="[NAME=VALUE]...")
@click.option("--store", is_flag=True, help="Then write all working settings to stored memory, and compare.")
@click.option("--undo", "undo_to", type=click.Choice(list(UNDO_TO)), help="First set working memory back to this.")
@clear_option
@port_options
@json_option
def command(
    address: str,
    changes: tuple[str, ...],
    store: bool,
    undo_to: str | None,
    clear: bool,
    port: PortOptions,
    as_json: bool,
) -> None:
    """Set parameters of the actuator at ADDRESS, each read back."""
    at = parse_address(address)
    given = texts_by_name(changes)
    wanted = parse_changes({name: text for name, text in given.items() if name in BY_NAME})
    if not given and not store and undo_to is None:
        raise click.UsageError("nothing to do: NAME=VALUE, --store or --undo is wanted", click.get_current_context())
    with open_link(port) as link:
        known = None
        if len(wanted) < len(given):  # not in the table: it may be one of the actuator's own
            known = link.run(read_whole(at)).parameters
            wanted = parse_changes(given, known, at)
        rows = (known or STANDARD).rows
        if undo_to is not None or any(rows[name].moves for name in wanted):
            _ask_if_engaged(link, at, clear)
        changed = {}
        if undo_to is not None:
            before = link.run(read_whole(at) if known is None else read_all(at, known=known))
            known, rows = before.parameters, before.parameters.rows
            after = link.run(undo(at, UNDO_TO[undo_to], known))
            changed = {name: (before[name], raw) for name, raw in after.items() if raw != before[name]}
        for name, (was, now) in link.run(write(at, wanted, known)).items():
            changed[name] = (changed.get(name, (was,))[0], now)
        if store:
            link.run(commit(at, known))
    if as_json:
        told = [_changed_json(rows[name], *pair) for name, pair in changed.items()]
        print_json({"address": at, "changed": told, "stored": store, "undone": undo_to})
        return
    if undo_to is not None:
        click.echo(f"address {at}: working settings are those {'stored' if undo_to == 'stored' else 'of the factory'}")
    for name, (was, now) in changed.items():
        row = rows[name]
        click.echo(f"address {at}: {name} {row.text(was)} -> {row.text(now)}")
    for name in wanted:
        if name not in changed:
            click.echo(f"address {at}: {name} is {rows[name].text(wanted[name])} already")
    if store:
        click.echo("stored")
    elif changed or undo_to == "factory":
        click.echo("in working memory only; --store keeps it over a restart")
    elif undo_to is None:
        click.echo("nothing was changed")


def texts_by_name(texts: tuple[str, ...]) -> dict[str, str]:
    """The values of NAME=VALUE texts, by name.

    Raises:
        InputError: not of that form, or a name twice.
    """
    given: dict[str, str] = {}
    for text in texts:
        name, equals, value = text.partition("=")
        if not equals:
            raise InputError(f"'{text}': NAME=VALUE is wanted, with a name of: {', '.join(BY_NAME)}")
        if name in given:
            raise InputError(f"'{name}' is given twice")
        given[name] = value
    return given


def parse_changes(given: Mapping[str, str], known: ParameterList = STANDARD, address: int = 0) -> dict[str, RawValue]:
    """Raw values by name.

    Args:
        given: texts by name.
        known: the list of the actuator at `address`.

    Raises:
        InputError: an unknown name, a value that is not allowed, or a table that the travel given with it does not
            carry.
        LacksParameterError: the actuator lacks one of the table.
    """
    changes: dict[str, RawValue] = {}
    for name, text in given.items():
        require_parameter(known, address, name)
        try:
            changes[name] = known.named(name).from_text(text)
        except InputError as error:
            raise InputError(str(error) if name in BY_NAME else f"address {address}: {error}") from error
    if why := disagreement(changes):
        raise InputError(why)
    return changes


def _ask_if_engaged(link: Link, address: int, clear: bool) -> None:
    """Some settings shift where an engaged arm is driven to: then the cautions come first."""
    if not is_limp(link.run(report(address))):
        require_clearance(clear, f"a change of settings while the actuator at address {address} is engaged")


def _changed_json(row: Parameter, was: RawValue, now: RawValue) -> dict[str, Any]:
    return {"name": row.name, "was": row.value(was), "is": row.value(now), "unit": row.unit}
