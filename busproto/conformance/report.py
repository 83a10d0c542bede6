"""The result of a run by clause: passed, failed, not checked; core and extensions apart."""

from __future__ import annotations

import html
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


_STYLE: Final = """
body { font: 15px/1.45 sans-serif; margin: 2em auto; max-width: 62em; padding: 0 1em; }
table { border-collapse: collapse; width: 100%; } td, th { text-align: left; vertical-align: top;
padding: .3em .6em; border-bottom: 1px solid #ccc; } .failed { background: #fdd; } .not-checked { color: #666; }
small { color: #555; } details { margin: 0; }
"""


GENERATED_BY: Final = '<meta name="generator" content="busproto conformance">'


def as_html(cases: list[Case], target: str, version: str) -> str:
    """The report as one HTML page that loads no other file."""
    rows = by_clause(cases)
    lines = [
        f'<!doctype html><html lang="en"><meta charset="utf-8">{GENERATED_BY}',
        f"<title>Conformance of {html.escape(target)}</title><style>{_STYLE}</style>",
        f"<h1>Conformance of {html.escape(target)}</h1>",
        f"<p>{html.escape(version)}; {len(cases)} cases, {len(rows)} clauses of the format page. "
        "A bench result is no flight clearance.</p>",
        *(f"<p>{html.escape(line)}</p>" for line in totals(rows)),
        "<table><tr><th>clause</th><th>passed</th><th>failed</th><th>not checked</th><th>cases</th></tr>",
    ]
    for row in rows:
        clause = row.clause
        named = "".join(
            f"<li>{html.escape(case.name)}: {case.verdict}{html.escape(': ' + case.why if case.why else '')}</li>"
            for case in row.cases
        )
        is_open = " open" if row.verdict == "failed" else ""
        lines.append(
            f'<tr class="{row.verdict.replace(" ", "-")}"><td><b>{html.escape(clause.id)}</b>'
            f"{' (optional)' if clause.part != CORE else ''} {clause.number}<br>"
            f"<small>{html.escape(clause.heading)}: {html.escape(clause.text)}</small></td>"
            + "".join(f"<td>{row.count(verdict)}</td>" for verdict in VERDICTS)
            + f"<td><details{is_open}><summary>{row.verdict}</summary><ul>{named}</ul></details></td></tr>"
        )
    return "\n".join([*lines, "</table></html>", ""])
