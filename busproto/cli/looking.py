"""Which way a surface went: asked at the terminal, or answered beforehand by option. What each command shares of it."""

from __future__ import annotations

import contextlib
import sys
from collections.abc import Callable, Mapping, Sequence
from typing import Any, Final, TypeVar

import click

from busproto.cli.common import clear_progress
from busproto.errors import InputError
from busproto.interrupts import INTERRUPTS
from busproto.plan.load import Plan
from busproto.plan.trials.direction import Order, Surface, Swung, Tried, Way, fault_of, surface_named

F = TypeVar("F", bound=Callable[..., Any])
WORDS: Final = {"planned": Way.PLANNED, "other": Way.OTHER, "unseen": Way.NOT_KNOWN}
KEYS: Final[Mapping[str, Way | Order]] = {
    "y": Way.PLANNED,
    "o": Way.OTHER,
    "n": Way.NOT_KNOWN,
    "a": Order.AGAIN,
    "q": Order.STOP,
}
COLOURS: Final = {Way.PLANNED: "green", Way.OTHER: "red", Way.NOT_KNOWN: "yellow"}
AT_TERMINAL: Final = "the person at the terminal"
BEFOREHAND: Final = "an answer given beforehand (--went)"
MOST_LETTERS: Final = 60


def looking_options(function: F) -> F:
    """The options --went and --seen-by; they arrive as `went` and `seen_by`."""
    for option in (
        click.option(
            "--seen-by",
            metavar="NAME",
            help="Who looks which way surfaces go; it stands in the result and on the card.",
        ),
        click.option(
            "--went",
            nargs=2,
            multiple=True,
            metavar="SURFACE WAY",
            help="The answer beforehand, for scripts: SURFACE (function or gang) goes 'planned', 'other' or 'unseen'. "
            "May be given for several.",
        ),
    ):
        function = option(function)
    return function


class Looker:
    """Asks the person at the terminal, or knows the answer; see `busproto.plan.trials.direction.Looker`.

    Attributes:
        seen_by: the person that told the last answer.
    """

    def __init__(self, plan: Plan, went: Sequence[tuple[str, str]], seen_by: str | None) -> None:
        """Raises InputError: a surface or an answer is none; nothing was sent."""
        self._answers: dict[str, Way] = {}
        for name, word in went:
            if word not in WORDS:
                raise InputError(f"--went '{name}' '{word}': one of {', '.join(WORDS)} is wanted")
            surface = surface_named(plan, name)
            if self._answers.setdefault(surface, WORDS[word]) is not WORDS[word]:
                raise InputError(f"--went: two answers for '{surface}'")
        if seen_by is not None and not (seen_by.isprintable() and 0 < len(seen_by.strip()) <= MOST_LETTERS):
            raise InputError(f"--seen-by: a name of 1..{MOST_LETTERS} letters without control characters is wanted")
        self._can_ask = sys.stdin.isatty()
        self._name = seen_by or ""
        self.seen_by = self._name

    @property
    def can_tell(self) -> bool:
        """Whether there is a terminal, or any answer, at all."""
        return self._can_ask or bool(self._answers)

    def will_look(self, surface: Surface) -> bool:
        """Whether there is an answer, or a terminal to ask at."""
        return self._can_ask or surface.name in self._answers

    def look(self, surface: Surface, swung: Swung) -> Way | Order:
        """The answer for this surface; asked until it is one."""
        clear_progress()
        lead = surface.arms[0].role.function
        by_deg = swung.by_deg[lead]
        assert by_deg is not None
        click.echo(f"{surface.name}: the arm of {lead} turned by {by_deg:+.1f} deg, and back.", err=True)
        self.seen_by = self._name or (BEFOREHAND if surface.name in self._answers else AT_TERMINAL)
        if surface.name in self._answers:
            return self._answers[surface.name]
        while True:
            with contextlib.redirect_stdout(sys.stderr):
                question = (
                    f"Did it go first to where the plan has it: {surface.positive}? "
                    "y yes, o the other way, a again, n not seen, q stop"
                )
                with INTERRUPTS.at_once():
                    answer = str(click.prompt(question, prompt_suffix=": ", err=True)).strip().lower()
            if answer in KEYS:
                return KEYS[answer]
            click.echo(f"'{answer}' is none of these: {', '.join(KEYS)}.", err=True)


def direction_line(one: Tried) -> str:
    """What is known of one function now, in a line."""
    if one.way is Way.OTHER:
        return f"{one.function}: {fault_of(one.positive, one.direction)}"
    if one.way is Way.NOT_KNOWN:
        return f"{one.function}: which way a positive demand takes it is not known: {one.why}"
    return f"{one.function}: a positive demand takes it where it is planned: {one.positive}"


def print_directions(tried: Sequence[Tried]) -> None:
    """Every function in one line."""
    from rich.markup import escape

    from busproto.cli.common import console

    for one in tried:
        console().print(f"[{COLOURS[one.way]}]{escape(direction_line(one))}[/{COLOURS[one.way]}]", soft_wrap=True)
