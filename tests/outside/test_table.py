"""Every row of the table of outside values is checked by a test that exists, or struck with a reason."""

from __future__ import annotations

import ast
from pathlib import Path

import pytest

from tests.outside.table import ROWS, Row

TESTS = Path(__file__).parents[1]


def names_in(file: str) -> set[str]:
    tree = ast.parse((TESTS / file).read_text("utf-8"))
    return {one.name for one in tree.body if isinstance(one, ast.FunctionDef) and one.name.startswith("test_")}


@pytest.mark.parametrize("row", ROWS, ids=lambda row: row.what)
def test_a_row_names_its_source_and_tests_that_exist_or_why_it_is_struck(row: Row) -> None:
    assert row.source
    assert bool(row.checked) != bool(row.struck)
    for one in row.checked:
        file, _, test = one.partition("::")
        assert test in names_in(file), f"{one} is not there"


def test_no_row_stands_twice() -> None:
    assert len({row.what for row in ROWS}) == len(ROWS)
