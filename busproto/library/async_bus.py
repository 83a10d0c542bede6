"""The library for asyncio: each method does what the method of the same name does in `busproto.library.bus`.

No method blocks the event loop. Operations on one bus are done one after another, as they share the line. One that is
cancelled may still release its actuator before it ends.
"""

from __future__ import annotations

from collections.abc import Awaitable, Callable, Iterator, Mapping
from types import TracebackType
from typing import Any, Self, TypeVar

from busproto.errors import BusError, LinkClosedError
from busproto.library import planning
from busproto.library.bus import has_told, tell_of
from busproto.library.planning import Agree, AnyPath, Outcome, Restored, Saved
from busproto.library.values import About, ActuatorReport, Moved, Value
from busproto.library.work import ActuatorKey, Work
from busproto.ops.discovery.roster import Found
from busproto.ops.discovery.search import Roster
from busproto.ops.link import AsyncLink
from busproto.ops.moving.letting_go import LetGo
from busproto.ops.steps import Progress, Steps
from busproto.plan.airframe.audit import Audit
from busproto.plan.airframe.differences import Differences
from busproto.plan.airframe.record import (
    Record,
)
from busproto.plan.load import Plan
from busproto.session import SessionState
from busproto.transport.base import Transport
from busproto.wire.parameters import BY_NAME

T = TypeVar("T")
Run = Callable[[Steps[Any]], Awaitable[Any]]


class AsyncSettings:
    """As `Settings`, with `get` and `set` in place of ``[]``, which cannot be awaited.

    For the same reason `in`, `len` and iteration know the names of the table only; `as_dict` has those of the
    actuator."""

    def __init__(self, run: Run, work: Work, key: ActuatorKey) -> None:
        self._run, self._work, self._key = run, work, key

    def __iter__(self) -> Iterator[str]:
        return iter(BY_NAME)

    def __len__(self) -> int:
        return len(BY_NAME)

    def __contains__(self, name: object) -> bool:
        return isinstance(name, str) and name in BY_NAME

    def __repr__(self) -> str:
        return f"<settings of {self._key}>"

    async def get(self, name: str) -> Value:
        """Read one setting in its unit, as ``settings[name]`` of `Settings`."""
        value: Value = await self._run(self._work.read(self._key, name))
        return value

    async def set(self, name: str, value: object) -> None:
        """Set one setting and read it back, as ``settings[name] = value`` of `Settings`."""
        await self._run(self._work.set(self._key, name, value))

    async def as_dict(self, memory: str = "working") -> dict[str, Value]:
        """As `Settings.as_dict`."""
        values: dict[str, Value] = await self._run(self._work.read_all(self._key, memory))
        return values

    async def update(self, changes: Mapping[str, object]) -> dict[str, Value]:
        """As `Settings.update`."""
        changed: dict[str, Value] = await self._run(self._work.update(self._key, changes))
        return changed

    async def store(self) -> int:
        """As `Settings.store`."""
        count: int = await self._run(self._work.store(self._key))
        return count

    async def undo(self, to: str = "stored") -> dict[str, Value]:
        """As `Settings.undo`."""
        values: dict[str, Value] = await self._run(self._work.undo(self._key, to))
        return values


class AsyncActuator:
    """As `Actuator`. `give_address` sets its address; `describe` reads address and uid."""

    def __init__(self, run: Run, work: Work, key: ActuatorKey) -> None:
        self._run, self._work, self._key = run, work, key

    def __repr__(self) -> str:
        return f"<actuator, {self._key}>"

    @property
    def settings(self) -> AsyncSettings:
        """Its settings, with awaitable `get` and `set`."""
        return AsyncSettings(self._run, self._work, self._key)

    async def report(self) -> ActuatorReport:
        """As `Actuator.report`."""
        report: ActuatorReport = await self._run(self._work.report(self._key))
        return report

    async def describe(self) -> About:
        """As `Actuator.describe`."""
        about: About = await self._run(self._work.describe(self._key))
        return about

    async def move(
        self, target: str | float, *, unit: str | None = None, hold_s: float = 1.0, stay: bool = False
    ) -> Moved:
        """As `Actuator.move`: you are NOT asked before (`busproto.CAUTIONS`). If cancelled, it releases the
        actuator."""
        moved: Moved = await self._run(self._work.move(self._key, target, unit, hold_s, stay))
        return moved

    async def limp(self) -> LetGo:
        """As `Actuator.limp`."""
        seen: LetGo = await self._run(self._work.limp(self._key))
        return seen

    async def show(self, seconds: float) -> bool:
        """As `Actuator.show`."""
        moves: bool = await self._run(self._work.show(self._key, seconds))
        return moves

    async def give_address(self, address: int | None, *, channel: int | None = None) -> None:
        """As `Actuator.give_address`."""
        await self._run(self._work.give_address(self._key, address, channel))


class AsyncBus:
    """As `Bus`, by ``async with``; `busproto.open_async` makes it."""

    __iter__ = None
    __contains__ = None

    def __init__(self, transport: Transport, *, on_progress: Callable[[Progress], None] | None = None) -> None:
        """As `Bus`."""
        self.link = AsyncLink(transport, on_progress)
        self._work = Work(self.link)

    def __repr__(self) -> str:
        return f"<AsyncBus, {self.link!r}>"

    def __getitem__(self, key: int | str | bytes | Found) -> AsyncActuator:
        """As `Bus`: one actuator. Sends nothing."""
        return AsyncActuator(self.run, self._work, self._work.key(key))

    async def run(self, steps: Steps[T]) -> T:
        """As `Bus.run`."""
        return await self.link.run(steps)

    async def find(self, *, expected: int | None = None, wanted_error: float | None = None) -> Roster:
        """As `Bus.find`."""
        return await self.run(self._work.find(expected, wanted_error))

    async def let_go(self) -> LetGo:
        """As `Bus.let_go`."""
        return await self.run(self._work.let_go())

    async def audit(self, plan: Plan | AnyPath) -> Audit:
        """As `Bus.audit`."""
        return await self.run(planning.audit_line(self._work, plan))

    async def apply(
        self,
        plan: Plan | AnyPath,
        *,
        agree: Agree = True,
        wrong_hardware: str | None = None,
        by_address: bool = False,
        despite_errors: bool = False,
    ) -> Outcome:
        """As `Bus.apply`. `agree` is called between two exchanges and blocks the event loop while it runs."""
        return await self.run(
            planning.apply_plan(self._work, plan, agree, wrong_hardware, by_address, despite_errors),
        )

    async def save(
        self,
        path: AnyPath | None = None,
        *,
        plan: Plan | AnyPath | None = None,
        title: str | None = None,
        as_it_is: bool = False,
    ) -> Saved:
        """As `Bus.save`."""
        return await self.run(planning.save_line(self._work, path, plan, title, as_it_is))

    async def restore(
        self,
        record: Record | Saved | AnyPath,
        *,
        agree: Agree = True,
        those_present: bool = False,
        edited: bool = False,
        journal: AnyPath | None = None,
    ) -> Restored:
        """As `Bus.restore`."""
        return await self.run(planning.restore_record(self._work, record, agree, those_present, edited, journal))

    async def compare(self, record: Record | Saved | AnyPath) -> Differences:
        """As `Bus.compare`."""
        return await self.run(planning.compare_line(record))

    async def close(self) -> None:
        """As `Bus.close`."""
        await self.link.close()

    async def __aenter__(self) -> Self:
        if self.link.session.state is SessionState.CLOSED:
            raise LinkClosedError(self.link.transport.url)
        return self

    async def __aexit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        try:
            await self._leave(error)
        finally:
            await self.close()

    async def _leave(self, error: BaseException | None) -> None:
        if self.link.session.state is SessionState.CLOSED or not self._work.let_move:
            return
        if error is None:
            await self.run(self._work.leave())
        elif not has_told(error):
            try:
                await self.run(self._work.leave_after(error))
            except BusError as second:
                tell_of(error, second)
