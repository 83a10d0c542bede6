"""A small plan for tests: a fleet map and an airframe file as texts, with places where a test puts its own."""

from __future__ import annotations

from pathlib import Path

from busproto.plan.load import Plan, load


def write_plan(directory: Path, *, settings: str = "under-voltage = 5.0", bus: str = "", more: str = "") -> Plan:
    """Write both files and load them: a throttle, an aileron, and a rudder of two.

    Args:
        settings: lines of the map's settings for all.
        bus: lines of the airframe's bus.
        more: lines behind the airframe's functions.
    """
    write_texts(directory, settings=settings, bus=bus, more=more)
    return load(directory / "one.toml")


def write_texts(directory: Path, *, settings: str = "", bus: str = "", more: str = "") -> None:
    """The same without loading."""
    (directory / "fleet.toml").write_text(FLEET.replace("SETTINGS", settings), "utf-8")
    (directory / "one.toml").write_text(AIRFRAME.replace("BUS", bus).replace("MORE", more), "utf-8")


FLEET = """\
fleet-map = 1
title = "All of them"
[settings]
SETTINGS
[model.small]
supply = [4.8, 8.4]
firmware = ["1.0", "1.1"]
mechanical-travel = 180
[function.throttle]
address = 1
channel = 1
[function.aileron]
address = 10
channel = 2
[function.rudder-a]
address = 30
channel = 4
[function.rudder-b]
address = 31
channel = 4
[function.flap]
address = 40
channel = 9
"""

AIRFRAME = """\
airframe = 1
title = "One"
fleet-map = "fleet.toml"
[supply]
full = 8.4
empty = 6.4
[bus]
BUS
[function.throttle]
model = "small"
[function.aileron]
model = "small"
[function.rudder-a]
model = "small"
[function.rudder-b]
model = "small"
[gang.rudder]
number = 1
members = ["rudder-a", "rudder-b"]
MORE
"""
