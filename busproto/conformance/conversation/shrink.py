"""A transcript made short: steps are left out, and made simpler, as long as both sides still differ.

Delta debugging (Zeller and Hildebrandt, IEEE Transactions on Software Engineering 28(2), 2002), bounded by the steps
that are repeated. Each try begins with a fresh actuator. A shorter transcript may show another difference than the
first one: any counts.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence

from busproto.conformance.conversation.steps import Step
from busproto.conformance.conversation.talk import Difference

Repeat = Callable[[Sequence[Step]], Difference | None]
"""Takes steps on a fresh actuator; returns the first difference, None where there is none."""


class _Spent(Exception):
    """No more steps may be repeated."""


class _Tries:
    """Counts what is repeated."""

    def __init__(self, repeat: Repeat, best: Difference, allowed: Callable[[int], bool]) -> None:
        self._repeat = repeat
        self._allowed = allowed
        self._taken = 0
        self.best = best
        self.steps = list(best.steps)

    def fails(self, steps: Sequence[Step]) -> bool:
        """Whether these steps still show a difference; they are then the best so far."""
        self._taken += len(steps)
        if not self._allowed(self._taken):
            raise _Spent
        found = self._repeat(steps)
        if found is None:
            return False
        # what came behind the difference was not taken; restarts put in between are put in again
        self.best, self.steps = found, list(found.steps) if len(found.steps) <= len(steps) else list(steps)
        return True


def shortened(first: Difference, repeat: Repeat, allowed: Callable[[int], bool]) -> Difference:
    """The difference with the shortest transcript that was found.

    `allowed` is asked with the number of steps repeated so far whether to go on.
    """
    tries = _Tries(repeat, first, allowed)
    try:
        if tries.fails(tries.steps[-1:]):
            return tries.best
        _leave_out(tries)
        _simplify(tries)
        _leave_out(tries)
    except _Spent:
        pass
    return tries.best


def _leave_out(tries: _Tries) -> None:
    """Leave out runs of steps: halves first, single ones last, until none can go."""
    size = max(1, len(tries.steps) // 2)
    while True:
        at, is_shorter = len(tries.steps) - 1 - size, False
        while at > -size:
            start = max(0, at)
            rest = tries.steps[:start] + tries.steps[at + size :]
            if len(rest) < len(tries.steps) and rest and tries.fails(rest):
                is_shorter = True
                at = min(at, len(tries.steps) - 1)
            at -= size
        if size == 1 and not is_shorter:
            return
        size = max(1, size // 2)


def _simplify(tries: _Tries) -> None:
    """Make single steps simpler."""
    at = 0
    while at < len(tries.steps):
        for simpler in tries.steps[at].simpler():
            if tries.fails([*tries.steps[:at], simpler, *tries.steps[at + 1 :]]):
                break
        else:
            at += 1
