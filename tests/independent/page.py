"""The format page as data, for the tests: its tables, and its examples, read out of its text."""

from __future__ import annotations

import re
from dataclasses import dataclass
from functools import cache
from pathlib import Path

PAGE = Path(__file__).parents[2] / "busproto" / "wire" / "FORMAT.md"


@cache
def section(title: str) -> str:
    """The text of one section, its subsections included."""
    _, found, rest = PAGE.read_text("utf-8").partition(f"\n## {title}\n")
    assert found, f"the page has no section {title}"
    return rest.partition("\n## ")[0]


def table(text: str, first_heading: str) -> list[dict[str, str]]:
    """The rows of the table whose first column has this heading."""
    lines = text.splitlines()
    begin = next(at for at, line in enumerate(lines) if line.startswith(f"| {first_heading} |"))
    rows: list[list[str]] = []
    for line in lines[begin:]:
        if not line.startswith("|"):
            break
        rows.append([cell.strip().strip("`") for cell in line.strip("|").split("|")])
    return [dict(zip(rows[0], row, strict=True)) for row in rows[2:]]


@dataclass(frozen=True)
class Example:
    """One frame of the section Examples; all are its bytes but `crc24` and `zero_bits`."""

    title: str
    body: bytes
    encoded: bytes
    check: bytes
    wire: bytes
    header: bytes
    crc24: int
    zero_bits: int


def examples() -> list[Example]:
    pattern = (
        r"([^\n]+):\n\n```\n"
        r"body +([0-9a-f ]+)\nencoded +([0-9a-f ]+)\ncheck +([0-9a-f ]+)\nwire +([0-9a-f ]+)\n"
        r"\(header ([0-9a-f ]+); crc24 ([0-9a-f]{6}), ([0-9]+) zero bits\)\n```"
    )
    of = bytes.fromhex
    return [
        Example(title, of(body), of(encoded), of(check), of(wire), of(header), int(crc, 16), int(zeros))
        for title, body, encoded, check, wire, header, crc, zeros in re.findall(pattern, section("Examples"))
    ]
