"""What a command has done so far that a refusal cannot take back; so that "nothing was changed" is said only where so.

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
"""So many changes are told one by one; of more than that only the last."""


@dataclass(slots=True)
class Account:
    """What one command has done.

    Attributes:
        acts: what was sent that may have had an effect, in words, each kind once.
        changes: what lasts, in words, in its order: read back on the bus, or a file that was written.
        unkept: results that could not be written, in words: why.
    """

    acts: dict[str, None] = field(default_factory=dict)
    changes: list[str] = field(default_factory=list)
    unkept: list[str] = field(default_factory=list)

    @property
    def told(self) -> str:
        """What was done, in words; "" where nothing was."""
        changes = self.changes
        if len(changes) > MOST_TOLD:
            changes = [f"{len(changes)} changes, the last: {changes[-1]}"]
        return ", ".join([*self.acts, *changes])


_CURRENT: ContextVar[Account | None] = ContextVar("account", default=None)


@contextlib.contextmanager
def account() -> Iterator[Account]:
    """Keep account of what is done within."""
    opened = Account()
    token = _CURRENT.set(opened)
    try:
        yield opened
    finally:
        _CURRENT.reset(token)


def note_act(text: str) -> None:
    """Something is being sent that may have an effect."""
    current = _CURRENT.get()
    if current is not None:
        current.acts[text] = None


def note_change(text: str) -> None:
    """Something was changed that lasts."""
    current = _CURRENT.get()
    if current is not None and text not in current.changes:
        current.changes.append(text)


def note_unkept(text: str) -> None:
    """A result could not be written."""
    current = _CURRENT.get()
    if current is not None:
        current.unkept.append(text)
