"""``busproto apply``."""

from __future__ import annotations

import click

from busproto.cli import exit_codes
from busproto.cli.applying import Applied, apply_goals, yes_option
from busproto.cli.common import PortOptions, clear_progress, console, json_option, open_link, port_options, print_json
from busproto.errors import FileError
from busproto.ops.survey import Survey, survey
from busproto.plan.audit import Audit, audit, audit_json, goals
from busproto.plan.check import check
from busproto.plan.journal import ENDING
from busproto.plan.load import Plan, load
from busproto.plan.seating import load_seating


@click.command(
    epilog="""\b
Examples:
  busproto apply hauler.toml --port /dev/ttyUSB0
  busproto apply hauler.toml --port /dev/ttyUSB0 --yes --json
\b
JSON: "clean" (afterwards), "changes" (what, uid, function, address, was_address,
settings), "steps_done", "addresses_proven", "reason", "went_on_after" (where an
earlier run was interrupted), "left" (what apply cannot mend: function, name,
found, planned), "missing" (functions).
The journal stands beside the airframe file. Run it again after any interruption.
Exit code 3: something is left that is not as planned. Exit code 4: not agreed."""
)
@click.argument("airframe")
@click.option("--despite-errors", is_flag=True, help="Also where 'busproto plan check' finds errors in the plan.")
@yes_option
@port_options
@json_option
def command(airframe: str, despite_errors: bool, agreed: bool, port: PortOptions, as_json: bool) -> int:
    """Bring every actuator of AIRFRAME to its address and settings: shows the changes, asks, does and proves them.

    Addresses are written by uid, in an order that never puts two at one address, also where they go round in a
    circle. Everyone goes limp first and stays limp; nothing moves. Each step is read back. It can be interrupted at
    any moment and run again.
    """
    plan = load(airframe)
    errors = [str(one) for one in check(plan) if one.is_error]
    if errors and not despite_errors:
        raise FileError(airframe, [*errors, "nothing was sent (--despite-errors goes on all the same)"])
    seating = load_seating(plan)
    with open_link(port) as link:
        before = link.run(survey())
        found = audit(plan, seating, before)
        if not before.roster.proven:
            return _not_proven(before, as_json)
        wanted = goals(plan, seating, before)
        if not as_json:
            _tell_unknown(found)
        applied = apply_goals(
            link,
            before,
            wanted,
            title=plan.title,
            journal_path=plan.beside(ENDING),
            agreed=agreed,
            as_json=as_json,
            about={"port": port.url},
        )
        after = audit(plan, seating, link.run(survey()))
    if as_json:
        print_json({**applied.as_json(), "clean": after.is_clean, **_left_json(after)})
    else:
        _print(plan, applied, after)
    return exit_codes.DONE if after.is_clean and not applied.proof else exit_codes.NOT_AS_WANTED


def _not_proven(before: Survey, as_json: bool) -> int:
    """Where someone may be on the line who is not known, an address could make a new clash."""
    reason = before.roster.reason
    if as_json:
        print_json({"clean": False, "changes": [], "steps_done": 0, "addresses_proven": False, "reason": reason})
    else:
        clear_progress()
        console().print(f"[red]NOT PROVEN complete: {reason}[/red]\nNothing was changed: try again on a quiet line.")
    return exit_codes.NOT_AS_WANTED


def _tell_unknown(found: Audit) -> None:
    clear_progress()
    unknown = [row.seat.function for row in found.rows if row.uid is None or row.address is None]
    if unknown:
        console().print(f"Nobody is known to be in: {', '.join(unknown)} ('busproto claim' tells who is).")


def _left_json(after: Audit) -> dict[str, object]:
    body = audit_json(after)
    left = [
        {"function": row["function"], **{key: one[key] for key in ("name", "found", "planned")}}
        for row in body["functions"]
        for one in row["differences"]
    ]
    missing = [row["function"] for row in body["functions"] if row["uid"] is None or row["status"] == "missing"]
    return {"left": left, "missing": missing, "unexpected": body["unexpected"], "clashes": body["clashes"]}


def _print(plan: Plan, applied: Applied, after: Audit) -> None:
    from rich.markup import escape

    clear_progress()
    out = console()
    if applied.todo:
        out.print(f"{applied.steps} steps done, each read back.")
    else:
        out.print("Nothing has to be changed.")
    if applied.proof:
        out.print(f"[red]addresses NOT PROVEN: {escape(applied.proof)}[/red]")
    for row in after.rows:
        for one in row.differences:
            out.print(f"[yellow]left:[/yellow] {escape(row.seat.function)}: {escape(one.text)}")
        if row.uid is None or row.address is None:
            out.print(f"[yellow]left:[/yellow] {escape(row.seat.function)}: {row.status}")
    if after.is_clean and not applied.proof:
        out.print(f"[green]{escape(plan.title)}: all {len(after.rows)} as planned, proven.[/green] All are limp.")
    elif not any(row.differences for row in after.rows):
        out.print("'busproto audit' tells the rest.")
