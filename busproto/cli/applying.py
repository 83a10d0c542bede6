"""Bringing actuators to their goals from the command line: show the changes, ask, do them with a journal, prove it.

Shared by every command that does so; what the goals are is the command's own matter.
"""

from __future__ import annotations

import contextlib
import sys
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import Any

import click

from busproto.cli import exit_codes
from busproto.cli.common import NotCleared, clear_progress, console, engaged_json, print_engaged, print_json
from busproto.errors import ReadBackError
from busproto.keeping import check_appendable, now_text
from busproto.ops.address_proof import prove_addresses
from busproto.ops.discovery import Roster
from busproto.ops.letting_go import LetGo, OnLine, ending_limp, who_holds
from busproto.ops.link import Link
from busproto.ops.steps import Steps
from busproto.ops.survey import Survey, crew_of, roster_crew
from busproto.plan.changes import Change, Goal, carry_out, changes, verify
from busproto.plan.hardware import Harmed
from busproto.plan.journal import Journal
from busproto.wire.frame import UNADDRESSED
from busproto.wire.messages import Description


@dataclass(frozen=True, slots=True)
class Applied:
    """What came of it.

    Attributes:
        todo: the changes as they were shown.
        steps: how many single steps were done on the bus.
        proof: "" where everyone is proven to be alone at the address wanted; otherwise the reason why not.
        interrupted: where an earlier run had stopped; "" where it had not.
        let_go: what was seen when all were let go at the end.
        not_set: who got an address but no settings, as it then showed not to be what is wanted; and why.
    """

    todo: tuple[Change, ...]
    steps: int
    proof: str
    interrupted: str
    let_go: LetGo
    not_set: Mapping[str, tuple[str, ...]] = field(default_factory=dict)

    def as_json(self) -> dict[str, Any]:
        """As data."""
        return {
            "changes": [change.as_json() for change in self.todo],
            "steps_done": self.steps,
            "addresses_proven": not self.proof,
            "reason": self.proof,
            "went_on_after": self.interrupted or None,
            "let_go": self.let_go.as_json(),
            "not_set": [{"function": name, "why": list(whys)} for name, whys in self.not_set.items()],
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
    objections: Callable[[Goal, Description], Sequence[str]] | None = None,
    left: Mapping[bytes, str] | None = None,
) -> Applied:
    """Show what has to be done, ask, do it, read everything back.

    Args:
        survey: what is on the line now; must be proven.
        title: of the airframe, for question and journal.
        agreed: do not ask.
        as_json: nothing is printed on stdout.
        about: more for the journal.
        objections: why one that could not be read beforehand must not be set, in words; asked once it has an address.
        left: names of those that are known and left as they are; one of them may lose an address that another needs.

    Raises:
        InputError: the journal cannot be written; nothing was sent.
        NotCleared: the question was not answered with yes; nothing was changed.
        BusError: an actuator did not do it; the journal says how far it came.
    """
    check_appendable(journal_path)
    todo = changes(survey, goals, left=left or {})
    not_set: dict[str, tuple[str, ...]] = {}

    def admit(goal: Goal, description: Description) -> bool:
        whys = tuple(objections(goal, description)) if objections is not None else ()
        if whys:
            not_set[goal.name] = whys
        return not whys

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
    crew = crew_of(survey)

    def note(change: Change, step: str) -> None:
        journal.note(change, step)
        if change.kind in {"address", "park"}:
            crew[:] = _as_it_is_moved(crew, change, is_done=step == "done")

    def work() -> Steps[tuple[int, str]]:
        steps = yield from carry_out(todo, goals, note=note, admit=admit, crew=crew)
        of = [replace(goal, settings={}) if goal.name in not_set else goal for goal in goals]
        proof, roster = yield from _prove(of)
        if roster is not None:
            crew[:] = roster_crew(roster)
        return steps, proof

    (steps, proof), seen = link.run(ending_limp(work(), crew))
    if todo or interrupted:
        journal.end("; ".join([proof or "all as wanted", *(f"not set: {name}" for name in not_set)]))
    return Applied(tuple(todo), steps, proof, interrupted, seen, not_set)


def _as_it_is_moved(crew: Sequence[OnLine], change: Change, *, is_done: bool) -> list[OnLine]:
    """Those on the line where they are once an address was given; and until that is read back, also where it was."""
    return [
        one
        if one.uid != change.uid
        else replace(one, address=change.address, or_at=0)
        if is_done
        else replace(one, or_at=change.address)
        for one in crew
    ]


def _prove(goals: Sequence[Goal]) -> Steps[tuple[str, Roster | None]]:
    """Why it is not proven, "" where it is; and who is there, None where that is not known."""
    try:
        roster = yield from verify(goals)
    except ReadBackError as error:
        return str(error), None
    if not roster.proven:
        return roster.reason, roster
    if roster.unaddressed:
        return "" if not roster.clashes else "some still share an address", roster
    # the book by addresses says at once that each is where it is to be, and that nobody shares
    return (yield from prove_addresses({one.uid: one.address for one in roster.found})), roster


def not_proven(link: Link, roster: Roster, as_json: bool, **also: object) -> int:
    """Where an actuator may be on the line that is not known, an address could make a new clash: nothing is changed.

    Nothing was sent but questions, so that one that held before holds still; those that are seen to hold are named.

    Args:
        also: more for the JSON.

    Returns:
        The exit code.
    """
    engaged = link.run(who_holds(roster_crew(roster)))
    clear_progress()
    if as_json:
        nothing = {"changes": [], "steps_done": 0, "addresses_proven": False, "reason": roster.reason}
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
            who = (escape(change.name), change.uid.hex()) if not at else ("", "")
            table.add_row(*who, escape(text))
    console().print(table)


def tell_harm(harmed: Sequence[Harmed]) -> None:
    """Whom the pack or the supply harms: before anything else is printed or asked, on stderr in every mode."""
    clear_progress()
    for one in harmed:
        click.echo(one.text, err=True)


def ask(question: str, agreed: bool, otherwise: str, *, beforehand: str = "--yes answers beforehand") -> None:
    """Ask before something lasting is done.

    Args:
        agreed: do not ask.
        otherwise: what is so where the answer is no, such as "nothing was changed".
        beforehand: what to say where nobody can be asked.

    Raises:
        NotCleared: the answer was no, or there is nobody to ask.
    """
    if agreed:
        return
    clear_progress()
    if not sys.stdin.isatty():
        raise NotCleared(f"nobody is there to answer ({beforehand})", otherwise)
    with contextlib.redirect_stdout(sys.stderr):
        if not click.confirm(f"{question} [y/N]", default=False, show_default=False, prompt_suffix=" ", err=True):
            raise NotCleared("the question was not answered with yes", otherwise)


def yes_option(function: Any) -> Any:
    """The option --yes; it arrives as `agreed`."""
    return click.option("--yes", "agreed", is_flag=True, help="Do not ask before changing what is stored.")(function)


def address_word(address: int | None) -> str:
    """An address for a table."""
    return "none" if address in {None, UNADDRESSED} else str(address)
