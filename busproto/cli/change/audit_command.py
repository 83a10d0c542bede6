"""``busproto audit``."""

from __future__ import annotations

import click

from busproto.cli import exit_codes
from busproto.cli.change.applying import address_word, tell_harm
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
)
from busproto.ops.moving.letting_go import holding_actuators
from busproto.ops.survey import actuators_of, survey
from busproto.plan.airframe.audit import AS_PLANNED, MISSING, Audit, audit, audit_json
from busproto.plan.assignment import load_assignment
from busproto.plan.calibration.gang_match import matches_of
from busproto.plan.load import Plan, load


@click.command(
    epilog="""\b
Examples:
  busproto audit hauler.toml --port /dev/ttyUSB0
  busproto audit hauler.toml --port /dev/ttyUSB0 --json
\b
JSON: "airframe", "harmed" (actuators that the pack or the supply harms: uid, address,
function, rated_v, pack_v, supply_v), "as_planned", "proven", "reason", "unmatched" (gang: why it is not
matched), "functions" (function, status, uid, address, planned_address, differences
with name, found, planned, can_be_applied, note), "unexpected" (uid, address, model),
"clashes" (address, uids), "engaged" (address, state: those that are not limp).
A gang stays matched while its members and their tables are those of its match.
Exit code 3: something is not as planned, a gang is not matched, or the list is not
proven complete."""
)
@click.argument("airframe")
@port_options
@json_option
def command(airframe: str, port: PortOptions, as_json: bool) -> int:
    """Compare what is on the line with the plan in AIRFRAME: as planned, different, missing, clashing, unexpected.

    Actuators that the pack or the supply harms are named first, on stderr.

    Which actuator is which is known from 'busproto claim'. Where it is not, the one actuator that answers at the
    planned address is taken for it. Changes nothing and moves nothing.
    """
    plan = load(airframe)
    assignment, matches = load_assignment(plan), matches_of(plan)
    with open_link(port) as link:
        seen = link.run(survey())
        found = audit(plan, assignment, seen, matches)
        tell_harm(found.harmed)
        engaged = link.run(holding_actuators(actuators_of(seen)))
    if as_json:
        print_json({"airframe": plan.title, **audit_json(found), "engaged": engaged_json(engaged)})
    else:
        print_audit(plan, found, len(assignment))
        print_engaged(engaged)
    return exit_codes.DONE if found.is_clean else exit_codes.NOT_AS_WANTED


def print_audit(plan: Plan, found: Audit, claimed: int) -> None:
    """The comparison for a person."""
    from rich.markup import escape
    from rich.table import Table

    clear_progress()
    out = console()
    table = Table("function", "uid", "address", "is", "what differs", box=None)
    for row in found.rows:
        colour = "green" if row.status == AS_PLANNED else "yellow" if row.status != MISSING else "red"
        differences = [escape(one.text) for one in row.differences] or [""]
        first = (
            escape(row.role.function),
            "" if row.uid is None else row.uid.hex(),
            address_word(row.address),
            f"[{colour}]{row.status}[/{colour}]",
        )
        for at, text in enumerate(differences):
            table.add_row(*(first if not at else ("", "", "", "")), text)
    out.print(table)
    for address, uids in found.clashes.items():
        out.print(f"[red]clash at address {address}:[/red] {', '.join(uid.hex() for uid in uids)}")
    for stray in found.strays:
        where = "without an address" if address_word(stray.address) == "none" else f"at address {stray.address}"
        out.print(f"[yellow]unexpected:[/yellow] {stray.uid.hex()} {where} {escape(stray.model)}".rstrip())
    for gang, why in found.unmatched.items():
        out.print(f"[red]{escape(gang)}:[/red] {escape(why)} ('busproto match' does it)")
    if not found.proven:
        out.print(f"[red]NOT PROVEN complete: {escape(found.reason)}[/red]")
    good = sum(row.status == AS_PLANNED for row in found.rows)
    if found.is_clean:
        out.print(f"[green]{escape(plan.title)}: all {good} as planned, nothing else on the line, proven.[/green]")
        return
    out.print(f"{escape(plan.title)}: {good} of {len(found.rows)} as planned.")
    if any(one.can_be_applied for row in found.rows for one in row.differences):
        out.print("'busproto apply' does what can be set.")
    if claimed < len(found.rows):
        known = "no actuator is claimed yet" if not claimed else f"{claimed} of {len(found.rows)} are claimed"
        out.print(f"Which one is which: {known}; 'busproto claim' tells by hand.")
