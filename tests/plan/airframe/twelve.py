"""Twelve actuators of one airframe on a bus, and a person who does what is asked, or something else."""

from __future__ import annotations

import random
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field
from typing import Any, Final

from busproto.ops import find
from busproto.ops.moving.hand_movement import Member
from busproto.plan.actuators import meet, scratch_moves
from busproto.plan.airframe.claim import Asked, BackAgain, Ended, NotClaimed, Order, claim_by_hand
from busproto.plan.assignment import load_assignment, save_assignment
from busproto.plan.load import Plan
from busproto.sim.actuators.actuator import Actuator
from busproto.wire.frame import UNADDRESSED
from tests.ops.helpers import MS, Box, S

FLEET: Final = """
fleet-map = 1
title = "fleet"
[function]
"aileron, left" = { address = 2, channel = 2 }
"aileron, right" = { address = 3, channel = 3, settings = { direction = "reversed" } }
"flap, left" = { address = 10, channel = 4 }
"flap, right" = { address = 11, channel = 5, settings = { direction = "reversed" } }
"elevator, left" = { address = 20, channel = 6 }
"elevator, right" = { address = 21, channel = 7, settings = { direction = "reversed" } }
"rudder, upper" = { address = 30, channel = 8 }
"rudder, middle" = { address = 31, channel = 8 }
"rudder, lower" = { address = 32, channel = 8 }
throttle = { address = 1, channel = 1 }
"nose wheel" = { address = 40, channel = 9 }
"tow release" = { address = 50, channel = 10 }
"of another airframe" = { address = 238, channel = 11 }
"""

AIRFRAME: Final = """
airframe = 1
title = "twelve"
fleet-map = "fleet.toml"
[function."aileron, left"]
positive = "trailing edge down"
[function."aileron, right"]
positive = "trailing edge down"
[function."flap, left"]
[function."flap, right"]
[function."elevator, left"]
[function."elevator, right"]
[function."rudder, upper"]
[function."rudder, middle"]
[function."rudder, lower"]
[function.throttle]
[function."nose wheel"]
[function."tow release"]
[gang.elevator]
number = 1
members = ["elevator, left", "elevator, right"]
[gang.rudder]
number = 2
members = ["rudder, upper", "rudder, middle", "rudder, lower"]
"""

SURFACES: Final = (
    "aileron, left",
    "aileron, right",
    "flap, left",
    "flap, right",
    "elevator",
    "rudder",
    "throttle",
    "nose wheel",
    "tow release",
)

AT: Final = {
    "aileron, left": 5,
    "aileron, right": 5,
    "flap, left": UNADDRESSED,
    "flap, right": UNADDRESSED,
    "elevator, left": 1,
    "elevator, right": 1,
    "rudder, upper": 30,
    "rudder, middle": 34,
    "rudder, lower": 239,
    "throttle": 1,
    "nose wheel": 40,
    "tow release": UNADDRESSED,
}
"""Two clashes, three fresh ones, one at the highest address."""

Ways = Mapping[str, float]
"""By how many degrees each arm is taken, by function."""


def ways_of(plan: Plan, name: str, by_deg: float = 15.0) -> dict[str, float]:
    """How the arms of a surface go where it is taken to the side to which a positive demand takes it."""
    members = plan.gangs[name].members if name in plan.gangs else (name,)
    return {one: -by_deg if plan.roles[one].settings["direction"] else by_deg for one in members}


@dataclass
class Subject:
    """The twelve on a bus, and a person who does what is asked, or something else that was planned for it.

    Attributes:
        otherwise: by surface, what is done instead, one after the other; after the last, what was asked.
        stays: surfaces that are left where they were taken.
        orders: what is typed when something is told: given the told, an order or None.
        told: everything that was told.
        kept: every assignment that was kept.
    """

    plan: Plan
    box: Box
    actuators: dict[str, Actuator]
    otherwise: dict[str, list[Ways]] = field(default_factory=dict)
    stays: set[str] = field(default_factory=set)
    play_deg: dict[str, float] = field(default_factory=dict)
    orders: Callable[[object], Order | None] = lambda _: None
    told: list[Any] = field(default_factory=list)
    kept: list[dict[str, bytes]] = field(default_factory=list)
    pending: list[Order] = field(default_factory=list)

    @property
    def truth(self) -> dict[str, bytes]:
        return {name: self.actuators[name].uid for name in self.plan.roles}

    def tell(self, told: object) -> None:
        self.told.append(told)
        order = self.orders(told)
        if order is not None:
            self.pending.append(order)
        elif isinstance(told, Asked | NotClaimed | BackAgain) and not self.pending:
            task = told.task if isinstance(told, Asked | NotClaimed) else self.asked.task
            planned = self.otherwise.get(task.name, [])
            ways = planned.pop(0) if planned else ways_of(self.plan, task.name)
            self.move(ways, stays=task.name in self.stays)

    @property
    def asked(self) -> Asked:
        return next(one for one in reversed(self.told) if isinstance(one, Asked))

    def decide(self) -> Order | None:
        return self.pending.pop(0) if self.pending else None

    def keep(self, assigned: Mapping[str, bytes]) -> None:
        save_assignment(self.plan, assigned)
        self.kept.append(dict(assigned))

    def move(self, ways: Ways, *, after_ms: int = 700, over_ms: int = 600, stays: bool = False) -> None:
        """Take arms out, 0.4 s later back; one with play follows late and less."""
        begin_ns = self.box.now_ns + after_ms * MS
        for name, by_deg in ways.items():
            arm = self.actuators[name].arm
            arm.move_to(self.box.now_ns)
            from_deg, play = arm.position_deg, self.play_deg.get(name, 0.0)
            late_ns = round(over_ms * MS * play / abs(by_deg))
            to_deg = from_deg + by_deg - (play if by_deg > 0 else -play)
            self._hand(name, begin_ns + late_ns, to_deg, over_ms * MS - late_ns)
            if not stays:
                self._hand(name, begin_ns + (over_ms + 400) * MS + late_ns, from_deg, over_ms * MS - late_ns)

    def _hand(self, name: str, at_ns: int, to_deg: float, over_ns: int) -> None:
        arm = self.actuators[name].arm
        self.box.bus.kernel.at(at_ns, lambda: arm.hand(to_deg, over_ns, self.box.now_ns))

    def scan(self) -> tuple[Member, ...]:
        roster = self.box.run(find(rng=random.Random(5)))
        return self.box.run(meet(roster, scratch_moves(self.plan, roster)))[0]

    def run(self, *, patience_s: float | None = None, actuators: Sequence[Member] | None = None) -> Ended:
        return self.box.run(
            claim_by_hand(
                self.plan,
                self.scan() if actuators is None else actuators,
                load_assignment(self.plan),
                decide=self.decide,
                tell=self.tell,
                keep=self.keep,
                patience_ns=None if patience_s is None else round(patience_s * S),
            )
        )

    def of(self, kind: type) -> list[Any]:
        return [one for one in self.told if isinstance(one, kind)]

    @property
    def asked_names(self) -> list[str]:
        return [one.task.name for one in self.of(Asked)]
