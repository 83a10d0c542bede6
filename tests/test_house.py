"""Linter, formatter and type checker, run as part of the one test command; and the README's picture."""

from __future__ import annotations

import importlib.util
import os
import subprocess
import sys
from pathlib import Path

import pytest

from tests import picture

ROOT = Path(__file__).parent.parent


@pytest.mark.parametrize(
    "command",
    [("ruff", "check", "."), ("ruff", "format", "--check", "."), ("mypy",)],
    ids=["lint", "format", "types"],
)
def test_the_house_is_tidy(command: tuple[str, ...]) -> None:
    """ruff and mypy come with the extra `dev`; on CI they must be there."""
    if importlib.util.find_spec(command[0]) is None and not os.environ.get("CI"):
        pytest.skip(f"{command[0]} is not installed; pip install -e '.[dev]' brings it")
    done = subprocess.run([sys.executable, "-m", *command], cwd=ROOT, capture_output=True, text=True, check=False)
    assert done.returncode == 0, done.stdout + done.stderr


def test_the_picture_shows_what_the_demo_prints_now() -> None:
    """`python -m tests.picture` makes it again."""
    assert picture.PICTURE.read_text(encoding="utf-8") == picture.picture()
