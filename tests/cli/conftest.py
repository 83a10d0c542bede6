"""Fixtures of the command line's tests: a plain environment, the same salts each time, one run of a command."""

from __future__ import annotations

import random

import pytest

from tests.cli.helpers import Bench, CommandLine, make_bench


@pytest.fixture(autouse=True)
def _plain_environment(monkeypatch: pytest.MonkeyPatch) -> None:
    """No variable of the user's terminal, port or colours reaches a test."""
    for name in ("BUSPROTO_PORT", "FORCE_COLOR", "NO_COLOR", "TTY_COMPATIBLE", "LINES", "LANGUAGE", "LC_ALL"):
        monkeypatch.delenv(name, raising=False)
    monkeypatch.setenv("COLUMNS", "80")


@pytest.fixture(autouse=True)
def _same_salts(monkeypatch: pytest.MonkeyPatch) -> None:
    """Commands that draw epoch and salts from the system get the same ones each time."""
    drawn = random.Random(2024)
    monkeypatch.setattr(random, "SystemRandom", lambda: drawn)


@pytest.fixture
def cli(capsys: pytest.CaptureFixture[str]) -> CommandLine:
    """Runs command lines in this process."""
    return CommandLine(capsys)


@pytest.fixture
def bench(monkeypatch: pytest.MonkeyPatch) -> Bench:
    """The scenario bench-four on a bus that outlasts the commands."""
    return make_bench(monkeypatch)
