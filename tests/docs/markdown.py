"""Reading a Markdown page for what can be checked: fenced blocks, links, headings. Knows no more than that needs."""

from __future__ import annotations

import re
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import Final

ROOT: Final = Path(__file__).parents[2]
_FENCE: Final = re.compile(r"^\s*(```+|~~~+)\s*([\w-]*)")
_NOT_RUN: Final = re.compile(r"<!--\s*not run:\s*(.*?)\s*-->")
_INLINE_LINK: Final = re.compile(r"!?\[[^\]]*\]\(\s*<?([^\s)>]+)>?[^)]*\)")
_LINK_DEFINITION: Final = re.compile(r"^\s{0,3}\[[^\]]+\]:\s*<?([^\s>]+)", re.MULTILINE)
_HTML_LINK: Final = re.compile(r"""<(?:img|a|source)\b[^>]*?\b(?:src|href)\s*=\s*["']([^"']+)["']""")
_HEADING: Final = re.compile(r"^#{1,6}\s+(.*?)\s*#*$", re.MULTILINE)


@dataclass(frozen=True)
class Block:
    """One fenced block.

    Attributes:
        page: the file's name.
        line: of the opening fence, from 1.
        language: as the fence says, "" where it does not.
        text: what stands in it.
        before: the last line with anything on it before the fence.
    """

    page: str
    line: int
    language: str
    text: str
    before: str

    @property
    def not_run(self) -> str | None:
        """Why it must not be run, None where nothing says so."""
        found = _NOT_RUN.fullmatch(self.before)
        return found.group(1) if found else None

    def __str__(self) -> str:
        return f"{self.page}:{self.line}"


def blocks(page: str, text: str | None = None) -> list[Block]:
    """The fenced blocks of a page in the root of the repository."""
    found: list[Block] = []
    fence, language, start, before = "", "", 0, ""
    inside: list[str] = []
    lines = ((ROOT / page).read_text("utf-8") if text is None else text).splitlines()
    for number, line in enumerate(lines, 1):
        opening = _FENCE.match(line)
        if fence and line.strip() == fence:
            found.append(Block(page, start, language, "".join(f"{one}\n" for one in inside), before))
            fence, before = "", line.strip()
        elif fence:
            inside.append(line)
        elif opening:
            fence, language, start, inside = opening.group(1), opening.group(2), number, []
        elif line.strip():
            before = line.strip()
    assert not fence, f"{page}:{start}: the fence is never closed"
    return found


def prose(page: str) -> str:
    """A page without its fenced blocks and code spans."""
    text = (ROOT / page).read_text("utf-8")
    for block in blocks(page):
        text = text.replace(f"\n{block.text}", "\n", 1)
    return re.sub(r"`[^`\n]*`", "", text)


def links(page: str) -> Iterator[str]:
    """What the links and pictures of a page point at."""
    text = prose(page)
    for pattern in (_INLINE_LINK, _LINK_DEFINITION, _HTML_LINK):
        yield from pattern.findall(text)


def anchors(file: Path) -> set[str]:
    """The names by which the headings of a Markdown file are linked to."""
    headings = _HEADING.findall(file.read_text("utf-8"))
    return {re.sub(r"[^\w\- ]", "", heading.lower()).strip().replace(" ", "-") for heading in headings}


def block_behind(page: str, marker: str) -> Block:
    """The first fenced block behind the comment ``<!-- marker -->``."""
    lines = (ROOT / page).read_text("utf-8").splitlines()
    at = lines.index(f"<!-- {marker} -->") + 1
    return next(block for block in blocks(page) if block.line > at)
