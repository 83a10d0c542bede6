"""An airframe of four functions, on a bus with one of another model, one of an older firmware, one that the pack harms.

Its ratings are data of our own.
"""

from __future__ import annotations

import json
from pathlib import Path
from typing import Final

import pytest

from busproto.wire.messages import Commit, Write
from tests.cli.helpers import Bench, make_bench

FLEET: Final = """
fleet-map = 1
title = "fleet"
[settings]
under-voltage = 5.0
[function]
alpha = { address = 1, channel = 1 }
bravo = { address = 2, channel = 2 }
charlie = { address = 3, channel = 3 }
delta = { address = 4, channel = 4 }
"""
AIRFRAME: Final = """
airframe = 1
title = "four"
fleet-map = "fleet.toml"
[supply]
full = 8.4
empty = 6.6
[function.alpha]
model = "bench 25"
firmware = "2.4"
positive = "trailing edge down"
[function.bravo]
model = "bench 25"
firmware = "2.4"
[function.charlie]
model = "bench 25"
firmware = "2.4"
[function.delta]
model = "bench 25"
firmware = "2.4"
"""
BUS: Final = """
title = "four"
supply = 7.0
[limits]
nodes = 8
frames = 1_000_000
seconds = 14_400
[model."bench 25"]
firmware = "2.4"
supply = [4.8, 8.4]
[model.old]
name = "bench 25"
firmware = "1.9"
supply = [4.8, 8.4]
[model."bench 15"]
firmware = "2.4"
supply = [4.8, 7.4]
[[actuator]]
label = "alpha"
model = "bench 25"
uid = "a1a1000000000001"
address = 1
[[actuator]]
label = "bravo"
model = "bench 25"
uid = "a1a1000000000002"
address = BRAVO
[[actuator]]
label = "charlie"
model = "old"
uid = "a1a1000000000003"
address = 3
[[actuator]]
label = "delta"
model = "bench 15"
uid = "a1a1000000000004"
address = DELTA
"""
HAND: Final = """
[hand]
patience = 3
[[hand.step]]
move = { alpha = 15.0 }
[[hand.step]]
move = { bravo = 10.0 }
[[hand.step]]
move = { charlie = 12.0 }
[[hand.step]]
move = { delta = 15.0 }
"""
UIDS: Final = {
    name: f"a1a100000000000{number}" for number, name in enumerate(("alpha", "bravo", "charlie", "delta"), 1)
}
PLAN: Final = "four.toml"
ROLES: Final = Path("four.assignment.json")
DRAFT: Final = Path("four.assignment.anew.json")
HARM: Final = "TAKE THE SUPPLY OFF: {who} is rated 4.8..7.4 V; the pack has 8.4 V when it is full. That harms it."
APPLY: Final = f"apply {PLAN} --port any"
OTHER_FIRMWARE: Final = "Not the hardware of the plan: charlie: firmware: 1.9, planned 2.4"


def on_bus(monkeypatch: pytest.MonkeyPatch, *, bravo: int = 2, delta: int = 4, hand: bool = False) -> Bench:
    text = BUS.replace("BRAVO", str(bravo)).replace("DELTA", str(delta)) + (HAND if hand else "")
    Path("bus.toml").write_text(text, "utf-8")
    return make_bench(monkeypatch, "bus.toml")


def keep(*functions: str, path: Path = ROLES) -> None:
    body = {"assignment-of": "four", "format": 1, "uids": {name: UIDS[name] for name in functions}}
    path.write_text(json.dumps(body), "utf-8")


def kept(path: Path = ROLES) -> dict[str, str]:
    uids: dict[str, str] = json.loads(path.read_text("utf-8"))["uids"]
    return uids


def written_to(bench: Bench) -> set[str]:
    """Labels of those whose settings or stored memory were written to."""
    at = {one.address: one.label for one in bench.bus.actuators}
    return {
        at[frame.destination]
        for frame, request in zip(bench.frames, bench.requests, strict=True)
        if isinstance(request, Write | Commit)
    }


PACK_OFF: Final = "take the pack off: it harms this actuator"
SUPPLY_OFF: Final = "take the supply off: it harms this actuator"
MAY_FAIL: Final = "it may fail before the pack is empty"
