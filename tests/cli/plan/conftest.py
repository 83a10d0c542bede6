"""Fixtures of the tests of plan: an empty directory, with the command known."""

from __future__ import annotations

from pathlib import Path

import pytest

from busproto.cli import COMMANDS


@pytest.fixture(autouse=True)
def _here(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Work in an empty directory, with the command known."""
    monkeypatch.setitem(COMMANDS, "plan", COMMANDS.get("plan", "Plans."))
    monkeypatch.chdir(tmp_path)
