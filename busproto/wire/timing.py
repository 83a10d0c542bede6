"""Times that host and actuators must agree on; part of the format. All in ns, independent of the line rate.

`TIMES` holds the meaning, the bounds and the keeper of each; the format page prints it.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

MIN_TURNAROUND_NS: Final = 100_000
MAX_TURNAROUND_NS: Final = 2_000_000
START_JITTER_NS: Final = 30_000
STORE_NS: Final = 50_000_000
BOOT_NS: Final = 30_000_000
HEAT_LOOK_NS: Final = 250_000_000

FIRST_SLOT_NS: Final = 500_000
DETECT_NS: Final = 5_000
START_LEAD_NS: Final = 1_500
MINI_SLOT_NS: Final = 2 * START_LEAD_NS + START_JITTER_NS + DETECT_NS
ORDERED_SLOT_LEAD_NS: Final = 5_000
ORDERED_SLOT_NS: Final = 2 * ORDERED_SLOT_LEAD_NS + START_JITTER_NS + DETECT_NS
UNLISTED_SLOTS: Final = 4
"""Slots after the last position of a member list; an actuator that is not in the list draws one of them."""
CLOCK_TOLERANCE_PPM: Final = 10_000
"""Largest error of an actuator's clock, in both directions."""


@dataclass(frozen=True, slots=True)
class Time:
    """One time of the format.

    Attributes:
        name: as the format page has it, in lower case with blanks.
        ns: nominal value.
        meaning: from which edge to which.
        bounds: allowed deviation on the line, in addition to the tolerance of the clock; "exact" for none.
        keeper: which side has to keep it: "actuator", "host" or "both".
    """

    name: str
    ns: int
    meaning: str
    bounds: str
    keeper: str


TIMES: Final = (
    Time(
        "min turnaround",
        MIN_TURNAROUND_NS,
        "from the last stop bit of a request to the first start bit of any answer",
        "at least this",
        "actuator",
    ),
    Time(
        "max turnaround",
        MAX_TURNAROUND_NS,
        "greatest value of the parameter `reply-delay`; the host waits for this, `start jitter` and the tolerance of "
        "the clock before it takes a unicast request for unanswered",
        "at most this, and `start jitter` more",
        "both",
    ),
    Time(
        "start jitter",
        START_JITTER_NS,
        "an actuator delays each start by a random time, drawn anew for each start",
        "0 to this, spread evenly",
        "actuator",
    ),
    Time(
        "store",
        STORE_NS,
        "from the last stop bit of commit or assign until the write of stored memory has ended",
        "at most this",
        "actuator",
    ),
    Time(
        "boot",
        BOOT_NS,
        "from power-up, or from the start of a restart, until every request is taken in",
        "at most this; the host sends nothing that must be taken in before",
        "both",
    ),
    Time(
        "heat look",
        HEAT_LOOK_NS,
        "between two comparisons of the temperature with `over-temperature` while the drive is on",
        "at most this",
        "actuator",
    ),
    Time(
        "first slot",
        FIRST_SLOT_NS,
        "from the last stop bit of a query to the begin of its first slot",
        "exact",
        "actuator",
    ),
    Time(
        "detect",
        DETECT_NS,
        "from the falling edge of a start bit until every actuator that counts down has detected it",
        "at most this; actuators that start within it of each other collide",
        "actuator",
    ),
    Time("start lead", START_LEAD_NS, "from the begin of its mini-slot to the earliest start", "exact", "actuator"),
    Time(
        "mini slot",
        MINI_SLOT_NS,
        "one slot of a roll call: 2 x `start lead` + `start jitter` + `detect`",
        "exact",
        "actuator",
    ),
    Time(
        "ordered slot lead",
        ORDERED_SLOT_LEAD_NS,
        "as `start lead`, where answers come in order (member lists, report round)",
        "exact",
        "actuator",
    ),
    Time(
        "ordered slot",
        ORDERED_SLOT_NS,
        "one slot where answers come in order: 2 x `ordered slot lead` + `start jitter` + `detect`",
        "exact",
        "actuator",
    ),
)
"""Every time above that ends in _NS, once."""
