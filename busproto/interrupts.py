"""What asks a program to end: Ctrl-C, a termination signal, a terminal that was closed. All three end alike.

While a link runs an operation nothing is thrown into the middle of a statement: a signal is noted, and raised as
KeyboardInterrupt at the next wait for the port. So an operation is broken off only where it waits, and what it does to
leave all limp cannot be torn. While it lets go, further signals are noted and change nothing, until it is over or the
stated time has passed. Outside of a link a signal is raised at once, as everywhere in Python.

`INTERRUPTS` is the one of this process. A program takes it in use by ``with INTERRUPTS:`` in its main thread; without
that everything is as Python has it; a link that lets go keeps a KeyboardInterrupt all the same (`busproto.ops.link`).
"""

from __future__ import annotations

import contextlib
import signal
import threading
import time
from collections.abc import Callable, Iterator
from types import FrameType, TracebackType
from typing import Any, Final, Self

NAMES: Final = ("SIGINT", "SIGTERM", "SIGHUP", "SIGBREAK")
"""Those that the system has; one that is ignored (as under nohup) stays ignored."""
PATIENCE_S: Final = 10.0
"""For so long after an interrupt further ones are ignored: letting go, and taking back what was not stored, is over."""


def _say_nothing(text: str) -> None:
    pass


class Interrupts:
    """See the module. Only the main thread is interrupted; in any other all of this does nothing."""

    def __init__(self) -> None:
        self._before: dict[int, Any] = {}
        self._users = 0
        self._say: Callable[[str], None] = _say_nothing
        self._on_note: Callable[[], None] | None = None
        self._deferring = 0
        self._is_noted = False
        self._has_said = False
        self._deaf_until_s = 0.0
        self._letting_go_s = 0.0

    # --- in use -------------------------------------------------------------------------------------------------

    def using(self, say: Callable[[str], None]) -> Self:
        """Say by this, where there is something to say; then as ``with INTERRUPTS:``."""
        self._say = say
        return self

    def __enter__(self) -> Self:
        self._users += 1
        if self._users == 1 and threading.current_thread() is threading.main_thread():
            for name in NAMES:
                number = getattr(signal, name, None)
                if number is not None and signal.getsignal(number) not in {signal.SIG_IGN, None}:
                    self._before[number] = signal.signal(number, self._came)
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self._users -= 1
        if self._users == 0:
            for number, before in self._before.items():
                signal.signal(number, before)
            self._before.clear()
            self._say = _say_nothing
            self._is_noted = self._has_said = False  # the next use knows nothing of this one
            self._deaf_until_s = 0.0

    def _came(self, number: int, frame: FrameType | None) -> None:
        if self._deferring:
            self._is_noted = True
            if self._on_note is not None:
                self._on_note()
        elif time.monotonic() >= self._deaf_until_s:
            raise KeyboardInterrupt

    @property
    def is_ending(self) -> bool:
        """Whether an interrupt has just been raised: the program is on its way out."""
        return time.monotonic() < self._deaf_until_s

    # --- while a link runs --------------------------------------------------------------------------------------

    @contextlib.contextmanager
    def deferred(self, on_note: Callable[[], None] | None = None) -> Iterator[None]:
        """Signals are noted from here on, and raised where `poll` is called, or at the end of this.

        Args:
            on_note: called within the signal handler, for whoever waits somewhere else than at a port.
        """
        if threading.current_thread() is not threading.main_thread():
            yield
            return
        before, self._on_note = self._on_note, on_note or self._on_note
        self._deferring += 1
        try:
            yield
        finally:
            self._deferring -= 1
            self._on_note = before
        if not self._deferring:
            self.poll()

    @contextlib.contextmanager
    def at_once(self) -> Iterator[None]:
        """A person is asked within an operation, and all are limp: signals are raised at once again."""
        if threading.current_thread() is not threading.main_thread():
            yield
            return
        self.poll()
        before, self._deferring = self._deferring, 0
        try:
            yield
        finally:
            self._deferring = before

    def poll(self) -> None:
        """Raise what was noted. Raises KeyboardInterrupt."""
        if not self._is_noted or threading.current_thread() is not threading.main_thread():
            return
        if self._letting_go_s:
            self._tell()
            return
        self._is_noted = False
        now_s = time.monotonic()
        if now_s < self._deaf_until_s:
            return  # it is ending already
        self._deaf_until_s = now_s + PATIENCE_S
        raise KeyboardInterrupt

    def begin_letting_go(self, longest_s: float) -> None:
        """From here on nothing is raised; a person who has asked for the end is told for how long at most."""
        if threading.current_thread() is threading.main_thread():
            self._letting_go_s = longest_s
            if self.is_ending:
                self._tell()

    def end_letting_go(self) -> None:
        """It is over: what was noted meanwhile is raised by the next `poll`."""
        if threading.current_thread() is threading.main_thread():
            self._letting_go_s = 0.0

    def _tell(self) -> None:
        if not self._has_said:
            self._has_said = True
            self._say(
                f"letting go: looking until every actuator was seen limp, for {self._letting_go_s:g} s at most. "
                "A second interrupt changes nothing"
            )


INTERRUPTS: Final = Interrupts()
