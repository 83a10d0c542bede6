"""Fixtures of the tests of hardware and claims: files."""

from __future__ import annotations

from pathlib import Path

import pytest

from tests.cli.change.hardware.four_actuators import (
    AIRFRAME,
    FLEET,
    PLAN,
)


@pytest.fixture(autouse=True)
def _files(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.chdir(tmp_path)
    Path("fleet.toml").write_text(FLEET, "utf-8")
    Path(PLAN).write_text(AIRFRAME, "utf-8")
