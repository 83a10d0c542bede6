"""The handbook that travels with the package: pages in Markdown beside this file, and the bus format as one of them.

Read by the terminal (`busproto.cli.files.handbook_command`) and by the page (`busproto.web.server.handbook`). What a
page says is held by `tests/handbook`: its commands are run, its links lead somewhere, its figures are calculated.
"""

from __future__ import annotations

import difflib
import re
from dataclasses import dataclass
from pathlib import Path
from typing import Final

from busproto.errors import InputError

__all__ = [
    "ENDING",
    "HERE",
    "INDEX",
    "KINDS",
    "TOPICS",
    "Topic",
    "anchor",
    "index_text",
    "near_names",
    "topic",
    "without_comments",
]

HERE: Final = Path(__file__).parent / "pages"
INDEX: Final = "index"
ENDING: Final = ".md"
NEAR_SHARE: Final = 0.5
"""Names that are less alike than this are not offered (share of letters in common, `difflib`)."""
MOST_NEAR: Final = 3
_COMMENT: Final = re.compile(r"^<!--.*?-->[ \t]*(?:\n|\Z)", re.MULTILINE | re.DOTALL)
_TITLE: Final = re.compile(r"^# (.+)$", re.MULTILINE)

KINDS: Final = {
    "tutorial": "Learn by doing: one path from the first step to the last, with a bus that costs nothing.",
    "how-to": "Reach a goal: for readers who know what the tool is and want one thing done.",
    "explanation": "Understand: why it behaves so.",
    "reference": "Look up: every key, word and byte, dry and complete.",
}
"""The four kinds of pages, after the Diataxis scheme (diataxis.fr), and what each is for."""


@dataclass(frozen=True, slots=True)
class Topic:
    """One page.

    Attributes:
        name: as it is typed.
        kind: one of `KINDS`.
        line: what it is about, in one line.
        file: where it stands.
    """

    name: str
    kind: str
    line: str
    file: Path

    @property
    def title(self) -> str:
        """The first heading of its page, or its name where the page has none."""
        found = _TITLE.search(self.source())
        return found.group(1) if found else self.name

    def source(self) -> str:
        """The page as it stands in its file, with the comments that its tests read."""
        return self.file.read_text("utf-8")

    def text(self) -> str:
        """The page as it is shown: Markdown without comments, with the tables that are calculated for it."""
        source = self.source()
        if "<!-- table: " in source:
            from busproto.handbook.parts.figures import filled

            source = filled(source)
        return without_comments(source)


def _page(name: str, kind: str, line: str) -> Topic:
    return Topic(name, kind, line, HERE / f"{name}{ENDING}")


TOPICS: Final = {
    one.name: one
    for one in (
        _page("begin", "tutorial", "From a box of actuators to the card of your own airframe."),
        _page("tour", "tutorial", "Thirteen actuators with everything wrong become an airframe that is proven."),
        _page("wiring", "how-to", "One wire or RS-485: pull-up, bias, ends, supply, and what to measure first."),
        _page("answers", "how-to", "From what it says, or what you see, to the cause and the next command."),
        _page("virtual-bus", "how-to", "Open a virtual bus, choose or write a scenario, talk to it from any program."),
        _page("programmer", "how-to", "Your own program on the library: find, set, move safely, blocking or asyncio."),
        _page("firmware", "how-to", "Hold your own firmware against every clause of the bus format."),
        _page("teach", "how-to", "A lesson of 90 minutes: aims, minutes, questions, what to expect."),
        _page("shell", "how-to", "Let the Tab key finish commands, topics, scenarios and ports."),
        _page("why", "explanation", "Why lists are proven, arms are seen limp, hands claim and gangs fight."),
        _page("commands", "reference", "All commands, what each changes and moves, exit codes, JSON."),
        _page("glossary", "reference", "What each word means here, and the trade's word where that is another."),
        _page("scenario-and-plan", "reference", "All keys of scenario, fleet map and airframe file, with ranges."),
        _page("json", "reference", "All keys that commands print with --json: type, unit, meaning."),
        Topic(
            "format",
            "reference",
            "The bus format: frame, operations, parameters, codes, worked examples.",
            HERE.parents[1] / "wire" / "FORMAT.md",
        ),
        _page("changes", "reference", "What is new, what was renamed, what is stable, and how a name goes."),
    )
}
"""Every page but the index, in the order of reading."""


def without_comments(source: str) -> str:
    """Markdown without the comments that stand on lines of their own."""
    return re.sub(r"\n{3,}", "\n\n", _COMMENT.sub("", source))


def topic(name: str) -> Topic:
    """A page by its name.

    Raises:
        InputError: there is none; the text names those that are spelled alike, else all.
    """
    if name in TOPICS:
        return TOPICS[name]
    near = near_names(name)
    offered = f"near that: {', '.join(near)}" if near else f"there are: {', '.join(TOPICS)}"
    raise InputError(f"the handbook has no topic '{name}'; {offered} ('busproto handbook --list' shows all)")


def near_names(name: str) -> list[str]:
    """Topics that are spelled like a name, the nearest first; none where nothing is near."""
    wanted = name.lower().removesuffix(ENDING)
    begins = [one for one in TOPICS if wanted and (one.startswith(wanted) or wanted in one.split("-"))]
    alike = difflib.get_close_matches(wanted, TOPICS, MOST_NEAR, NEAR_SHARE)
    return list(dict.fromkeys([*begins, *alike]))[:MOST_NEAR]


def anchor(heading: str) -> str:
    """The name by which a heading is linked to."""
    return re.sub(r"[^\w\- ]", "", heading.lower()).strip().replace(" ", "-")


def index_text() -> str:
    """The index in Markdown: which pages there are, and of which kind each is."""
    parts = [
        "# Handbook\n",
        "This handbook comes with the program and needs no network. `busproto handbook TOPIC` shows a page, and\n"
        "`busproto serve` shows the same pages in the browser. Each page is of one of four kinds.\n",
    ]
    for kind, purpose in KINDS.items():
        rows = [one for one in TOPICS.values() if one.kind == kind]
        if rows:
            parts.append(f"## {kind.capitalize()}\n\n{purpose}\n")
            parts.append("".join(f"- [{one.name}]({one.name}{ENDING}): {one.title}. {one.line}\n" for one in rows))
    return "\n".join(parts)
