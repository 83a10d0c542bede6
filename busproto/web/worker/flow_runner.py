"""One flow at a time: begun by an order, run on the worker, ended limp where it moves."""

from __future__ import annotations

from collections.abc import Mapping

import msgspec

from busproto.errors import BusError, InputError, PortClosedError
from busproto.web import orders
from busproto.web.flows.desk import Desk, FlowHost, Kind, Stopped
from busproto.web.worker.arming import Arming
from busproto.web.worker.ending import Ending
from busproto.web.worker.telling import Teller


class FlowRunner:
    """The running flow, and the next one.

    Attributes:
        table: every flow by its name.
        now: the running flow. next: the flow that was ordered and has not begun.
    """

    def __init__(
        self, table: Mapping[str, Kind], host: FlowHost, teller: Teller, arming: Arming, ending: Ending
    ) -> None:
        self.table = table
        self.now: Desk | None = None
        self.next: Desk | None = None
        self._host, self._teller, self._arming, self._ending = host, teller, arming, ending
        self._number = 0

    def order(self, order: orders.Start, *, is_port_open: bool) -> None:
        """Start a flow as soon as possible. Raises InputError where that is not allowed."""
        kind = self.table.get(order.flow)
        if kind is None:
            raise InputError(f"there is no task '{order.flow}'; there are: {', '.join(self.table)}")
        if self.now is not None or self.next is not None:
            raise InputError("a task is running: end it first")
        if not is_port_open:
            raise InputError("the port is closed")
        if kind.needs_plan and self._host.plan is None:
            raise InputError("this needs an airframe file: busproto serve --airframe FILE")
        if kind.moves and not self._arming.is_armed:
            raise InputError("this moves actuators: tick the cautions and arm first; nothing was moved")
        try:
            wanted = msgspec.convert(order.with_, kind.fields)
        except msgspec.ValidationError as error:
            raise InputError(f"{order.flow}: {error}") from error
        self._number += 1
        self.next = Desk(self._host, kind, wanted, self._number)

    def answer(self, order: orders.Answer) -> None:
        """Take the operator's answer. Raises InputError where no flow waits for it."""
        if self.now is None or not self.now.answered(order.question, order.answer):
            raise InputError("that question is not open any more")

    def run(self, desk: Desk) -> None:
        """Run the flow to its end. Raises PortClosedError; any other end is reported to the pages."""
        self.next, self.now = None, desk
        self.tell()
        try:
            if self._arming.fractions or self._arming.channel_fractions:
                self._teller.said(self._ending.let_all_go())
                self._arming.without_demands()  # a flow that moves goes on armed
            desk.result = desk.kind.steps(desk, desk.wanted)
        except Stopped as stop:
            self.end("stopped", str(stop))
            self._ending.all_limp(str(stop))
        except PortClosedError:
            raise
        except (BusError, OSError) as error:
            self.end("failed", text_of(error))
            if self._arming.is_armed or self._ending.is_stopping:
                self._ending.all_limp("an error ended the task")
        else:
            self.end("done")
            if desk.kind.moves:
                self._ending.all_limp("the task has ended")
        self._ending.is_stopping = False

    def end(self, state: str, text: str = "") -> None:
        """Mark the running flow, if any, as ended."""
        desk, self.now = self.now, None
        if desk is not None:
            desk.state, desk.problem, desk.question = state, text, None
            self._teller.publish("flow", desk.json())

    def tell(self) -> None:
        """Send the state of the running flow to all pages."""
        if self.now is not None:
            self._teller.publish("flow", self.now.json())


def text_of(error: BaseException) -> str:
    """The text of an error with its notes."""
    return "; ".join([str(error), *getattr(error, "__notes__", ())])
