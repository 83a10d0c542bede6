"""The worker: the one thread that touches the bus. It polls, sends demands, runs one flow at a time, and ends limp.

Nothing moves before every caution was ticked and the bench was armed. It is disarmed, and all go limp, when the
operator leaves, is not heard of, or hides the page for a while; on any error; when a flow that moves has ended; and by
`Limp`, which everyone may say at any moment: an operation that runs is then interrupted as by Ctrl-C.
"""

from __future__ import annotations

import contextlib
import queue
import threading
import time
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from typing import Any, Final, TypeVar

import msgspec

from busproto.cautions import CAUTIONS
from busproto.errors import BusError, InputError, OperationError, PortClosedError, TransportError
from busproto.ops.link import Link
from busproto.ops.moving.letting_go import LetGo, could_not_be_told, let_go, not_looked_at, seen_by
from busproto.ops.moving.motion import demand, engage, release, report_round
from busproto.ops.moving.watching import Courteous
from busproto.ops.steps import Progress, Steps
from busproto.ops.transact import transact
from busproto.plan.load import Plan
from busproto.plan.seating import load_seating
from busproto.sim.control import ControlError, obey
from busproto.transport.base import Transport
from busproto.web import orders
from busproto.web.board import Board, Tile, health_json
from busproto.web.flows import FLOWS, Desk, Stopped
from busproto.web.line_log import LineLog
from busproto.web.live_bus import LiveBus
from busproto.web.tap import Tap
from busproto.web.virtual import arrange, bus_json
from busproto.wire import BadFrame, Frame
from busproto.wire.messages import Report, State, Status

T = TypeVar("T")
MS: Final = 1_000_000
PERIOD_NS: Final = 20 * MS
"""Polling goes round 50 times a second where the line is fast enough."""
LINE_PERIOD_S: Final = 0.1
SLOW_PERIOD_S: Final = 0.5
SILENCE_S: Final = 3.0
"""The operator's page says that it is there every second."""
HIDDEN_S: Final = 5.0
REOPEN_S: Final = 1.0
Publish = Callable[[str, dict[str, Any]], None]
ToOne = Callable[[int, dict[str, Any]], None]


@dataclass(frozen=True, slots=True)
class OperatorLeft:
    """Told by the hub: nobody operates any more."""


class _Reopen(Exception):
    """The virtual bus is to begin anew."""


class Bench:
    """One bus and what is done with it. `start` runs it on a thread of its own; `submit` may be called from any.

    Attributes:
        plan: the airframe, None where none was given.
        board: who is on the line.
        log: what went over it.
        armed: whether demands go through.
        shares, channel_shares: the demands, -1..+1, by address and by channel.
        only_looks: somebody else demands on the line.
        has_watchers: whether any page is there; nobody is asked for reports otherwise.
        let_go: what was seen when actuators were let go last, or were to be; None before.
        not_told: the port went away before what was armed was let go: what is to be said; "" otherwise.
        worker_cpu_s: processor time of the thread so far.
    """

    def __init__(
        self,
        open_port: Callable[[], Transport],
        publish: Publish,
        to_one: ToOne,
        *,
        plan: Plan | None = None,
        beside_receiver: bool = False,
        clock: Callable[[], float] = time.monotonic,
    ) -> None:
        """Args: open_port: a fresh port, raises TransportError; publish: given a key and a body for everyone (a later
        body with the key replaces an earlier one); to_one: given the number of a page and a body for it alone;
        beside_receiver: somebody else demands on the line: only look, in the gaps that are left; clock: seconds.
        """
        self.plan = plan
        self.board = Board()
        self.log = LineLog()
        self.armed = False
        self.let_go: LetGo | None = None
        self.not_told = ""
        self.shares: dict[int, float] = {}
        self.channel_shares: dict[int, float] = {}
        self.has_watchers = False
        self._open_port, self._publish, self._to_one = open_port, publish, to_one
        self._clock = clock
        self.only_looks = beside_receiver
        self._inbox: queue.SimpleQueue[tuple[int, orders.AnyOrder | OperatorLeft]] = queue.SimpleQueue()
        self._thread = threading.Thread(target=self._run, name="bench", daemon=True)
        self._is_closing = False
        self._port: Transport | None = None
        self._tap: Tap | None = None
        self._link: Link | None = None
        self._is_routine = False
        self._is_polling = True
        self._stop_wanted = ""
        self._is_stopping = self._limp_wanted = False
        self._was_armed = self._is_owed = False  # owed: it was not let go to the end of that since
        self._reopen_wanted = False
        self._flow: Desk | None = None
        self._next_flow: Desk | None = None
        self._flow_number = 0
        self._to_release: list[int] = []
        self._in_turn = 0
        self._seq = 0
        self._alive_s = self._clock()
        self._hidden_s: float | None = None
        self._sent_ns = self._line_s = self._slow_s = 0.0
        self.worker_cpu_s = 0.0

    # --- from other threads -------------------------------------------------------------------------------------

    def start(self) -> None:
        """Begin."""
        self._thread.start()

    def submit(self, page: int, order: orders.AnyOrder | OperatorLeft) -> None:
        """Something that a page, by its number, wants; whoever calls this has looked whether it may."""
        self._inbox.put((page, order))

    def close(self) -> None:
        """All go limp, the port is let go of. Returns when that has happened."""
        self._is_closing = True
        if self._thread.is_alive():
            self._thread.join()

    # --- the thread ---------------------------------------------------------------------------------------------

    def _run(self) -> None:
        while not self._is_closing:
            try:
                self._port = self._open_port()
            except TransportError as error:
                self._port_json("closed", str(error))
                self._wait_for_port()
                continue
            self._reopen_wanted = False
            used = Courteous(self._port) if self.only_looks else self._port
            self._tap = Tap(used, self._on_frame, self._between)
            self._link = Link(self._tap, on_progress=self._progress)
            if isinstance(self._port, LiveBus):
                self._port.bus.line.record = []
                self.board.clear()  # it is another bus
                self.tell_tiles()
            self._port_json("open", "")
            try:
                self._serve()
            except _Reopen:
                self.said("the virtual bus was powered up anew: find who is there")
            except PortClosedError as error:
                self._has_ended(error, _text_of(error), "the port has gone")
                self._wait_for_port()
            except Exception as error:
                with contextlib.suppress(BusError, Stopped):
                    self._let_go()
                self._has_ended(error, f"a fault in the server: {error}", "a fault in the server")
                raise
            finally:
                self._link.close()

    def _has_ended(self, error: BaseException, text: str, why: str) -> None:
        self._end_flow("failed", text)
        if self._is_owed:
            self.let_go = seen_by(error) or not_looked_at(self.board.crew())
            self.not_told = could_not_be_told(self.board.crew())
        self._now_disarmed(why, self.not_told if self._is_owed else "")
        self._port_json("closed", text)
        self._port, self._next_flow, self._is_stopping = None, None, False

    def _wait_for_port(self) -> None:
        until_s = self._clock() + REOPEN_S
        while not self._is_closing and self._clock() < until_s:
            self._read_inbox()
            time.sleep(0.05)

    def _serve(self) -> None:
        assert self._tap is not None
        while not self._is_closing:
            try:
                if self._next_flow is not None:
                    self._run_flow(self._next_flow)
                else:
                    self.idle()
                if self._reopen_wanted:
                    self._now_disarmed("the virtual bus begins anew")
                    raise _Reopen
            except Stopped as stop:
                self._all_limp(str(stop))
        if self._was_armed:
            self._all_limp("the server ends")

    def run(self, steps: Steps[T]) -> T:
        """Run an operation; for flows, on this thread."""
        assert self._link is not None
        return self._link.run(steps)

    def run_into_clashes(self, steps: Steps[T]) -> T:
        """As `run`, also to addresses known to be shared; on the same link, which hears out what is stopped."""
        assert self._link is not None
        known, self._link.clashing = self._link.clashing, {}
        try:
            return self._link.run(steps)
        finally:
            self._link.clashing = known

    def idle(self) -> None:
        """A little of what is done while nothing else is: polling, or just letting time pass."""
        assert self._tap is not None
        began_ns = self._tap.now_ns()
        is_polling = self._is_polling and self.has_watchers and bool(self.board.alone)
        self._is_routine = is_polling
        try:
            if is_polling:
                self._poll_safely()
            left_ns = began_ns + PERIOD_NS - self._tap.now_ns()
            self._tap.read_until(self._tap.now_ns() + max(MS, left_ns))
        finally:
            self._drain()
            self.log.end_round()
            self._is_routine = False

    def _poll_safely(self) -> None:
        try:
            self._poll()
        except PortClosedError:
            raise
        except BusError as error:
            self.disarm(f"stopped by an error: {error}")

    def _poll(self) -> None:
        if self.only_looks:
            self._ask_one()  # a round of all would leave no gap for the other sender
            return
        wanted, self._to_release = self._to_release, []
        for address in wanted:
            self.run(release(address))
        engaged = self._take_hold()
        shares = dict(self.channel_shares) if self.armed else {}
        for first, count in self.board.rows():
            reports = self.run(report_round(first, count, shares or None))
            shares = {}
            for tile in self.board.alone:
                if first <= tile.address < first + count:
                    tile.answered() if tile.address in reports else tile.did_not_answer()
        for address in engaged:  # who was demanded of only since then comes next time
            share = self.shares.get(address)
            if share is not None and self.armed:
                self.run(demand(address, share))
        for tile in self._demanded():
            if tile.is_silent:
                raise OperationError(tile.address, f"address {tile.address} has a demand and does not answer any more")
        self._ask_one()

    def _demanded(self) -> list[Tile]:
        """Those of whom something is demanded now."""
        if not self.armed:
            return []
        return [tile for tile in self.board.alone if tile.address in self.shares or tile.channel in self.channel_shares]

    def _take_hold(self) -> list[int]:
        """Engage those of whom something is demanded, where they were told to be limp. Returns their addresses."""
        demanded = self._demanded()
        for tile in demanded:
            if tile.state is State.RELEASED:
                tile.state = self.run(engage(tile.address))
        return [tile.address for tile in demanded]

    def _ask_one(self) -> None:
        """A whole report of one after another."""
        alone = self.board.alone
        self._in_turn = (self._in_turn + 1) % len(alone)
        tile = alone[self._in_turn]
        try:
            self.run(transact(Report(), tile.address, Status, attempts=1))
        except OperationError:
            tile.did_not_answer()
        else:
            tile.answered()
        self._publish(f"health {tile.uid.hex()}", {"k": "health", **health_json(tile)})

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
        self._look_after_operator()
        self._tell_what_moves()
        if (self._is_closing or self._stop_wanted) and not self._is_stopping:
            why, self._stop_wanted = self._stop_wanted or "the server ends", ""
            if self._is_closing and self._flow is None:
                return  # `_serve` sees it
            self._is_stopping = True
            raise Stopped(why)

    def _tell_what_moves(self) -> None:
        assert self._tap is not None
        now_s, now_ns = self._clock(), self._tap.now_ns()
        if self.has_watchers and self.board.tiles and now_ns - self._sent_ns >= PERIOD_NS:
            self._sent_ns = now_ns
            self._seq += 1
            body = {"k": "pos", "seq": self._seq, "ms": now_ns // MS, "rows": self.board.moving_json()}
            self._publish("pos", body)
        if now_s - self._line_s >= LINE_PERIOD_S:
            self._line_s = now_s
            news = self.log.news()
            if news is not None:
                self._publish("line", {"k": "line", **news})
        if now_s - self._slow_s >= SLOW_PERIOD_S:
            self._slow_s = now_s
            self.worker_cpu_s = time.thread_time()
            lost_ms = self._port.lost_ns // MS if isinstance(self._port, LiveBus) else 0
            self._publish("load", {"k": "load", "load": round(self._tap.load, 3), "lost_ms": lost_ms})

    def _look_after_operator(self) -> None:
        if not self.armed:
            return
        now_s = self._clock()
        if now_s - self._alive_s > SILENCE_S:
            self.disarm("nothing was heard of the operator's page")
        elif self._hidden_s is not None and now_s - self._hidden_s > HIDDEN_S:
            self.disarm("the operator's page was hidden")

    def _read_inbox(self) -> None:
        while True:
            try:
                page, order = self._inbox.get_nowait()
            except queue.Empty:
                return
            try:
                _FOLLOW[type(order)](self, page, order)
            except (InputError, ControlError) as error:
                self._to_one(page, {"k": "refused", "text": str(error)})

    # --- what moves, and what ends it ---------------------------------------------------------------------------

    def disarm(self, why: str) -> None:
        """Nothing moves any more, as soon as the operation that runs lets go."""
        if self.armed or self._flow is not None:
            self._stop_wanted = why

    def _all_limp(self, why: str) -> None:
        """Now; a flow that ran has ended. Who only looks takes nobody's demands away unasked."""
        self._is_stopping, limp = True, ""
        try:
            limp = self._let_go() if self._limp_wanted or not self.only_looks else ""
        finally:
            self._is_stopping, self._limp_wanted, self._stop_wanted = False, False, ""
            self._now_disarmed(why, limp)

    def _let_go(self) -> str:
        """Let go of all that are known, else of whoever is there; says what was seen."""
        self.let_go, self.not_told = self.run(let_go(self.board.crew())), ""
        self._is_owed = False
        return self.let_go.text

    def _now_disarmed(self, why: str, limp: str = "") -> None:
        self.armed = False
        self.shares, self.channel_shares, self._to_release = {}, {}, []
        self._arm_json(why, limp)

    def _arm(self, page: int, order: orders.Arm) -> None:
        if sorted(set(order.ticked)) != list(range(len(CAUTIONS))):
            raise InputError("every caution is to be ticked first; nothing was armed")
        if self.only_looks:
            raise InputError("somebody else demands on this line (--beside-receiver): this bench only looks")
        if not self.board.alone:
            raise InputError("nobody is known on the line: find who is there first")
        if self._port is None or self._flow is not None:
            raise InputError("a task is running: it ends first")
        self.armed = self._was_armed = self._is_owed = True
        self._alive_s, self._hidden_s = self._clock(), None
        self._arm_json("")

    def _demand_one(self, page: int, order: orders.DemandOne) -> None:
        tile = self.board.at(order.address)
        if tile is None:
            raise InputError(f"nobody is alone at address {order.address}")
        if order.share is None:
            self.shares.pop(order.address, None)
            self._to_release.append(order.address)
        else:
            self._require_armed()
            if tile.channel in self.channel_shares:
                raise InputError(f"channel {tile.channel} has a demand already; take that away first")
            self.shares[order.address] = order.share
        self._arm_json("")

    def _demand_channel(self, page: int, order: orders.DemandChannel) -> None:
        tiles = self.board.on_channel(order.channel)
        if not tiles:
            raise InputError(f"nobody who was read follows channel {order.channel}")
        if order.share is None:
            self.channel_shares.pop(order.channel, None)
            self._to_release += [tile.address for tile in tiles]
        else:
            self._require_armed()
            if any(tile.address in self.shares for tile in tiles):
                raise InputError(f"one on channel {order.channel} has a demand of its own; take that away first")
            self.channel_shares[order.channel] = order.share
        self._arm_json("")

    def _require_armed(self) -> None:
        if not self.armed:
            raise InputError("not armed: tick the cautions and arm first; nothing was moved")
        if self._flow is not None:
            raise InputError("a task is running: it has the bus")

    # --- flows --------------------------------------------------------------------------------------------------

    def _start(self, page: int, order: orders.Start) -> None:
        kind = FLOWS.get(order.flow)
        if kind is None:
            raise InputError(f"there is no task '{order.flow}'; there are: {', '.join(FLOWS)}")
        if self._flow is not None or self._next_flow is not None:
            raise InputError("a task is running: end it first")
        if self._port is None:
            raise InputError("the port is closed")
        if kind.needs_plan and self.plan is None:
            raise InputError("this needs an airframe file: busproto serve --airframe FILE")
        if kind.moves and not self.armed:
            raise InputError("this moves actuators: tick the cautions and arm first; nothing was moved")
        try:
            wanted = msgspec.convert(order.with_, kind.fields)
        except msgspec.ValidationError as error:
            raise InputError(f"{order.flow}: {error}") from error
        self._flow_number += 1
        self._next_flow = Desk(self, kind, wanted, self._flow_number)

    def _run_flow(self, desk: Desk) -> None:
        self._next_flow, self._flow = None, desk
        self.tell_flow()
        try:
            if self.shares or self.channel_shares:
                self.said(self._let_go())
                self.shares, self.channel_shares = {}, {}
                self._arm_json("")  # a flow that moves goes on armed
            desk.result = desk.kind.steps(desk, desk.wanted)
        except Stopped as stop:
            self._end_flow("stopped", str(stop))
            self._all_limp(str(stop))
        except PortClosedError:
            raise
        except (BusError, OSError) as error:
            self._end_flow("failed", _text_of(error))
            if self.armed or self._is_stopping:
                self._all_limp("an error ended the task")
        else:
            self._end_flow("done", "")
            if desk.kind.moves:
                self._all_limp("the task has ended")
        self._is_stopping = False

    def _end_flow(self, state: str, text: str) -> None:
        desk, self._flow = self._flow, None
        if desk is not None:
            desk.state, desk.problem, desk.question = state, text, None
            self._publish("flow", desk.json())

    def tell_flow(self) -> None:
        """How the flow stands, to everyone."""
        if self._flow is not None:
            self._publish("flow", self._flow.json())

    def _progress(self, step: Progress) -> None:
        self._publish("progress", {"k": "progress", "task": step.task, "at": step.at, "of": step.of})

    def _answer(self, page: int, order: orders.Answer) -> None:
        if self._flow is None or not self._flow.answered(order.question, order.answer):
            raise InputError("nobody asked that any more")

    # --- the rest -----------------------------------------------------------------------------------------------

    def _limp(self, page: int, order: object) -> None:
        self._limp_wanted = True
        self._stop_wanted = "all limp was asked for"

    def _alive(self, page: int, order: orders.Alive) -> None:
        self._alive_s = self._clock()
        if order.visible:
            self._hidden_s = None
        elif self._hidden_s is None:
            self._hidden_s = self._clock()

    def _poll_or_not(self, page: int, order: orders.Poll) -> None:
        if not order.on and self.armed:
            raise InputError("while armed everyone is watched; disarm first")
        self._is_polling = order.on
        self.said("polling is " + ("on" if order.on else "off"))

    def _explain(self, page: int, order: orders.Explain) -> None:
        body = self.log.explain(order.entry)
        if body is None:
            raise InputError(f"entry {order.entry} of the line log is not kept any more")
        self._to_one(page, {"k": "explained", **body})

    def _virtual(self) -> LiveBus:
        if not isinstance(self._port, LiveBus):
            raise InputError("this port is real: what happens on it is not ours to arrange")
        return self._port

    def _fault(self, page: int, order: orders.Fault) -> None:
        self.said(f"virtual bus: {arrange(self._virtual().bus, order)}")

    def _control(self, page: int, order: orders.Control) -> None:
        self.said(f"virtual bus: {obey(self._virtual().bus, order.line)}")
        self._port_json("open", "")

    def _power_up(self, page: int, order: object) -> None:
        self._virtual()
        if self._flow is not None:
            raise InputError("a task is running: it ends first")
        self._reopen_wanted = True

    # --- telling ------------------------------------------------------------------------------------------------

    def functions(self) -> Mapping[bytes, str]:
        """The function of each uid, as far as the seating file knows."""
        if self.plan is None:
            return {}
        return {uid: function for function, uid in load_seating(self.plan).items()}

    def tell_tiles(self) -> None:
        """Who is there, to everyone."""
        self._publish("tiles", {"k": "tiles", "tiles": self.board.tiles_json()})

    def said(self, text: str) -> None:
        """One line for the log of what happened."""
        self._publish("said", {"k": "said", "text": text})

    def _arm_json(self, why: str, limp: str = "") -> None:
        body = {
            "k": "arm",
            "armed": self.armed,
            "why": why,
            "limp": limp,
            "demands": {str(address): share for address, share in self.shares.items()},
            "channels": {str(channel): share for channel, share in self.channel_shares.items()},
        }
        self._publish("arm", body)

    def _port_json(self, state: str, text: str) -> None:
        body: dict[str, Any] = {"k": "port", "state": state, "text": text, "virtual": isinstance(self._port, LiveBus)}
        if self._port is not None:
            body |= {"url": self._port.url, "baud": self._port.baud}
        if isinstance(self._port, LiveBus):
            body |= bus_json(self._port)
        self._publish("port", body)


def _text_of(error: BaseException) -> str:
    return "; ".join([str(error), *getattr(error, "__notes__", ())])


_FOLLOW: Final[dict[type, Callable[[Bench, int, Any], None]]] = {
    orders.Limp: Bench._limp,
    orders.Explain: Bench._explain,
    orders.Arm: Bench._arm,
    orders.Disarm: lambda bench, page, order: bench.disarm("disarmed by the operator"),
    orders.Alive: Bench._alive,
    orders.DemandOne: Bench._demand_one,
    orders.DemandChannel: Bench._demand_channel,
    orders.Poll: Bench._poll_or_not,
    orders.Start: Bench._start,
    orders.Answer: Bench._answer,
    orders.Stop: lambda bench, page, order: bench.disarm("stopped by the operator"),
    orders.Fault: Bench._fault,
    orders.Control: Bench._control,
    orders.PowerUp: Bench._power_up,
    OperatorLeft: lambda bench, page, order: bench.disarm("the operator has left"),
}
