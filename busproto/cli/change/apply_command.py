"""``busproto apply``."""

from __future__ import annotations

from collections.abc import Sequence

import click

from busproto.atomic_files import check_appendable
from busproto.cli import exit_codes
from busproto.cli.change.applying import ask, carry_out_agreed, not_proven, tell_harm, yes_option
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
)
from busproto.errors import FileError
from busproto.ops.survey import survey
from busproto.plan.airframe.applying import LEAVE, WRITE, Applied, Prospect, job_of_prospect, look_again, prospect_of
from busproto.plan.airframe.audit import Audit, audit, audit_json
from busproto.plan.assignment import load_assignment
from busproto.plan.calibration.gang_match import matches_of
from busproto.plan.check.check import check
from busproto.plan.journal import ENDING
from busproto.plan.load import Plan, load


@click.command(
    epilog="""\b
Examples:
  busproto apply hauler.toml --port /dev/ttyUSB0
  busproto apply hauler.toml --port /dev/ttyUSB0 --yes --json
  busproto apply hauler.toml --port /dev/ttyUSB0 --yes --wrong-hardware leave
\b
--yes agrees to the changes, and to nothing else. Two more questions have their own
answers: whether to write to an actuator whose model, firmware or rating is not that
of the plan, and whether to take the one actuator that answers at a planned address
for its function, where no actuator was claimed for it.
\b
JSON: "harmed" (as 'busproto audit' gives it), "as_planned" (addresses and settings,
afterwards), "unmatched" (gang: why it is not matched; no fault here), "changes" (kind,
uid, function, address, was_address, settings_to_change), "step_count", "proven" (addresses),
"reason", "went_on_after" (where an earlier run was interrupted), "let_go" (what was
seen at the end, see 'busproto move --help'), "wrong_hardware" (function, reasons: known
before anything was written), "not_set" (function, reasons: known once it had an address),
"by_address" (functions for which no actuator was claimed), "left" (what apply cannot mend:
function, name, found, planned), "missing" (functions). Where what is on the line was
not proven, only "as_planned", "changes", "step_count", "proven", "reason" and
"engaged" (address, state: those that are not limp; nothing was sent but questions).
The journal stands beside the airframe file. Run it again after any interruption.
Exit code 1: an actuator was not seen limp at the end. Exit code 3: something is left
that is not as planned. Exit code 4: not agreed."""
)
@click.argument("airframe")
@click.option("--despite-errors", is_flag=True, help="Also where 'busproto plan check' finds errors in the plan.")
@click.option(
    "--wrong-hardware",
    type=click.Choice((LEAVE, WRITE)),
    help="Where model, firmware, rating or supply is not as planned: leave that actuator as it is (but for an address "
    "that another is to have), or write to it all the same. Without this it is asked.",
)
@click.option(
    "--by-address",
    is_flag=True,
    help="Where no actuator was claimed for a function, take the one alone at its address for it without asking.",
)
@yes_option
@port_options
@json_option
def command(
    airframe: str,
    despite_errors: bool,
    wrong_hardware: str | None,
    by_address: bool,
    agreed: bool,
    port: PortOptions,
    as_json: bool,
) -> int:
    """Bring every actuator of AIRFRAME to its address and settings: shows the changes, asks, does and proves them.

    Addresses are written by uid, in an order that never puts two at one address, also where they go round in a
    circle. All actuators go limp first and stay limp; nothing moves. Each step is read back. It can be interrupted at
    any moment and run again.
    """
    plan = load(airframe)
    errors = [str(one) for one in check(plan) if one.is_error]
    if errors and not despite_errors:
        raise FileError(airframe, [*errors, "nothing was sent (--despite-errors goes on all the same)"])
    assignment, matches = load_assignment(plan), matches_of(plan)
    check_appendable(plan.beside(ENDING))
    with open_link(port) as link:
        before = link.run(survey())
        found = audit(plan, assignment, before)
        tell_harm(found.harmed)
        if not before.roster.proven:
            return not_proven(link, before.roster, as_json, as_planned=False)
        prospect = prospect_of(plan, assignment, before, found, wrong_hardware)
        if not as_json:
            _tell_unknown(found)
        _tell_wrong(prospect, wrong_hardware)
        _tell_unclaimed(prospect, found, by_address)
        job = job_of_prospect(prospect, wrong_hardware, {"port": port.url})
        applied = carry_out_agreed(link, job, agreed=agreed, as_json=as_json)
        seen = link.run(look_again(job))
    after, unmatched = audit(plan, assignment, seen), audit(plan, assignment, seen, matches).unmatched
    if after.harmed != found.harmed:
        tell_harm([one for one in after.harmed if one.uid not in {known.uid for known in found.harmed}])
    if as_json:
        print_json(
            {
                "harmed": [one.as_json() for one in after.harmed],
                **applied.as_json(),
                "wrong_hardware": [{"function": name, "reasons": list(whys)} for name, whys in prospect.wrong.items()],
                "by_address": list(prospect.unclaimed),
                "as_planned": after.is_clean,
                "unmatched": dict(unmatched),
                **_left_json(after),
            }
        )
    else:
        _print(plan, applied, after, prospect.unclaimed)
        for gang, why in unmatched.items():
            console().print(f"{gang}: {why} ('busproto match' does it)", style="yellow", markup=False)
    is_done = after.is_clean and not applied.proof
    return code_of(applied.let_go, exit_codes.DONE if is_done else exit_codes.NOT_AS_WANTED)


def _tell_wrong(prospect: Prospect, answer: str | None) -> None:
    """Name actuators that are not the hardware of the plan; ask where one would be written to and nothing was said.

    Raises:
        NotCleared: the answer was no, or there is no terminal to ask at; nothing was changed.
    """
    for function, whys in prospect.wrong.items():
        click.echo(f"Not the hardware of the plan: {function}: {'; '.join(whys)}", err=True)
    touched = prospect.wrong_to_be_written
    if touched and answer is None:
        noun = "it" if len(touched) == 1 else f"these {len(touched)}"
        ask(
            f"Write to {noun} all the same?",
            False,
            "nothing was changed",
            beforehand=f"--wrong-hardware {LEAVE} does the others, --wrong-hardware {WRITE} writes to all",
        )


def _tell_unclaimed(prospect: Prospect, found: Audit, agreed: bool) -> None:
    """Say which actuators are known by address alone; ask where one of them would be written to.

    Raises:
        NotCleared: the answer was no, or there is no terminal to ask at; nothing was changed.
    """
    if not prospect.unclaimed:
        return
    uids = {row.role.function: row.uid for row in found.rows if row.uid is not None}
    click.echo(
        "Never claimed, known by address alone; whether they sit where the plan has them was not seen:", err=True
    )
    for function in prospect.unclaimed:
        click.echo(f"  {function}: {uids[function].hex()}", err=True)
    if prospect.unclaimed_to_be_written:
        ask(
            "Take them for these functions?",
            agreed,
            "nothing was changed",
            beforehand="--by-address answers beforehand; 'busproto claim' learns it by hand",
        )


def _tell_unknown(found: Audit) -> None:
    clear_progress()
    unknown = [row.role.function for row in found.rows if row.uid is None or row.address is None]
    if unknown:
        console().print(f"No actuator is claimed for: {', '.join(unknown)} ('busproto claim' tells which it is).")


def _left_json(after: Audit) -> dict[str, object]:
    body = audit_json(after)
    left = [
        {"function": row["function"], **{key: one[key] for key in ("name", "found", "planned")}}
        for row in body["functions"]
        for one in row["differences"]
    ]
    missing = [row["function"] for row in body["functions"] if row["uid"] is None or row["status"] == "missing"]
    return {"left": left, "missing": missing, "unexpected": body["unexpected"], "clashes": body["clashes"]}


def _print(plan: Plan, applied: Applied, after: Audit, unclaimed: Sequence[str]) -> None:
    from rich.markup import escape

    clear_progress()
    out = console()
    if applied.todo:
        out.print(f"{applied.steps} steps done, each read back.")
    else:
        out.print("Nothing has to be changed.")
    if applied.proof:
        out.print(f"[red]addresses NOT PROVEN: {escape(applied.proof)}[/red]")
    for name, whys in applied.not_set.items():
        out.print(
            f"[red]not set, as it is not the hardware of the plan:[/red] {escape(name)}: {escape('; '.join(whys))}"
        )
    for row in after.rows:
        for one in row.differences:
            out.print(f"[yellow]left:[/yellow] {escape(row.role.function)}: {escape(one.text)}")
        if row.uid is None or row.address is None:
            out.print(f"[yellow]left:[/yellow] {escape(row.role.function)}: {row.status}")
    if after.is_clean and not applied.proof:
        out.print(f"[green]{escape(plan.title)}: all {len(after.rows)} as planned, proven.[/green]")
        if unclaimed:
            out.print(f"[yellow]Known by address alone, never claimed: {escape(', '.join(unclaimed))}[/yellow]")
    elif not any(row.differences for row in after.rows):
        out.print("'busproto audit' tells the rest.")
    print_let_go(applied.let_go)
