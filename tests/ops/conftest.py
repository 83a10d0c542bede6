"""Chance is drawn from a seed here: the same run every time. And whatever runs never tells of more than all steps."""

from __future__ import annotations

import importlib
import random
from types import SimpleNamespace

import pytest

from tests.ops.helpers import watch_progress

MODULES = ("discovery.address_proof", "addressing", "discovery.search", "transact")


@pytest.fixture(autouse=True)
def _same_chance_every_time(monkeypatch: pytest.MonkeyPatch) -> None:
    """Where an operation takes the system's random numbers it gets those of one seed."""
    stream = random.Random(20240229)
    seeded = SimpleNamespace(SystemRandom=lambda: stream, Random=random.Random)
    for name in MODULES:
        monkeypatch.setattr(importlib.import_module(f"busproto.ops.{name}"), "random", seeded)


@pytest.fixture(autouse=True)
def _no_progress_beyond_the_end(monkeypatch: pytest.MonkeyPatch) -> None:
    watch_progress(monkeypatch)
