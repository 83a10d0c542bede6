"""The result of a run as an HTML page: by clause, against the runs before, with the first failure on the line."""

from __future__ import annotations

import html
from collections.abc import Sequence
from dataclasses import dataclass
from itertools import chain
from typing import Final

from busproto.conformance.results.coverage import Covered
from busproto.conformance.results.report import VERDICTS, Case, Row, by_clause, totals
from busproto.conformance.results.runs import Run, Since, since
from busproto.conformance.results.transcript import Spoken, picture, rows_of
from busproto.wire.page.rules import CORE

GENERATED_BY: Final = '<meta name="generator" content="busproto conformance">'
RUNS_SHOWN: Final = 12
MOST_ROWS: Final = 200
SIGNS: Final = {"passed": "+", "failed": "x", "not checked": "-", "": " "}
_STYLE: Final = """
:root { color-scheme: light dark; --ink: #1b1b1b; --paper: #fff; --soft: #5c5c5c; --rule: #d5d5d5; --bad: #fbe3d6;
--bad-ink: #7a2c00; --host: #2b5d8a; --actuator: #8a5a00; --other: #777; }
@media (prefers-color-scheme: dark) { :root { --ink: #e8e8e8; --paper: #16181b; --soft: #a5a5a5; --rule: #3a3d41;
--bad: #4a2411; --bad-ink: #ffc7a6; --host: #7db4e6; --actuator: #e0ad4e; --other: #999; } }
body { font: 15px/1.45 system-ui, sans-serif; margin: 2em auto; max-width: 66em; padding: 0 1em; color: var(--ink);
background: var(--paper); }
table { border-collapse: collapse; width: 100%; } td, th { text-align: left; vertical-align: top; padding: .3em .6em;
border-bottom: 1px solid var(--rule); } tr.failed td { background: var(--bad); } .not-checked { color: var(--soft); }
small, .soft { color: var(--soft); } details { margin: 0; } code, pre, .hex { font-family: ui-monospace, monospace;
font-size: 13px; } pre { border: 1px solid var(--rule); padding: .6em; overflow-x: auto; } .wide { overflow-x: auto; }
.clauses td:first-child { width: 46%; }
table.trend td, table.trend th { padding: .15em .45em; text-align: center; } table.trend td:first-child {
text-align: left; } td.x { background: var(--bad); color: var(--bad-ink); font-weight: bold; }
svg.line text { font: 12px system-ui, sans-serif; fill: var(--ink); }
svg.line .name { fill: var(--paper); font-size: 11px; }
svg.line .gap { font-size: 11px; text-anchor: middle; fill: var(--soft); } svg.line .idle { stroke: var(--rule); }
svg.line .break { stroke: var(--soft); stroke-dasharray: 2 4; } svg.line .host { fill: var(--host); }
svg.line .actuator { fill: var(--actuator); } svg.line .other { fill: var(--other); }
"""


@dataclass(frozen=True, slots=True)
class Failure:
    """The first failure of a run.

    Attributes:
        case: the case.
        spoken: what went over the line in it.
        capture: name of the file with it; "" where none was written.
        command: repeats this case alone.
    """

    case: Case
    spoken: Sequence[Spoken]
    capture: str
    command: str


def as_html(
    cases: list[Case],
    run: Run,
    before: Sequence[Run] = (),
    failure: Failure | None = None,
    covered: Covered | None = None,
    neighbours: str = "",
) -> str:
    """The page; it loads no other file."""
    rows = by_clause(cases)
    title = f"Conformance of {html.escape(run.target)}"
    lines = [
        f'<!doctype html><html lang="en"><meta charset="utf-8">{GENERATED_BY}'
        '<meta name="viewport" content="width=device-width">',
        f"<title>{title}</title><style>{_STYLE}</style><h1>{title}</h1>",
        f"<p>{html.escape(run.at)}, {html.escape(run.version)}, seed {run.seed}"
        f"{f', library {run.firmware}' if run.firmware else ''}; {len(cases)} cases, {len(rows)} clauses of the format "
        "page. A bench result is no flight clearance.</p>",
        *(f"<p>{html.escape(line)}</p>" for line in (*totals(rows), neighbours) if line),
        *_since_lines(since(before, run)),
        *(_failure_lines(failure, rows) if failure is not None else ()),
        *_trend_lines(rows, run, before),
        *(_covered_lines(covered) if covered is not None else ()),
        "<h2>By clause</h2><table class=clauses><tr><th>clause</th><th>passed</th><th>failed</th><th>not checked</th>"
        "<th>cases</th></tr>",
        *map(_row_line, rows),
    ]
    return "\n".join([*lines, "</table></html>", ""])


def _row_line(row: Row) -> str:
    clause = row.clause
    named = "".join(
        f"<li>{html.escape(case.name)}: {case.verdict}{html.escape(': ' + case.why if case.why else '')}</li>"
        for case in row.cases
    )
    is_open = " open" if row.verdict == "failed" else ""
    return (
        f'<tr id="{html.escape(clause.id)}" class="{row.verdict.replace(" ", "-")}"><td><b>{html.escape(clause.id)}</b>'
        f"{' (optional)' if clause.part != CORE else ''} {clause.number}<br>"
        f"<small>{html.escape(clause.heading)}: {html.escape(clause.text)}</small></td>"
        + "".join(f"<td>{row.count(verdict)}</td>" for verdict in VERDICTS)
        + f"<td><details{is_open}><summary>{row.verdict}</summary><ul>{named}</ul></details></td></tr>"
    )


def _since_lines(found: Since | None) -> list[str]:
    if found is None:
        return ["<p>There is no run before to compare with.</p>"]
    told = [f"Since {html.escape(found.before.at)}"]
    told.append(f"<b>regressed: {_names(found.regressed)}</b>" if found.regressed else "nothing regressed")
    told += [f"mended: {_names(found.mended)}"] if found.mended else []
    return [f"<p>{'; '.join(told)}.</p>"]


def _names(clauses: Sequence[str]) -> str:
    return ", ".join(html.escape(one) for one in clauses)


def _failure_lines(failure: Failure, rows: Sequence[Row]) -> list[str]:
    case = failure.case
    cited = [row.clause for row in rows if row.clause.id in case.clauses]
    lines = [
        f"<h2>The first failure: {html.escape(case.name)}</h2><p>{html.escape(case.why)}</p>",
        *(
            f"<p><b>{html.escape(one.id)}</b> {one.number} <small>{html.escape(one.heading)}</small><br>"
            f"{html.escape(one.text)}</p>"
            for one in cited
        ),
        f"<p>This repeats it:</p><pre>{html.escape(failure.command)}</pre>",
    ]
    if failure.capture:
        name = html.escape(failure.capture)
        lines.append(f"<p>The bytes are in <code>{name}</code>: <code>busproto decode {name}</code> reads them.</p>")
    if failure.spoken:
        lines.append(f'<div class="wide">{picture(failure.spoken)}</div>')
        told = rows_of(failure.spoken)[-MOST_ROWS:]
        lines.append(
            f"<details><summary>All {len(failure.spoken)} transmissions of the case</summary><div class=wide><table>"
            "<tr><th>ms</th><th>device</th><th>what</th><th>bytes</th></tr>"
            + "".join(
                f"<tr><td>{at}</td><td>{by}</td><td>{html.escape(what)}</td><td class=hex>{data}</td></tr>"
                for at, by, what, data in told
            )
            + "</table></div></details>"
        )
    return lines


def _trend_lines(rows: Sequence[Row], run: Run, before: Sequence[Run]) -> list[str]:
    """A column for each of the last runs of this target, a row for each clause that was not the same in all."""
    runs = [*(one for one in before if one.target == run.target), run][-RUNS_SHOWN:]
    if len(runs) < 2:
        return []
    clauses = dict.fromkeys(chain.from_iterable(one.verdicts for one in reversed(runs)))
    order = [row.clause.id for row in rows]
    moved = [
        clause
        for clause in sorted(clauses, key=lambda one: order.index(one) if one in order else len(order))
        if len({one.verdicts.get(clause, "") for one in runs} - {""}) > 1
    ]
    head = "".join(f"<th>{html.escape(one.at[5:16].replace('T', ' '))}<br>{one.firmware[:6]}</th>" for one in runs)
    failed = "".join(
        f"<td>{sum(verdict == 'failed' for verdict in one.verdicts.values())}{'' if one.is_whole else ' *'}</td>"
        for one in runs
    )
    lines = [
        f'<h2>The last {len(runs)} runs</h2><div class="wide"><table class="trend"><tr><th>clause</th>{head}</tr>',
        f"<tr><td>clauses failed</td>{failed}</tr>",
    ]
    for clause in moved:
        verdicts = [one.verdicts.get(clause, "") for one in runs]
        cells = "".join(
            f'<td class="{"x" if one == "failed" else ""}" title="{one}">{SIGNS[one]}</td>' for one in verdicts
        )
        lines.append(f"<tr><td>{html.escape(clause)}</td>{cells}</tr>")
    told = "+ passed, x failed, - not checked; * not all clauses were run."
    same = "" if moved else " No clause has changed."
    return [*lines, f'</table></div><p class="soft">{told}{same}</p>']


def _covered_lines(covered: Covered) -> list[str]:
    lines = [
        "<h2>What the cases reached of the firmware</h2>",
        *(f"<p>{html.escape(one)}</p>" for one in covered.totals()),
        "<table><tr><th>file</th><th>lines</th><th>branches</th></tr>",
    ]
    lines += [
        f"<tr><td>{html.escape(one.name)}</td><td>{one.lines_reached} of {one.lines}</td>"
        f"<td>{one.branches_reached} of {one.branches}</td></tr>"
        for one in covered.files
    ]
    lines.append("</table>")
    missed = covered.missed()
    if missed:
        rows = "".join(
            f"<tr><td>{html.escape(place.file)}:{place.line}</td><td>{place.what}</td>"
            f"<td class=hex>{html.escape(place.text)}</td></tr>"
            for place in missed
        )
        lines.append(
            f"<details><summary>{len(missed)} places that no case reached</summary><table>{rows}</table></details>"
        )
    by_clause_rows = "".join(
        f"<tr><td>{html.escape(clause)}</td><td>{reached}</td><td>{alone}</td></tr>"
        for clause, reached, alone in covered.by_clause()
    )
    lines.append(
        "<details><summary>By clause</summary><table><tr><th>clause</th><th>lines that its cases reached</th>"
        f"<th>that no other clause's cases reached</th></tr>{by_clause_rows}</table></details>"
    )
    return lines
