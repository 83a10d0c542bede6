"""The blocks in the docstring of `busproto.library` are run as they stand, each in a process of its own."""

from __future__ import annotations

import re
import subprocess
import sys
import textwrap
from pathlib import Path

import pytest

import busproto
import busproto.library
from busproto.plan import examples

BLOCKS = [
    textwrap.dedent(block)
    for doc in (busproto.library.__doc__, busproto.__doc__)
    for block in re.findall(r"::\n\n((?:    .*\n|\n)+)", doc or "")
]


def test_there_are_examples_of_each_kind() -> None:
    text = "".join(BLOCKS)
    assert len(BLOCKS) == 5
    for call in ("open(", "open_async(", ".find()", ".move(", ".settings[", ".give_address(", ".audit(", ".apply("):
        assert call in text


@pytest.mark.parametrize("number", range(len(BLOCKS)))
def test_an_example_does_what_its_comments_say(number: int, tmp_path: Path) -> None:
    (tmp_path / "tug").mkdir()
    for name, text in examples.texts("hauler").items():
        (tmp_path / "tug" / name).write_text(text, "utf-8")
    block = BLOCKS[number]
    done = subprocess.run(
        [sys.executable, "-W", "error", "-c", block], cwd=tmp_path, capture_output=True, text=True, timeout=120
    )
    assert (done.returncode, done.stderr) == (0, "")
    said = [line.partition("# ")[2].strip() for line in block.splitlines() if "print(" in line and "# " in line]
    printed = done.stdout.splitlines()
    assert printed
    for comment in said:
        assert any(line == comment.partition(";")[0] for line in printed), comment


def test_the_cautions_stand_where_a_program_is_written() -> None:
    doc = " ".join((busproto.library.__doc__ or "").split())
    for word in (
        "propeller off",
        "airframe held",
        "fingers clear",
        "every actuator's rating",
        "not cleared for flight",
    ):
        assert word in doc
    assert "NOT asked" in (busproto.Actuator.move.__doc__ or "")
