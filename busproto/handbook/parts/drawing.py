"""Drawings of a page, made of letters, as SVG: lines where ``-``, ``|`` and ``+`` stand, letters where letters stand.

So a schematic is written once, a terminal shows it as it is, and on a phone it is as wide as the screen. Colours are
those of the text around it; nothing in it needs a style of its own.
"""

from __future__ import annotations

import html
import re
from typing import Final

CELL_X: Final = 8.0
CELL_Y: Final = 18.0
"""Width and height of a letter, in units of the drawing."""
LINE_LETTERS: Final = "-+|<"
_WORDS: Final = re.compile(r"\S+(?: \S+)*")
_WIRE: Final = re.compile(r"-+\+")


def is_drawing(text: str) -> bool:
    """Whether a block of letters is one: wires that meet."""
    return _WIRE.search(text) is not None


def svg(text: str, label: str = "Schematic") -> str:
    """A drawing as an SVG element, to stand within an HTML page.

    Args:
        text: the letters; lines of at most some hundred.
        label: what it is, for those who cannot see it.
    """
    rows = text.rstrip("\n").expandtabs(4).splitlines()
    width, height = max(map(len, rows), default=0) * CELL_X, len(rows) * CELL_Y
    lines, words = [], []
    for y, row in enumerate(rows):
        rest = list(row)
        for x, letter in enumerate(row):
            if _is_line(row, x):
                lines += _strokes(rows, x, y, letter)
                rest[x] = " "
        words += [_word(found, y) for found in _WORDS.finditer("".join(rest))]
    return (
        f'<svg class="drawing" role="img" aria-label="{html.escape(label)}" viewBox="0 0 {width:g} {height:g}">'
        f'<path d="{"".join(lines)}" fill="none" stroke="currentColor" stroke-width="1.4"/>{"".join(words)}</svg>\n'
    )


def _is_line(row: str, x: int) -> bool:
    """Whether a letter is a piece of wire: a hyphen within a word is none."""
    letter = row[x]
    if letter in "|+<":
        return True
    return letter == "-" and any(0 <= at < len(row) and row[at] in LINE_LETTERS for at in (x - 1, x + 1))


def _strokes(rows: list[str], x: int, y: int, letter: str) -> list[str]:
    left, top = x * CELL_X, y * CELL_Y
    middle_x, middle_y = left + CELL_X / 2, top + CELL_Y / 2
    if letter == "-":
        return [f"M{left:g} {middle_y:g}h{CELL_X:g}"]
    if letter == "|":
        return [f"M{middle_x:g} {top:g}v{CELL_Y:g}"]
    if letter == "<":  # the arrow of a diode, its point to the left
        return [f"M{left:g} {middle_y:g}l{CELL_X:g} {-CELL_X / 2:g}v{CELL_X:g}z"]
    strokes = [f"M{middle_x - 2:g} {middle_y:g}a2 2 0 1 0 4 0a2 2 0 1 0 -4 0"]
    for dx, dy, met in ((-1, 0, "-"), (1, 0, "-"), (0, -1, "|"), (0, 1, "|")):
        if _letter(rows, x + dx, y + dy) in {met, "+"}:
            strokes.append(f"M{middle_x:g} {middle_y:g}l{dx * CELL_X / 2:g} {dy * CELL_Y / 2:g}")
    return strokes


def _letter(rows: list[str], x: int, y: int) -> str:
    return rows[y][x] if 0 <= y < len(rows) and 0 <= x < len(rows[y]) else " "


def _word(found: re.Match[str], y: int) -> str:
    """Letters, as wide as they are in the block, so that they stay beside their wires."""
    text = found.group()
    at, base = found.start() * CELL_X, y * CELL_Y + CELL_Y * 0.7
    return (
        f'<text x="{at:g}" y="{base:g}" textLength="{len(text) * CELL_X:g}" font-size="13" fill="currentColor">'
        f"{html.escape(text)}</text>"
    )
