"""The pumps: they run operations (see `busproto.ops.steps`) on a port, blocking or under asyncio.

A pump has one session and one port. It keeps what operations share: the shared addresses, and the lasting changes made
so far, so that the error for a lost port can list them.

An operation that lets actuators go (`LettingGo`) is not broken off. An interrupt or a cancellation that comes meanwhile
is kept and the step that it broke is repeated. It is raised when the operation has let go, or its stated time has
passed.
"""

from __future__ import annotations

import asyncio
import contextlib
from collections.abc import Callable, Coroutine
from types import TracebackType
from typing import Any, Final, Self, TypeVar

from busproto import lasting
from busproto.errors import AddressConflictError, LinkClosedError, PortClosedError
from busproto.interrupts import INTERRUPTS
from busproto.ops.effects import effect_of, lets_move
from busproto.ops.operation import begun
from busproto.ops.steps import Clash, Done, LettingGo, Moved, Now, Pause, Progress, Step, Steps
from busproto.session import Ask, Expect, Heard, Session, SessionState
from busproto.transport.base import ClosedBehind, Transport
from busproto.wire.messages import Assign, Present, Release

T = TypeVar("T")
ROLL_CALL = Present.OPERATION
SLICE_NS: Final = 50_000_000
"""ns. A wait for the port is cut into pieces of this length, so that an interrupt is noticed soon."""
LETTING_GO_MARGIN_NS: Final = 1_000_000_000
"""ns. An exchange that was begun in time may end this much after the stated time."""
MOST_KEPT: Final = 1000
"""Most interrupts kept while actuators are let go. Where every call of a port raises, no time passes, so a count must
end it."""
MOST_BETWEEN: Final = 4096
"""Of the bytes that came between two exchanges, the last ones up to this number are kept."""


class _Pump:
    """What both pumps share: the session, and what is kept from one operation to the next."""

    def __init__(self, transport: Transport, on_progress: Callable[[Progress], None] | None = None) -> None:
        self.transport = transport
        self.session = Session(baud=transport.baud, latency_ns=transport.latency_ns)
        self.clashing: dict[int, tuple[bytes, ...]] = {}
        self.done: list[str] = []
        self.exchanges = 0
        self.may_move: set[int] = set()
        self._on_progress = on_progress
        self._interrupted: Session | None = None
        self._letting_go_until_ns: int | None = None
        self._kept: BaseException | None = None
        self._kept_count = 0
        self._between = b""

    def __repr__(self) -> str:
        shared = ", ".join(
            f"{address}: {' and '.join(uid.hex() for uid in uids)}" for address, uids in self.clashing.items()
        )
        told = f", shared addresses {shared}" if shared else ""
        state = self.session.state.value
        return f"<{type(self).__name__} on {self.transport!r}: {state}, {self.exchanges} requests sent{told}>"

    def _require_open(self) -> None:
        if self.session.state is SessionState.CLOSED:
            raise LinkClosedError(self.transport.url)

    def _keep(self, data: bytes) -> None:
        """Keep bytes that came while no exchange was under way."""
        if data:
            self._between = (self._between + data)[-MOST_BETWEEN:]

    def _begin(self, ask: Ask, late: bytes) -> bytes:
        """Begin an exchange. `late` are the bytes that waited at the port before it. Returns the bytes to send."""
        self._keep(late)
        wire = self.session.begin(ask, self.transport.now_ns(), self._between)
        for message in (*ask.ahead, ask.message):
            effect = effect_of(message)
            if effect:  # noted before it is sent: its effect cannot be taken back
                lasting.note_act(effect)
                if lets_move(message):
                    self.may_move.add(ask.destination)
        self._between = b""
        self.exchanges += 1
        return wire

    def _note(self, step: Step) -> int | None:
        """Do a step that needs no port. Returns its answer."""
        if isinstance(step, Done):
            self.done.append(step.text)
            lasting.note_change(step.text)
        elif isinstance(step, Progress):
            if self._on_progress is not None:
                self._on_progress(step)
        elif isinstance(step, Clash):
            if len(step.uids) > 1:
                self.clashing[step.address] = step.uids
            else:
                self.clashing.pop(step.address, None)
        elif isinstance(step, Moved):
            for address, uids in tuple(self.clashing.items()):
                left = tuple(uid for uid in uids if uid != step.uid)
                self._note(Clash(address, left))
        elif isinstance(step, Now):
            return self.transport.now_ns()
        elif isinstance(step, LettingGo):
            self._let_go(step)
        return None

    def _let_go(self, step: LettingGo) -> None:
        if step.is_on:
            self._letting_go_until_ns = self.transport.now_ns() + step.longest_ns + LETTING_GO_MARGIN_NS
            self._kept_count = 0
            INTERRUPTS.begin_letting_go(step.longest_ns / 1e9)
            return
        self._has_let_go()
        kept, self._kept = self._kept, None
        if kept is not None:
            raise kept
        INTERRUPTS.poll()

    def _has_let_go(self) -> None:
        if self._letting_go_until_ns is not None:
            self._letting_go_until_ns = None
            INTERRUPTS.end_letting_go()

    def _keeps(self, error: BaseException) -> bool:
        """Whether an error must wait until the actuators are let go; the step it broke is then repeated."""
        if isinstance(error, Exception) or self._letting_go_until_ns is None:
            return False
        self._kept_count += 1
        if self.transport.now_ns() > self._letting_go_until_ns or self._kept_count > MOST_KEPT:
            return False
        self._kept = error
        return True

    def _refuse_clashing(self, ask: Ask) -> None:
        message = ask.message
        uids = self.clashing.get(ask.destination)
        if uids and message.OPERATION != ROLL_CALL and not isinstance(message, Release):
            raise AddressConflictError(ask.destination, uids)
        # no actuator may be moved into a clash either; those in it may be given other addresses
        if isinstance(message, Assign):
            uids = self.clashing.get(message.address)
            if uids and message.uid not in uids:
                raise AddressConflictError(message.address, uids)

    def _tell_done(self, error: PortClosedError) -> None:
        """Raise the error anew with the changes made so far; its notes are kept."""
        if self.done:
            told = PortClosedError(error.url, error.reason, self.done)
            told.__dict__.update(error.__dict__, done=told.done)
            raise told from error

    def _recover(self) -> None:
        """After an error in mid-exchange: go on with a fresh session that keeps what was learned.

        The rest of the old reply window is listened to before anything is sent: an actuator receives nothing while it
        answers, so a release sent during its answer would be lost.
        """
        if self.session.state is not SessionState.IDLE:
            if self.session.state in {SessionState.SENDING, SessionState.LISTENING}:
                self.session.interrupted(self.transport.now_ns())
                self._interrupted = self.session
            echoes, counts = self.session.echoes, self.session.counts
            self.session = Session(
                baud=self.transport.baud,
                latency_ns=self.transport.latency_ns,
                # so that an answer still on its way does not match the next request
                first_sequence=self.session.next_sequence,
            )
            self.session.echoes, self.session.counts = echoes, counts


class Link(_Pump, ClosedBehind):
    """Runs operations on a blocking transport.

    Not thread-safe: an exchange has a state, and nothing locks it. Run one operation at a time, from any thread. Links
    on different ports share nothing and may run in threads of their own. Signals are noted and raised at a wait for
    the port in the main thread only (`busproto.interrupts`); in any other thread an operation goes on to its end.

    Attributes:
        transport: the port.
        session: the exchange machine.
        clashing: addresses known to be shared, and the uids there; requests to them are refused.
        done: lasting changes made so far, in words.
        exchanges: requests sent so far.
        may_move: addresses to which a request was sent that lets an arm move, 255 for all. The link only adds to it; a
            caller that has seen the actuators limp may clear it.
    """

    def run(self, steps: Steps[T]) -> T:
        """Run an operation to its end and return its result.

        Raises:
            BusError: whatever the operation raises; PortClosedError then tells what had been done.
            InputError: `steps` is no operation, or was run before.
            LinkClosedError: the link was closed.
        """
        with INTERRUPTS.deferred():
            return self._run(steps)

    def _run(self, steps: Steps[T]) -> T:
        steps = begun(steps)
        self._require_open()
        try:
            step = next(steps)
            while True:
                try:
                    result = self._do(step)
                except BaseException as error:  # whatever it is, the operation may still have to let actuators go
                    self._recover()
                    if not self._keeps(error):
                        step = steps.throw(error)
                else:
                    step = steps.send(result)
        except StopIteration as stop:
            result_value: T = stop.value
            return result_value
        except PortClosedError as error:
            self._tell_done(error)
            raise
        finally:
            self._has_let_go()
            steps.close()

    def _do(self, step: Step) -> Heard | int | None:
        if isinstance(step, Ask):
            self._refuse_clashing(step)
            return self._exchange(step)
        if isinstance(step, Pause):
            self._pause(self.transport.now_ns() + step.duration_ns)
            return None
        return self._note(step)

    def _pause(self, until_ns: int) -> None:
        while self.transport.now_ns() < until_ns:
            self._keep(self._read(until_ns))

    def _read(self, until_ns: int) -> bytes:
        """The bytes that came, or b"" after `SLICE_NS` at most; the caller repeats it until its own deadline."""
        INTERRUPTS.poll()
        return self.transport.read_until(min(until_ns, self.transport.now_ns() + SLICE_NS))

    def _exchange(self, ask: Ask) -> Heard:
        transport, session = self.transport, self.session
        INTERRUPTS.poll()
        if self._interrupted is not None:
            self._listen(self._interrupted)
            self._interrupted = None
        transport.write(self._begin(ask, transport.read_until(0)))
        session.sent(transport.now_ns())
        if ask.expect is Expect.NOTHING and session.echoes is False:
            self._pause(session.deadline_ns)
        self._listen(session)
        return session.take()

    def _listen(self, session: Session) -> None:
        while session.state is SessionState.LISTENING:
            data = self._read(session.deadline_ns)
            now_ns = self.transport.now_ns()
            if data:
                session.heard(data, now_ns)
            elif now_ns >= session.deadline_ns:
                session.expire(now_ns)

    def close(self) -> None:
        """Close session and port."""
        self.session.close()
        self.transport.close()


class AsyncLink(_Pump):
    """Runs operations under asyncio, on any blocking transport: its waits happen in a worker thread.

    Operations that run concurrently wait for each other, as they share the line. Not thread-safe beyond that: use it in
    one event loop.

    Attributes: as `Link`.
    """

    def __init__(self, transport: Transport, on_progress: Callable[[Progress], None] | None = None) -> None:
        super().__init__(transport, on_progress)
        self._lock = asyncio.Lock()

    async def run(self, steps: Steps[T]) -> T:
        """As `Link.run`. Where it is cancelled, the operation may still let actuators go before this returns."""
        steps = begun(steps)
        async with self._lock:
            self._require_open()
            try:
                step = next(steps)
                while True:
                    try:
                        result = await self._do(step)
                    except BaseException as error:  # cancellation too
                        self._recover()
                        if not self._keeps(error):
                            step = steps.throw(error)
                    else:
                        step = steps.send(result)
            except StopIteration as stop:
                result_value: T = stop.value
                return result_value
            except PortClosedError as error:
                self._tell_done(error)
                raise
            finally:
                self._has_let_go()
                steps.close()

    async def _do(self, step: Step) -> Heard | int | None:
        if isinstance(step, Ask):
            self._refuse_clashing(step)
            return await self._exchange(step)
        if isinstance(step, Pause):
            await self._pause(self.transport.now_ns() + step.duration_ns)
            return None
        return self._note(step)

    async def _pause(self, until_ns: int) -> None:
        while self.transport.now_ns() < until_ns:
            self._keep(await self._read(until_ns))

    def _read(self, deadline_ns: int) -> Coroutine[Any, Any, bytes]:
        return _in_thread(self.transport.read_until, deadline_ns)

    async def _exchange(self, ask: Ask) -> Heard:
        transport, session = self.transport, self.session
        if self._interrupted is not None:
            await self._listen(self._interrupted)
            self._interrupted = None
        await _in_thread(transport.write, self._begin(ask, await self._read(0)))
        session.sent(transport.now_ns())
        if ask.expect is Expect.NOTHING and session.echoes is False:
            await self._pause(session.deadline_ns)
        await self._listen(session)
        return session.take()

    async def _listen(self, session: Session) -> None:
        while session.state is SessionState.LISTENING:
            data = await self._read(session.deadline_ns)
            now_ns = self.transport.now_ns()
            if data:
                session.heard(data, now_ns)
            elif now_ns >= session.deadline_ns:
                session.expire(now_ns)

    async def close(self) -> None:
        """Close session and port."""
        self.session.close()
        await _in_thread(self.transport.close)

    async def __aenter__(self) -> Self:
        return self

    async def __aexit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        await self.close()


async def _in_thread(call: Callable[..., T], *arguments: Any) -> T:
    """Make a blocking call in a worker thread. Where this is cancelled it ends with the call, not before: a port has
    one user at a time.
    """
    running = asyncio.ensure_future(asyncio.to_thread(call, *arguments))
    try:
        return await asyncio.shield(running)
    except asyncio.CancelledError:
        while not running.done():
            with contextlib.suppress(asyncio.CancelledError):
                await asyncio.wait([running])
        if not running.cancelled():
            running.exception()  # seen, so that asyncio does not report it as lost
        raise
