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
    """All actuators on one line; `busproto.open` makes it. ``bus[30]`` or ``bus["70a9000000004107"]`` is one actuator.

    Use it by ``with``: the port is closed however the block ends. Actuators that were moved or engaged through this bus
    and not seen limp since (a move with ``stay=True``, an operation of your own) are released before, and checked.
    Others are left as they are. `close` alone releases none.

    No question is asked before anything moves: `busproto.CAUTIONS` lists what you must make sure of.

    Not thread-safe: nothing in it is locked, and one line carries one exchange at a time. Use a bus, and its actuators,
    from one thread at a time; it need not be the thread that opened it. Buses on different ports share nothing and may
    be used in threads of their own. `on_progress` is called in the thread that calls the method. Ctrl-C is raised in
    the main thread only: a method that runs in another thread goes on to its end.

    Attributes:
        link: the link that runs operations of `busproto.ops`; see `run`.

    Raises, everywhere:
        BusError: see the tree in `busproto.errors`; InputError for the program's arguments, OperationError for an
            actuator, TransportError for the port.
    """

    __iter__ = None  # with bus[...] alone Python would iterate over addresses from 0 on; bus.find() gives the actuators
    __contains__ = None

    def __init__(self, transport: Transport, *, on_progress: Callable[[Progress], None] | None = None) -> None:
        """Use a port that is open already; closing the bus closes it.

        Args:
            on_progress: called with the progress of long operations.
        """
        self.link = Link(transport, on_progress)
        self._work = Work(self.link)

    def __repr__(self) -> str:
        return f"<Bus, {self.link!r}>"

    def __getitem__(self, key: int | str | bytes | Found) -> Actuator:
        """One actuator, by its address 1..239 or its uid (16 digits, 8 bytes, or one of `find`). Sends nothing.

        Raises:
            InputError: neither an address nor a uid.
        """
        return Actuator(self.run, self._work, self._work.key(key))

    def run(self, steps: Steps[T]) -> T:
        """Run an operation of `busproto.ops`, such as ``bus.run(busproto.ops.report(30))``.

        Raises:
            InputError: it is not an operation.
            LinkClosedError: the bus was closed.
        """
        return self.link.run(steps)

    def find(self, *, expected: int | None = None, wanted_error: float | None = None) -> Roster:
        """Find every actuator, also several at one address, and prove that none is missing. Changes nothing.

        Takes 0.3 s and more of line time, and at most 20 s if anything is odd.

        Args:
            expected: about how many actuators there are, 1..239; sets the first window, never relied on.
            wanted_error: go on proving until the probability that an actuator is missing is at most this, 0..1.

        Returns:
            The roster: `len`, iteration and `in` work; `proven`, and `reason` if it is not proven.
        """
        return self.run(self._work.find(expected, wanted_error))

    def let_go(self) -> LetGo:
        """Release all and check that they report limp, for 5 s at most: those last found, or, without a `find`, all
        that answer.

        Returns:
            What was seen.

        Raises:
            NotLimpError: an actuator was not seen limp: take the pack off. `let_go` of the error holds what was seen.
        """
        return self.run(self._work.let_go())

    def audit(self, plan: Plan | AnyPath) -> Audit:
        """Compare the actuators on the line with a plan. Changes nothing and moves nothing.

        Args:
            plan: from `busproto.load_plan`, or the path of an airframe file.

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
        """Give every actuator its address and settings of a plan, read each back, then prove the result.

        All go limp first and stay limp; nothing moves. Each step is written to the journal beside the airframe file
        before it is done, so this can be interrupted at any moment and run again.

        Args:
            plan: from `busproto.load_plan`, or the path of an airframe file.
            agree: True, or a function that takes a `Proposal` and returns True to go on; not called if there is nothing
                to do.
            wrong_hardware: what to do with an actuator whose model, firmware, rating or supply is not as planned:
                "leave" it as it is, or "write" to it all the same. None refuses.
            by_address: for a function without a claimed actuator, accept the actuator that is alone at its address.
            despite_errors: go on even if the plan itself has errors.

        Raises:
            FileError: the plan cannot be used, or has errors; nothing was sent.
            NotAgreedError: changes, wrong hardware or an assignment by address were not agreed to; nothing was changed.
            NotProvenError: the roster is not proven complete; nothing was changed.
            BusError: a step failed; the journal holds the steps done.
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
        """Save all settings of all actuators in one file. Changes nothing on the bus; an older file is kept under
        another name.

        Args:
            path: of the file; None for the record beside the plan.
            plan: gives the names of the functions, and the title.
            title: title of the record.
            as_it_is: save even if not the whole bus is known; the record is then marked.

        Raises:
            InputError: the file cannot be written; nothing was sent.
            OperationError: no actuator answers, or not the whole bus is known; nothing was written.
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
            record: the result of `save`, or the path of its file, or a record together with `journal`.
            agree: as in `apply`.
            those_present: go on even if actuators of the record are not on the line.
            edited: go on even if the file was changed since it was saved.
            journal: path of the journal of steps; None for the file beside the record.

        Raises:
            FileError, InputError: the record cannot be used; nothing was sent.
            NotAgreedError, NotProvenError: see `apply`.
            OperationError: an actuator of the record is not on the line; nothing was changed.
        """
        return self.run(planning.restore_record(self._work, record, agree, those_present, edited, journal))

    def compare(self, record: Record | Saved | AnyPath) -> Differences:
        """The differences between a record and the actuators on the line now. Changes nothing."""
        return self.run(planning.compare_line(record))

    def close(self) -> None:
        """Close the port. Releases no actuator: the end of the ``with`` block does, and `let_go`. May be called
        twice."""
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
        """Release the actuators that were moved. An error that ends the block is not replaced; what was seen is
        added."""
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
    """Whether the error of a lost port names already the actuators that could not be released."""
    return isinstance(error, PortClosedError) and seen_by(error) is not None


def tell_of(error: BaseException, second: BaseException) -> None:
    """Add to an error why the actuators could not be released after it."""
    error.add_note("; ".join([str(second), *getattr(second, "__notes__", ())]))
