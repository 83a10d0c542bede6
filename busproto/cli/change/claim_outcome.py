"""What came of a claim: for the table that a person reads, and for JSON."""

from __future__ import annotations

import shlex
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

from busproto.cli.common import PortOptions, address_text, address_value, console, uid_text
from busproto.cli.look.find_command import proof_text
from busproto.cli.looking import COLOURS, direction_line
from busproto.ops.addressing import Move
from busproto.ops.discovery.search import Roster
from busproto.ops.moving.hand_movement import Member
from busproto.plan.actuators import Known, harmed_of, unfit_of
from busproto.plan.airframe import claim as claims
from busproto.plan.assignment import assignment_path
from busproto.plan.claim_words import earlier_line, unfit_line
from busproto.plan.hardware import Difference
from busproto.plan.load import Plan
from busproto.plan.trials.direction import Tried, Way


def claim_line(plan: Plan, *words: str) -> str:
    """A claim of this plan as one types it."""
    return shlex.join(["busproto", "claim", str(plan.path), *words])


@dataclass(frozen=True)
class Outcome:
    """What is known at the end, for the table and for JSON."""

    plan: Plan
    assigned: Mapping[str, bytes]
    actuators: Sequence[Member] = ()
    roster: Roster | None = None
    scratch: tuple[Move, ...] = ()
    ended: claims.Ended | None = None
    known: Mapping[bytes, Known] = field(default_factory=dict)
    tried: Sequence[Tried] = ()
    is_draft: bool = False
    is_kept: bool = True
    earlier: Path | None = None

    @property
    def unfit(self) -> dict[str, tuple[Difference, ...]]:
        """Functions whose actuator is not what the plan has there: model, firmware, rating, supply."""
        return unfit_of(self.plan, self.assigned, self.known)

    @property
    def is_as_wanted(self) -> bool:
        """All claimed, all there, all of the kind that is planned, and all that was tried went where it should."""
        return self.is_whole and not self.unfit and all(one.way is Way.PLANNED for one in self.tried)

    @property
    def open(self) -> list[str]:
        return [function for function in self.plan.roles if function not in self.assigned]

    @property
    def absent(self) -> list[str]:
        """Functions whose actuator cannot be asked; none where nothing was looked at."""
        at = {member.uid for member in self.actuators}
        return [] if self.roster is None else [name for name, uid in self.assigned.items() if uid not in at]

    @property
    def is_whole(self) -> bool:
        return not self.open and not self.absent

    @property
    def unclaimed(self) -> list[Member]:
        return [member for member in self.actuators if member.uid not in self.assigned.values()]

    @property
    def unwatched(self) -> list[bytes]:
        """Those on the line without an address of their own."""
        at = {member.uid for member in self.actuators}
        return [] if self.roster is None else [one.uid for one in self.roster.found if one.uid not in at]

    def json(self) -> dict[str, Any]:
        members = {member.uid: member for member in self.actuators}
        functions = []
        for function, role in self.plan.roles.items():
            uid = self.assigned.get(function)
            member = None if uid is None else members.get(uid)
            functions.append(
                {
                    "function": function,
                    "uid": None if uid is None else uid_text(uid),
                    "address": None if member is None else member.address,
                    "planned_address": role.address,
                    "model": None if member is None else member.model or None,
                    "on_line": None if self.roster is None or uid is None else member is not None,
                }
            )
        harmed = harmed_of(self.plan, self.assigned, self.known)
        return {
            "harmed": [one.as_json() for one in harmed.values()],
            "airframe": self.plan.title,
            "functions": functions,
            "open": self.open,
            "unclaimed": [
                {"uid": uid_text(one.uid), "address": one.address, "model": one.model or None} for one in self.unclaimed
            ],
            "silent": [uid_text(uid) for uid in self.ended.silent] if self.ended else [],
            "scratch": [
                {"uid": uid_text(move.uid), "was_address": address_value(move.old), "address": move.new}
                for move in self.scratch
            ],
            "unwatched": [uid_text(uid) for uid in self.unwatched],
            "advice": list(self.ended.advice) if self.ended else [],
            "stopped": self.ended.is_stopped if self.ended else False,
            "proven": self.roster.proven if self.roster else None,
            "reason": self.roster.reason if self.roster else None,
            "unfit": [
                {"function": function, "name": one.name, "found": one.found, "planned": one.wanted}
                for function, differences in self.unfit.items()
                for one in differences
            ],
            "directions": [{"function": one.function, **one.as_json()} for one in self.tried],
            "in_force": not self.is_draft,
            "kept": None if self.earlier is None else str(self.earlier),
        }

    def print(self, port: PortOptions) -> None:
        from rich.markup import escape
        from rich.table import Table

        assert self.roster is not None
        assert self.ended is not None
        members = {member.uid: member for member in self.actuators}
        out = console()
        table = Table("function", "uid", "address now", "planned", "model", box=None)
        for function, role in self.plan.roles.items():
            uid = self.assigned.get(function)
            member = None if uid is None else members.get(uid)
            now = "[red]not there[/red]" if member is None else address_text(member.address)
            table.add_row(
                escape(function),
                "[yellow]open[/yellow]" if uid is None else uid_text(uid),
                "" if uid is None else now,
                address_text(role.address),
                escape(member.model) if member is not None else "",
            )
        out.print(table)
        for line in self._remarks(port):
            out.print(line, soft_wrap=True)

    def _remarks(self, port: PortOptions) -> Iterator[str]:
        from rich.markup import escape

        assert self.roster is not None
        assert self.ended is not None
        for one in self.unclaimed:
            yield f"Not claimed: {uid_text(one.uid)}, address {address_text(one.address)}, {escape(one.model)}"
        for uid in self.unwatched:
            yield f"[yellow]Not watched, as it has no address of its own: {uid_text(uid)}[/yellow]"
        yield from (f"[red]Silent at the end: {uid_text(uid)}[/red]" for uid in self.ended.silent)
        yield from (f"[yellow]{escape(text)}[/yellow]" for text in self.ended.advice)
        for function, differences in self.unfit.items():
            yield f"[red]{escape(unfit_line(function, differences))}[/red]"
        for tried in self.tried:
            colour = COLOURS[tried.way]
            yield f"[{colour}]{escape(direction_line(tried))}[/{colour}]"
        if not self.roster.proven:
            yield proof_text(self.roster)
        rest = [str(self.plan.path), "--port", port.url]
        if self.earlier is not None:
            yield escape(earlier_line(str(self.earlier)))
        if not self.is_kept:
            return
        if self.is_whole and not self.is_draft:
            kept = escape(str(assignment_path(self.plan)))
            yield f"[green]All {len(self.plan.roles)} functions are claimed[/green], kept in {kept}."
            yield from (escape(f"Next: {shlex.join(['busproto', word, *rest])}") for word in ("audit", "apply"))
            return
        left = [f"'{one}'" for one in self.open] + [f"'{one}' (its actuator is not there)" for one in self.absent]
        if left:
            yield escape(f"Open: {', '.join(left)}")
        again = ["--again"] if self.is_draft else []
        yield escape(f"To go on: {claim_line(self.plan, *again, '--port', port.url)}")
        if self.is_draft:
            draft = assignment_path(self.plan, draft=True)
            yield escape(
                f"The claims before are in force still. What was claimed anew is kept in {draft} until all are;"
            )
            yield escape(f"as it is, it takes their place with: {claim_line(self.plan, '--put-in-force')}")
