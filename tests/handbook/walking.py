"""Walking through a page of the handbook as its reader does: write the files, run each command, look for what it says.

A page says in comments what its reader cannot see:

- ``<!-- bus: SCENARIO -->``: its commands find that virtual bus behind whatever port they open, the same all the way;
- ``<!-- file: NAME -->`` before a block: the block goes to the end of that file;
- ``<!-- put behind 'LINE' in NAME -->``: it goes behind that line of the file, which stands there once;
- ``<!-- not run: WHY -->``: the block is only shown.

In a console block ``$`` begins a command and ``> `` what is typed into the terminal of the bus; other lines stand, in
that order, in what the command before them prints, however it is broken into lines.
"""

from __future__ import annotations

import os
import re
import shlex
from collections.abc import Iterator
from dataclasses import dataclass, field
from pathlib import Path
from typing import Final

from busproto import handbook
from busproto.sim.control import obey
from tests.cli.helpers import Bench, CommandLine, Result
from tests.docs.markdown import Block, blocks

_BUS: Final = re.compile(r"^<!-- bus: ([\w-]+) -->$", re.MULTILINE)
_FILE: Final = re.compile(r"<!-- file: (\S+) -->")
_BEHIND: Final = re.compile(r"<!-- put behind '(.+)' in (\S+) -->")
_CODE: Final = re.compile(r"\s+# exit code (\d+)(?:: .*)?$")
SHELL_WORDS: Final = {"mkdir", "cd", "export"}
"""What a page may ask of the shell; each is done here, but for `export`, which is the business of the test."""


@dataclass
class Step:
    """One command of a page, what it is to end with, and what it is to say."""

    block: Block
    command: str
    code: int = 0
    said: list[str] = field(default_factory=list)

    @property
    def arguments(self) -> list[str]:
        """Of busproto; empty where it is another program's."""
        words = shlex.split(self.command)
        return words[1:] if words[0] == "busproto" else []


def bus_of(page: handbook.Topic) -> str | None:
    """The scenario that a page is walked on."""
    found = _BUS.search(page.source())
    return found.group(1) if found else None


def blocks_of(page: handbook.Topic) -> list[Block]:
    """The fenced blocks of a page."""
    return blocks(page.file.name, page.source())


def steps_in(block: Block) -> Iterator[Step]:
    """The commands of a console block."""
    step: Step | None = None
    for line in filter(str.strip, block.text.splitlines()):
        if line.startswith(("$ ", "> ")):
            if step:
                yield step
            expected = _CODE.search(line)
            text = _CODE.sub("", line)
            step = Step(block, text.removeprefix("$ "), int(expected.group(1)) if expected else 0)
        else:
            assert step, f"{block}: output before any command: {line}"
            step.said.append(" ".join(line.split()))
    if step:
        yield step


def walk(page: handbook.Topic, cli: CommandLine, bench: Bench | None, folder: Path) -> list[Result]:
    """Do all of a page in a folder, in order. Each command ends and speaks as the page says.

    Returns what came of each command of busproto.
    """
    here, results = folder, []
    for block in blocks_of(page):
        if block.not_run is not None:
            continue
        if block.language == "console":
            for step in steps_in(block):
                here = _do(step, cli, bench, here, results)
        elif put := _FILE.fullmatch(block.before):
            with (here / put.group(1)).open("a", encoding="utf-8") as file:
                file.write(block.text)
        elif put := _BEHIND.fullmatch(block.before):
            path = here / put.group(2)
            text = path.read_text("utf-8")
            assert text.count(f"{put.group(1)}\n") == 1, f"{block}: {put.group(1)}"
            path.write_text(text.replace(f"{put.group(1)}\n", f"{put.group(1)}\n{block.text}"), "utf-8")
    return results


def _do(step: Step, cli: CommandLine, bench: Bench | None, here: Path, results: list[Result]) -> Path:
    """One step; gives the folder that the next one is done in."""
    if step.command.startswith("> "):
        assert bench, f"{step.block}: nothing can be typed into a bus that is not there"
        obey(bench.bus, step.command.removeprefix("> "))
        return here
    if not step.arguments:
        return _shell(step, here)
    result = cli(*step.arguments)
    assert result.code == step.code, f"{step.block}\n{result.transcript()}"
    _look_for(step, result)
    results.append(result)
    return here


def _shell(step: Step, here: Path) -> Path:
    word, *rest = shlex.split(step.command)
    assert word in SHELL_WORDS, f"{step.block}: {step.command}"
    if word == "mkdir":
        (here / rest[0]).mkdir()
    if word != "cd":
        return here
    os.chdir(here / rest[0])
    return here / rest[0]


def _look_for(step: Step, result: Result) -> None:
    """Each line that the page shows stands in what was printed, in order; on stderr and stdout apart."""
    out, err = (" ".join(text.split()) for text in (result.out, result.err))
    at = {"out": 0, "err": 0}
    for line in step.said:
        for name, text in (("out", out), ("err", err)):
            found = text.find(line, at[name])
            if found >= 0:
                at[name] = found + len(line)
                break
        else:
            raise AssertionError(f"{step.block}: '{line}' is not in\n{result.transcript()}")
