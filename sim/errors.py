"""Errors of the simulator itself; nothing here is about a real bus.

::

    SimError
     +- ScenarioError (also ValueError)   the scenario file cannot be used    .source .problems
     +- LimitError                        the run grew past what the scenario allows
     +- IdleForeverError                  a read without a time-out would wait for ever
"""

from __future__ import annotations

from collections.abc import Iterable

from busproto.errors import some_of


class SimError(Exception):
    """Root of the simulator's errors."""


class ScenarioError(SimError, ValueError):
    """The scenario cannot be used; `problems` holds one line for each thing that is wrong."""

    def __init__(self, source: str, problems: Iterable[str]) -> None:
        self.source = source
        self.problems = tuple(problems)
        super().__init__(f"scenario '{source}': {some_of(self.problems)}")


class LimitError(SimError):
    """The run grew past a limit of the scenario. The virtual bus has stopped."""

    def __init__(self, key: str, limit: float, what: str) -> None:
        super().__init__(f"the virtual bus stopped: more than {limit:g} {what} (limits.{key} in the scenario)")
        self.key = key


class IdleForeverError(SimError):
    """A read without a time-out on a bus on which no event is left."""

    def __init__(self) -> None:
        super().__init__("nothing will ever arrive: the virtual bus is idle; read with a time-out")
