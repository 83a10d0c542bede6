"""Distribution of a page's orders to the parts of the worker."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from typing import Any

from busproto.errors import InputError
from busproto.sim.control import ControlError, obey
from busproto.transport.base import Transport
from busproto.web import orders
from busproto.web.bus.line_log import LineLog
from busproto.web.bus.live_bus import LiveBus
from busproto.web.bus.virtual import arrange
from busproto.web.worker.arming import Arming
from busproto.web.worker.ending import Ending
from busproto.web.worker.flow_runner import FlowRunner
from busproto.web.worker.rounds import Rounds
from busproto.web.worker.telling import Teller


class Follower:
    """Follows orders, one after another, on the worker's thread.

    Attributes:
        is_reopening: the virtual bus is to be powered up anew.
    """

    def __init__(
        self,
        port: Callable[[], Transport | None],
        log: LineLog,
        teller: Teller,
        arming: Arming,
        ending: Ending,
        rounds: Rounds,
        flows: FlowRunner,
    ) -> None:
        """Args: port: the port that is open, None while none is."""
        self.is_reopening = False
        self._port, self._log, self._teller = port, log, teller
        self._arming, self._ending, self._rounds, self._flows = arming, ending, rounds, flows
        self._follow: Mapping[type, Callable[[int, Any], None]] = {
            orders.Limp: lambda page, order: ending.want_limp(),
            orders.Explain: self._explain,
            orders.Arm: lambda page, order: arming.arm(order),
            orders.Disarm: lambda page, order: self.end("disarmed by the operator"),
            orders.Alive: lambda page, order: arming.alive(order),
            orders.DemandOne: lambda page, order: arming.demand_one(order),
            orders.DemandChannel: lambda page, order: arming.demand_channel(order),
            orders.Poll: self._poll_or_not,
            orders.Start: lambda page, order: flows.order(order, is_port_open=port() is not None),
            orders.Answer: lambda page, order: flows.answer(order),
            orders.Stop: lambda page, order: self.end("stopped by the operator"),
            orders.Fault: self._fault,
            orders.Control: self._control,
            orders.PowerUp: self._power_up,
            orders.OperatorLeft: lambda page, order: self.end("the operator has left"),
        }

    def follow(self, page: int, order: orders.AnyOrder | orders.OperatorLeft) -> None:
        """Follow an order of a page, or send it the reason for a refusal."""
        try:
            self._follow[type(order)](page, order)
        except (InputError, ControlError) as error:
            self._teller.refused(page, str(error))

    def end(self, why: str) -> None:
        """End all that moves or may move: demands, and the running flow."""
        if self._arming.is_armed or self._flows.now is not None:
            self._ending.want(why)

    def _poll_or_not(self, page: int, order: orders.Poll) -> None:
        if not order.on and self._arming.is_armed:
            raise InputError("while armed all actuators are watched; disarm first")
        self._rounds.is_on = order.on
        self._teller.said("polling is " + ("on" if order.on else "off"))

    def _explain(self, page: int, order: orders.Explain) -> None:
        body = self._log.explain(order.entry)
        if body is None:
            raise InputError(f"entry {order.entry} of the line log is not kept any more")
        self._teller.to_one(page, {"k": "explained", **body})

    # --- the virtual bus ----------------------------------------------------------------------------------------

    def _virtual(self) -> LiveBus:
        port = self._port()
        if not isinstance(port, LiveBus):
            raise InputError("this port is real: only a virtual bus follows such orders")
        return port

    def _fault(self, page: int, order: orders.Fault) -> None:
        self._teller.said(f"virtual bus: {arrange(self._virtual().bus, order)}")

    def _control(self, page: int, order: orders.Control) -> None:
        self._teller.said(f"virtual bus: {obey(self._virtual().bus, order.line)}")
        self._teller.port(self._port(), "open")

    def _power_up(self, page: int, order: object) -> None:
        self._virtual()
        if self._flows.now is not None:
            raise InputError("a task is running: it ends first")
        self.is_reopening = True
