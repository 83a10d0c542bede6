"""``busproto trial``."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

import click

from busproto.atomic_files import kept, now_text
from busproto.cautions import DISCLAIMER
from busproto.cli import exit_codes
from busproto.cli.common import (
    FloatRange,
    PortOptions,
    clear_option,
    clear_progress,
    code_of,
    console,
    json_option,
    open_link,
    port_options,
    print_json,
    print_let_go,
    require_clearance,
)
from busproto.cli.looking import Looker, looking_options, print_directions
from busproto.errors import InputError
from busproto.ops.moving.letting_go import LetGo, ending_limp
from busproto.ops.survey import actuators_of, survey
from busproto.plan.airframe.audit import AS_PLANNED, Audit, audit
from busproto.plan.airframe.results import (
    TRIAL_ENDING,
    check_result_place,
    keep_directions,
    subjects_to_try,
    trial_body,
    write_trial,
)
from busproto.plan.assignment import load_assignment
from busproto.plan.calibration.gang_match import matches_of
from busproto.plan.load import Plan, load
from busproto.plan.trials.direction import PART as DIRECTION
from busproto.plan.trials.direction import Tried, positive_of, surfaces_of, try_directions, with_directions
from busproto.plan.trials.trial import PARTS, Findings, Subject, longest_ns, trial


@click.command(
    epilog="""\b
Examples:
  busproto trial hauler.toml --port /dev/ttyUSB0
  busproto trial hauler.toml --port /dev/ttyUSB0 --part loss --clear --json
\b
Parts: start (limp after power-up, soft start measured), centre, move (each channel
to both sides), loss (the signal taken away: what each does, and after how long),
direction (each surface whose 'positive' the plan states swings once to that side, and
you say whether it went there; left out where there is no terminal to ask at and
no --went).
JSON, and the file hauler.trial.json beside the airframe file: "format", "airframe",
"date", "parts", "as_planned", "missing" (functions), "unmatched" (gang: why it is not
matched), "actuators" (function, uid, address, limp_at_start, soft_start_ms, centred,
centred_at_deg, throws: position_deg, planned_deg; loss_action_seen, loss_after_ms:
between which two looks; as_planned, problems, problems_by_part, direction_test:
positive, direction, way, reason, turned_deg, seen_by, date).
In JSON also "let_go": what was seen at the end, see 'busproto move --help'.
An earlier trial that had other parts too is kept as hauler.trial.DATE.json.
An actuator whose reports make no sense is let go and left out; each that does not arrive is
waited for 8 s, once. Before it begins it says how long it takes at most.
Exit code 1: an actuator was not seen limp at the end. Exit code 3: something was not as
planned, or a gang is not matched. Exit code 4: the cautions were not
answered with yes."""
)
@click.argument("airframe")
@click.option(
    "--part", "parts", type=click.Choice((*PARTS, DIRECTION)), multiple=True, help="Only this part; may be given again."
)
@click.option(
    "--throw",
    "percent",
    type=FloatRange(1, 100),
    default=25,
    show_default=True,
    help="How far each is moved to both sides, in % of its travel to that side.",
)
@looking_options
@clear_option
@port_options
@json_option
def command(
    airframe: str,
    parts: tuple[str, ...],
    percent: float,
    went: tuple[tuple[str, str], ...],
    seen_by: str | None,
    clear: bool,
    port: PortOptions,
    as_json: bool,
) -> int:
    """Prove AIRFRAME by moving it: start, centre, move each surface, take the signal away; measured against the plan.

    Each actuator must be alone at its planned address, with the supply within its rating. Whatever happens, also on
    Ctrl-C, all are let go limp at the end.
    """
    plan = load(airframe)
    assignment, matches = load_assignment(plan), matches_of(plan)
    looker = Looker(plan, went, seen_by)
    wanted = [part for part in PARTS if part in parts] if parts else list(PARTS)
    with_direction = DIRECTION in parts if parts else looker.can_tell
    if went and not with_direction:
        raise InputError(f"--went belongs to the part '{DIRECTION}': say --part {DIRECTION} too")
    check_result_place(plan, TRIAL_ENDING)
    tried: list[Tried] = []
    with open_link(port) as link:
        seen = link.run(survey())
        found = audit(plan, assignment, seen, matches)
        subjects, missing = subjects_to_try(plan, found, seen.roster)
        longest_s = -(-longest_ns(subjects, wanted) // 1_000_000_000) if wanted else 0
        if not as_json:
            _tell_beforehand(found, missing, longest_s)
        require_clearance(clear, f"a trial of {plan.title}: {len(subjects)} actuators will move")
        findings, actuators = {subject.address: Findings() for subject in subjects}, actuators_of(seen)
        ends: list[LetGo] = []  # all that are on the line, also those that are not tried
        if wanted:
            findings, limp = link.run(trial(subjects, wanted, percent / 100, actuators=actuators))
            ends.append(limp)
        body = trial_body(plan, wanted, subjects, findings, missing, found.unmatched)
        if wanted:
            body = kept(lambda: write_trial(plan, body)) or body
            if not as_json:
                _print(plan, subjects, findings, body)
        if with_direction:
            there = {subject.role.function: (subject.snapshot.uid, subject.address) for subject in subjects}
            steps = try_directions(
                surfaces_of(plan, there), looker, now_text, lambda some: kept(lambda: keep_directions(plan, some))
            )
            tried, limp = link.run(ending_limp(steps, actuators))
            ends.append(limp)
            body = with_directions(body, tried)
    if as_json:
        print_json({**body, "let_go": ends[-1].as_json()})
    else:
        print_directions(tried)
        print_let_go(ends[-1])
        _tell_untried(plan, looker, bool(parts), with_direction)
        click.echo(DISCLAIMER)
    return code_of(ends[-1], exit_codes.DONE if body["as_planned"] else exit_codes.NOT_AS_WANTED)


def _tell_untried(plan: Plan, looker: Looker, were_parts_chosen: bool, with_direction: bool) -> None:
    """What was left out of the directions, and why: it may not be taken for proven."""
    silent = [function for function, role in plan.roles.items() if not positive_of(plan, role)]
    if not with_direction and not were_parts_chosen and len(silent) < len(plan.roles):
        click.echo("Directions were not tried: there was no person to look (at a terminal, or by --went).")
    elif with_direction and silent:
        click.echo(f"The plan does not say where a positive demand takes: {', '.join(silent)}.")


def _tell_beforehand(found: Audit, missing: list[str], longest_s: int) -> None:
    clear_progress()
    if longest_s:
        console().print(f"What is measured takes {longest_s} s at most, whatever the actuators report.")
    if missing:
        console().print(f"[yellow]Left out, not at the planned address: {', '.join(missing)}[/yellow]")
    odd = [row.role.function for row in found.rows if row.status != AS_PLANNED and row.role.function not in missing]
    if odd:
        console().print(f"[yellow]Not set as planned: {', '.join(odd)} ('busproto audit' tells how)[/yellow]")


def _print(plan: Plan, subjects: list[Subject], findings: dict[int, Findings], body: Mapping[str, Any]) -> None:
    from rich.markup import escape
    from rich.table import Table

    clear_progress()
    out = console()
    table = Table("function", "soft start", "planned", "centred at", "signal gone", "after", "planned", "", box=None)
    for subject in subjects:
        one = findings[subject.address]
        table.add_row(
            escape(subject.role.function),
            "" if one.soft_start_ms is None else f"{one.soft_start_ms:.0f} ms",
            f"{subject.planned('soft-start')} ms",
            "" if one.centred_at_deg is None else f"{one.centred_at_deg:+.2f} deg",
            one.loss_action or ("" if one.loss_action is None else "nothing"),
            "" if one.loss_after_ms is None else "{:.0f}..{:.0f} ms".format(*one.loss_after_ms),
            f"{subject.planned('loss-time-out')} ms",
            "[red]NOT as planned[/red]" if one.faults else "[green]as planned[/green]",
        )
    out.print(table)
    for subject in subjects:
        for fault in findings[subject.address].faults:
            out.print(f"[red]{escape(subject.role.function)}:[/red] {escape(fault)}")
    if body["missing"] or any(one.faults for one in findings.values()):
        out.print("[red]Not all did as planned.[/red]")
    else:
        out.print(f"[green]{escape(plan.title)}: all {len(subjects)} did as planned.[/green]")
        if not body["as_planned"] and not body["unmatched"]:
            out.print("[red]Directions that were tried earlier are not as planned, or not known.[/red]")
    for gang, why in body["unmatched"].items():
        out.print(f"[red]{escape(gang)}:[/red] {escape(why)} ('busproto match' does it)")
