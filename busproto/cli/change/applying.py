"""Bringing actuators to their goals from the command line: show the changes, ask, do them with a journal, prove it.

What talks to the terminal; the rest stands in `busproto.plan.airframe.applying`. Shared by every command that does so.
"""

from __future__ import annotations

import contextlib
import sys
from collections.abc import Sequence
from typing import Any

import click

from busproto.cli import exit_codes
from busproto.cli.common import NotCleared, clear_progress, console, engaged_json, print_engaged, print_json
from busproto.ops.discovery.search import Roster
from busproto.ops.link import Link
from busproto.ops.moving.letting_go import holding_actuators
from busproto.ops.survey import roster_actuators
from busproto.plan.airframe.applying import Applied, Job, carry_out_job
from busproto.plan.changes import Change
from busproto.plan.hardware import Harmed
from busproto.wire.frame import UNADDRESSED


def carry_out_agreed(link: Link, job: Job, *, agreed: bool, as_json: bool) -> Applied:
    """Show what has to be done, ask, do it, read everything back.

    Args:
        agreed: do not ask.
        as_json: nothing is printed on stdout.

    Raises:
        NotCleared: the question was not answered with yes; nothing was changed.
        BusError: an actuator did not do it; the journal says how far it came.
    """
    clear_progress()
    if job.interrupted:
        click.echo(f"Going on: {job.interrupted}.", err=True)
    if job.todo and not as_json:
        print_changes(job.todo)
    if job.todo:
        ask(f"Do this to {job.title}? All actuators go limp first, nothing moves.", agreed, "nothing was changed")
    return link.run(carry_out_job(job))


def not_proven(link: Link, roster: Roster, as_json: bool, **also: object) -> int:
    """Where an actuator may be on the line that is not known, an address could make a new clash: nothing is changed.

    Nothing was sent but questions, so that one that held before holds still; those that are seen to hold are named.

    Args:
        also: more for the JSON.

    Returns:
        The exit code.
    """
    engaged = link.run(holding_actuators(roster_actuators(roster)))
    clear_progress()
    if as_json:
        nothing = {"changes": [], "step_count": 0, "proven": False, "reason": roster.reason}
        print_json({**also, **nothing, "engaged": engaged_json(engaged)})
    else:
        console().print(f"[red]NOT PROVEN complete: {roster.reason}[/red]")
        console().print("Nothing was changed: try again on a quiet line.")
        print_engaged(engaged)
    return exit_codes.NOT_AS_WANTED


def print_changes(todo: Sequence[Change]) -> None:
    """The changes as a table."""
    from rich.markup import escape
    from rich.table import Table

    table = Table("function", "uid", "change", box=None)
    for change in todo:
        texts = change.setting_texts if change.kind == "settings" and change.is_known else [change.text]
        for at, text in enumerate(texts):
            head = (escape(change.name), change.uid.hex()) if not at else ("", "")
            table.add_row(*head, escape(text))
    console().print(table)


def tell_harm(harmed: Sequence[Harmed]) -> None:
    """Name actuators that the pack or the supply harms: before anything else, on stderr in every mode."""
    clear_progress()
    for one in harmed:
        click.echo(one.text, err=True)


def ask(question: str, agreed: bool, otherwise: str, *, beforehand: str = "--yes answers beforehand") -> None:
    """Ask before something lasting is done.

    Args:
        agreed: do not ask.
        otherwise: what is so where the answer is no, such as "nothing was changed".
        beforehand: what to say where there is no terminal.

    Raises:
        NotCleared: the answer was no, or there is no terminal to ask at.
    """
    if agreed:
        return
    clear_progress()
    if not sys.stdin.isatty():
        raise NotCleared(f"the question cannot be answered without a terminal ({beforehand})", otherwise)
    with contextlib.redirect_stdout(sys.stderr):
        if not click.confirm(f"{question} [y/N]", default=False, show_default=False, prompt_suffix=" ", err=True):
            raise NotCleared("the question was not answered with yes", otherwise)


def yes_option(function: Any) -> Any:
    """The option --yes; it arrives as `agreed`."""
    return click.option("--yes", "agreed", is_flag=True, help="Do not ask before changing what is stored.")(function)


def address_word(address: int | None) -> str:
    """An address for a table."""
    return "none" if address in {None, UNADDRESSED} else str(address)
