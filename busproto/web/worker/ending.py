"""The end of a running operation: it is stopped, all actuators are released, and the result is kept."""

from __future__ import annotations

from typing import Protocol, TypeVar

from busproto.ops.moving.letting_go import LetGo, could_not_be_told, let_go, not_looked_at, seen_by
from busproto.ops.steps import Steps
from busproto.web.bus.board import Board
from busproto.web.flows.desk import Stopped
from busproto.web.worker.arming import Arming

T = TypeVar("T")


class Runs(Protocol):
    """A function that runs an operation on the bus and returns its result."""

    def __call__(self, steps: Steps[T]) -> T:
        """Run it to its end."""
        ...


class Ending:
    """A request to end the running operation, and its result.

    Attributes:
        is_stopping: the end is under way; nothing interrupts it.
        let_go: result of the last release of actuators; None before the first.
        not_told: message for the case that the port went away before armed actuators were released; else "".
    """

    def __init__(self, run: Runs, board: Board, arming: Arming) -> None:
        self.is_stopping = False
        self.let_go: LetGo | None = None
        self.not_told = ""
        self._run, self._board, self._arming = run, board, arming
        self._wanted = ""
        self._is_limp_wanted = False

    # --- requests -----------------------------------------------------------------------------------------------

    def want(self, why: str) -> None:
        """Ask for the end of the running operation at its next slice."""
        self._wanted = why

    def want_limp(self) -> None:
        """Ask for the release of all actuators, also during an operation."""
        self._is_limp_wanted = True
        self._wanted = "all limp was asked for"

    def look(self, *, is_closing: bool, flow_runs: bool) -> None:
        """End the running operation where that was asked for. Raises Stopped."""
        if not (is_closing or self._wanted) or self.is_stopping:
            return
        why, self._wanted = self._wanted or "the server ends", ""
        if is_closing and not flow_runs:
            return  # the worker's own loop sees it
        self.is_stopping = True
        raise Stopped(why)

    # --- the end ------------------------------------------------------------------------------------------------

    def all_limp(self, why: str) -> None:
        """Release all actuators now. A bench that only looks does that only when asked, as others demand."""
        self.is_stopping, limp = True, ""
        try:
            limp = self.let_all_go() if self._is_limp_wanted or not self._arming.only_looks else ""
        finally:
            self.is_stopping, self._is_limp_wanted, self._wanted = False, False, ""
            self._arming.disarmed(why, limp)

    def let_all_go(self) -> str:
        """Release all known actuators, else all on the line; returns the result in words."""
        self.let_go, self.not_told = self._run(let_go(self._board.actuators())), ""
        self._arming.is_owed = False
        return self.let_go.text

    def port_has_gone(self, error: BaseException, why: str) -> None:
        """Keep the last known state of the actuators: nothing can be sent any more."""
        if self._arming.is_owed:
            self.let_go = seen_by(error) or not_looked_at(self._board.actuators())
            self.not_told = could_not_be_told(self._board.actuators())
        self._arming.disarmed(why, self.not_told if self._arming.is_owed else "")
        self.is_stopping = False
