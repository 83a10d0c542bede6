"""Keys and lines as a console of Windows gives them, by a console that is told what is pressed."""

from __future__ import annotations

import io
import sys
from collections.abc import Sequence

import pytest

from busproto.cli import keys


class Console:
    """Gives what was pressed; keeps what was shown. The names are those of Python's own module for it (`msvcrt`)."""

    def __init__(self, pressed: Sequence[str]) -> None:
        self.pressed = list("".join(pressed))
        self.shown = ""

    def kbhit(self) -> bool:
        return bool(self.pressed)

    def getwch(self) -> str:
        return self.pressed.pop(0)

    def putwch(self, letter: str) -> None:
        self.shown += letter


def test_a_line_is_given_when_it_is_whole_and_is_shown_as_it_is_typed() -> None:
    console = Console("re")
    read = keys._windows_lines(console)
    assert read() == ""
    console.pressed += "dx\b"
    assert read() == ""
    assert console.shown == "redx\b \b"
    console.pressed += "o\rskip\r"
    assert [read(), read(), read()] == ["redo\n", "skip\n", ""]
    assert console.shown.endswith("o\r\nskip\r\n")


def test_nothing_is_taken_back_from_an_empty_line_and_cursor_keys_are_no_text() -> None:
    console = Console(["\b", "\xe0H", "\x00P", "a", "\t", "\r"])
    assert keys._windows_lines(console)() == "a\n"
    assert console.shown == "a\r\n"


def test_ctrl_z_ends_the_input_and_ctrl_c_interrupts() -> None:
    assert keys._windows_lines(Console("\x1a"))() is None
    for reader in (keys._windows_lines, keys._windows_reader):
        with pytest.raises(KeyboardInterrupt):
            reader(Console("\x03"))()


def test_cursor_keys_become_the_sequences_of_a_terminal() -> None:
    read = keys._windows_reader(Console(["\xe0H", "\x00P", "\xe0M", "\xe0K", "\xe0S", "q"]))
    parser = keys.KeyParser()
    seen = [key for _ in range(6) for key in parser.feed(read() or "")]
    assert [one for one in seen if one != "escape"] == ["up", "down", "right", "left", "q"]
    assert read() == ""


def test_without_a_terminal_no_lines_are_typed(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(sys, "stdin", io.StringIO("stop\n"))
    assert keys.typed_lines() is None
