"""Requests to end the program: Ctrl-C, a termination signal, a closed terminal. All three have the same effect.

While a link runs an operation, a signal is noted and raised as KeyboardInterrupt at the next wait for the port, not in
the middle of a statement. So an operation is broken off only where it waits, and letting go is not broken off at all:
while actuators are let go, further signals are only noted, until it is done or its stated time has passed. Outside of a
link a signal is raised at once, as usual in Python.

`INTERRUPTS` is the instance of this process. A program uses it by ``with INTERRUPTS:`` in its main thread. Without that
signals work as usual in Python, but a link that lets go keeps a KeyboardInterrupt all the same (`busproto.ops.link`).
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
"""The signals that are handled, if the system has them; an ignored one (as under nohup) stays ignored."""
PATIENCE_S: Final = 10.0
"""s. After an interrupt was raised further ones are ignored for this time: enough to let go, and to undo what was not
stored."""


def _say_nothing(text: str) -> None:
    pass


class Interrupts:
    """See the module. Only the main thread is interrupted; in other threads the methods do nothing."""

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
        """As ``with INTERRUPTS:``, with a function that prints notices."""
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
            self._is_noted = self._has_said = False  # the next use begins afresh
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
        """Whether an interrupt was just raised, so that the program is ending."""
        return time.monotonic() < self._deaf_until_s

    # --- while a link runs --------------------------------------------------------------------------------------

    @contextlib.contextmanager
    def deferred(self, on_note: Callable[[], None] | None = None) -> Iterator[None]:
        """Within the block signals are noted, and raised where `poll` is called, or at the end of the block.

        Args:
            on_note: called in the signal handler, for code that waits elsewhere than at a port.
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
        """Within the block signals are raised at once: for a question to a person during an operation, with all
        actuators limp."""
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
        """Raise KeyboardInterrupt if a signal was noted."""
        if not self._is_noted or threading.current_thread() is not threading.main_thread():
            return
        if self._letting_go_s:
            self._tell()
            return
        self._is_noted = False
        now_s = time.monotonic()
        if now_s < self._deaf_until_s:
            return  # the program is ending already
        self._deaf_until_s = now_s + PATIENCE_S
        raise KeyboardInterrupt

    def begin_letting_go(self, longest_s: float) -> None:
        """Raise nothing from here on. If a signal was noted, print for how long at most."""
        if threading.current_thread() is threading.main_thread():
            self._letting_go_s = longest_s
            if self.is_ending:
                self._tell()

    def end_letting_go(self) -> None:
        """End of letting go: a signal noted meanwhile is raised by the next `poll`."""
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
