"""The twelve on a bus, ready to be claimed."""

from __future__ import annotations

from pathlib import Path
from typing import Final

import pytest

from busproto.plan.load import Plan, load
from tests.ops.helpers import box
from tests.plan.airframe.twelve import AIRFRAME, AT, FLEET, Subject

NUMBER: Final = dict(zip(AT, (7, 3, 12, 5, 9, 2, 4, 6, 8, 11, 1, 10), strict=True))
"""Uids in no order, but for the rudder, whose arms nothing else tells apart."""


@pytest.fixture
def plan(tmp_path: Path) -> Plan:
    (tmp_path / "fleet.toml").write_text(FLEET, "utf-8")
    (tmp_path / "twelve.toml").write_text(AIRFRAME, "utf-8")
    return load(tmp_path / "twelve.toml")


@pytest.fixture
def subject(plan: Plan) -> Subject:
    on_bus = box(seed=2)
    actuators = {name: on_bus.add(NUMBER[name], at, label=name, at_deg=3.0) for name, at in AT.items()}
    return Subject(plan, on_bus, actuators)
