"""The bench page ended in the table of `tests.cli.endings`: its worker alone, on this thread, in virtual time."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path
from typing import Any, Final

from busproto.cautions import CAUTIONS
from busproto.cli.bus.serve_command import tell_end
from busproto.plan.load import load
from busproto.sim.bus import VirtualBus
from busproto.transport.base import PortAround
from busproto.web import orders
from busproto.web.flows.table import FLOWS
from busproto.web.worker.bus_worker import BusWorker

OPERATOR: Final = 1
MOVES_S: Final = 0.6
"""For so long it moves before the server ends."""
LONGEST_S: Final = 60.0
WANTED: Final[dict[str, dict[str, Any]]] = {"nudge": {"address": 30}, "trial": {"parts": ["loss"]}}


class Page:
    """Finds who is there, arms, lets move, and ends the server.

    Attributes:
        worker: with the bus.
    """

    def __init__(self, bus: VirtualBus, port: PortAround, what: str, plan: Path) -> None:
        self._bus, self._what = bus, what
        self._end_s = LONGEST_S
        self._was_armed = False
        self.worker = BusWorker(
            lambda: port, self._publish, lambda page, body: None, FLOWS, plan=load(plan), clock=self._clock
        )
        self.worker.watched(True)
        self.worker.submit(OPERATOR, orders.Start("find"))

    def run(self) -> int:
        """To its end; says on stdout and stderr what the command says, and gives its exit code."""
        self.worker.work()
        return tell_end(self.worker.let_go, self.worker.not_told, as_json=True)

    def _clock(self) -> float:
        now_s = self._bus.kernel.now_ns / 1e9
        if now_s >= self._end_s:
            self.worker.end_soon()
        return now_s

    def _publish(self, key: str, body: dict[str, Any]) -> None:
        worker, kind = self.worker, body["k"]
        if kind == "port" and body["state"] == "closed":
            worker.end_soon()  # no port comes back
        elif kind == "flow" and body["state"] != "running":
            if self._was_armed:
                self._end_s = 0.0
            else:
                worker.submit(OPERATOR, orders.Arm(list(range(len(CAUTIONS)))))
        elif kind == "arm" and body["armed"] and not self._was_armed:
            self._was_armed = True
            if self._what == "demand":
                for address in (30, 31, 32):
                    worker.submit(OPERATOR, orders.DemandOne(address, 0.3))
                self._end_s = self._bus.kernel.now_ns / 1e9 + MOVES_S
            else:
                worker.submit(OPERATOR, orders.Start(self._what, WANTED[self._what]))
        elif kind == "arm" and self._was_armed and not body["armed"]:
            self._end_s = self._bus.kernel.now_ns / 1e9 + 0.1


def _close(page: Page) -> None:
    page.worker.end_soon()


def _limp(page: Page) -> None:
    page.worker.submit(2, orders.Limp())


ENDINGS: Final[dict[str, tuple[Callable[[Page], None], ...]]] = {
    "server ends": (_close,),
    "server ends, limp": (_close, _limp, _limp),
    "limp": (_limp,),
    "limp thrice": (_limp, _limp, _limp),
    "operator leaves": (lambda page: page.worker.submit(OPERATOR, orders.OperatorLeft()),),
}
"""What each does, one after another."""
