"""Answers: what the page quotes is what the program says, and each command that it sends to can be typed."""

from __future__ import annotations

import ast
import re
from dataclasses import dataclass
from typing import Final

import pytest

from busproto import handbook
from tests.cli.helpers import ROOT
from tests.handbook.test_pages import assert_parses

LEAST_ROWS: Final = 25
_ROW: Final = re.compile(r"^- (Says|Sees): (.+?)\n((?:  .+\n)+)", re.MULTILINE)


@dataclass(frozen=True)
class Row:
    """One row: whether it quotes, what, and the text below."""

    quotes: bool
    symptom: str
    text: str

    @property
    def command(self) -> str:
        found = re.search(r"Next: `(busproto [^`]+)`$", " ".join(self.text.split()))
        assert found, self.symptom
        return found.group(1)


ROWS: Final = [
    Row(word == "Says", symptom.strip("`"), text)
    for word, symptom, text in _ROW.findall(handbook.TOPICS["answers"].source() + "\n")
]


def texts() -> str:
    """Every text in the source of the program but docstrings; what is put in at run time stands as a mark."""
    found: list[str] = []
    for folder in ("busproto", "sim"):
        for path in (ROOT / folder).rglob("*.py"):
            tree = ast.parse(path.read_text("utf-8"))
            comments = {id(node.value) for node in ast.walk(tree) if isinstance(node, ast.Expr)}
            for node in ast.walk(tree):
                if id(node) in comments:
                    continue
                if isinstance(node, ast.Constant) and isinstance(node.value, str):
                    found.append(node.value)
                elif isinstance(node, ast.JoinedStr):
                    parts = [str(one.value) if isinstance(one, ast.Constant) else "\0" for one in node.values]
                    found.append("".join(parts))
    return "\n".join(found)


SOURCE: Final = texts()


@pytest.mark.parametrize("row", [row for row in ROWS if row.quotes], ids=lambda row: row.symptom)
def test_what_the_page_quotes_stands_in_the_program(row: Row) -> None:
    assert row.symptom in SOURCE


@pytest.mark.parametrize("row", ROWS, ids=lambda row: row.symptom)
def test_the_next_command_can_be_typed(row: Row, capsys: pytest.CaptureFixture[str]) -> None:
    assert_parses(row.command, capsys)


def test_there_are_many_rows_and_none_is_lost() -> None:
    source = handbook.TOPICS["answers"].source()
    assert len(ROWS) == len(re.findall(r"^- S", source, re.MULTILINE)) >= LEAST_ROWS
    assert len({row.symptom for row in ROWS}) == len(ROWS)
