"""How operations are written: as generators that say what they want of the bus and are given what came of it.

So each is written once, without I/O, and runs on a blocking link, on an asyncio one, or in a test by hand::

    def read_model(address: int) -> Steps[str]:
        description = yield from transact(Describe(), address)
        return description.model

    link.run(read_model(5))              # blocking
    await async_link.run(read_model(5))  # asyncio
"""

from __future__ import annotations

from collections.abc import Generator
from dataclasses import dataclass
from typing import TypeVar

from busproto.session.exchange import Ask, Heard

T = TypeVar("T")


@dataclass(frozen=True, slots=True)
class Pause:
    """Let this much time pass, ns."""

    duration_ns: int


@dataclass(frozen=True, slots=True)
class Done:
    """Something on the bus has been changed for good; told when the port goes away later."""

    text: str


@dataclass(frozen=True, slots=True)
class Progress:
    """How far a long operation is.

    Attributes:
        task: what is being done.
        at: steps done.
        of: steps in all as far as known; None where that cannot be known.
    """

    task: str
    at: int
    of: int | None = None


@dataclass(frozen=True, slots=True)
class Clash:
    """It is now known who shares an address; fewer than two uids: nobody does any more.

    The link refuses every request to a shared address until it is mended.
    """

    address: int
    uids: tuple[bytes, ...]


@dataclass(frozen=True, slots=True)
class Moved:
    """This uid now has an address of its own; those it shared one with before are one fewer."""

    uid: bytes


@dataclass(frozen=True, slots=True)
class Now:
    """Asks for the time, ns."""


@dataclass(frozen=True, slots=True)
class LettingGo:
    """From here on (`is_on`), or up to here, an operation lets actuators go: no interrupt breaks it off.

    What came meanwhile is raised where this ends.

    Attributes:
        is_on: whether it begins.
        longest_ns: how long it takes at most.
    """

    is_on: bool
    longest_ns: int = 0


Step = Ask | Pause | Done | Progress | Clash | Moved | Now | LettingGo
Steps = Generator[Step, Heard | int | None, T]


def exchange(ask: Ask) -> Steps[Heard]:
    """Do one exchange and return what came of it."""
    heard = yield ask
    assert isinstance(heard, Heard)
    return heard


def now() -> Steps[int]:
    """The time by the transport's clock, ns."""
    time_ns = yield Now()
    assert isinstance(time_ns, int)
    return time_ns
