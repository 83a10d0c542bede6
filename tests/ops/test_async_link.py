"""The same operations under asyncio: same results, one at a time, and cancelled without harm."""

from __future__ import annotations

import asyncio
import gc
import random
import threading

import pytest

from busproto.errors import AddressConflictError, PortClosedError
from busproto.ops import AsyncLink, Link, Roster, assign_all, describe, find, move, ordered_moves, report, stream
from busproto.ops.link import _in_thread
from busproto.ops.steps import Pause, Steps
from busproto.session import SessionState
from busproto.sim.scene import scenario
from busproto.transport import Transport
from busproto.wire import Message
from busproto.wire.frame import UNADDRESSED
from busproto.wire.messages import LIMP_STATES, Demand, Report, State
from tests.ops.helpers import MS, Box, DyingPort, HookedPort, S, box, uid_of


class OneUserAtATime(HookedPort):
    """A port that notes when two threads are in it at the same time, and which threads there were."""

    def __init__(self, port: Transport) -> None:
        super().__init__(port, lambda _: None)
        self._busy = threading.Lock()
        self.clashes = 0

    def read_until(self, deadline_ns: int) -> bytes:
        with self._alone():
            return super().read_until(deadline_ns)

    def write(self, data: bytes) -> None:
        with self._alone():
            super().write(data)

    def _alone(self) -> threading.Lock:
        if self._busy.locked():
            self.clashes += 1
        return self._busy


class Stepped(OneUserAtATime):
    """A port whose reads wait until the test lets them; the test learns that one waits."""

    def __init__(self, port: Transport, loop: asyncio.AbstractEventLoop, hold_at: int) -> None:
        super().__init__(port)
        self._loop = loop
        self._reads = 0
        self._hold_at = hold_at
        self.waits = asyncio.Event()
        self.go = threading.Event()

    def read_until(self, deadline_ns: int) -> bytes:
        self._reads += 1
        if self._reads == self._hold_at:
            self._loop.call_soon_threadsafe(self.waits.set)
            self.go.wait(60)
        return super().read_until(deadline_ns)


def test_the_same_search_as_with_a_blocking_link() -> None:
    def blocking(seed: int) -> tuple[Roster, int]:
        one = Box(scenario.load("tow-plane").build(seed))
        return one.run(find(rng=random.Random(seed))), one.now_ns

    async def under_asyncio(seed: int) -> tuple[Roster, int]:
        bus = scenario.load("tow-plane").build(seed)
        async with AsyncLink(bus.host) as link:
            roster = await link.run(find(rng=random.Random(seed)))
            assert link.clashing == roster.clashes
        return roster, bus.kernel.now_ns

    for seed in range(3):
        assert asyncio.run(under_asyncio(seed)) == blocking(seed)


def test_operations_that_start_together_run_one_after_another() -> None:
    async def both(one: Box) -> tuple[list[Message], list[object]]:
        port = OneUserAtATime(one.bus.host)
        link = AsyncLink(port)
        results = await asyncio.gather(
            link.run(find(rng=random.Random(1))), link.run(move(7, 0.5, 200 * MS)), link.run(report(8))
        )
        assert port.clashes == 0
        return port.sent, list(results)

    def one_by_one(one: Box) -> tuple[list[Message], list[object]]:
        port = one.hooked(lambda _: None)
        results: list[object] = [one.run(find(rng=random.Random(1)))]
        results.append(one.run(move(7, 0.5, 200 * MS)))
        results.append(one.run(report(8)))
        return port.sent, results

    def bench() -> Box:
        one = box(1)
        one.add(1, 7)
        one.add(2, 8)
        return one

    assert asyncio.run(both(bench())) == one_by_one(bench())


def test_errors_are_those_of_the_blocking_link() -> None:
    async def run() -> None:
        one = box(1)
        for number in range(2):
            one.add(number, 7)
        link = AsyncLink(one.bus.host)
        with pytest.raises(AddressConflictError):
            await link.run(describe(7))
        sent = link.exchanges
        with pytest.raises(AddressConflictError):  # and now it is known
            await link.run(report(7))
        assert link.exchanges == sent, "nothing is sent to an address that several share"
        one.bus.actuators[0].power_off()
        roster = await link.run(find(rng=random.Random(1)))
        assert roster.proven
        assert (await link.run(describe(7))).uid == uid_of(1)
        await link.close()
        with pytest.raises(PortClosedError):
            await link.run(report(7))

    asyncio.run(run())


def test_a_port_that_goes_away_tells_what_was_done() -> None:
    async def run() -> None:
        one = box(1)
        for number in range(3):
            one.add(number)
        roster = one.run(find(rng=random.Random(1)))
        moves = ordered_moves(roster, {uid_of(number): 10 + number for number in range(3)})
        link = AsyncLink(DyingPort(one.bus.host, 5))
        with pytest.raises(PortClosedError) as caught:
            await link.run(assign_all(moves))
        assert caught.value.done == tuple(f"{move.uid.hex()} has address {move.new}" for move in moves[:2])
        assert [actuator.address for actuator in one.bus.actuators].count(UNADDRESSED) == 1

    asyncio.run(run())


@pytest.mark.parametrize("hold_at", [1, 2, 3, 9, 20])
def test_a_search_that_is_cancelled_at_any_read_leaves_the_link_usable(hold_at: int) -> None:
    async def run() -> None:
        one = box(2)
        one.add_many(10, 2)
        port = Stepped(one.bus.host, asyncio.get_running_loop(), hold_at)
        link = AsyncLink(port)
        search = asyncio.create_task(link.run(find(rng=random.Random(1), wanted_error=1e-30)))
        await port.waits.wait()
        search.cancel()
        second = asyncio.create_task(link.run(find(rng=random.Random(2))))
        search.cancel()  # once more, while it waits for its read to end
        await asyncio.sleep(0)
        assert not search.done()  # a port has one user: the read must come back first
        port.go.set()
        with pytest.raises(asyncio.CancelledError):
            await search
        roster = await second
        assert roster.proven
        assert {found.uid for found in roster.found} == set(one.truth)
        assert port.clashes == 0
        assert link.session.state is SessionState.IDLE

    asyncio.run(run())


@pytest.mark.parametrize("hold_at", [3, 6, 15, 30])
def test_a_move_that_is_cancelled_ends_limp(hold_at: int) -> None:
    async def run() -> None:
        one = box(2)
        actuator = one.add(1, 7)
        port = Stepped(one.bus.host, asyncio.get_running_loop(), hold_at)
        link = AsyncLink(port)
        moving = asyncio.create_task(link.run(move(7, 0.5)))
        await port.waits.wait()
        moving.cancel()
        port.go.set()
        with pytest.raises(asyncio.CancelledError):
            await moving
        moved = any(isinstance(message, Demand) for message in port.sent)
        assert actuator.state is (State.RELEASED if moved else State.LIMP)
        assert actuator.arm.target_deg is None
        assert port.clashes == 0
        assert (await link.run(report(7))).state in LIMP_STATES

    asyncio.run(run())


def test_a_stream_that_runs_out_of_time_lets_all_go_limp() -> None:
    async def run() -> None:
        one = box(2)
        actuator = one.add(1, 7, channel=1, loss_action=1)
        port = Stepped(one.bus.host, asyncio.get_running_loop(), 12)
        link = AsyncLink(port)
        streaming = asyncio.create_task(link.run(stream({1: 0.5}, 1000 * S)))
        await port.waits.wait()
        streaming.cancel()
        port.go.set()
        with pytest.raises(asyncio.CancelledError):
            await streaming
        assert actuator.state is State.RELEASED

    asyncio.run(run())


def test_one_that_waits_for_its_turn_can_be_cancelled_without_a_trace() -> None:
    async def run() -> None:
        one = box(2)
        one.add(1, 7)
        port = Stepped(one.bus.host, asyncio.get_running_loop(), 1)
        link = AsyncLink(port)
        first = asyncio.create_task(link.run(report(7)))
        await port.waits.wait()
        waiting = asyncio.create_task(link.run(move(7, 1.0)))
        await asyncio.sleep(0)
        waiting.cancel()
        with pytest.raises(asyncio.CancelledError):
            await waiting
        port.go.set()
        assert (await first).state is State.LIMP
        assert port.sent == [Report()]

    asyncio.run(run())


def test_a_pause_lets_the_time_of_the_port_pass() -> None:
    def pausing() -> Steps[None]:
        yield Pause(300 * MS)

    async def run() -> None:
        one = box()
        await AsyncLink(one.bus.host).run(pausing())
        assert one.now_ns == 300 * MS

    asyncio.run(run())
    one = box()
    Link(one.bus.host).run(pausing())
    assert one.now_ns == 300 * MS


def test_what_fails_while_it_is_cancelled_is_not_reported_as_lost() -> None:
    """Who cancelled does not wait for that error any more; asyncio would print it as never retrieved."""
    reported: list[dict[str, object]] = []

    async def main() -> None:
        asyncio.get_running_loop().set_exception_handler(lambda _, context: reported.append(context))
        begun, may_end = threading.Event(), threading.Event()

        def call() -> None:
            begun.set()
            may_end.wait(60)
            raise OSError("device disconnected")

        task = asyncio.ensure_future(_in_thread(call))
        await asyncio.to_thread(begun.wait, 60)
        task.cancel()
        await asyncio.sleep(0)
        may_end.set()
        with pytest.raises(asyncio.CancelledError):
            await task
        del task
        gc.collect()
        await asyncio.sleep(0)

    asyncio.run(main())
    gc.collect()
    assert reported == []
