"""The states of the drive: which event leads where. The suite runs through every cell on the actuator under test."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

from busproto.wire.codes import Outcome, State

STAYS: Final = None
_DRIVEN: Final = (State.SOFT_STARTING, State.FOLLOWING, State.LOST_HOLD, State.LOST_PRESET)
_AT_WORK: Final = (State.SOFT_STARTING, State.FOLLOWING)


@dataclass(frozen=True, slots=True)
class Event:
    """A row of the table.

    Attributes:
        key: short and stable, for the suite.
        text: what happens.
        to: state that follows, by the state before; states that are not in it stay.
        refused: the code with which the request is refused, by the state before.
        is_hot: the actuator is above its temperature limit.
        may_fault: while the drive is on, the look at the temperature may come in between.
    """

    key: str
    text: str
    to: dict[State, State]
    refused: dict[State, Outcome]
    is_hot: bool = False
    may_fault: bool = False

    def after(self, state: State) -> State:
        """The state after the event; the same where the row leaves it."""
        return self.to.get(state, state)

    def cell(self, state: State) -> str:
        """The cell of the table: "stays" or the number of the next state, and the code of a refusal."""
        words = "stays" if self.after(state) is state else f"{int(self.after(state))}"
        if state in self.refused:
            return f"{words}; code {int(self.refused[state])}"
        return words


def _all(to: State, *but: State) -> dict[State, State]:
    return {state: to for state in State if state not in but}


EVENTS: Final = (
    Event(
        "demand",
        "demand to it alone, cool",
        _all(State.SOFT_STARTING, State.FOLLOWING, State.RELEASED),
        {State.RELEASED: Outcome.NOT_ENGAGED},
    ),
    Event(
        "demand all",
        "demand on its channel, cool",
        _all(State.SOFT_STARTING, State.FOLLOWING, State.RELEASED, State.FAULTED),
        {},
    ),
    Event("engage", "engage, to it alone or to all, cool", _all(State.SOFT_STARTING), {}),
    Event("release", "release, to it alone or to all", _all(State.RELEASED), {}),
    Event("report", "report, cool", {State.FAULTED: State.LIMP}, {}),
    Event(
        "soft start over",
        "`soft-start` has passed since the drive took hold",
        {State.SOFT_STARTING: State.FOLLOWING},
        {},
    ),
    Event("loss, limp", "`loss-time-out` passes, loss action limp", dict.fromkeys(_AT_WORK, State.LOST_LIMP), {}),
    Event("loss, hold", "`loss-time-out` passes, loss action hold", dict.fromkeys(_AT_WORK, State.LOST_HOLD), {}),
    Event("loss, preset", "`loss-time-out` passes, loss action preset", dict.fromkeys(_AT_WORK, State.LOST_PRESET), {}),
    Event("heat look", "the look at the temperature, hot", dict.fromkeys(_DRIVEN, State.FAULTED), {}, is_hot=True),
    Event(
        "demand, hot",
        "demand to it alone, hot",
        dict.fromkeys(_DRIVEN, State.FAULTED),
        dict.fromkeys(State, Outcome.FAULT_STANDS),
        is_hot=True,
    ),
    Event("demand all, hot", "demand on its channel, hot", {}, {}, is_hot=True, may_fault=True),
    Event(
        "engage, hot",
        "engage to it alone, hot",
        dict.fromkeys(_DRIVEN, State.FAULTED),
        dict.fromkeys(State, Outcome.FAULT_STANDS),
        is_hot=True,
    ),
    Event("show yourself", "show yourself", {}, {}),
    Event("assign", "the address of an assign is stored", _all(State.LIMP), {}),
    Event("restart", "restart, or power-up", _all(State.LIMP), {}),
)
"""Every event that may change the state. Without an address, demand and engage are refused with code 5, and ignored
where they went to all."""
