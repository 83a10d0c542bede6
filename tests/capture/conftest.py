"""Fixtures of the tests of captures."""

from __future__ import annotations

import pytest

from tests.cli.helpers import CommandLine


@pytest.fixture(autouse=True)
def _plain_environment(monkeypatch: pytest.MonkeyPatch) -> None:
    """No variable of the user's terminal or port reaches a test."""
    for name in ("BUSPROTO_PORT", "FORCE_COLOR", "NO_COLOR", "TTY_COMPATIBLE", "LINES"):
        monkeypatch.delenv(name, raising=False)
    monkeypatch.setenv("COLUMNS", "80")


@pytest.fixture
def cli(capsys: pytest.CaptureFixture[str]) -> CommandLine:
    """Runs command lines in this process."""
    return CommandLine(capsys)
