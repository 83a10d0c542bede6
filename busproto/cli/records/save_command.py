"""``busproto save``."""

from __future__ import annotations

import unicodedata
from pathlib import Path

import click

from busproto.atomic_files import check_writable, require_own
from busproto.cli import exit_codes
from busproto.cli.common import (
    PortOptions,
    clear_progress,
    console,
    engaged_json,
    json_option,
    open_link,
    port_options,
    print_engaged,
    print_json,
    uid_text,
)
from busproto.errors import InputError
from busproto.ops.moving.letting_go import OnLine, holding_actuators
from busproto.plan.airframe.record import (
    ENDING,
    Record,
    short,
)
from busproto.plan.airframe.record_file import (
    RECORD_KEY,
    load_record,
    save_record,
)
from busproto.plan.airframe.recording import missing_functions, read_record
from busproto.plan.load import Plan, load
from busproto.wire.frame import UNADDRESSED


@click.command(
    epilog="""\b
Examples:
  busproto save --airframe hauler.toml --port /dev/ttyUSB0
  busproto save -o bench.record.json --title "Bench, left box" --port /dev/ttyUSB0
\b
With --airframe the file is NAME.record.json beside it. What stood there is kept as
NAME.record.1.json, .2.json and so on: nothing is lost.
\b
JSON: "file" (null where nothing was written), "kept" (where the file before is now,
or null), "title", "fingerprint", "actuator_count", "not_stored" (uid, function, setting_names:
they differ in working memory), "flaws" (texts), "engaged" (address,
state: those that are not limp), "missing" (functions of the plan
that are not on the line).
Exit code 3: not the whole bus is known, and nothing is written without --as-it-is; or
a function of the plan is not on the line: then the others are saved."""
)
@click.option("--airframe", metavar="FILE", help="The airframe file: functions and title come from it.")
@click.option("-o", "--output", metavar="FILE", help="Where to write the record.")
@click.option("--title", help="What to call it; the airframe's title where it is not given.")
@click.option("--as-it-is", is_flag=True, help="Also where the search is not proven or actuators cannot be read.")
@port_options
@json_option
def command(
    airframe: str | None, output: str | None, title: str | None, as_it_is: bool, port: PortOptions, as_json: bool
) -> int:
    """Save everything of all actuators in one file: addresses, stored settings, model, firmware, rating.

    Changes nothing on the bus and moves nothing. Its fingerprint is the same whenever the same actuators have the
    same addresses and settings.
    """
    plan = load(airframe) if airframe is not None else None
    path = _path(plan, output)
    if title is not None and any(0xD800 <= ord(letter) <= 0xDFFF for letter in title):
        raise InputError("--title: it is not text in the encoding of this terminal")
    if title is not None and any(unicodedata.category(letter) == "Cc" for letter in title):
        raise InputError("--title: a text without control characters is wanted")
    with open_link(port) as link:
        record = link.run(read_record(plan, title=title or (plan.title if plan else path.name.partition(".")[0])))
        there = [(one.address, one.uid) for one in record.entries] + [(one.address, one.uid) for one in record.unread]
        engaged = link.run(holding_actuators(OnLine(address, uid) for address, uid in there))
    clear_progress()
    if not record.entries and not record.unread:
        raise InputError("no actuator answers, so there is nothing to save: check power, wiring and line rate (--baud)")
    is_refused = bool(record.flaws) and not as_it_is
    kept = None if is_refused else save_record(path, record)
    missing = missing_functions(plan, record) if plan is not None else []
    if as_json:
        print_json(
            {
                "file": None if is_refused else str(path),
                "kept": None if kept is None else str(kept),
                "title": record.title,
                "fingerprint": record.fingerprint,
                "actuator_count": len(record.entries),
                "not_stored": [
                    {"uid": uid_text(one.uid), "function": one.name, "setting_names": list(one.unsaved)}
                    for one in record.entries
                    if one.unsaved
                ],
                "flaws": record.flaws,
                "missing": missing,
                "engaged": engaged_json(engaged),
            }
        )
    else:
        _print(record, path, kept, is_refused, missing)
        print_engaged(engaged)
    return exit_codes.NOT_AS_WANTED if record.flaws or missing else exit_codes.DONE


def open_record(path: str, *, edited_is_fine: bool) -> Record:
    """The record in a file; that it was edited is said, or refused.

    Raises:
        InputError: it was changed since it was saved, and that is not fine.
    """
    record = load_record(path)
    for text in record.edited:
        if not edited_is_fine:
            raise InputError(f"'{path}': {text}; --edited uses it all the same. Nothing was sent")
        click.echo(f"'{path}': {text}.", err=True)
    return record


def _path(plan: Plan | None, output: str | None) -> Path:
    """Where the record goes; looked at before anything is sent."""
    if output is None and plan is None:
        raise InputError("where to? -o FILE is wanted, or --airframe FILE, beside which the record then stands")
    path = Path(output) if output is not None else plan.beside(ENDING) if plan is not None else Path()
    require_own(path, f'"{RECORD_KEY}"', "a record")
    check_writable(path)
    return path


def count_text(count: int) -> str:
    """So many actuators, in words."""
    return f"{count} actuator" + ("" if count == 1 else "s")


def _print(record: Record, path: Path, kept: Path | None, is_refused: bool, missing: list[str]) -> None:
    from rich.markup import escape
    from rich.table import Table

    out = console()
    table = Table("function", "address", "uid", "model", "firmware", box=None)
    for one in record.entries:
        table.add_row(escape(one.function) or "-", str(one.address), uid_text(one.uid), escape(one.model), one.firmware)
    for row in record.unread:
        at = "none" if row.address == UNADDRESSED else str(row.address)
        table.add_row("-", at, uid_text(row.uid), "[yellow]not read[/yellow]", "")
    out.print(table)
    for one in record.entries:
        if one.unsaved:
            names = escape(", ".join(one.unsaved))
            out.print(
                f"[yellow]{escape(one.name)}: working memory differs from stored in {names}; the stored is recorded "
                "('busproto set ADDRESS --store' keeps the other)[/yellow]"
            )
    for flaw in record.flaws:
        out.print(f"[red]{escape(flaw)}[/red]")
    if missing:
        out.print(f"[red]In the plan, but not on the line: {escape(', '.join(missing))}[/red]")
    if is_refused:
        out.print("Nothing was written. Mend it, or say --as-it-is: the record is then marked.")
        return
    mark = ", marked AS IT IS" if record.flaws else ""
    out.print(f"{escape(record.title)}: {count_text(len(record.entries))} in '{escape(str(path))}'{mark}")
    out.print(f"fingerprint [bold]{short(record.fingerprint)}[/bold] ({record.fingerprint})", soft_wrap=True)
    if kept is not None:
        out.print(f"The file before it is kept as '{escape(str(kept))}'.")
