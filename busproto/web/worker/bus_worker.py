"""The worker: the one thread that touches the bus. It polls, sends demands, runs one flow at a time, and ends limp.

Nothing moves before every caution was ticked and the bench was armed. It is disarmed, and all go limp, when the
operator leaves, is not heard of, or hides the page for a while; on any error; when a flow that moves has ended; and by
`Limp`, which any page may send at any moment: a running operation is then interrupted as by Ctrl-C.
"""

from __future__ import annotations

import contextlib
import queue
import threading
import time
from collections.abc import Callable, Mapping
from typing import Final, TypeVar

from busproto.errors import BusError, PortClosedError, TransportError
from busproto.ops.link import Link
from busproto.ops.moving.letting_go import LetGo
from busproto.ops.moving.watching import ListenBeforeTalk
from busproto.ops.steps import Steps
from busproto.plan.assignment import load_assignment
from busproto.plan.load import Plan
from busproto.transport.base import Transport
from busproto.web import orders
from busproto.web.bus.board import Board
from busproto.web.bus.line_log import LineLog
from busproto.web.bus.live_bus import LiveBus
from busproto.web.bus.tap import Tap
from busproto.web.flows.desk import Kind, Stopped
from busproto.web.worker.arming import Arming
from busproto.web.worker.ending import Ending
from busproto.web.worker.flow_runner import FlowRunner, text_of
from busproto.web.worker.following import Follower
from busproto.web.worker.rounds import Rounds
from busproto.web.worker.telling import MS, PERIOD_NS, Publish, Teller, ToOne
from busproto.wire import BadFrame, Frame

T = TypeVar("T")
REOPEN_S: Final = 1.0


class _Reopen(Exception):
    """The virtual bus is to begin anew."""


class BusWorker:
    """One bus and the work on it. `start` runs it on a thread of its own; `submit` may be called from any.

    Attributes:
        plan: the airframe, None where none was given.
        flows: the table of flows that pages may start, by name.
        board: the actuators on the line.
        log: the traffic on it.
        only_looks: another sender demands on the line.
    """

    def __init__(
        self,
        open_port: Callable[[], Transport],
        publish: Publish,
        to_one: ToOne,
        flows: Mapping[str, Kind],
        *,
        plan: Plan | None = None,
        beside_receiver: bool = False,
        clock: Callable[[], float] = time.monotonic,
    ) -> None:
        """Args: open_port: a fresh port, raises TransportError; publish: given a key and a body for all pages (a later
        body with the key replaces an earlier one); to_one: given the number of a page and a body for it alone; flows:
        what pages may start; beside_receiver: another sender demands on the line: only look, in the gaps that are
        left; clock: seconds.
        """
        self.plan = plan
        self.flows = flows
        self.board = Board()
        self.log = LineLog()
        self.only_looks = beside_receiver
        self._open_port, self._clock = open_port, clock
        self._inbox: queue.SimpleQueue[tuple[int, orders.AnyOrder | orders.OperatorLeft]] = queue.SimpleQueue()
        self._thread = threading.Thread(target=self.work, name="bus worker", daemon=True)
        self._is_closing = False
        self._is_routine = False
        self._port: Transport | None = None
        self._tap: Tap | None = None
        self._link: Link | None = None
        self._teller = Teller(publish, to_one, self.board, self.log, clock)
        self._arming = Arming(self.board, publish, clock, self._hindrance, only_looks=beside_receiver)
        self._ending = Ending(self.run, self.board, self._arming)
        self._rounds = Rounds(self.run, self.board, self._arming, self._teller)
        self._runner = FlowRunner(flows, self, self._teller, self._arming, self._ending)
        self._follower = Follower(
            lambda: self._port, self.log, self._teller, self._arming, self._ending, self._rounds, self._runner
        )

    # --- from other threads -------------------------------------------------------------------------------------

    def start(self) -> None:
        """Start the thread that owns the bus."""
        self._thread.start()

    def submit(self, page: int, order: orders.AnyOrder | orders.OperatorLeft) -> None:
        """Queue an order of a page, by its number; the caller has checked that the page may send it."""
        self._inbox.put((page, order))

    def watched(self, is_watched: bool) -> None:
        """Set whether any page is connected; without one no reports are asked for."""
        self._teller.has_watchers = is_watched

    def end_soon(self) -> None:
        """Begin the end: all actuators go limp, and the port is closed."""
        self._is_closing = True

    def close(self) -> None:
        """`end_soon`, and return when that has happened."""
        self.end_soon()
        if self._thread.is_alive():
            self._thread.join()

    @property
    def let_go(self) -> LetGo | None:
        """Result of the last release of actuators; None before the first."""
        return self._ending.let_go

    @property
    def not_told(self) -> str:
        """Message for the case that the port went away before armed actuators were released; else ""."""
        return self._ending.not_told

    @property
    def cpu_s(self) -> float:
        """Processor time of the thread so far, s."""
        return self._teller.worker_cpu_s

    # --- the thread ---------------------------------------------------------------------------------------------

    def work(self) -> None:
        """The loop of the thread, port after port, until `end_soon`; `start` runs it."""
        while not self._is_closing:
            try:
                self._port = self._open_port()
            except TransportError as error:
                self._teller.port(self._port, "closed", str(error))
                self._wait_for_port()
                continue
            link = self._take(self._port)
            try:
                self._serve()
            except _Reopen:
                self._teller.said("the virtual bus was powered up anew: find the actuators")
            except PortClosedError as error:
                self._has_ended(error, text_of(error), "the port has gone")
                self._wait_for_port()
            except Exception as error:
                with contextlib.suppress(BusError, Stopped):
                    self._ending.let_all_go()
                self._has_ended(error, f"a fault in the server: {error}", "a fault in the server")
                raise
            finally:
                link.close()

    def _take(self, port: Transport) -> Link:
        """Take a new port into use."""
        self._follower.is_reopening = False
        self._tap = Tap(ListenBeforeTalk(port) if self.only_looks else port, self._on_frame, self._between)
        self._link = Link(self._tap, on_progress=self._teller.progress)
        if isinstance(port, LiveBus):
            port.bus.line.record = []
            self.board.clear()  # a virtual bus that was opened anew is another bus
            self._teller.tiles()
        self._teller.port(port, "open")
        return self._link

    def _has_ended(self, error: BaseException, text: str, why: str) -> None:
        self._runner.end("failed", text)
        self._ending.port_has_gone(error, why)
        self._teller.port(self._port, "closed", text)
        self._port, self._runner.next = None, None

    def _wait_for_port(self) -> None:
        until_s = self._clock() + REOPEN_S
        while not self._is_closing and self._clock() < until_s:
            self._read_inbox()
            time.sleep(0.05)

    def _serve(self) -> None:
        while not self._is_closing:
            try:
                if self._runner.next is not None:
                    self._runner.run(self._runner.next)
                else:
                    self.idle()
                if self._follower.is_reopening:
                    self._arming.disarmed("the virtual bus begins anew")
                    raise _Reopen
            except Stopped as stop:
                self._ending.all_limp(str(stop))
        if self._arming.was_armed:
            self._ending.all_limp("the server ends")

    def _hindrance(self) -> str:
        if self._port is None:
            return "the port is closed"
        return "" if self._runner.now is None else "a task is running: it has the bus, and ends first"

    # --- for flows, on this thread ------------------------------------------------------------------------------

    @property
    def is_armed(self) -> bool:
        """Whether demands are sent."""
        return self._arming.is_armed

    def run(self, steps: Steps[T]) -> T:
        """Run an operation to its end; returns its result, raises its error."""
        assert self._link is not None
        return self._link.run(steps)

    def run_into_clashes(self, steps: Steps[T]) -> T:
        """As `run`, also to addresses known to be shared; on the same link."""
        assert self._link is not None
        known, self._link.clashing = self._link.clashing, {}
        try:
            return self._link.run(steps)
        finally:
            self._link.clashing = known

    def idle(self) -> None:
        """A slice of background work: polling, or just letting time pass."""
        assert self._tap is not None
        began_ns = self._tap.now_ns()
        self._is_routine = self._rounds.is_due
        try:
            if self._is_routine:
                self._poll()
            left_ns = began_ns + PERIOD_NS - self._tap.now_ns()
            self._tap.read_until(self._tap.now_ns() + max(MS, left_ns))
        finally:
            self._drain()
            self.log.end_round()
            self._is_routine = False

    def functions(self) -> Mapping[bytes, str]:
        """The function of each uid, from the assignment file."""
        if self.plan is None:
            return {}
        return {uid: function for function, uid in load_assignment(self.plan).items()}

    def tell_tiles(self) -> None:
        """Send the known actuators to all pages."""
        self._teller.tiles()

    def tell_flow(self) -> None:
        """Send the state of the running flow to all pages."""
        self._runner.tell()

    def _poll(self) -> None:
        try:
            self._rounds.poll()
        except PortClosedError:
            raise
        except BusError as error:
            self._follower.end(f"stopped by an error: {error}")

    # --- between two slices of time -----------------------------------------------------------------------------

    def _on_frame(self, time_ns: int, sent: bool, found: Frame | BadFrame) -> None:
        if not sent and isinstance(found, Frame) and found.is_reply:
            self.board.frame(found)
        if not isinstance(self._port, LiveBus):
            self.log.seen(time_ns, sent, found, routine=self._is_routine)

    def _drain(self) -> None:
        if isinstance(self._port, LiveBus):
            self.log.drain(self._port.bus, routine=self._is_routine)

    def _between(self) -> None:
        self._read_inbox()
        if not self._is_routine:
            self._drain()
        if why := self._arming.why_unattended():
            self._follower.end(why)
        assert self._tap is not None
        self._teller.what_changes(self._tap, self._port)
        self._ending.look(is_closing=self._is_closing, flow_runs=self._runner.now is not None)

    def _read_inbox(self) -> None:
        while True:
            try:
                page, order = self._inbox.get_nowait()
            except queue.Empty:
                return
            self._follower.follow(page, order)
