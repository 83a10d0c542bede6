"""How commands end: every one that moves, every kind of trouble, at moments all over its run, in virtual time.

After each run the virtual bus itself says who holds; what the command said, and its exit code, must agree with that.
`python -m tests.cli.endings.__main__` prints the whole table with counts; a test runs a sample of it.
"""

from __future__ import annotations

import argparse
import contextlib
import io
import json
import os
import random
import shlex
import signal
import sys
from collections import Counter
from collections.abc import Iterator
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any, Final
from unittest import mock

from busproto.cli import exit_codes, run
from busproto.errors import PortClosedError
from busproto.interrupts import INTERRUPTS
from busproto.ops.effects import effect_of
from busproto.sim.bus import VirtualBus
from busproto.transport.base import PortAround
from busproto.wire import Decoder, Frame, message_of
from busproto.wire.frame import UNADDRESSED
from busproto.wire.messages import LIMP_STATES, Release
from tests.cli.endings.ending_commands import COMMANDS, RUDDER, Command, begun, plan_folder
from tests.cli.endings.ending_page import ENDINGS, Page

MS: Final = 1_000_000
BURST_NS: Final = 400 * MS
GAP_CALLS: Final = 5
"""Calls of the port between one signal and the next."""


TROUBLES: Final = (
    "Ctrl-C",
    "Ctrl-C twice",
    "Ctrl-C thrice",
    "SIGTERM",
    "SIGHUP",
    "port gone",
    "noise burst",
    "answers twice",
)
PAGE_TROUBLES: Final = (*ENDINGS, "port gone", "noise burst", "answers twice")
SIGNALS: Final = {
    "Ctrl-C": (signal.SIGINT, 1),
    "Ctrl-C twice": (signal.SIGINT, 2),
    "Ctrl-C thrice": (signal.SIGINT, 3),
    "SIGTERM": (signal.SIGTERM, 1),
    "SIGHUP": (signal.SIGHUP, 1),
}


class TroublePort(PortAround):
    """The host's port of a virtual bus, on which a trouble falls at the n-th call (from 1); 0 for never.

    Attributes:
        calls: so far.
        is_gone: whether the port went away.
        has_acted: whether anything was sent that may change, move or release an actuator.
        page: where this is the port of the page.
    """

    def __init__(self, bus: VirtualBus, trouble: str, at_call: int) -> None:
        super().__init__(bus.host)
        self._bus, self._trouble, self._at = bus, trouble, at_call
        self.calls = 0
        self.is_gone = self.has_acted = False
        self.page: Page | None = None
        self._burst_is_over = False

    @property
    def url(self) -> str:
        return "/dev/any"

    @property
    def latency_ns(self) -> int:
        return 0

    def _call(self) -> None:
        self.calls += 1
        if not self._at or self.calls < self._at:
            return
        after = self.calls - self._at
        if self._trouble in SIGNALS:
            number, times = SIGNALS[self._trouble]
            if after % GAP_CALLS == 0 and after // GAP_CALLS < times:
                signal.raise_signal(number)
        elif self._trouble in ENDINGS and self.page is not None:
            if after % GAP_CALLS == 0 and after // GAP_CALLS < len(ENDINGS[self._trouble]):
                ENDINGS[self._trouble][after // GAP_CALLS](self.page)
        elif self._trouble == "port gone":
            self.is_gone = True
            raise PortClosedError(self.url, "device disconnected")
        elif self._trouble == "answers twice" and after == 0:
            answer_twice(self._bus)

    def write(self, data: bytes) -> None:
        self._call()
        messages = [message_of(found) for found in Decoder().feed(data) if isinstance(found, Frame)]
        self.has_acted |= any(isinstance(one, Release) or bool(effect_of(one)) for one in messages)
        is_due = self._trouble == "noise burst" and self._at and self.calls >= self._at and not self._burst_is_over
        if is_due and any(isinstance(one, Release) for one in messages):
            self._burst_is_over = True
            self._bus.kernel.at(self._bus.kernel.now_ns + BURST_NS, self._bus.line.add_noise(1.0))
        super().write(data)

    def read_until(self, deadline_ns: int) -> bytes:
        self._call()
        return super().read_until(deadline_ns)

    def close(self) -> None:
        pass  # the bus goes on


def answer_twice(bus: VirtualBus) -> None:
    """The first actuator with an address says each reply twice from now on."""
    actuator = next(one for one in bus.actuators if one.address != UNADDRESSED)
    send = actuator._send

    def twice(data: bytes, *, again: bool = False) -> None:
        send(data + data if len(data) > 1 else data, again=again)

    actuator._send = twice  # type: ignore[method-assign]


@dataclass
class Run:
    """What came of one command."""

    code: int
    out: str
    err: str
    port: TroublePort
    holders: list[int]
    wrong: list[str] = field(default_factory=list)

    @property
    def body(self) -> dict[str, Any]:
        try:
            found = json.loads(self.out)
        except ValueError:
            return {}
        return found if isinstance(found, dict) else {}

    @property
    def is_about_actuators(self) -> bool:
        """Whether it did anything to actuators, or said how they are."""
        return self.port.has_acted or self.body.get("let_go") is not None


class _Typed(io.StringIO):
    def __init__(self, text: str, is_terminal: bool) -> None:
        super().__init__(text)
        self._is_terminal = is_terminal

    def isatty(self) -> bool:
        return self._is_terminal


def holders_of(bus: VirtualBus) -> list[int]:
    """Addresses of those that are not limp, by the bus itself."""
    return sorted(one.address for one in bus.actuators if one.is_powered and one.state not in LIMP_STATES)


def run_command(command: Command, trouble: str, at_call: int, folder: Path, began: str = "") -> Run:
    """Run it once, on a fresh bus in the state `began` (its first), and hold its words against the bus."""
    bus = begun(command, folder, began or command.began[0])
    port = TroublePort(bus, trouble, at_call)
    words = [str(folder / word) if (folder / word).exists() else word for word in shlex.split(command.line)]
    if not command.is_demo:
        words += ["--port", "/dev/any"]
    files = {file: file.read_bytes() for file in folder.iterdir()}
    out, err, drawn = io.StringIO(), io.StringIO(), random.Random(2024)
    with contextlib.ExitStack() as stack:
        for target, value in (
            ("busproto.cli.common.open_transport", lambda *_, **__: port),
            ("busproto.cli.bus.demo_command.open_transport", lambda *_, **__: port),
            ("busproto.cli.bus.demo_command.virtual_airframe", lambda _: contextlib.nullcontext("/dev/any")),
            ("random.SystemRandom", lambda: drawn),
            ("sys.stdin", _Typed(command.typed, command.is_terminal)),
        ):
            stack.enter_context(mock.patch(target, value))
        stack.enter_context(mock.patch.dict(os.environ, {"COLUMNS": "80"}))
        stack.enter_context(contextlib.redirect_stdout(out))
        stack.enter_context(contextlib.redirect_stderr(err))
        if command.page_flow is None:
            code = run(words)
        else:
            port.page = Page(bus, port, command.page_flow, folder / RUDDER)
            code = port.page.run()
    assert not INTERRUPTS.is_ending
    for file in set(folder.iterdir()) - set(files):
        file.unlink()
    for file, data in files.items():
        file.write_bytes(data)
    holders = holders_of(bus)
    if command.of:
        holders = [address for address in holders if address in command.of]
    done = Run(code, out.getvalue(), err.getvalue(), port, holders)
    done.wrong = list(_judged(done, bus))
    return done


def _judged(done: Run, bus: VirtualBus) -> Iterator[str]:
    """What does not agree."""
    seen = done.body.get("let_go")
    words = done.out + done.err
    if "Traceback" in words:
        yield "a traceback"
    has_only_looked = not done.is_about_actuators
    may_end_with = {exit_codes.FAILED}
    if has_only_looked:  # it was broken off, or refused to begin
        may_end_with |= {exit_codes.INTERRUPTED, exit_codes.NOT_AS_WANTED}
        if done.port.page is not None:  # a server that is ended has done its work; it says that it released none
            may_end_with.add(exit_codes.DONE)
    if done.holders and done.code not in may_end_with:
        yield f"exit code {done.code}, and {done.holders} hold"
    if seen is not None:
        if seen["all_seen_limp"] and done.holders:
            yield f"all seen limp, and {done.holders} hold"
        alone = {one.address for one in bus.actuators if [a.address for a in bus.actuators].count(one.address) == 1}
        for address in seen["limp"]:
            if address in done.holders and address in alone:
                yield f"{address} seen limp, and it holds"
        if not seen["all_seen_limp"] and done.code != exit_codes.FAILED:
            yield f"not all seen limp, exit code {done.code}"
        if not seen["all_seen_limp"] and "Take the pack off" not in words and "all_seen_limp" not in done.out:
            yield "not all seen limp, and nothing said about the pack"
    named = {one["address"] for one in done.body.get("engaged", ())}
    if seen is not None:
        named |= {*seen["not_seen"], *seen["shared"], *(one["address"] for one in seen["holding"])}
    is_all_named = done.code == exit_codes.FAILED and "whatever is on the line" in words  # it knew of no actuator
    for address in done.holders:
        may_be_silent = has_only_looked and done.code != exit_codes.NOT_AS_WANTED  # broken off before it saw anything
        if address not in named and not is_all_named and not may_be_silent:
            yield f"{address} holds and is not named"
    if done.code == exit_codes.INTERRUPTED and "Interrupted" not in done.out:
        yield "interrupted, and not said so"


def calls_of(command: Command, folder: Path) -> int:
    """Calls of the port in a run without trouble."""
    done = run_command(command, "", 0, folder)
    assert done.code in {exit_codes.DONE, exit_codes.NOT_AS_WANTED}, done.err
    assert not done.wrong, done.wrong
    return done.port.calls


def troubles_of(command: Command) -> tuple[str, ...]:
    """What may befall it."""
    return TROUBLES if command.page_flow is None else PAGE_TROUBLES


def moments(calls: int, count: int, shift: float = 0.5) -> list[int]:
    """So many numbers of calls, spread evenly."""
    return sorted({1 + int((number + shift) * calls / count) for number in range(count)})


@dataclass
class Cell:
    """One command and one trouble."""

    runs: int = 0
    codes: Counter[int] = field(default_factory=Counter)
    held_and_named: int = 0
    held_as_found: int = 0
    """Nothing had been sent but questions, and nothing was said of how actuators are."""
    wrong: list[str] = field(default_factory=list)


def table(count: int, names: frozenset[str] | None = None) -> dict[tuple[str, str], Cell]:
    """Every command with every trouble at so many moments."""
    cells: dict[tuple[str, str], Cell] = {}
    with plan_folder() as folder:
        for number, command in enumerate(COMMANDS):
            if names is not None and command.name not in names:
                continue
            calls = calls_of(command, folder)
            for other, trouble in enumerate(troubles_of(command)):
                cell = cells.setdefault((command.name, trouble), Cell())
                # each cell has moments of its own, so that few of them still fall everywhere
                shift = (0.37 * number + 0.618 * other + 0.2) % 1
                for turn, at_call in enumerate(moments(calls, count, shift)):
                    began = command.began[(turn + other) % len(command.began)]
                    done = run_command(command, trouble, at_call, folder, began)
                    cell.runs += 1
                    cell.codes[done.code] += 1
                    cell.held_and_named += bool(done.holders) and done.is_about_actuators and not done.wrong
                    cell.held_as_found += bool(done.holders) and not done.is_about_actuators and not done.wrong
                    cell.wrong += [
                        f"{command.name}, began {began}, {trouble}, call {at_call}: {text}" for text in done.wrong
                    ]
    return cells


def main() -> None:
    """Print the table."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--moments", type=int, default=40, help="moments of each run")
    parser.add_argument("--command", action="append", help="only this one")
    wanted = parser.parse_args()
    cells = table(wanted.moments, frozenset(wanted.command) if wanted.command else None)
    lines = [
        f"{'command':20}{'trouble':18}{'runs':>6}{'exit 0/3':>10}{'1':>6}{'130':>6}"
        f"{'held, named':>13}{'as found':>10}{'wrong':>7}"
    ]
    for (name, trouble), cell in cells.items():
        codes = cell.codes
        lines.append(
            f"{name:20}{trouble:18}{cell.runs:6}{codes[0] + codes[3]:10}{codes[1]:6}{codes[130]:6}"
            f"{cell.held_and_named:13}{cell.held_as_found:10}{len(cell.wrong):7}"
        )
    wrong = [text for cell in cells.values() for text in cell.wrong]
    count = sum(cell.runs for cell in cells.values())
    named, as_found = (
        sum(getattr(cell, what) for cell in cells.values()) for what in ("held_and_named", "held_as_found")
    )
    lines += [
        f"{count} runs of {len({name for name, _ in cells})} commands; {named} ended with one that held and was named,",
        f"{as_found} before anything but questions was sent, on a bus where one held before",
        f"{len(wrong)} in which words and bus do not agree",
    ]
    sys.stdout.write("\n".join([*lines, *wrong[:40], ""]))
    sys.exit(1 if wrong else 0)


if __name__ == "__main__":
    main()
