"""Fixtures of the tests of claim: files, buses, a terminal."""

from __future__ import annotations

import os
import sys
from collections.abc import Iterator
from pathlib import Path

import pytest

from tests.cli.change.claim.small_airframe import (
    AIRFRAME,
    BUS,
    FLEET,
    HAND,
    PLAN,
)
from tests.cli.helpers import Bench, make_bench


@pytest.fixture(autouse=True)
def _files(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.chdir(tmp_path)
    Path("fleet.toml").write_text(FLEET, "utf-8")
    Path(PLAN).write_text(AIRFRAME, "utf-8")
    Path("bus.toml").write_text(BUS, "utf-8")
    Path("bus-hand.toml").write_text(BUS + HAND, "utf-8")


@pytest.fixture
def bench(monkeypatch: pytest.MonkeyPatch) -> Bench:
    """The bus without a hand, outlasting the commands."""
    return make_bench(monkeypatch, "bus.toml")


@pytest.fixture
def handed(monkeypatch: pytest.MonkeyPatch) -> Bench:
    """The bus with the hand, outlasting the commands."""
    return make_bench(monkeypatch, "bus-hand.toml")


@pytest.fixture
def terminal(monkeypatch: pytest.MonkeyPatch) -> Iterator[int]:
    """A pseudo-terminal as stdin; gives the end at which one types."""
    ours, theirs = os.openpty()
    with os.fdopen(theirs, encoding="utf-8") as stdin:
        monkeypatch.setattr(sys, "stdin", stdin)
        yield ours
    os.close(ours)
