"""A bus, for a program that waits for each answer."""

from __future__ import annotations

from collections.abc import Callable
from types import TracebackType
from typing import Self, TypeVar

from busproto.errors import BusError, LinkClosedError, PortClosedError
from busproto.library import planning
from busproto.library.actuator import Actuator
from busproto.library.planning import Agree, AnyPath, Outcome, Restored, Saved
from busproto.library.work import Work
from busproto.ops.discovery.roster import Found
from busproto.ops.discovery.search import Roster
from busproto.ops.link import Link
from busproto.ops.moving.letting_go import LetGo, seen_by
from busproto.ops.steps import Progress, Steps
from busproto.plan.airframe.audit import Audit
from busproto.plan.airframe.differences import Differences
from busproto.plan.airframe.record import (
    Record,
)
from busproto.plan.load import Plan
from busproto.session import SessionState
from busproto.transport.base import Transport

T = TypeVar("T")


class Bus:
    """Everything on one line; `busproto.open` makes it. ``bus[30]`` or ``bus["70a9000000004107"]`` is one actuator.

    Use it by ``with``: the port is closed however the block ends. What was told to move through it and was not seen
    limp since (a move with ``stay=True``, an operation of your own) is let go before, and looked at; nothing else is:
    arms that were held before, and by others, are left as they are. `close` alone lets nothing go.

    Nothing is asked before anything moves, as a program calls this: `busproto.CAUTIONS` says what must be so.

    Not thread-safe: nothing in it is locked, and one line carries one exchange at a time. Use a bus, and the actuators
    it gave, from one thread at a time; any thread will do, also another than the one that opened it. Buses on different
    ports share nothing and may be used in threads of their own. `on_progress` is called in the thread that calls the
    method. Ctrl-C is raised in the main thread only: a method that runs in another one goes on to its end.

    Attributes:
        link: what runs operations of `busproto.ops`; see `run`.

    Raises, everywhere:
        BusError: the tree in `busproto.errors`; InputError is for what the program gave, OperationError for an
            actuator, TransportError for the port.
    """

    __iter__ = None  # bus[...] alone would make Python try addresses from 0 on; bus.find() tells what is there
    __contains__ = None

    def __init__(self, transport: Transport, *, on_progress: Callable[[Progress], None] | None = None) -> None:
        """Use a port that is open already; it is closed with this.

        Args:
            on_progress: told how far long work is.
        """
        self.link = Link(transport, on_progress)
        self._work = Work(self.link)

    def __repr__(self) -> str:
        return f"<Bus, {self.link!r}>"

    def __getitem__(self, key: int | str | bytes | Found) -> Actuator:
        """One actuator, by its address 1..239 or its uid (16 digits, 8 bytes, or one of `find`). Sends nothing.

        Raises:
            InputError: neither.
        """
        return Actuator(self.run, self._work, self._work.key(key))

    def run(self, steps: Steps[T]) -> T:
        """Run an operation of `busproto.ops`, such as ``bus.run(busproto.ops.report(30))``.

        Raises:
            InputError: it is none.
            LinkClosedError: this was closed.
        """
        return self.link.run(steps)

    def find(self, *, expected: int | None = None, wanted_error: float | None = None) -> Roster:
        """Find every actuator, also several at one address, and prove that none is missing. Changes nothing.

        Takes 0.3 s and more on the line, 20 s at most where anything is odd.

        Args:
            expected: about how many there are, 1..239; a help, never trusted.
            wanted_error: go on proving until the chance that one is missing is at most this, 0..1.

        Returns:
            The list, with a length, to be gone through, with `proven` and, where it is not, `reason`.
        """
        return self.run(self._work.find(expected, wanted_error))

    def let_go(self) -> LetGo:
        """Let all go limp, and look, for 5 s at most; those last found, or all that answer where none was looked for.

        Returns:
            What was seen.

        Raises:
            NotLimpError: one was not seen limp: take the pack off. `let_go` of the error says what was seen.
        """
        return self.run(self._work.let_go())

    def audit(self, plan: Plan | AnyPath) -> Audit:
        """Hold what is on the line against a plan. Changes nothing and moves nothing.

        Args:
            plan: of `busproto.load_plan`, or the path of an airframe file.

        Returns:
            The comparison: `is_clean`, `rows` by function, `strays`, `clashes`, `harmed` (take the supply off).
        """
        return self.run(planning.audit_line(self._work, plan))

    def apply(
        self,
        plan: Plan | AnyPath,
        *,
        agree: Agree = True,
        wrong_hardware: str | None = None,
        by_address: bool = False,
        despite_errors: bool = False,
    ) -> Outcome:
        """Bring every actuator to its address and settings of a plan, each read back; then prove it.

        All go limp first and stay limp; nothing moves. Each step is in the journal beside the airframe file before it
        is done. It can be interrupted at any moment and run again.

        Args:
            plan: of `busproto.load_plan`, or the path of an airframe file.
            agree: True, or a function that is shown a `Proposal` and gives True; not called with nothing to do.
            wrong_hardware: where model, firmware, rating or supply is not as planned: "leave" that actuator as it is,
                or "write" to it all the same. None refuses.
            by_address: where no actuator was claimed for a function, take the one alone at its address for it.
            despite_errors: also where the plan itself has errors.

        Raises:
            FileError: the plan cannot be used, or has errors; nothing was sent.
            NotAgreedError: one of the three was not agreed to; nothing was changed.
            NotProvenError: what is on the line is not proven; nothing was changed.
            BusError: an actuator did not do it; the journal says how far it came.
        """
        return self.run(
            planning.apply_plan(self._work, plan, agree, wrong_hardware, by_address, despite_errors),
        )

    def save(
        self,
        path: AnyPath | None = None,
        *,
        plan: Plan | AnyPath | None = None,
        title: str | None = None,
        as_it_is: bool = False,
    ) -> Saved:
        """Save everything of all actuators in one file. Changes nothing on the bus; an older record is kept.

        Args:
            path: of the file; None for the one beside the plan.
            plan: functions and title come from it.
            title: what to call it.
            as_it_is: also where not the whole bus is known; the record is then marked.

        Raises:
            InputError: the file cannot be written; nothing was sent.
            OperationError: nobody answers, or not the whole bus is known; nothing was written.
        """
        return self.run(planning.save_line(self._work, path, plan, title, as_it_is))

    def restore(
        self,
        record: Record | Saved | AnyPath,
        *,
        agree: Agree = True,
        those_present: bool = False,
        edited: bool = False,
        journal: AnyPath | None = None,
    ) -> Restored:
        """Bring every actuator of a record, by uid, back to its address and stored settings; then compare.

        All go limp first and stay limp; nothing moves.

        Args:
            record: what `save` gave, or the path of its file, or a record and `journal`.
            agree: as in `apply`.
            those_present: also where actuators of the record are not on the line.
            edited: also where the file was changed since it was saved.
            journal: where each step is kept; None for the file beside the record.

        Raises:
            FileError, InputError: the record cannot be used; nothing was sent.
            NotAgreedError, NotProvenError: see `apply`.
            OperationError: one is not on the line; nothing was changed.
        """
        return self.run(planning.restore_record(self._work, record, agree, those_present, edited, journal))

    def compare(self, record: Record | Saved | AnyPath) -> Differences:
        """What differs between a record and the line as it is now. Changes nothing."""
        return self.run(planning.compare_line(record))

    def close(self) -> None:
        """Close the port. Lets nothing go: the ``with`` block does, and `let_go`. May be called twice."""
        self.link.close()

    def __enter__(self) -> Self:
        if self.link.session.state is SessionState.CLOSED:
            raise LinkClosedError(self.link.transport.url)
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        try:
            self._leave(error)
        finally:
            self.close()

    def _leave(self, error: BaseException | None) -> None:
        """Let go of what was told to move. An error that ends the block says what was seen, and is not replaced."""
        if self.link.session.state is SessionState.CLOSED or not self._work.let_move:
            return
        if error is None:
            self.run(self._work.leave())
        elif not has_told(error):
            try:
                self.run(self._work.leave_after(error))
            except BusError as second:
                tell_of(error, second)


def has_told(error: BaseException) -> bool:
    """Whether a port that went away has said already who could not be told to go limp."""
    return isinstance(error, PortClosedError) and seen_by(error) is not None


def tell_of(error: BaseException, second: BaseException) -> None:
    """Let an error say why the actuators could not be let go behind it."""
    error.add_note("; ".join([str(second), *getattr(second, "__notes__", ())]))
