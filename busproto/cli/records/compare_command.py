"""``busproto compare``."""

from __future__ import annotations

from typing import Any

import click

from busproto.cli import exit_codes
from busproto.cli.common import (
    PortOptions,
    address_value,
    clear_progress,
    console,
    json_option,
    open_link,
    port_options,
    print_json,
    uid_text,
)
from busproto.cli.records.save_command import count_text, open_record
from busproto.plan.airframe.differences import Differences, Different, address_words, differences
from busproto.plan.airframe.record import (
    Entry,
    Record,
    Unread,
    short,
)
from busproto.plan.airframe.recording import read_record


def _port_may_be_missing(function: Any) -> Any:
    """The port options, of which none must be given: two files need no port."""
    wrapped = port_options(function)
    for option in wrapped.__click_params__:
        if option.name == "port_url":
            option.required = False
    return wrapped


@click.command(
    epilog="""\b
Examples:
  busproto compare hauler.record.1.json hauler.record.json
  busproto compare hauler.record.json --port /dev/ttyUSB0
\b
JSON: "alike", "first_record" and "second_record" (title, date, fingerprint), "only_first" and
"only_second" (uid, function, address, model), "exchanged" (uid, other_uid, function),
"different" (uid, other_uid, function, name, first, second), "not_read_first" and
"not_read_second" (uid, address, reason), "not_stored" (uid, function, setting_names: in the second
they are other in working memory than in stored, which is what is compared).
Exit code 3: they differ."""
)
@click.argument("first")
@click.argument("second", required=False)
@_port_may_be_missing
@json_option
def command(first: str, second: str | None, port: PortOptions, as_json: bool) -> int:
    """Compare two records, or the record FIRST and the bus as it is now.

    Changes nothing and moves nothing.
    """
    context = click.get_current_context()
    if second is None and port.url is None:
        raise click.UsageError("with what? A second record, or --port, is wanted", context)
    is_port_typed = context.get_parameter_source("port_url") is click.core.ParameterSource.COMMANDLINE
    if second is not None and is_port_typed:
        raise click.UsageError("either a second record or --port, not both", context)
    one = open_record(first, edited_is_fine=True)
    if second is not None:
        other = open_record(second, edited_is_fine=True)
    else:
        with open_link(port) as link:
            other = link.run(read_record(None, title="the bus now"))
    clear_progress()
    found = differences(one, other)
    if as_json:
        not_stored = [
            {"uid": uid_text(entry.uid), "function": entry.name, "setting_names": list(entry.unsaved)}
            for entry in other.entries
            if entry.unsaved
        ]
        body = {**differences_json(found), "not_stored": not_stored}
        print_json({**body, "first_record": _about(one), "second_record": _about(other)})
    else:
        _print(one, other, found, second or port.url)
    return exit_codes.DONE if found.is_alike else exit_codes.NOT_AS_WANTED


def differences_json(found: Differences) -> dict[str, Any]:
    """What differs between two records, as ``compare --json`` prints it."""
    return {
        "alike": found.is_alike,
        "only_first": [_entry_json(one) for one in found.only_first],
        "only_second": [_entry_json(one) for one in found.only_second],
        "exchanged": [
            {
                "uid": uid_text(old.uid),
                "other_uid": uid_text(new.uid),
                "function": old.function or new.function or old.name,
            }
            for old, new in found.exchanged
        ],
        "different": [row.as_json() for row in found.different],
        "not_read_first": [_unread_json(one) for one in found.unread[0]],
        "not_read_second": [_unread_json(one) for one in found.unread[1]],
    }


def _about(record: Record) -> dict[str, str]:
    return {"title": record.title, "date": record.made, "fingerprint": record.fingerprint}


def _entry_json(one: Entry) -> dict[str, Any]:
    return {"uid": uid_text(one.uid), "function": one.name, "address": one.address, "model": one.model}


def _unread_json(one: Unread) -> dict[str, Any]:
    return {"uid": uid_text(one.uid), "address": address_value(one.address), "reason": one.why}


def _print(one: Record, other: Record, found: Differences, second_name: str) -> None:
    from rich.markup import escape
    from rich.table import Table

    out = console()
    out.print(f"first:  {escape(one.title)}, {escape(one.made)}, {short(one.fingerprint)}")
    out.print(f"second: {escape(other.title)}, {escape(other.made)}, {short(other.fingerprint)}")
    for entries, where in ((found.only_first, "first"), (found.only_second, "second")):
        for entry in entries:
            out.print(
                f"[yellow]only in the {where}:[/yellow] {uid_text(entry.uid)}, {escape(entry.model)}, address "
                f"{entry.address}" + (f", {escape(entry.function)}" if entry.function else "")
            )
    for old, new in found.exchanged:
        name = old.function or new.function or f"address {old.address}"
        out.print(f"{escape(name)}: {uid_text(new.uid)} stands in the place of {uid_text(old.uid)}")
    for at, where in enumerate(("first", "second")):
        for row in found.unread[at]:
            out.print(
                f"[red]not read in the {where}:[/red] {uid_text(row.uid)}, address {address_words(row.address)}: "
                f"{escape(row.why)}"
            )
    if found.different:
        out.print(_table(found.different, Table("actuator", "what", "first", "second", box=None), escape))
    for entry in other.entries:
        if entry.unsaved:
            names = ", ".join(entry.unsaved)
            out.print(f"[yellow]{escape(entry.name)}: in working memory {escape(names)} is other than stored[/yellow]")
    if found.is_alike:
        out.print(f"[green]alike: {count_text(len(one.entries))}, every address and setting[/green]")


def _table(rows: tuple[Different, ...], table: Any, escape: Any) -> Any:
    shown = None
    for row in rows:
        pair = (row.uid, row.other_uid)
        table.add_row(
            escape(row.name) if pair != shown else "", escape(row.what), *(escape(text) for text in row.texts)
        )
        shown = pair
    return table
