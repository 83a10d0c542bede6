"""The awaitable front: the same results and the same requests, and what only asyncio can do wrong."""

from __future__ import annotations

import asyncio
import gc
from pathlib import Path
from typing import Any

import pytest

import busproto
from busproto.library.async_bus import AsyncBus
from busproto.ops.moving.letting_go import seen_by
from busproto.wire.messages import State
from tests.library.helpers import FRESH, LEFT, LONE, harbour, opened
from tests.ops.helpers import HookedPort


def test_it_gives_and_sends_what_its_twin_does() -> None:
    async def awaited() -> tuple[list[Any], list[Any]]:
        port = HookedPort(harbour().bus.host, lambda _: None)
        async with AsyncBus(port) as bus:
            one = bus[12]
            await one.settings.set("neutral", -0.4)
            came: list[Any] = [await one.settings.get("neutral"), await one.settings.as_dict()]
            came += [await one.settings.update({"channel": 9}), await one.settings.store()]
            came += [await one.settings.undo("factory"), await one.describe(), await one.report()]
            came += [await one.move("5deg", stay=True), await one.show(1), await one.limp()]
            await one.give_address(13)
            came += [await bus[13].report()]
        return came, port.sent

    bus, port = opened(harbour())
    with bus:
        one = bus[12]
        one.settings["neutral"] = -0.4
        came: list[Any] = [one.settings["neutral"], one.settings.as_dict()]
        came += [one.settings.update({"channel": 9}), one.settings.store()]
        came += [one.settings.undo("factory"), one.describe(), one.report()]
        came += [one.move("5deg", stay=True), one.show(1), one.limp()]
        one.give_address(13)
        came += [bus[13].report()]
    theirs, sent = asyncio.run(awaited())
    assert theirs == came
    assert [type(message) for message in sent] == [type(message) for message in port.sent]


def test_find_and_a_record_and_what_differs(tmp_path: Path) -> None:
    async def run() -> None:
        one = harbour()
        async with AsyncBus(one.bus.host) as bus:
            found = await bus.find()
            assert found.proven
            await bus[FRESH].give_address(13)
            await bus[LEFT].give_address(61)
            saved = await bus.save(tmp_path / "crane.record.json", title="Crane")
            await bus[LONE].settings.set("neutral", 2)
            await bus[LONE].settings.store()
            assert [row.what for row in (await bus.compare(saved)).different] == ["neutral"]
            restored = await bus.restore(saved)
            assert restored.is_as_recorded
            assert (await bus.let_go()).is_limp
        with pytest.raises(busproto.LinkClosedError):
            await bus.find()
        with pytest.raises(busproto.LinkClosedError):
            async with bus:
                pass

    asyncio.run(run())


def test_one_that_stays_is_let_go_where_the_block_ends_also_by_an_error() -> None:
    async def run(fails: bool) -> State:
        one = harbour()
        try:
            async with AsyncBus(one.bus.host) as bus:
                await bus[12].move("10%", stay=True)
                if fails:
                    raise KeyError("of the program")
        except KeyError as error:
            seen = seen_by(error)
            assert seen is not None
            assert seen.limp == (12,)
        return one.bus.labelled("slew").state

    assert asyncio.run(run(False)) is State.RELEASED
    assert asyncio.run(run(True)) is State.RELEASED


def test_one_that_is_cancelled_is_let_go() -> None:
    async def run() -> State:
        one = harbour()
        async with AsyncBus(one.bus.host) as bus:
            begun = asyncio.Event()
            loop = asyncio.get_running_loop()
            bus.link._on_progress = lambda _: loop.call_soon_threadsafe(begun.set)
            moving = asyncio.create_task(bus[12].move("10%", hold_s=600))
            await begun.wait()
            moving.cancel()
            with pytest.raises(asyncio.CancelledError):
                await moving
        return one.bus.labelled("slew").state

    assert asyncio.run(run()) is State.RELEASED


def test_what_is_not_awaited_is_told_by_python_itself() -> None:
    bus = AsyncBus(harbour().bus.host)
    with pytest.warns(RuntimeWarning, match=r"coroutine 'AsyncBus\.find' was never awaited"):
        bus.find()  # type: ignore[unused-coroutine]
    gc.collect()


def test_several_at_a_time_are_done_one_after_another() -> None:
    async def run() -> None:
        async with busproto.open_async("sim://taxi?seed=3") as bus:
            found = await bus.find()
            reports = await asyncio.gather(*(bus[one.uid].report() for one in found))
            assert len(reports) == len(found) == 13
            assert repr(bus).startswith("<AsyncBus, <AsyncLink on <SerialTransport 'sim://taxi?seed=3'")
            with pytest.raises(busproto.InputError):
                bus["x"]
            settings = bus[1].settings
            assert "neutral" in settings
            assert len(list(settings)) == len(settings)
            assert repr(settings) == "<settings of address 1>"
            assert repr(bus[1]) == "<actuator, address 1>"

    asyncio.run(run())
