"""Times that host and actuators must agree on; part of the format. All in ns, independent of the line rate."""

from __future__ import annotations

from typing import Final

MIN_TURNAROUND_NS: Final = 100_000
"""An actuator keeps off the line for at least this long after the last stop bit of a request."""
MAX_TURNAROUND_NS: Final = 2_000_000
"""No actuator means to begin an ordinary reply later than this (parameter reply-delay)."""
START_JITTER_NS: Final = 30_000
"""An actuator's start bit may come so much later than it means to."""
STORE_NS: Final = 50_000_000
"""An actuator that writes stored memory before it answers may take this much longer."""

FIRST_SLOT_NS: Final = 500_000
"""From the last stop bit of a query of discovery to its first slot: what the slowest actuator needs."""
DETECT_NS: Final = 5_000
"""From the edge of a start bit until every actuator has seen that the line is busy."""
START_LEAD_NS: Final = 1_500
"""In a countdown nobody begins earlier than this within its slot, so that clocks which differ by up to 2 % agree on
how many slots have passed when someone does."""
MINI_SLOT_NS: Final = 2 * START_LEAD_NS + START_JITTER_NS + DETECT_NS
"""One idle slot of a countdown."""
PLACE_LEAD_NS: Final = 5_000
"""As `START_LEAD_NS`, where answers come in order (book, address book, report round): more, as order is lost where
clocks disagree by a slot, and two that differ by 2 % drift 10 us apart in the time to the first one."""
PLACE_NS: Final = 2 * PLACE_LEAD_NS + START_JITTER_NS + DETECT_NS
"""One idle slot of a countdown in which answers come in order."""
STRANGER_SLOTS: Final = 4
"""Slots behind the last place of a book, in which those who are not in it speak up."""
