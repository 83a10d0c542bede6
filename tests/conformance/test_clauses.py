"""Every rule that an actuator keeps is a clause, stands on the page with its number, and is cited by a case."""

from __future__ import annotations

import ast
import re
from importlib import resources
from pathlib import Path

import pytest

import busproto.conformance.suite
from busproto.conformance.clauses import CLAUSES, EXTENSIONS, Clause, clause, part_of_case
from busproto.conformance.suite.effects.test_states import ASKED, DO
from busproto.conformance.suite.test_refusals import BUSY, CASES
from busproto.wire.message import OPERATIONS
from busproto.wire.page.data import numbered
from busproto.wire.page.refusals import ROWS
from busproto.wire.page.rules import ACTUATOR, CORE, PARTS, TEACHING
from busproto.wire.page.transitions import EVENTS

PAGE = resources.files("busproto.wire").joinpath("FORMAT.md").read_text("utf-8")
HEADINGS = {line.lstrip("#").strip() for line in PAGE.splitlines() if line.startswith("#")}
SUITE = Path(busproto.conformance.suite.__path__[0])


def section(heading: str) -> str:
    """The words under a heading, up to the next one."""
    lines: list[str] = []
    inside = False
    for line in PAGE.splitlines():
        if line.startswith("#"):
            inside = line.lstrip("#").strip() == heading
        elif inside:
            lines.append(line)
    return " ".join(" ".join(lines).split())


@pytest.mark.parametrize("one", CLAUSES.values(), ids=lambda one: one.id)
def test_each_stands_on_the_page_under_its_heading(one: Clause) -> None:
    assert one.heading in HEADINGS
    assert one.text
    assert one.text in section(one.heading)


def test_every_operation_is_a_clause() -> None:
    assert {f"op.{number:02X}" for number in OPERATIONS} <= set(CLAUSES)


NUMBERED = re.compile(r"^- \*\*(\d+\.\d+) `([^`]+)`\*\*(?: \[(\w+)\])?", re.MULTILINE)


def test_the_page_numbers_exactly_the_rules_there_are() -> None:
    on_page = [(number, name, digest) for number, name, digest in NUMBERED.findall(PAGE)]
    citations = {
        name: rule.keeper if rule.keeper != ACTUATOR else rule.part for _, _, rule in numbered() for name in [rule.id]
    }
    assert on_page == [
        (number, rule.id, "" if citations[rule.id] == CORE else citations[rule.id]) for number, _, rule in numbered()
    ]
    assert len({name for _, name, _ in on_page}) == len({number for number, _, _ in on_page}) == len(on_page)


def test_the_clauses_of_the_suite_are_the_rules_of_the_actuator_and_the_operations() -> None:
    rules = {rule.id: rule.part for _, _, rule in numbered() if rule.keeper == ACTUATOR}
    operations = {f"op.{number:02X}": TEACHING if number in {4, 5, 6} else CORE for number in OPERATIONS}
    assert {one.id: one.part for one in CLAUSES.values()} == {**rules, **operations}


def test_a_case_belongs_to_an_extension_where_it_cites_any_clause_of_it() -> None:
    assert part_of_case(["find.hash", "op.05"]) == TEACHING
    assert part_of_case(["find.hash", "op.01"]) == CORE
    assert {*EXTENSIONS, CORE} == set(PARTS)


def test_every_row_of_the_tables_has_a_case() -> None:
    assert {row.key for row in ROWS} == {*CASES, BUSY}
    assert {event.key for event in EVENTS} == {*ASKED, *DO}


def cited() -> dict[str, list[str]]:
    """The cases that cite each clause, read from the source."""
    found: dict[str, list[str]] = {}
    for file in sorted(SUITE.rglob("test_*.py")):
        for node in ast.parse(file.read_text("utf-8")).body:
            if isinstance(node, ast.FunctionDef) and node.name.startswith("test_"):
                citations = [one for one in node.decorator_list if isinstance(one, ast.Call) and _is_clause(one)]
                assert len(citations) == 1, f"{node.name} cites no clause"
                for argument in citations[0].args:
                    assert isinstance(argument, ast.Constant)
                    found.setdefault(str(argument.value), []).append(node.name)
    return found


def _is_clause(call: ast.Call) -> bool:
    return isinstance(call.func, ast.Name) and call.func.id == "clause"


def test_every_clause_is_cited_by_a_case_and_every_case_cites_one() -> None:
    assert set(cited()) == set(CLAUSES)


def test_a_clause_that_is_not_there_cannot_be_cited() -> None:
    with pytest.raises(KeyError, match=r"frame\.nothing"):
        clause("frame.check", "frame.nothing")
