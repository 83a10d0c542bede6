"""The interface of a flow: the bus, questions to the operator, and its progress on the pages."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from typing import Any, Final, Protocol, TypeVar

import msgspec

from busproto.ops.discovery.roster import Roster, gone_text, twin_text
from busproto.ops.steps import Steps
from busproto.ops.survey import Survey
from busproto.plan.airframe.audit import assigned_uids
from busproto.plan.load import Plan
from busproto.web.bus.board import Board

T = TypeVar("T")
KEPT_LINES: Final = 60


class Stopped(Exception):
    """The operator, or the watch on the operator, ends the running operation."""


class Fields(msgspec.Struct, frozen=True, forbid_unknown_fields=True, rename="kebab"):
    """Base of the fields with which a flow is started."""


class Nothing(Fields, frozen=True):
    """The fields of a flow that needs none."""


@dataclass(frozen=True, slots=True)
class Kind:
    """A kind of flow.

    Attributes:
        name: as it is started.
        title: as it is shown.
        fields: what it is started with.
        steps: does it, on the worker, and returns its result as data.
        moves: whether it drives actuators: it then needs an armed bench, and ends limp and disarmed.
        needs_plan: whether it needs an airframe file.
    """

    name: str
    title: str
    fields: type[Fields]
    steps: Callable[[Desk, Any], dict[str, Any]]
    moves: bool = False
    needs_plan: bool = False


@dataclass(frozen=True, slots=True)
class Question:
    """A question to the operator, with the possible answers."""

    number: int
    text: str
    choices: tuple[str, ...]


class FlowHost(Protocol):
    """The bench, as a flow uses it."""

    @property
    def plan(self) -> Plan | None:
        """The airframe, None where none was given."""

    @property
    def board(self) -> Board:
        """The actuators on the line."""

    @property
    def is_armed(self) -> bool:
        """Whether demands are sent."""

    def run(self, steps: Steps[T]) -> T:
        """Run an operation to its end; returns its result, raises its error."""

    def run_into_clashes(self, steps: Steps[T]) -> T:
        """As `run`, also to addresses known to be shared."""

    def idle(self) -> None:
        """Do a slice of background work: polling, or letting time pass."""

    def functions(self) -> Mapping[bytes, str]:
        """The function of each claimed uid."""

    def tell_tiles(self) -> None:
        """Send the actuators to the pages."""

    def tell_flow(self) -> None:
        """Send the state of the flow to the pages."""


class Desk:
    """A running flow.

    Attributes:
        host: the bench that it runs on.
        kind: the kind of flow.
        wanted: its fields.
        state: "running", "done", "failed" or "stopped".
        problem: why it failed or was stopped.
        lines: its messages so far.
        orders: answers given in advance, like typed keys: the flow reads them when it can.
        result: its result as data.
    """

    def __init__(self, host: FlowHost, kind: Kind, wanted: Fields, number: int) -> None:
        self.host = host
        self.kind = kind
        self.wanted = wanted
        self.number = number
        self.state = "running"
        self.problem = ""
        self.lines: list[str] = []
        self.orders: list[str] = []
        self.order_words: tuple[str, ...] = ()
        self.question: Question | None = None
        self.result: dict[str, Any] | None = None
        self._answer: str | None = None
        self._questions = 0

    @property
    def plan(self) -> Plan:
        """The airframe; only flows that need one may ask."""
        assert self.host.plan is not None
        return self.host.plan

    def run(self, steps: Steps[T]) -> T:
        """Run an operation to its end; returns its result, raises its error."""
        return self.host.run(steps)

    def tell(self, *lines: str) -> None:
        """Add a line to its messages."""
        self.lines += lines
        del self.lines[:-KEPT_LINES]
        self.host.tell_flow()

    def ask(self, text: str, choices: Sequence[str]) -> str:
        """Ask the operator, and go on polling until there is an answer.

        Raises:
            Stopped: there will be none.
        """
        self._questions += 1
        self._answer = None
        self.question = Question(self._questions, text, tuple(choices))
        self.host.tell_flow()
        while self._answer is None:
            self.host.idle()
        self.question = None
        self.host.tell_flow()
        return self._answer

    def answered(self, number: int, answer: str) -> bool:
        """Take the answer to question `number`, or an order in advance (0). Returns whether it was wanted."""
        if number == 0 and answer in self.order_words:
            self.orders.append(answer)
            return True
        if self.question is None or self.question.number != number or answer not in self.question.choices:
            return False
        self._answer = answer
        return True

    def next_order(self) -> str | None:
        """The oldest order given in advance, None without one."""
        return self.orders.pop(0) if self.orders else None

    def show_found(self, survey: Survey) -> None:
        """Show the actuators of a survey, with their settings."""
        board = self.host.board
        board.take_roster(survey.roster, self._functions(survey))
        for snapshot in survey.snapshots.values():
            board.read(snapshot)
        self.host.tell_tiles()

    def _functions(self, survey: Survey) -> dict[bytes, str]:
        """The function of each uid: as claimed, else by the planned address, which the text then says."""
        plan, claimed = self.host.plan, self.host.functions()
        if plan is None:
            return {}
        assigned = assigned_uids(plan, {function: uid for uid, function in claimed.items()}, survey)
        by_address = {uid: f"{function} (by its address)" for function, uid in assigned.items()}
        return {**by_address, **claimed}

    def json(self) -> dict[str, Any]:
        """The state of the flow, as the pages get it."""
        question = self.question
        return {
            "k": "flow",
            "id": self.number,
            "flow": self.kind.name,
            "title": self.kind.title,
            "state": self.state,
            "problem": self.problem,
            "lines": self.lines,
            "orders": list(self.order_words) if self.state == "running" else [],
            "question": None
            if question is None
            else {"n": question.number, "text": question.text, "choices": list(question.choices)},
            "result": self.result,
        }


def roster_lines(roster: Roster) -> list[str]:
    """Problems of a roster, one line each."""
    lines = [
        f"Address {address} is shared by {len(uids)} actuators: {', '.join(uid.hex() for uid in uids)}."
        for address, uids in roster.clashes.items()
    ]
    if roster.unaddressed:
        count = len(roster.unaddressed)
        lines.append("1 actuator has no address yet." if count == 1 else f"{count} actuators have no address yet.")
    return [*lines, *(gone_text(uid) for uid in roster.gone), *(twin_text(uid) for uid in roster.twins)]
