"""``busproto replace``."""

from __future__ import annotations

from collections.abc import Callable
from functools import partial
from pathlib import Path

import click

from busproto.atomic_files import check_writable, kept, now_text
from busproto.cli import exit_codes
from busproto.cli.change.applying import ask, carry_out_agreed, not_proven, yes_option
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
from busproto.cli.records.save_command import open_record
from busproto.errors import InputError, OperationError
from busproto.ops.addressing import parse_uid
from busproto.ops.link import Link
from busproto.ops.survey import Survey, read_snapshot, survey
from busproto.plan.airframe.applying import Applied, job_of, journal_beside
from busproto.plan.airframe.record import (
    ENDING,
    Record,
    short,
)
from busproto.plan.airframe.record_file import (
    save_record,
)
from busproto.plan.airframe.replace import (
    Exchange,
    assignment_after,
    exchange_of,
    give_back,
    goal_of,
    look_at,
    needs_match,
    objections,
    record_after,
)
from busproto.plan.assignment import assignment_path, load_assignment, save_assignment
from busproto.plan.load import load
from busproto.wire.messages import Description


@click.command(
    epilog="""\b
Examples:
  busproto replace "aileron, left" --record bench.record.json --port /dev/ttyUSB0
  busproto replace "aileron, left" --airframe hauler.toml --port /dev/ttyUSB0
\b
The record is NAME.record.json beside the airframe file unless --record says another;
afterwards it holds the new actuator, and the one before is kept under a number.
\b
JSON: "function", "old_uid", "new_uid", "address", "match_anew" (bool), "file",
"kept" (the record before), "fingerprint", "changes", "step_count",
"proven" (addresses), "reason", "went_on_after", "let_go". Where what is on the line was not
proven, only "changes", "step_count", "proven", "reason" and "engaged" (address,
state: those that are not limp; nothing was sent but questions).
Exit code 1: the new one must not take that place, or an actuator was not seen limp at
the end ("let_go": see 'busproto move --help'); stderr says why. Exit code 3: the
line or the addresses afterwards are not proven. Exit code 4: not agreed."""
)
@click.argument("function", metavar="FUNCTION")
@click.option("--record", "record_file", metavar="FILE", help="The record in which the old actuator stands.")
@click.option(
    "--airframe", metavar="FILE", help="The airframe file: its pack, its record, and which actuator has which function."
)
@click.option("--uid", metavar="UID", help="The new actuator, where the record does not know several on the line.")
@click.option("--take-over", is_flag=True, help="Also where the old actuator is still on the line.")
@click.option("--other-firmware", is_flag=True, help="Also where its firmware is another.")
@click.option("--edited", is_flag=True, help="Also where the record was changed since it was saved.")
@yes_option
@port_options
@json_option
def command(
    function: str,
    record_file: str | None,
    airframe: str | None,
    uid: str | None,
    take_over: bool,
    other_firmware: bool,
    edited: bool,
    agreed: bool,
    port: PortOptions,
    as_json: bool,
) -> int:
    """Put a new actuator in the place of the one recorded in FUNCTION (or with that uid): its address, its settings.

    The correction table is not taken over: it was measured on the old one. A gang is to be matched anew.

    The new one is the only one on the line that the record does not know. It may be fresh from the factory, at any
    address, or share one with another. Model, firmware and rating are held against the old one's first. It goes limp
    and stays limp; nothing moves.
    """
    plan = load(airframe) if airframe is not None else None
    if record_file is None and plan is None:
        raise InputError("--record FILE is wanted, or --airframe FILE, beside which the record stands")
    path = Path(record_file) if record_file is not None else plan.beside(ENDING) if plan is not None else Path()
    record = open_record(str(path), edited_is_fine=edited)
    old = record.entry(function)
    if plan is not None:
        plan.role(old.function)
    assignment = load_assignment(plan) if plan is not None else {}
    new_uid = parse_uid(uid) if uid is not None else None
    check_writable(path)
    if plan is not None:
        check_writable(assignment_path(plan))
    with open_link(port) as link:
        before = link.run(survey())
        clear_progress()
        if not before.roster.proven:
            return not_proven(link, before.roster, as_json)
        exchange = exchange_of(record, function, before, uid=new_uid, take_over=take_over)
        against = partial(
            objections,
            old,
            role=plan.role(old.function) if plan is not None else None,
            full_mv=plan.full_mv if plan is not None else None,
            other_firmware=other_firmware,
        )
        before = _looked_at(link, exchange, before, against, agreed)
        job = job_of(
            before,
            [goal_of(exchange)],
            title=record.title,
            journal_path=journal_beside(path),
            about={"port": port.url, "in_place_of": uid_text(old.uid)},
        )
        applied = carry_out_agreed(link, job, agreed=agreed, as_json=as_json)
        after = record_after(record, exchange, link.run(read_snapshot(old.address)), made=now_text())
    clear_progress()
    is_assigned = True
    if plan is not None:  # first: as long as the record has the old one, this can be run again
        assigned = assignment_after(assignment, old.function, exchange.uid)
        is_assigned = kept(lambda: save_assignment(plan, assigned)) is not None
    earlier = kept(lambda: save_record(path, after)) if is_assigned else None
    if as_json:
        print_json(
            {
                "function": old.function,
                "old_uid": uid_text(old.uid),
                "new_uid": uid_text(exchange.uid),
                "address": old.address,
                "match_anew": needs_match(old),
                "file": str(path),
                "kept": None if earlier is None else str(earlier),
                "fingerprint": after.fingerprint,
                **applied.as_json(),
            }
        )
    else:
        _print(exchange, applied, after, path, earlier)
    return code_of(applied.let_go, exit_codes.NOT_AS_WANTED if applied.proof else exit_codes.DONE)


def _looked_at(
    link: Link, exchange: Exchange, before: Survey, against: Callable[[Description], list[str]], agreed: bool
) -> Survey:
    """Read the new one and hold it against the old one. Returns what is on the line then.

    Raises:
        OperationError: it must not take that place; the text says where it is.
        NotCleared: it had to be lent an address, and that was not agreed.
    """
    if not exchange.is_readable:
        ask(
            f"{uid_text(exchange.uid)} cannot be read where it is. Lend it address {exchange.lend}? It goes limp.",
            agreed,
            "nothing was changed",
        )
    snapshot = link.run(look_at(exchange, before))
    reasons = [*against(snapshot.description), *goal_of(exchange).fitted(snapshot.parameters).texts]
    if reasons:
        at = link.run(give_back(exchange))
        state = "It is as it was" if at == exchange.address else f"It was lent address {at} and keeps it"
        text = f"{uid_text(exchange.uid)} must not take the place of {exchange.old.name}: {'; '.join(reasons)}. {state}"
        raise OperationError(at, text)
    return before if exchange.is_readable else link.run(survey())


def _print(exchange: Exchange, applied: Applied, after: Record, path: Path, earlier: Path | None) -> None:
    from rich.markup import escape

    out = console()
    old = exchange.old
    out.print(f"{applied.steps} steps done, each read back." if applied.todo else "Nothing has to be changed.")
    if applied.proof:
        out.print(f"[red]addresses NOT PROVEN: {escape(applied.proof)}[/red]")
    out.print(
        f"[green]{escape(old.name)}: {uid_text(exchange.uid)} has address {old.address} and all settings of "
        f"{uid_text(old.uid)}, but no correction table.[/green]"
    )
    print_let_go(applied.let_go)
    if needs_match(old):
        why = (
            "a correction table belongs to the one it was measured on"
            if old.settings.get("correction")
            else "it is in a gang"
        )
        out.print(f"[yellow]Match it anew before use: {why}.[/yellow]")
    out.print("Label it with its new function, and look at neutral and throws: the splines of two arms differ.")
    if earlier is None:  # why it is not kept, and what to do, comes behind this
        out.print(f"[red]The record '{escape(str(path))}' still has {uid_text(old.uid)} there: run this again.[/red]")
    else:
        before = f"the one before: '{escape(str(earlier))}'"
        out.print(f"record '{escape(str(path))}', fingerprint {short(after.fingerprint)}; {before}")
