"""How operations are written: as generators that yield requests to the bus and are sent the results.

Each is written once, without I/O, and runs on a blocking link, on an asyncio link, or step by step in a test::

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
    """Let this much time pass, in ns."""

    duration_ns: int


@dataclass(frozen=True, slots=True)
class Done:
    """A lasting change on the bus, in words; listed in the error if the port goes away later."""

    text: str


@dataclass(frozen=True, slots=True)
class Progress:
    """How far a long operation has come.

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
    """The uids that are now known to share an address; with fewer than two, no actuators share it any more.

    The link refuses every request to a shared address until that is mended.
    """

    address: int
    uids: tuple[bytes, ...]


@dataclass(frozen=True, slots=True)
class Moved:
    """This uid now has another address, so it no longer shares its old one."""

    uid: bytes


@dataclass(frozen=True, slots=True)
class Now:
    """Ask for the time by the transport's clock; the answer is in ns."""


@dataclass(frozen=True, slots=True)
class LettingGo:
    """An operation begins to let actuators go (`is_on`), or has done so. No interrupt breaks it off between the two;
    one that came is raised at the end.

    Attributes:
        is_on: True at the beginning, False at the end.
        longest_ns: how long it takes at most.
    """

    is_on: bool
    longest_ns: int = 0


Step = Ask | Pause | Done | Progress | Clash | Moved | Now | LettingGo
Steps = Generator[Step, Heard | int | None, T]


def exchange(ask: Ask) -> Steps[Heard]:
    """Do one exchange and return what was received."""
    heard = yield ask
    assert isinstance(heard, Heard)
    return heard


def now() -> Steps[int]:
    """The time by the transport's clock, ns."""
    time_ns = yield Now()
    assert isinstance(time_ns, int)
    return time_ns
