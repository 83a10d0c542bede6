"""Keys as they are pressed, without waiting for them: from a terminal, or plain characters from a pipe.

Gives names: "left", "right", "up", "down", "escape", "end" where nothing will come any more, and any other character
as itself.
"""

from __future__ import annotations

import contextlib
import os
import select
import sys
from collections.abc import Callable, Iterator
from typing import Any, Final

END: Final = "end"
ESCAPE: Final = "\x1b"
READ_BYTES: Final = 256
ARROWS: Final = {"A": "up", "B": "down", "C": "right", "D": "left"}
"""Last letter of a cursor key's sequence, ESC [ A or ESC O A (ECMA-48; the letter O as terminals send it)."""
WINDOWS_ARROWS: Final = {"H": "up", "P": "down", "M": "right", "K": "left"}
"""Second code of a cursor key as the console of Windows gives it (from memory)."""

WINDOWS_SPECIAL: Final = "\x00\xe0"
"""A key that is no character gives one of these first (from memory)."""

NextKey = Callable[[], str | None]
Read = Callable[[], str | None]
"""Characters that have come, "" for none so far, None where none will come any more."""


class KeyParser:
    """Characters in, keys out. A sequence may come in pieces."""

    def __init__(self) -> None:
        self._pending = ""

    def feed(self, text: str) -> list[str]:
        """The keys that are whole with this; with "" an ESC that nothing followed is a key of its own."""
        rest, self._pending = self._pending + text, ""
        keys: list[str] = []
        while rest:
            if rest[0] != ESCAPE:
                keys.append(rest[0])
                rest = rest[1:]
                continue
            length = _sequence_length(rest)
            if length is None:
                if not text:  # nothing more came
                    return [*keys, "escape"]
                self._pending = rest
                break
            if length == 1:
                keys.append("escape")
            elif rest[length - 1] in ARROWS:
                keys.append(ARROWS[rest[length - 1]])
            rest = rest[length:]  # other sequences are no keys of ours
        return keys

    @property
    def is_pending(self) -> bool:
        """Whether a sequence has begun."""
        return bool(self._pending)


def _sequence_length(text: str) -> int | None:
    """Characters of the escape sequence that `text` begins with; 1 where it is a lone ESC, None while not whole."""
    if len(text) == 1:
        return None
    if text[1] not in "[O":
        return 1
    for at, letter in enumerate(text[2:], start=2):
        if "@" <= letter <= "~":
            return at + 1
    return None


class _Keys:
    """Reads from somewhere, hands out key by key."""

    def __init__(self, read: Read) -> None:
        self._read = read
        self._parser = KeyParser()
        self._keys: list[str] = []
        self._is_over = False

    def __call__(self) -> str | None:
        if not self._keys and not self._is_over:
            text = self._read()
            if text is None:
                self._is_over = True
                text = ""
            if text or self._parser.is_pending:
                self._keys = self._parser.feed(text)
        if self._keys:
            return self._keys.pop(0)
        return END if self._is_over else None


@contextlib.contextmanager
def open_keys(stream: Any = None) -> Iterator[NextKey]:
    """The next key, or None where there is none, each time it is called.

    Args:
        stream: where they come from; stdin where None. The terminal is as it was when this ends.
    """
    stream = sys.stdin if stream is None else stream
    try:
        handle: int | None = stream.fileno()
    except (AttributeError, OSError, ValueError):
        handle = None
    if handle is None:
        yield _Keys(lambda: stream.read(1) or None)
    elif os.name == "nt":
        yield _Keys(_windows_reader() if stream.isatty() else lambda: stream.read(1) or None)
    elif stream.isatty():
        with _single_keys(handle):
            yield _Keys(_posix_reader(handle))
    else:
        yield _Keys(_posix_reader(handle))


def _posix_reader(handle: int) -> Read:
    def read() -> str | None:
        if not select.select([handle], [], [], 0)[0]:
            return ""
        try:
            data = os.read(handle, READ_BYTES)
        except OSError:  # the terminal has gone
            return None
        return data.decode("utf-8", "replace") if data else None

    return read


@contextlib.contextmanager
def _single_keys(handle: int) -> Iterator[None]:
    """The terminal gives each key at once and does not print it; Ctrl-C still interrupts."""
    import termios
    import tty

    before = termios.tcgetattr(handle)
    tty.setcbreak(handle, termios.TCSANOW)
    try:
        yield
    finally:
        termios.tcsetattr(handle, termios.TCSADRAIN, before)


def _windows_reader(console: Any = None) -> Read:
    console = console or _windows_console()

    def read() -> str | None:
        if not console.kbhit():
            return ""
        letter: str = console.getwch()
        if letter in WINDOWS_SPECIAL:
            arrow = WINDOWS_ARROWS.get(console.getwch(), "")
            return next((f"{ESCAPE}[{code}" for code, name in ARROWS.items() if name == arrow), "")
        if letter == "\x03":
            raise KeyboardInterrupt
        return letter

    return read


def _windows_console() -> Any:  # pragma: no cover - is there on Windows only
    import msvcrt

    return msvcrt


def typed_lines() -> Read | None:
    """What gives the lines typed at the terminal since the last call, without waiting, each with its line end.

    None where there is no terminal.
    """
    try:
        handle = sys.stdin.fileno()
        if not sys.stdin.isatty():
            return None
    except (AttributeError, OSError, ValueError):
        return None
    return _windows_lines() if os.name == "nt" else _posix_reader(handle)


def _windows_lines(console: Any = None) -> Read:
    """The console of Windows tells of keys only, so that the line is kept, and shown, here."""
    console = console or _windows_console()
    line = ""

    def read() -> str | None:
        nonlocal line
        while console.kbhit():
            letter: str = console.getwch()
            if letter in WINDOWS_SPECIAL:
                console.getwch()
            elif letter == "\x03":
                raise KeyboardInterrupt
            elif letter == "\x1a":  # Ctrl-Z ends the input there
                return None
            elif letter == "\r":
                whole, line = line, ""
                _show(console, "\r\n")
                return whole + "\n"
            elif letter == "\b":
                if line:
                    line = line[:-1]
                    _show(console, "\b \b")
            elif letter.isprintable():
                line += letter
                _show(console, letter)
        return ""

    return read


def _show(console: Any, text: str) -> None:
    for letter in text:
        console.putwch(letter)
