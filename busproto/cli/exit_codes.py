"""The exit codes, the same for every command; `busproto --help` prints this table."""

from __future__ import annotations

from typing import Final

DONE: Final = 0
FAILED: Final = 1
USAGE: Final = 2
NOT_AS_WANTED: Final = 3
NOT_CLEARED: Final = 4
INTERRUPTED: Final = 130

TEXTS: Final = {
    DONE: "done, and the result is as it should be",
    FAILED: (
        "the bus, an actuator or the port did not do it, an actuator was not seen limp at the end, or a result could "
        "not be kept; stderr says what to do next"
    ),
    USAGE: "wrong usage: option, address, uid, parameter, value or scenario; nothing was changed",
    NOT_AS_WANTED: (
        "done, but not as it should be: not proven, a clash, not as planned, another loss action, a wrong answer"
    ),
    NOT_CLEARED: "the cautions or a question were not answered with yes; nothing was moved or changed",
    INTERRUPTED: "interrupted (Ctrl-C, termination, hang-up); whatever it had let move was seen limp",
}
