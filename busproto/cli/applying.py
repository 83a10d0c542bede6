"""Bringing actuators to their goals from the command line: show the changes, ask, do them with a journal, prove it.

Shared by every command that does so; what the goals are is the command's own matter.
"""

from __future__ import annotations

import contextlib
import sys
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import click

from busproto.cli.common import NotCleared, clear_progress, console
from busproto.errors import ReadBackError
from busproto.keeping import now_text
from busproto.ops.address_proof import prove_addresses
from busproto.ops.link import Link
from busproto.ops.steps import Steps
from busproto.ops.survey import Survey
from busproto.plan.changes import Change, Goal, carry_out, changes, verify
from busproto.plan.journal import Journal
from busproto.wire.frame import UNADDRESSED


@dataclass(frozen=True, slots=True)
class Applied:
    """What came of it.

    Attributes:
        todo: the changes as they were shown.
        steps: how many single steps were done on the bus.
        proof: "" where everyone is proven to be alone at the address wanted; otherwise the reason why not.
        interrupted: where an earlier run had stopped; "" where it had not.
    """

    todo: tuple[Change, ...]
    steps: int
    proof: str
    interrupted: str

    def as_json(self) -> dict[str, Any]:
        """As data."""
        return {
            "changes": [change.as_json() for change in self.todo],
            "steps_done": self.steps,
            "addresses_proven": not self.proof,
            "reason": self.proof,
            "went_on_after": self.interrupted or None,
        }


def apply_goals(
    link: Link,
    survey: Survey,
    goals: Sequence[Goal],
    *,
    title: str,
    journal_path: Path,
    agreed: bool,
    as_json: bool,
    about: Mapping[str, Any] | None = None,
) -> Applied:
    """Show what has to be done, ask, do it, read everything back.

    Args:
        survey: what is on the line now; must be proven.
        title: of the airframe, for question and journal.
        agreed: do not ask.
        as_json: nothing is printed on stdout.
        about: more for the journal.

    Raises:
        NotCleared: the question was not answered with yes; nothing was changed.
        BusError: an actuator did not do it; the journal says how far it came.
    """
    todo = changes(survey, goals)
    journal = Journal(journal_path, now_text)
    interrupted = journal.unfinished() or ""
    clear_progress()
    if interrupted:
        click.echo(f"Going on: {interrupted}.", err=True)
    if todo and not as_json:
        print_changes(todo)
    if todo:
        ask(f"Do this to {title}? Everyone goes limp first, nothing moves.", agreed, "nothing was changed")
        journal.begin(title, {"changes": len(todo), **(about or {})})
    steps = link.run(carry_out(todo, goals, note=journal.note))
    proof = link.run(_prove(goals))
    if todo or interrupted:
        journal.end(proof or "all as wanted")
    return Applied(tuple(todo), steps, proof, interrupted)


def _prove(goals: Sequence[Goal]) -> Steps[str]:
    try:
        roster = yield from verify(goals)
    except ReadBackError as error:
        return str(error)
    if not roster.proven:
        return roster.reason
    if roster.unaddressed:
        return "" if not roster.clashes else "some still share an address"
    # the book by addresses says at once that each is where it is to be, and that nobody shares
    return (yield from prove_addresses({one.uid: one.address for one in roster.found}))


def print_changes(todo: Sequence[Change]) -> None:
    """The changes as a table."""
    from rich.markup import escape
    from rich.table import Table

    table = Table("function", "uid", "change", box=None)
    for change in todo:
        texts = change.setting_texts if change.kind == "settings" and change.is_known else [change.text]
        for at, text in enumerate(texts):
            who = (escape(change.name), change.uid.hex()) if not at else ("", "")
            table.add_row(*who, escape(text))
    console().print(table)


def ask(question: str, agreed: bool, otherwise: str) -> None:
    """Ask before something lasting is done.

    Raises:
        NotCleared: the answer was no, or there is nobody to ask.
    """
    if agreed:
        return
    clear_progress()
    if not sys.stdin.isatty():
        raise NotCleared("nobody is there to answer (--yes answers beforehand)", otherwise)
    with contextlib.redirect_stdout(sys.stderr):
        if not click.confirm(f"{question} [y/N]", default=False, show_default=False, prompt_suffix=" ", err=True):
            raise NotCleared("the question was not answered with yes", otherwise)


def yes_option(function: Any) -> Any:
    """The option --yes; it arrives as `agreed`."""
    return click.option("--yes", "agreed", is_flag=True, help="Do not ask before changing what is stored.")(function)


def address_word(address: int | None) -> str:
    """An address for a table."""
    return "none" if address in {None, UNADDRESSED} else str(address)
