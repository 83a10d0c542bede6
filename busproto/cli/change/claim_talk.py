"""What 'claim' says while it asks for one surface after another, and the keys that are pressed meanwhile."""

from __future__ import annotations

import contextlib
import sys
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field
from typing import Final

import click

from busproto.cli.change.claim_outcome import claim_line
from busproto.cli.common import (
    clear_progress,
    uid_text,
)
from busproto.errors import InputError
from busproto.interrupts import INTERRUPTS
from busproto.ops.moving.hand_movement import Member, Verdict
from busproto.ops.moving.nudge import Nudged
from busproto.plan import claim_words
from busproto.plan.actuators import (
    Known,
    unfit_of,
)
from busproto.plan.airframe import claim as claims
from busproto.plan.assignment import assignment_path, save_assignment
from busproto.plan.load import Plan

PATIENCE_S: Final = 30.0
"""How long to wait for a hand where there is no terminal, unless told otherwise."""


KEYS: Final[Mapping[str, claims.Order]] = {"u": "undo", "s": "skip", "q": "stop"}


KEYS_TEXT: Final = "Keys: u Enter takes the last claim back, s Enter skips a surface, q Enter ends."


ANSWERS: Final = {"a": claims.Answer.AGAIN, "n": claims.Answer.NONE, "u": claims.Answer.UNDO, "q": claims.Answer.STOP}


class Keys:
    """Lines typed at a terminal, as orders."""

    def __init__(self, typed: Callable[[], str | None] | None) -> None:
        self._typed = typed
        self._pending = ""

    def decide(self) -> claims.Order | None:
        """The next order; never waits. The end of the input means stop."""
        text = self._typed() if self._typed is not None else ""
        if text is None:
            return "stop"
        self._pending += text
        line, newline, rest = self._pending.partition("\n")
        if not newline:
            return None
        self._pending = rest
        order = KEYS.get(line.strip().lower())
        if order is None:
            click.echo(KEYS_TEXT, err=True)
        return order


@dataclass
class Talk:
    """Says on stderr what happens, and keeps what is claimed."""

    plan: Plan
    assigned: dict[str, bytes]
    draft: bool
    actuators: Sequence[Member] = ()
    known: Mapping[bytes, Known] = field(default_factory=dict)
    at: dict[bytes, int] = field(default_factory=dict)
    unkept: str = ""
    """Why what is claimed could not be kept; "" where it is."""

    def begin(self, actuators: Sequence[Member], known: Mapping[bytes, Known]) -> None:
        """Which actuators are there, and what is claimed already."""
        self.actuators, self.known = actuators, known
        self.at = {member.uid: member.address for member in actuators}
        clear_progress()
        draft = assignment_path(self.plan, draft=True)
        if self.draft:
            click.echo("Claimed anew; the claims before stay in force until all functions are.", err=True)
        elif draft.exists():
            click.echo(f"A claim that was begun anew is unfinished, in '{draft}'; --again goes on with it.", err=True)
        if self.assigned:
            done = f"{len(self.assigned)} of {len(self.plan.roles)}"
            how = "take the file away to begin from nothing" if self.draft else "--again starts anew"
            click.echo(f"{done} functions are claimed already; going on ({how}).", err=True)
        for function, uid in self.assigned.items():
            if uid not in self.at:
                forget = claim_line(self.plan, "--forget", function)
                click.echo(f"  {function}: {uid_text(uid)} cannot be asked now; if it was replaced: {forget}", err=True)

    def keep(self, assigned: Mapping[str, bytes]) -> None:
        """A claim that cannot be written does not end the command: it is written with the next, or told at the end."""
        self.assigned = dict(assigned)
        try:
            save_assignment(self.plan, assigned, draft=self.draft)
            self.unkept = ""
        except InputError as error:
            self.unkept = str(error)
            clear_progress()
            click.echo(f"  NOT kept: {error}. Going on; it is tried again with the next claim.", err=True)

    @property
    def kept_text(self) -> str:
        """What an interrupted command leaves behind, and what to do."""
        path = assignment_path(self.plan, draft=self.draft)
        if self.unkept:
            roles = ", ".join(f"{function} {uid_text(uid)}" for function, uid in self.assigned.items())
            return f"what was claimed could not be kept ({self.unkept}): {roles}"
        if not path.exists():
            return "nothing had been claimed"
        before = "; the claims before are in force still" if self.draft else ""
        return f"what was claimed is kept in '{path}'{before}; run the command again to go on"

    def name(self, uid: bytes) -> str:
        function = next((name for name, one in self.assigned.items() if one == uid), None)
        return f"'{function}' (already claimed)" if function else f"{uid_text(uid)} (address {self.at.get(uid, '?')})"

    def tell(self, told: claims.Told) -> None:
        clear_progress()
        for line in _lines_of(self, told):
            click.echo(line, err=True)

    def choose(self, member: Member, nudged: Nudged, functions: tuple[str, ...]) -> str | claims.Answer:
        """Ask which one it was."""
        clear_progress()
        click.echo(f"Address {member.address}, {uid_text(member.uid)}: {nudged.text}.", err=True)
        for number, function in enumerate(functions, 1):
            click.echo(f"  {number:2} {function}", err=True)
        while True:
            with contextlib.redirect_stdout(sys.stderr), INTERRUPTS.at_once():
                question = "Which one was it? Its number; a again, n none of these, u undo, q stop"
                answer = str(click.prompt(question, prompt_suffix=": ", err=True)).strip().lower()
            if answer in ANSWERS:
                return ANSWERS[answer]
            if answer.isdecimal() and 1 <= int(answer) <= len(functions):
                return functions[int(answer) - 1]
            click.echo(f"'{answer}' is none of these: 1..{len(functions)}, a, n, u, q.", err=True)


def _lines_of(talk: Talk, told: claims.Told) -> list[str]:
    """What is said of it; all but what is asked for stands a little to the right."""
    if isinstance(told, claims.Asked):
        return [f"[{told.at}/{told.of}] {claim_words.wanted_text(told.task)}"]
    if isinstance(told, claims.Claimed):
        lines = _claimed_lines(talk, told)
    else:
        lines = claim_words.other_lines(told, uid_text if isinstance(told, claims.CannotSwing) else talk.name)
    if isinstance(told, claims.NotClaimed) and told.judgement.verdict is Verdict.FEW:
        lines[-1] += " Skip it where they are not linked to the surface yet: --by-nudge claims those."
    return [f"  {line}" for line in lines]


def _claimed_lines(talk: Talk, told: claims.Claimed) -> list[str]:
    lines = claim_words.claimed_lines(told, uid_text)
    if told.by_order or told.task.needs_side:
        pair = (told.by_order or tuple(told.uids))[:2]
        lines.append(f"To exchange two: {claim_line(talk.plan, '--exchange', *pair)}")
    unfit = unfit_of(talk.plan, told.uids, talk.known)
    looks = [f"{function}: {one.text}" for function, differences in unfit.items() for one in differences]
    return [*lines, *(claim_words.advice_line(text) for text in (*looks, *told.advice))]
