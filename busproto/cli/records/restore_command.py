"""``busproto restore``."""

from __future__ import annotations

from pathlib import Path

import click

from busproto.atomic_files import now_text
from busproto.cli import exit_codes
from busproto.cli.change.applying import carry_out_agreed, not_proven, yes_option
from busproto.cli.common import (
    PortOptions,
    clear_progress,
    code_of,
    console,
    json_option,
    open_link,
    port_options,
    print_json,
    print_let_go,
    uid_text,
)
from busproto.cli.records.compare_command import differences_json
from busproto.cli.records.save_command import open_record
from busproto.errors import InputError
from busproto.ops.survey import survey
from busproto.plan.airframe.applying import Applied, absent_of, job_of_record, journal_beside, left_out, look_again
from busproto.plan.airframe.differences import Differences, differences
from busproto.plan.airframe.record import (
    Entry,
    Record,
    record_of,
    short,
)


@click.command(
    epilog="""\b
Examples:
  busproto restore hauler.record.json --port /dev/ttyUSB0
  busproto restore hauler.record.json --those-present --yes --port /dev/ttyUSB0
\b
JSON: "restored" (bool), "fingerprint" (of the record), "absent" (uid, function),
"changes", "step_count", "not_set" (function, reasons: those left as they are),
"proven" (addresses), "reason", "went_on_after", "let_go", and what still differs, as
'busproto compare' gives it ("only_second": on the bus, not in the record). Where what is
on the line was not proven, only "restored", "changes",
"step_count", "proven", "reason" and "engaged" (address, state: those that are
not limp; nothing was sent but questions).
A journal stands beside the record. Run it again after any interruption.
Exit code 1: an actuator was not seen limp at the end ("let_go": see 'busproto move
--help'). Exit code 3: the bus is not as recorded. Exit code 4: not agreed."""
)
@click.argument("record_file", metavar="RECORD")
@click.option("--those-present", is_flag=True, help="Also where actuators of the record are not on the line.")
@click.option("--edited", is_flag=True, help="Also where the file was changed since it was saved.")
@yes_option
@port_options
@json_option
def command(record_file: str, those_present: bool, edited: bool, agreed: bool, port: PortOptions, as_json: bool) -> int:
    """Bring the bus back to RECORD: every actuator, by uid, to its address and all its stored settings.

    Shows the changes, asks, does them with each step read back, and compares all with the record. All actuators go
    limp first and stay limp; nothing moves. An actuator that is not in the record is left alone, but loses an address
    that the record gives to another.
    """
    record = open_record(record_file, edited_is_fine=edited)
    for flaw in record.flaws:
        click.echo(f"'{record_file}' was saved as it was: {flaw}; what was not read cannot be restored.", err=True)
    with open_link(port) as link:
        before = link.run(survey())
        clear_progress()
        if not before.roster.proven:
            return not_proven(link, before.roster, as_json, restored=False)
        absent = absent_of(record, before.roster)
        _refuse_absent(absent, record, those_present)
        job = job_of_record(record, before, journal_path=journal_beside(Path(record_file)), about={"port": port.url})
        for name, whys in left_out(job).items():
            click.echo(f"Left out: {name}: {'; '.join(whys)}", err=True)
        applied = carry_out_agreed(link, job, agreed=agreed, as_json=as_json)
        now = record_of(link.run(look_again(job)), title="the bus now", made=now_text(), functions={})
    clear_progress()
    found = differences(record, now)
    is_restored = found.is_alike and not applied.proof
    if as_json:
        print_json(
            {
                "restored": is_restored,
                "fingerprint": record.fingerprint,
                "absent": [{"uid": uid_text(one.uid), "function": one.name} for one in absent],
                **applied.as_json(),
                **differences_json(found),
            }
        )
    else:
        _print(record, applied, found, is_restored)
    return code_of(applied.let_go, exit_codes.DONE if is_restored else exit_codes.NOT_AS_WANTED)


def _refuse_absent(absent: list[Entry], record: Record, those_present: bool) -> None:
    those = "; ".join(f"{one.name} ({one.uid.hex()}, address {one.address})" for one in absent)
    if absent and (not those_present or len(absent) == len(record.entries)):
        raise InputError(
            f"not on the line: {those}. Plug in and power them, or say --those-present; 'busproto replace' puts a new "
            "one in the place of one that is lost. Nothing was changed"
        )


def _print(record: Record, applied: Applied, found: Differences, is_restored: bool) -> None:
    from rich.markup import escape

    out = console()
    out.print(f"{applied.steps} steps done, each read back." if applied.todo else "Nothing has to be changed.")
    if applied.proof:
        out.print(f"[red]addresses NOT PROVEN: {escape(applied.proof)}[/red]")
    for one in found.only_first:
        out.print(f"[yellow]not on the line:[/yellow] {escape(one.name)}, {uid_text(one.uid)}")
    for one in found.only_second:
        out.print(f"[yellow]not in the record:[/yellow] {uid_text(one.uid)} at address {one.address}")
    for row in found.unread[1]:
        out.print(f"[yellow]not read:[/yellow] {uid_text(row.uid)}: {escape(row.why)}")
    for difference in found.different:
        first, second = difference.texts
        out.print(
            f"[yellow]differs:[/yellow] {escape(difference.name)}: {escape(difference.what)} is {escape(second)}, "
            f"recorded {escape(first)}"
        )
    if is_restored:
        out.print(
            f"[green]{escape(record.title)}: all {len(record.entries)} as recorded, fingerprint "
            f"{short(record.fingerprint)}.[/green]"
        )
    print_let_go(applied.let_go)
