"""Fixtures of the firmware's tests: one run of a command, as the command line's tests have it."""

from __future__ import annotations

import pytest

from tests.cli.helpers import CommandLine


@pytest.fixture
def cli(capsys: pytest.CaptureFixture[str]) -> CommandLine:
    """Runs command lines in this process."""
    return CommandLine(capsys)
