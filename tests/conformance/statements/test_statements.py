"""The table of statements is whole: each sentence of its clauses has cases, and these cite the clause."""

from __future__ import annotations

import pytest

from busproto.conformance.clauses import CLAUSES
from tests.conformance.statements.table import NOT_SEEN, TRIED, cited, statements

CASES = cited()


@pytest.mark.parametrize("clause", TRIED)
def test_each_statement_of_a_clause_has_its_row(clause: str) -> None:
    begins = [*TRIED[clause], *NOT_SEEN.get(clause, {})]
    found = {one: [begin for begin in begins if one.startswith(begin)] for one in statements(CLAUSES[clause].text)}
    assert {one: rows for one, rows in found.items() if len(rows) != 1} == {}, "a statement without a row, or with two"
    assert len(found) == len(begins), "a row of a statement that is not there"


@pytest.mark.parametrize("clause", TRIED)
def test_the_cases_of_a_statement_are_there_and_cite_its_clause(clause: str) -> None:
    for begin, cases in TRIED[clause].items():
        assert cases, f"'{begin}' has no case"
        assert [case for case in cases if clause not in CASES.get(case, set())] == [], f"'{begin}'"


def test_every_clause_of_discovery_and_of_the_extension_is_in_the_table() -> None:
    wanted = {one for one in CLAUSES if one.startswith(("find.", "teaching."))} - {"find.proof"}
    assert wanted <= set(TRIED)


def test_what_no_case_shows_has_a_reason() -> None:
    assert set(NOT_SEEN) <= set(TRIED)
    assert all(len(reason) > 20 for rows in NOT_SEEN.values() for reason in rows.values())


def test_two_cases_of_one_name_would_hide_each_other() -> None:
    """The report tells a case by its name."""
    import ast

    from tests.conformance.statements.table import SUITE

    names = [
        node.name
        for file in SUITE.rglob("test_*.py")
        for node in ast.parse(file.read_text("utf-8")).body
        if isinstance(node, ast.FunctionDef) and node.name.startswith("test_")
    ]
    assert sorted({name for name in names if names.count(name) > 1}) == []
