"""The clauses stand on the page, and every one is cited by a case."""

from __future__ import annotations

import ast
from importlib import resources
from pathlib import Path

import pytest

import busproto.conformance.suite
from busproto.conformance.clauses import CLAUSES, Clause, clause
from busproto.wire.message import OPERATIONS

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


def cited() -> dict[str, list[str]]:
    """The cases that cite each clause, read from the source."""
    found: dict[str, list[str]] = {}
    for file in sorted(SUITE.glob("test_*.py")):
        for node in ast.parse(file.read_text("utf-8")).body:
            if isinstance(node, ast.FunctionDef) and node.name.startswith("test_"):
                marks = [one for one in node.decorator_list if isinstance(one, ast.Call) and _is_clause(one)]
                assert len(marks) == 1, f"{node.name} cites no clause"
                for argument in marks[0].args:
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
