"""The codes that messages carry, and what each one means: outcomes, states of the drive, faults, memories."""

from __future__ import annotations

import enum
from typing import Final


class Outcome(enum.IntEnum):
    """First byte of a reply: done, or why not. A refused request changes nothing."""

    DONE = 0
    UNKNOWN_OPERATION = 1
    UNKNOWN_PARAMETER = 2
    OUT_OF_RANGE = 3
    BAD_REQUEST = 4
    NOT_ADDRESSED = 5
    NOT_ENGAGED = 6
    STORE_FAILED = 7
    FAULT_STANDS = 8


OUTCOME_TEXTS: Final[dict[Outcome, str]] = {
    Outcome.DONE: "done",
    Outcome.UNKNOWN_OPERATION: "the operation is unknown",
    Outcome.UNKNOWN_PARAMETER: "there is no such parameter",
    Outcome.OUT_OF_RANGE: "the value is outside its range",
    Outcome.BAD_REQUEST: "the request is malformed",
    Outcome.NOT_ADDRESSED: "it has no address yet, so it stays limp",
    Outcome.NOT_ENGAGED: "it is limp; engage it first",
    Outcome.STORE_FAILED: "memory busy or write failed; nothing changed",
    Outcome.FAULT_STANDS: "a fault stands (see its report); remove the cause first",
}


class State(enum.IntEnum):
    """What an actuator's drive is doing."""

    LIMP = 0
    SOFT_STARTING = 1
    FOLLOWING = 2
    LOST_LIMP = 3
    LOST_HOLD = 4
    LOST_PRESET = 5
    RELEASED = 6
    FAULTED = 7


STATE_TEXTS: Final[dict[State, str]] = {
    State.LIMP: "limp, no demand yet since power-up",
    State.SOFT_STARTING: "soft start, begun when the drive engaged",
    State.FOLLOWING: "following the demand",
    State.LOST_LIMP: "demand lost: limp",
    State.LOST_HOLD: "demand lost: holding",
    State.LOST_PRESET: "demand lost: at or on its way to the preset position",
    State.RELEASED: "told to go limp; only engage or a restart ends that",
    State.FAULTED: "limp because of a fault",
}

LIMP_STATES: Final = frozenset({State.LIMP, State.LOST_LIMP, State.RELEASED, State.FAULTED})
"""States in which the arm can be moved by hand."""


class Fault(enum.IntFlag):
    """Fault bits of a report. More than one may be set."""

    OVER_TEMPERATURE = 1
    OVERLOAD = 2
    UNDER_VOLTAGE = 4
    SETTINGS_LOST = 8
    DEMAND_LOST = 16


FAULT_TEXTS: Final[dict[Fault, str]] = {
    Fault.OVER_TEMPERATURE: "hotter than its limit",
    Fault.OVERLOAD: "loaded beyond its limit",
    Fault.UNDER_VOLTAGE: "supply below its limit",
    Fault.SETTINGS_LOST: "no whole copy of the stored settings was found; factory settings are in use",
    Fault.DEMAND_LOST: "the demand was lost at some time since power-up",
}


class Memory(enum.IntEnum):
    """The three sets of parameters in an actuator."""

    WORKING = 0
    STORED = 1
    FACTORY = 2
