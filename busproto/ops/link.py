"""The pumps: they run operations (see `busproto.ops.steps`) on a port, blocking or under asyncio.

One session, one port. A pump keeps what every operation needs to share: who is known to clash, and what has been
done so far, so that a port that goes away in mid-command can be told of with it.
"""

from __future__ import annotations

import asyncio
import contextlib
from collections.abc import Callable, Coroutine
from types import TracebackType
from typing import Any, Self, TypeVar

from busproto import lasting
from busproto.errors import AddressConflictError, PortClosedError
from busproto.ops.effects import effect_of
from busproto.ops.steps import Clash, Done, Moved, Now, Pause, Progress, Step, Steps
from busproto.session import Ask, Expect, Heard, Session, SessionState
from busproto.transport.base import Transport
from busproto.wire.messages import Assign, Present

T = TypeVar("T")
ROLL_CALL = Present.OPERATION


class _Pump:
    """What both pumps share: the session and the knowledge that outlasts one operation."""

    def __init__(self, transport: Transport, on_progress: Callable[[Progress], None] | None = None) -> None:
        self.transport = transport
        self.session = Session(baud=transport.baud, latency_ns=transport.latency_ns)
        self.clashing: dict[int, tuple[bytes, ...]] = {}
        self.done: list[str] = []
        self.exchanges = 0
        self._on_progress = on_progress
        self._interrupted: Session | None = None

    def _note(self, step: Step) -> int | None:
        """Steps that need no port."""
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
        return None

    def _refuse_clashing(self, ask: Ask) -> None:
        message = ask.message
        uids = self.clashing.get(ask.destination)
        if uids and message.OPERATION != ROLL_CALL:
            raise AddressConflictError(ask.destination, uids)
        if isinstance(message, Assign):  # nobody joins a clash either; those in it may be parted
            uids = self.clashing.get(message.address)
            if uids and message.uid not in uids:
                raise AddressConflictError(message.address, uids)

    def _recover(self) -> None:
        """After an error in mid-exchange: begin anew with a fresh session that keeps what was learned.

        The old one is heard out before anything else is sent: an actuator that answers hears nothing meanwhile, and
        what lets it go limp must not be said over its answer.
        """
        if self.session.state is not SessionState.IDLE:
            if self.session.state in {SessionState.SENDING, SessionState.LISTENING}:
                self.session.interrupted(self.transport.now_ns())
                self._interrupted = self.session
            echoes, counts = self.session.echoes, self.session.counts
            self.session = Session(
                baud=self.transport.baud,
                latency_ns=self.transport.latency_ns,
                first_sequence=self.session.next_sequence,  # an answer still on its way must not fit the next request
            )
            self.session.echoes, self.session.counts = echoes, counts


def _note_effect(ask: Ask) -> None:
    """It is about to be sent; what it does beyond asking, nobody can take back."""
    for message in (*ask.ahead, ask.message):
        effect = effect_of(message)
        if effect:
            lasting.note_act(effect)


class Link(_Pump):
    """Runs operations on a blocking transport.

    Attributes:
        transport: the port.
        session: the exchange machine.
        clashing: addresses known to be shared, and by whom; requests to them are refused.
        done: lasting changes made so far, in words.
        exchanges: requests sent so far.
    """

    def run(self, steps: Steps[T]) -> T:
        """Run an operation to its end and return its result.

        Raises:
            BusError: whatever the operation raises; PortClosedError then tells what had been done.
        """
        try:
            step = next(steps)
            while True:
                try:
                    result = self._do(step)
                except BaseException as error:  # whatever it is, an operation may still want to leave all limp
                    self._recover()
                    step = steps.throw(error)
                else:
                    step = steps.send(result)
        except StopIteration as stop:
            result_value: T = stop.value
            return result_value
        except PortClosedError as error:
            if self.done:
                raise PortClosedError(error.url, error.reason, self.done) from error
            raise
        finally:
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
            self.transport.read_until(until_ns)

    def _exchange(self, ask: Ask) -> Heard:
        transport, session = self.transport, self.session
        if self._interrupted is not None:
            self._listen(self._interrupted)
            self._interrupted = None
        transport.read_until(0)  # what came too late for an earlier exchange
        wire = session.begin(ask, transport.now_ns())
        _note_effect(ask)
        self.exchanges += 1
        transport.write(wire)
        session.sent(transport.now_ns())
        if ask.expect is Expect.NOTHING and session.echoes is False:
            self._pause(session.deadline_ns)
        self._listen(session)
        return session.take()

    def _listen(self, session: Session) -> None:
        while session.state is SessionState.LISTENING:
            data = self.transport.read_until(session.deadline_ns)
            now_ns = self.transport.now_ns()
            if data:
                session.heard(data, now_ns)
            elif now_ns >= session.deadline_ns:
                session.expire(now_ns)

    def close(self) -> None:
        """Close session and port."""
        self.session.close()
        self.transport.close()

    def __enter__(self) -> Self:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self.close()


class AsyncLink(_Pump):
    """Runs operations under asyncio, on any blocking transport: its waits happen in a worker thread.

    Attributes: as `Link`. Operations are run one after another, as the line is shared.
    """

    def __init__(self, transport: Transport, on_progress: Callable[[Progress], None] | None = None) -> None:
        super().__init__(transport, on_progress)
        self._lock = asyncio.Lock()

    async def run(self, steps: Steps[T]) -> T:
        """As `Link.run`. Where it is cancelled, the operation may still leave all limp before this returns."""
        async with self._lock:
            try:
                step = next(steps)
                while True:
                    try:
                        result = await self._do(step)
                    except BaseException as error:  # cancellation too
                        self._recover()
                        step = steps.throw(error)
                    else:
                        step = steps.send(result)
            except StopIteration as stop:
                result_value: T = stop.value
                return result_value
            except PortClosedError as error:
                if self.done:
                    raise PortClosedError(error.url, error.reason, self.done) from error
                raise
            finally:
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
            await self._read(until_ns)

    def _read(self, deadline_ns: int) -> Coroutine[Any, Any, bytes]:
        return _in_thread(self.transport.read_until, deadline_ns)

    async def _exchange(self, ask: Ask) -> Heard:
        transport, session = self.transport, self.session
        if self._interrupted is not None:
            await self._listen(self._interrupted)
            self._interrupted = None
        await self._read(0)
        wire = session.begin(ask, transport.now_ns())
        _note_effect(ask)
        self.exchanges += 1
        await _in_thread(transport.write, wire)
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
