"""What a shell is offered behind the Tab key, asked as a shell asks: by variables of the environment."""

from __future__ import annotations

import os
import subprocess
import sys

import pytest

from busproto.cli import COMMANDS
from tests.cli.helpers import PATIENCE_S


def offered(*words: str) -> list[str]:
    """The names that are offered for the last word of a command line."""
    environment = {
        **os.environ,
        "_BUSPROTO_COMPLETE": "bash_complete",
        "COMP_WORDS": " ".join(["busproto", *words]),
        "COMP_CWORD": str(len(words)),
    }
    done = subprocess.run(
        [sys.executable, "-m", "busproto"],
        env=environment,
        stdin=subprocess.DEVNULL,
        capture_output=True,
        text=True,
        timeout=PATIENCE_S,
    )
    assert done.stderr == ""
    return [line.partition(",")[2] for line in done.stdout.splitlines()]


@pytest.mark.parametrize(
    ("words", "names"),
    [
        (("ha",), ["hand", "handbook"]),
        (("handbook", "be"), ["begin"]),
        (("lesson", "s"), ["slots", "stuck"]),
        (("bus", "run", "ha"), ["hauler"]),
        (("wave", "tw"), ["twins"]),
        (("plan", "new", "--example", "r"), ["rudder"]),
        (("find", "--port", "sim://t"), ["sim://taxi", "sim://tow-plane", "sim://twins"]),
        (("find", "--ba"), ["--baud"]),
        (("trial", "--part", "c"), ["centre"]),
    ],
)
def test_what_begins_so_is_offered(words: tuple[str, ...], names: list[str]) -> None:
    assert offered(*words) == names


def test_all_commands_are_offered_where_nothing_is_typed_yet() -> None:
    assert offered("") == list(COMMANDS)


@pytest.mark.parametrize("shell", ["bash", "zsh", "fish"])
def test_the_shells_get_their_script(shell: str) -> None:
    done = subprocess.run(
        [sys.executable, "-m", "busproto"],
        env={**os.environ, "_BUSPROTO_COMPLETE": f"{shell}_source"},
        stdin=subprocess.DEVNULL,
        capture_output=True,
        text=True,
        timeout=PATIENCE_S,
    )
    assert "_BUSPROTO_COMPLETE" in done.stdout
    assert f"{shell}_complete" in done.stdout
