"""Schematics made of letters: as SVG each wire is where its letters are, and no wire joins what must stay apart."""

from __future__ import annotations

import re
import xml.etree.ElementTree as ElementTree

import pytest

from busproto import handbook
from busproto.handbook.parts.drawing import CELL_X, CELL_Y, is_drawing, svg
from tests.handbook.walking import blocks_of

DRAWINGS = [block.text for block in blocks_of(handbook.TOPICS["wiring"]) if block.language == "text"]


def test_a_small_one() -> None:
    drawn = ElementTree.fromstring(svg("a-b --+\n      |\n"))
    assert drawn.attrib["viewBox"] == f"0 0 {7 * CELL_X:g} {2 * CELL_Y:g}"
    assert [text.text for text in drawn.iter("text")] == ["a-b"]
    path = next(drawn.iter("path")).attrib["d"]
    assert path.count("h8") == 2
    assert path.count("v18") == 1
    assert path.count("l-4 0") == 1
    assert path.count("l0 9") == 1


def test_letters_are_escaped_and_words_are_no_drawing() -> None:
    assert "&lt;b&gt;" not in svg("x --+ b\n")
    assert "&amp;" in svg("a & b --+\n")
    assert not is_drawing("busproto ha<Tab>   hand, handbook\n")
    assert is_drawing("a --+\n")


@pytest.mark.parametrize("text", DRAWINGS)
def test_every_letter_of_a_shipped_one_is_drawn(text: str) -> None:
    drawn = ElementTree.fromstring(svg(text))
    words = " ".join(str(one.text) for one in drawn.iter("text"))
    for word in re.findall(r"[A-Za-z0-9]{2,}", text):
        assert word in words


def nets(text: str) -> list[set[tuple[int, int]]]:
    """Which pieces of wire hang together; a resistor in brackets and a name part what is on its two sides."""
    rows = text.splitlines()
    cells = {(x, y): letter for y, row in enumerate(rows) for x, letter in enumerate(row) if letter in "-+|"}
    found: list[set[tuple[int, int]]] = []
    left = set(cells)
    while left:
        waiting, net = [left.pop()], set()
        while waiting:
            x, y = waiting.pop()
            net.add((x, y))
            for dx, dy, goes in ((1, 0, "-+"), (-1, 0, "-+"), (0, 1, "|+"), (0, -1, "|+")):
                there = (x + dx, y + dy)
                if there in left and cells[there] in goes and cells[x, y] in goes:
                    left.discard(there)
                    waiting.append(there)
        found.append(net)
    return found


def net_at(text: str, name: str) -> set[tuple[int, int]]:
    """The wire that begins behind a name at the begin of a line."""
    y, row = next((y, row) for y, row in enumerate(text.splitlines()) if row.strip().startswith(name))
    x = re.search(r"-", row[row.index(name) + len(name) :])
    assert x
    at = row.index(name) + len(name) + x.start()
    return next(net for net in nets(text) if (at, y) in net)


def test_no_wire_of_a_schematic_shorts_another() -> None:
    one_wire, pair = DRAWINGS[0], DRAWINGS[1]
    data, ground = net_at(one_wire, "data"), net_at(one_wire, "adapter's ground")
    assert data.isdisjoint(ground)
    assert net_at(one_wire, "RX") == data
    assert net_at(one_wire, "TX").isdisjoint(data), "the diode stands between"
    plus, minus, earth = (net_at(pair, name) for name in ("A/+", "B/-", "ground"))
    assert plus.isdisjoint(minus)
    assert plus.isdisjoint(earth)
    assert minus.isdisjoint(earth)
