"""The result of a run by clause: passed, failed, not checked; core and extensions apart. `page` makes a page of
it."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass, field
from typing import Final

from busproto.conformance.clauses import CLAUSES, Clause
from busproto.wire.page.rules import CORE, PARTS

VERDICTS: Final = ("passed", "failed", "not checked")
NOT_OFFERED: Final = "the actuator does not offer the teaching extension"


@dataclass(frozen=True, slots=True)
class Case:
    """One case that was run.

    Attributes:
        name: of the test.
        verdict: one of VERDICTS.
        clauses: ids of the clauses that it cites.
        why: where it failed or was not checked, the first line of the reason.
    """

    name: str
    verdict: str
    clauses: tuple[str, ...]
    why: str = ""


@dataclass(slots=True)
class Row:
    """One clause and the cases that cite it."""

    clause: Clause
    cases: list[Case] = field(default_factory=list)

    def count(self, verdict: str) -> int:
        """Number of its cases with that verdict."""
        return sum(case.verdict == verdict for case in self.cases)

    @property
    def verdict(self) -> str:
        """Failed where any case failed; not checked where none passed."""
        if self.count("failed"):
            return "failed"
        return "passed" if self.count("passed") else "not checked"


def by_clause(cases: Iterable[Case]) -> list[Row]:
    """Every clause that any case cites, in the order of the page."""
    rows = {one.id: Row(one) for one in CLAUSES.values()}
    for case in cases:
        for one in case.clauses:
            rows[one].cases.append(case)
    return [row for row in rows.values() if row.cases]


def as_text(cases: list[Case]) -> list[str]:
    """Lines for a terminal: a line for each clause, then what failed or was not checked and why, then the totals."""
    rows = by_clause(cases)
    width = max((len(row.clause.id) for row in rows), default=0)
    lines = []
    for row in rows:
        counts = ", ".join(f"{row.count(verdict)} {verdict}" for verdict in VERDICTS if row.count(verdict))
        sign = {"passed": " ", "failed": "!", "not checked": "-"}[row.verdict]
        lines.append(f"{sign} {row.clause.id:<{width}}  {counts}")
    for verdict in ("failed", "not checked"):
        named = [case for case in cases if case.verdict == verdict]
        if named:
            lines += ["", f"{verdict}:"]
            lines += [f"  {case.name} [{', '.join(case.clauses)}]: {case.why}" for case in named]
    return [*lines, "", *totals(rows)]


def totals(rows: list[Row]) -> list[str]:
    """Number of clauses by verdict: a line for the core, and one for each extension of which a case was run."""
    lines = []
    for part in PARTS:
        own = [row for row in rows if row.clause.part == part]
        if not own and part != CORE:
            continue
        counts = ", ".join(f"{sum(row.verdict == verdict for row in own)} {verdict}" for verdict in VERDICTS)
        name = "core" if part == CORE else f"extension '{part}' (optional)"
        if own and all(case.why == NOT_OFFERED for row in own for case in row.cases):
            counts = "not offered"
        lines.append(f"clauses of the {name}: {counts}")
    return lines


def neighbours_text(count: int) -> str:
    """What was done about other actuators on the line of a port; "" without any."""
    if not count:
        return ""
    are = "1 other actuator is" if count == 1 else f"{count} other actuators are"
    return (
        f"{are} on the line: acknowledged in the epoch of the cases, so that calls do not reach them; cases that look "
        "at single bytes of a list were not checked"
    )
