"""The clauses of the format page that cases cite: those that an actuator keeps, and one for each operation.

They are made from the rules that the page is printed from, so page and suite have the same clauses. Tests check that
each is on the page, that a case cites each, and that each case cites one.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable
from dataclasses import dataclass
from typing import Any, Final, TypeVar

from busproto.wire.message import OPERATIONS
from busproto.wire.page.data import numbered
from busproto.wire.page.fields import first_sentence, part_of
from busproto.wire.page.rules import ACTUATOR, CORE, PARTS

F = TypeVar("F", bound=Callable[..., Any])


@dataclass(frozen=True, slots=True)
class Clause:
    """One clause.

    Attributes:
        id: a stable name, such as "frame.check".
        heading: as on the page, without the number signs.
        text: words of the page, white space aside.
        part: "core", or the name of the extension that it belongs to.
        number: on the page, such as "2.8"; "" for an operation, whose heading bears its number.
    """

    id: str
    heading: str
    text: str
    part: str = CORE
    number: str = ""


def _made() -> dict[str, Clause]:
    made = {
        rule.id: Clause(rule.id, heading, rule.text, rule.part, number)
        for number, heading, rule in numbered()
        if rule.keeper == ACTUATOR
    }
    for number, operation in OPERATIONS.items():
        one = Clause(
            f"op.{number:02X}",
            f"{number:02X} {operation.name} (to {operation.audience})",
            first_sentence(operation.request),
            part_of(number),
        )
        made[one.id] = one
    return made


CLAUSES: Final = _made()
"""Every clause by its id; each operation is one, such as "op.44"."""

EXTENSIONS: Final = tuple(part for part in PARTS if part != CORE)
"""The optional parts of the format."""


def part_of_case(ids: Iterable[str]) -> str:
    """The part of a case that cites these clauses: an extension where any clause is of one."""
    parts = {CLAUSES[one].part for one in ids if one in CLAUSES}
    return next((part for part in EXTENSIONS if part in parts), CORE)


def clause(*ids: str) -> Callable[[F], F]:
    """Decorator of a case: the case checks these clauses. Raises KeyError where there is no such clause."""
    import pytest

    for one in ids:
        if one not in CLAUSES:
            raise KeyError(f"there is no clause '{one}'")

    def cite(function: F) -> F:
        marked: F = pytest.mark.clause(*ids)(function)
        return marked

    return cite
