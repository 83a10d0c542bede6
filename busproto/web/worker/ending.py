"""What ends whatever runs: it is stopped, all are let go, and what was seen of that is kept."""

from __future__ import annotations

from typing import Protocol, TypeVar

from busproto.ops.moving.letting_go import LetGo, could_not_be_told, let_go, not_looked_at, seen_by
from busproto.ops.steps import Steps
from busproto.web.bus.board import Board
from busproto.web.flows.desk import Stopped
from busproto.web.worker.arming import Arming

T = TypeVar("T")


class Runs(Protocol):
    """What runs an operation on the bus and gives its result."""

    def __call__(self, steps: Steps[T]) -> T:
        """Run it to its end."""
        ...


class Ending:
    """The wish that something ends, and how that went.

    Attributes:
        is_stopping: it ends just now; nothing interrupts that.
        let_go: what was seen when actuators were let go last, or were to be; None before.
        not_told: the port went away before what was armed was let go: what is to be said; "" otherwise.
    """

    def __init__(self, run: Runs, board: Board, arming: Arming) -> None:
        self.is_stopping = False
        self.let_go: LetGo | None = None
        self.not_told = ""
        self._run, self._board, self._arming = run, board, arming
        self._wanted = ""
        self._is_limp_wanted = False

    # --- wishes -------------------------------------------------------------------------------------------------

    def want(self, why: str) -> None:
        """Something is to end, as soon as the operation that runs lets go."""
        self._wanted = why

    def want_limp(self) -> None:
        """All are to be let go, whatever is going on."""
        self._is_limp_wanted = True
        self._wanted = "all limp was asked for"

    def look(self, *, is_closing: bool, flow_runs: bool) -> None:
        """End what runs where that is wanted. Raises Stopped."""
        if not (is_closing or self._wanted) or self.is_stopping:
            return
        why, self._wanted = self._wanted or "the server ends", ""
        if is_closing and not flow_runs:
            return  # the worker's own loop sees it
        self.is_stopping = True
        raise Stopped(why)

    # --- the end ------------------------------------------------------------------------------------------------

    def all_limp(self, why: str) -> None:
        """Now; a flow that ran has ended. A bench that only looks takes away no demand of others unasked."""
        self.is_stopping, limp = True, ""
        try:
            limp = self.let_all_go() if self._is_limp_wanted or not self._arming.only_looks else ""
        finally:
            self.is_stopping, self._is_limp_wanted, self._wanted = False, False, ""
            self._arming.disarmed(why, limp)

    def let_all_go(self) -> str:
        """Let go of all that are known, else of all that are on the line; says what was seen."""
        self.let_go, self.not_told = self._run(let_go(self._board.actuators())), ""
        self._arming.is_owed = False
        return self.let_go.text

    def port_has_gone(self, error: BaseException, why: str) -> None:
        """Nothing can be sent any more: keep what is known of how the actuators were left."""
        if self._arming.is_owed:
            self.let_go = seen_by(error) or not_looked_at(self._board.actuators())
            self.not_told = could_not_be_told(self._board.actuators())
        self._arming.disarmed(why, self.not_told if self._arming.is_owed else "")
        self.is_stopping = False
