"""Figures of the wiring page, calculated a second time by hand; and the page of every key, held current."""

from __future__ import annotations

import re

import pytest

from busproto import handbook
from busproto.cli.files import handbook_keys
from busproto.handbook.parts import figures
from busproto.wire.parameters import PARAMETERS


def rows_of(name: str) -> list[list[str]]:
    """The rows of a table, without its head."""
    lines = figures.TABLES[name]().splitlines()[2:]
    return [[cell.strip() for cell in line.strip("|").split("|")] for line in lines]


def number(cell: str) -> float:
    return float(cell.split(" ")[0])


def test_every_table_stands_in_a_page_and_every_page_gets_its_tables() -> None:
    wanted = {name for page in handbook.TOPICS.values() for name in re.findall("<!-- table: (.+) -->", page.source())}
    assert wanted == set(figures.TABLES)
    for page in handbook.TOPICS.values():
        assert "table:" not in page.text()
    with pytest.raises(KeyError):
        figures.filled("<!-- table: nosuch -->")


def test_the_greatest_pull_up_by_hand() -> None:
    """1.204 R C is a tenth of a bit; 2 m of 100 pF and 6 inputs of 15 pF are 290 pF."""
    row = next(row for row in rows_of("greatest-pull-up") if row[:3] == ["2 m", "6", "290 pF"])
    assert number(row[3]) == pytest.approx(0.1 / 115_200 / 1.2039729 / 290e-12, rel=5e-3)
    assert number(row[6]) == pytest.approx(0.1 / 1e6 / 1.2039729 / 290e-12, rel=5e-3)


def test_the_least_pull_up_by_hand() -> None:
    row = next(row for row in rows_of("least-pull-up") if row[0] == "3.3 V")
    assert [number(cell) for cell in row[1:]] == pytest.approx([2.9 / 3e-3, 2.9 / 8e-3, 2.9 / 20e-3], rel=5e-3)


def test_the_bias_by_hand() -> None:
    """12 kOhm a unit load, two ends of 120 Ohm, a divider of 5 V: 200 mV are left by 12 times the pair, each."""
    for row in rows_of("bias"):
        loads = number(row[1])
        pair_ohm = 1 / (loads / 12_000 + 2 / 120)
        assert number(row[2]) == pytest.approx(pair_ohm, abs=0.06)
        assert number(row[3]) == pytest.approx(12 * pair_ohm, abs=0.6)
        for cell, bias_ohm in ((row[4], 560), (row[5], 680)):
            assert number(cell) == pytest.approx(5000 * pair_ohm / (pair_ohm + 2 * bias_ohm), abs=0.6)


def test_how_many_actuators_by_hand() -> None:
    assert rows_of("most-actuators") == [["1", "31"], ["0.5", "62"], ["0.25", "124"], ["0.125", "239"]]


def test_leads_by_hand() -> None:
    """AWG 22 is 0.6438 mm thick (ASTM B258, from memory); copper 0.017241 Ohm mm^2/m (IEC 60028, from memory)."""
    row = next(row for row in rows_of("leads") if row[0] == "AWG 22")
    ohm = 2 * 0.017241 / (3.14159 / 4 * 0.6438**2)
    assert number(row[1]) == pytest.approx(ohm * 1000, abs=0.6)
    assert number(row[3]) == pytest.approx(3 * ohm, abs=0.006)


def test_the_page_of_every_key_is_current() -> None:
    """`python -m busproto.cli.files.handbook_keys > busproto/handbook/pages/scenario-and-plan.md` prints it again."""
    assert handbook.TOPICS["scenario-and-plan"].source() == handbook_keys.page()


def test_the_page_of_every_key_has_them_all() -> None:
    text = handbook_keys.page()
    for row in PARAMETERS.values():
        assert f"| `{row.name}` |" in text
    for head in ("### Airframe file: [line]", "### Scenario: [[hand.step]]", "### Scenario: [[event]], what = unplug"):
        assert head in text
    assert "| `bias` | number, 1 to 1000000 | none |" in text
    assert "| `address` | whole number, 1 to 239 | *must be there* |" in text
