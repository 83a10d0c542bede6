"""A hand that moves limp arms one after another, and waits each time until the movement is acknowledged.

It takes the place of the person at the bench who is asked to move a surface. Each step is a pause, the way out, a stay,
the way back. A step is acknowledged when at least one actuator that it moved is told to show itself after the movement
began; without that the hand goes on after `patience` s. A driven arm does not yield. All times are virtual, so the
script works the same in real time behind a server. Not modelled: a hand that pushes against a driven arm, or that feels
an end stop.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass
from typing import Annotated, Final, Literal

from msgspec import Meta

from busproto.sim.actuators.actuator import Actuator
from busproto.sim.bus import VirtualBus
from busproto.sim.scene.events import Degrees, Name, Table, Wrong
from busproto.wire.messages import State

NS_PER_S: Final = 1_000_000_000
LOOK_NS: Final = 10_000_000
"""Interval at which the hand looks for an acknowledgement."""

Span = Annotated[float, Meta(ge=0, le=3600)]


class HandStepTable(Table, frozen=True):
    """One movement: by how many degrees each arm is moved from its present position, and how long that takes.

    The arm takes `over` s out, stays `stay` s, and takes `over` s back, unless `back = false`. It begins `after` s
    after the step before it. An arm with `slack` follows only after the hand has moved that many degrees, on the way
    out and on the way back. A `bump` is a touch by accident, for which no acknowledgement is expected.
    """

    move: dict[Name, Degrees]
    over: Annotated[float, Meta(gt=0, le=60)] = 0.6
    stay: Span = 0.4
    back: bool = True
    after: Span = 0.5
    slack: dict[Name, Annotated[float, Meta(ge=0, le=30)]] = {}  # noqa: RUF012 - msgspec copies it
    bump: bool = False


class HandTable(Table, frozen=True):
    """The hand: its steps, and when it begins.

    It begins, with "released", when every actuator with power and the rate of the line was told to release; with
    "at-once", at power-up. `patience` s after a movement without acknowledgement it goes on to the next step.
    """

    begin: Literal["released", "at-once"] = "released"
    patience: Span = 5.0
    step: list[HandStepTable] = []  # noqa: RUF012 - msgspec copies it


@dataclass(frozen=True, slots=True)
class StepDone:
    """Result of one step.

    Attributes:
        number: of the step, from 0.
        began_ns, moved_ns: begin and end of the movement, ns.
        yielded: labels of the arms that were limp when it began.
        acknowledged_ns: when the hand saw that one of these actuators shows itself, ns; None where `patience` ended
            first, and for a bump.
    """

    number: int
    began_ns: int
    moved_ns: int
    yielded: tuple[str, ...]
    acknowledged_ns: int | None


class HandScript:
    """Runs the steps of a hand on a bus.

    Attributes:
        done: result of each step so far.
    """

    def __init__(self, bus: VirtualBus, table: HandTable) -> None:
        self.done: list[StepDone] = []
        self._bus = bus
        self._kernel = bus.kernel
        self._table = table
        if table.begin == "at-once":
            self._next(0)
        else:
            self._await_release()

    def _await_release(self) -> None:
        """Begin when every actuator with power and the rate of the line is limp after a release."""
        hearing = [one for one in self._bus.actuators if one.is_powered and one.own_baud is None]
        if hearing and all(one.state is State.RELEASED for one in hearing):
            self._next(self._kernel.now_ns)
        else:
            self._kernel.at(self._kernel.now_ns + LOOK_NS, self._await_release)

    def _next(self, from_ns: int) -> None:
        """Begin the pause of the next step, at `from_ns` or later, so that the pause does not end in the past."""
        number = len(self.done)
        if number < len(self._table.step):
            step = self._table.step[number]
            self._kernel.at(from_ns + _ns(step.after), lambda: self._move(number, step))

    def _move(self, number: int, step: HandStepTable) -> None:
        began_ns = self._kernel.now_ns
        moved = [self._bus.labelled(label) for label in step.move]
        yielded = tuple(one.label for one in moved if one.arm.target_deg is None)
        for actuator in moved:
            self._lead(actuator, step)
        moved_ns = began_ns + _ns(step.over) + (_ns(step.stay) + _ns(step.over) if step.back else 0)
        if step.bump:
            self.done.append(StepDone(number, began_ns, moved_ns, yielded, None))
            self._next(moved_ns)
            return
        known = [one.showing_until_ns for one in moved]
        patience_ns = moved_ns + _ns(self._table.patience)

        def look() -> None:
            now = self._kernel.now_ns
            is_seen = any(
                one.showing_until_ns != before and one.showing_until_ns > now
                for one, before in zip(moved, known, strict=True)
            )
            if is_seen or now >= patience_ns:
                self.done.append(StepDone(number, began_ns, moved_ns, yielded, now if is_seen else None))
                self._next(max(now, moved_ns - _ns(self._after(number + 1))))
            else:
                self._kernel.at(min(now + LOOK_NS, patience_ns), look)

        look()

    def _after(self, number: int) -> float:
        """The pause before a step, s; 0 behind the last step."""
        return self._table.step[number].after if number < len(self._table.step) else 0.0

    def _lead(self, actuator: Actuator, step: HandStepTable) -> None:
        """Move one arm out and back."""
        arm, now = actuator.arm, self._kernel.now_ns
        arm.move_to(now)
        at_deg, by_deg = arm.position_deg, step.move[actuator.label]
        slack_deg = min(abs(by_deg), step.slack.get(actuator.label, 0.0))
        if slack_deg == abs(by_deg):
            return  # the slack takes the whole movement
        lost_ns = round(_ns(step.over) * slack_deg / abs(by_deg))
        to_deg = at_deg + (by_deg - slack_deg if by_deg > 0 else by_deg + slack_deg)

        def hand(target_deg: float) -> Callable[[], None]:
            def push() -> None:
                arm.hand(target_deg, _ns(step.over) - lost_ns, self._kernel.now_ns)

            return push

        self._kernel.at(now + lost_ns, hand(to_deg))
        if step.back:
            self._kernel.at(now + _ns(step.over) + _ns(step.stay) + lost_ns, hand(at_deg))


def problems(table: HandTable, labels: Sequence[str]) -> Iterator[Wrong]:
    """Problems of a well-formed table on a bus with these actuators."""
    if not table.step:
        yield ("hand", "step"), "a hand without a step does nothing"
    for at, step in enumerate(table.step):
        here = ("hand", "step", at)
        if not step.move:
            yield (*here, "move"), "it names no actuator"
        for label, by_deg in step.move.items():
            if label not in labels:
                yield (*here, "move"), f"there is no '{label}'"
            if not by_deg:
                yield (*here, "move"), f"0 degrees is no movement of '{label}'"
        for label, slack_deg in step.slack.items():
            if label not in step.move:
                yield (*here, "slack"), f"'{label}' is not among those it moves"
            elif slack_deg >= abs(step.move[label]) > 0:
                yield (*here, "slack"), f"{slack_deg:g} is not below the movement of '{label}'"


def _ns(seconds: float) -> int:
    return round(seconds * NS_PER_S)
