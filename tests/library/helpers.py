"""What the tests of the library share: a bus of our own behind it, and a port that looks at what is asked."""

from __future__ import annotations

from collections.abc import Callable
from typing import Final

from busproto import Bus
from busproto.wire import Message
from tests.ops.helpers import Box, HookedPort, box, uid_of

LONE, FRESH, LEFT, RIGHT = (uid_of(number) for number in (21, 22, 23, 24))
ADDRESSES: Final = {LONE: 12, LEFT: 60, RIGHT: 60}


def harbour() -> Box:
    """A barge crane's bus: one alone at 12, one without an address, two that share 60."""
    one = box(5)
    one.add(LONE, 12, label="slew", at_deg=-8.0, settings={"channel": 2, "neutral": 150, "loss-action": 1})
    one.add(FRESH, label="grab")
    one.add(LEFT, 60, label="jib, left", at_deg=3.0)
    one.add(RIGHT, 60, label="jib, right", at_deg=-3.0, settings={"direction": 1})
    return one


def opened(one: Box, hook: Callable[[Message], None] = lambda _: None) -> tuple[Bus, HookedPort]:
    """A bus on it, and the port that tells of every request."""
    port = HookedPort(one.bus.host, hook)
    return Bus(port), port
