"""The lasting effects of a command so far, so that "nothing was changed" is printed only where it is true.

Whoever does something of that kind notes it here: the pumps every request that is more than a question, and every
change that was read back; `busproto.atomic_files` every file. The command line opens an account for each command, and
makes of a refusal that comes too late what it is: a failure, told with what was done. Outside an account notes are
dropped. A capture that was asked for with ``--capture`` is not noted: it keeps what was said, whatever came of it.
"""

from __future__ import annotations

import contextlib
from collections.abc import Iterator
from contextvars import ContextVar
from dataclasses import dataclass, field
from typing import Final

MOST_TOLD: Final = 4
"""Up to this many changes are listed one by one; of more, only their number and the last one."""


@dataclass(slots=True)
class Account:
    """The effects of one command.

    Attributes:
        acts: the kinds of requests sent that may have had an effect, in words, each once.
        changes: lasting changes, in words, in order: read back on the bus, or a file written.
        unkept: why results could not be written, in words.
    """

    acts: dict[str, None] = field(default_factory=dict)
    changes: list[str] = field(default_factory=list)
    unkept: list[str] = field(default_factory=list)

    @property
    def told(self) -> str:
        """What was done, in words; "" for nothing."""
        changes = self.changes
        if len(changes) > MOST_TOLD:
            changes = [f"{len(changes)} changes, the last: {changes[-1]}"]
        return ", ".join([*self.acts, *changes])


_CURRENT: ContextVar[Account | None] = ContextVar("account", default=None)


@contextlib.contextmanager
def account() -> Iterator[Account]:
    """Open an account for the effects within the block."""
    opened = Account()
    token = _CURRENT.set(opened)
    try:
        yield opened
    finally:
        _CURRENT.reset(token)


def note_act(text: str) -> None:
    """Note a request that may have an effect, before it is sent; in words."""
    current = _CURRENT.get()
    if current is not None:
        current.acts[text] = None


def note_change(text: str) -> None:
    """Note a lasting change, in words."""
    current = _CURRENT.get()
    if current is not None and text not in current.changes:
        current.changes.append(text)


def note_unkept(text: str) -> None:
    """Note that a result could not be written, and why, in words."""
    current = _CURRENT.get()
    if current is not None:
        current.unkept.append(text)
