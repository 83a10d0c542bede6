"""An airframe of five functions, its bus with and without a hand, and what is kept of its claims."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any, Final

FLEET: Final = """
fleet-map = 1
title = "fleet"
[function]
"aileron, left" = { address = 2, channel = 2 }
flap = { address = 10, channel = 4, settings = { direction = "reversed" } }
"rudder, upper" = { address = 30, channel = 8 }
"rudder, lower" = { address = 31, channel = 8 }
"""
AIRFRAME: Final = """
airframe = 1
title = "small"
fleet-map = "fleet.toml"
[function."aileron, left"]
[function.flap]
positive = "trailing edge down"
[function."rudder, upper"]
[function."rudder, lower"]
[gang.rudder]
number = 1
members = ["rudder, upper", "rudder, lower"]
"""
BUS: Final = """
title = "small"
supply = 7.4
[limits]
nodes = 8
frames = 1_000_000
seconds = 14_400
[model."bench 25"]
firmware = "2.4"
[[actuator]]
label = "aileron, left"
model = "bench 25"
uid = "c1a1000000000101"
address = 5
[[actuator]]
label = "flap"
model = "bench 25"
uid = "c1a1000000000102"
address = 5
[[actuator]]
label = "rudder, upper"
model = "bench 25"
uid = "c1a1000000000103"
address = 30
[[actuator]]
label = "rudder, lower"
model = "bench 25"
uid = "c1a1000000000104"
[[actuator]]
label = "spare"
model = "bench 25"
uid = "c1a1000000000105"
address = 60
"""
HAND: Final = """
[hand]
patience = 3
[[hand.step]]
move = { "aileron, left" = 15.0 }
after = 1.0
[[hand.step]]
move = { "aileron, left" = 10.0 }
[[hand.step]]
move = { flap = 12.0 }
[[hand.step]]
move = { "rudder, upper" = 15.0 }
[[hand.step]]
move = { "rudder, upper" = 15.0, "rudder, lower" = 15.0 }
slack = { "rudder, lower" = 5.0 }
"""
UIDS: Final = {
    "aileron, left": "c1a1000000000101",
    "flap": "c1a1000000000102",
    "rudder, upper": "c1a1000000000103",
    "rudder, lower": "c1a1000000000104",
}
SCRATCH: Final = [
    {"uid": UIDS["aileron, left"], "was_address": 5, "address": 239},
    {"uid": UIDS["flap"], "was_address": 5, "address": 238},
    {"uid": UIDS["rudder, lower"], "was_address": None, "address": 237},
]
OFFERED: Final = """\
3 actuators have no address of their own, so their arms cannot be read. Each would be given
a scratch address that the plan does not use; it lasts until 'busproto apply' or 'busproto address'. Before
that it cannot be read what they are:
  c1a1000000000101  shared 5     -> 239
  c1a1000000000102  shared 5     -> 238
  c1a1000000000104  had none     -> 237
"""
ADVICE: Final = "flap: a positive demand would take it the other way: the plan says reversed, the arm says normal"
PLAN: Final = "small.toml"
ROLES: Final = "small.assignment.json"


def kept() -> dict[str, str]:
    uids: dict[str, str] = json.loads(Path(ROLES).read_text("utf-8"))["uids"]
    return uids


def keep(*functions: str) -> None:
    body = {"assignment-of": "small", "format": 1, "uids": {name: UIDS[name] for name in functions}}
    Path(ROLES).write_text(json.dumps(body), "utf-8")


WITH_HAND: Final = f"claim {PLAN} --port sim://bus-hand.toml?seed=1"
WITHOUT: Final = f"claim {PLAN} --port sim://bus.toml?seed=1"


def seen_limp(*addresses: int) -> dict[str, Any]:
    """What is said where all were seen limp."""
    rest: dict[str, Any] = {"holding": [], "not_seen": [], "shared": [], "without_address_count": 0}
    return {"all_seen_limp": True, "limp": list(addresses), **rest}
