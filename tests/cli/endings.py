"""How commands end: every one that moves, every kind of trouble, at moments all over its run, in virtual time.

After each run the virtual bus itself says who holds; what the command said, and its exit code, must agree with that.
`python -m tests.cli.endings` prints the whole table with counts; a test runs a sample of it.
"""

from __future__ import annotations

import argparse
import contextlib
import io
import json
import os
import random
import signal
import sys
import tempfile
from collections import Counter
from collections.abc import Callable, Iterator
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any, Final
from unittest import mock

from busproto.cli import exit_codes, run
from busproto.errors import PortClosedError
from busproto.interrupts import INTERRUPTS
from busproto.transport.base import PortAround
from busproto.wire import Decoder, Frame, message_of
from busproto.wire.frame import UNADDRESSED
from busproto.wire.messages import LIMP_STATES, Release
from busproto.wire.parameters import LOSS_HOLD
from sim.bus import VirtualBus
from sim.scenario import load

MS: Final = 1_000_000
BURST_NS: Final = 400 * MS
GAP_CALLS: Final = 5
"""Calls of the port between one signal and the next."""
CAPTURE: Final = Path(__file__).parents[2] / "captures" / "signal-loss.pcapng"


@dataclass(frozen=True)
class Command:
    """One that moves.

    Attributes:
        name: in the table.
        line: its words; PLAN stands for the airframe file.
        scenario: the bus.
        typed: what is typed; "" for nothing.
        is_terminal: whether it is typed at a terminal.
        prepare: what is done to the bus beforehand.
    """

    name: str
    line: str
    scenario: str
    typed: str = ""
    is_terminal: bool = False
    prepare: Callable[[VirtualBus], object] = lambda _: None


def follow_its_channels(bus: VirtualBus) -> None:
    """The capture demands of channels 1 to 4; who is left without a demand holds."""
    for number, actuator in enumerate(bus.actuators, 1):
        actuator.settings.set_working("channel", number)
        actuator.settings.set_working("loss-action", LOSS_HOLD)


COMMANDS: Final = (
    Command("move", "move 3 25% --hold 0.5 --clear --json", "bench-four"),
    Command("hand", "hand 3 --clear --json", "bench-four", "dwwcq"),
    Command("trial", "trial PLAN --part loss --clear --json", "rudder-gang"),
    Command("match", "match PLAN rudder --stations 12 --looks 1 --clear --json", "rudder-gang"),
    Command("claim --by-nudge", "claim PLAN --by-nudge --clear --json", "rudder-gang", "1\n1\n1\n", is_terminal=True),
    Command("claim --nudge", "claim PLAN --nudge 30 --clear --json", "rudder-gang"),
    Command("apply", "apply PLAN --by-address --yes --json", "rudder-gang"),
    Command("replay", f"replay {CAPTURE} --clear --json", "rudder-gang", prepare=follow_its_channels),
)
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
SIGNALS: Final = {
    "Ctrl-C": (signal.SIGINT, 1),
    "Ctrl-C twice": (signal.SIGINT, 2),
    "Ctrl-C thrice": (signal.SIGINT, 3),
    "SIGTERM": (signal.SIGTERM, 1),
    "SIGHUP": (signal.SIGHUP, 1),
}


class TroublePort(PortAround):
    """The host's port of a virtual bus, on which a trouble falls at the n-th call (from 1); 0 for never."""

    def __init__(self, bus: VirtualBus, trouble: str, at_call: int) -> None:
        super().__init__(bus.host)
        self._bus, self._trouble, self._at = bus, trouble, at_call
        self.calls = 0
        self.is_gone = False
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
        elif self._trouble == "port gone":
            self.is_gone = True
            raise PortClosedError(self.url, "device disconnected")
        elif self._trouble == "answers twice" and after == 0:
            answer_twice(self._bus)

    def write(self, data: bytes) -> None:
        self._call()
        if self._trouble == "noise burst" and self._at and self.calls >= self._at and not self._burst_is_over:
            frames = [found for found in Decoder().feed(data) if isinstance(found, Frame)]
            if any(isinstance(message_of(frame), Release) for frame in frames):
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
    actuator._send = lambda data: send(data + data if len(data) > 1 else data)  # type: ignore[method-assign]


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


class _Typed(io.StringIO):
    def __init__(self, text: str, is_terminal: bool) -> None:
        super().__init__(text)
        self._is_terminal = is_terminal

    def isatty(self) -> bool:
        return self._is_terminal


@contextlib.contextmanager
def plan_folder() -> Iterator[Path]:
    """A folder with the plan of the rudder."""
    with tempfile.TemporaryDirectory() as name:
        with contextlib.redirect_stdout(io.StringIO()):
            assert run(["plan", "new", f"{name}/plan", "--example", "rudder"]) == 0
        yield Path(name) / "plan"


def holders_of(bus: VirtualBus) -> list[int]:
    """Addresses of those that are not limp, by the bus itself."""
    return sorted(one.address for one in bus.actuators if one.is_powered and one.state not in LIMP_STATES)


def run_command(command: Command, trouble: str, at_call: int, folder: Path) -> Run:
    """Run it once, on a fresh bus, and hold its words against the bus."""
    bus = load(command.scenario).build(1, baud=115_200)
    command.prepare(bus)
    port = TroublePort(bus, trouble, at_call)
    plan = folder / "rudder.toml"
    for kept in folder.glob("rudder.*.json*"):
        kept.unlink()
    line = [str(plan) if word == "PLAN" else word for word in command.line.split()]
    out, err = io.StringIO(), io.StringIO()
    drawn = random.Random(2024)
    stdin = _Typed(command.typed, command.is_terminal)
    with (
        mock.patch("busproto.cli.common.open_transport", return_value=port),
        mock.patch("random.SystemRandom", return_value=drawn),
        mock.patch.object(sys, "stdin", stdin),
        mock.patch.dict(os.environ, {"COLUMNS": "80"}),
        contextlib.redirect_stdout(out),
        contextlib.redirect_stderr(err),
    ):
        code = run([*line, "--port", "/dev/any"])
    assert not INTERRUPTS.is_ending
    done = Run(code, out.getvalue(), err.getvalue(), port, holders_of(bus))
    done.wrong = list(_judged(done, bus))
    return done


def _judged(done: Run, bus: VirtualBus) -> Iterator[str]:
    """What does not agree."""
    seen = done.body.get("let_go")
    words = done.out + done.err
    if "Traceback" in words:
        yield "a traceback"
    if done.holders and done.code != exit_codes.FAILED:
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
    named = (
        set() if seen is None else {*seen["not_seen"], *seen["shared"], *(one["address"] for one in seen["holding"])}
    )
    is_all_named = done.code == exit_codes.FAILED and "whatever is on the line" in words  # it knew of no actuator
    for address in done.holders:
        if address not in named and not is_all_named:
            yield f"{address} holds and is not named"
    if done.code == exit_codes.INTERRUPTED and "Interrupted" not in done.out:
        yield "interrupted, and not said so"


def calls_of(command: Command, folder: Path) -> int:
    """Calls of the port in a run without trouble."""
    done = run_command(command, "", 0, folder)
    assert done.code in {exit_codes.DONE, exit_codes.NOT_AS_WANTED}, done.err
    assert not done.wrong, done.wrong
    return done.port.calls


def moments(calls: int, count: int, shift: float = 0.5) -> list[int]:
    """So many numbers of calls, spread evenly."""
    return sorted({1 + int((number + shift) * calls / count) for number in range(count)})


@dataclass
class Cell:
    """One command and one trouble."""

    runs: int = 0
    codes: Counter[int] = field(default_factory=Counter)
    held_and_named: int = 0
    wrong: list[str] = field(default_factory=list)


def table(count: int, names: frozenset[str] | None = None) -> dict[tuple[str, str], Cell]:
    """Every command with every trouble at so many moments."""
    cells: dict[tuple[str, str], Cell] = {}
    with plan_folder() as folder:
        for number, command in enumerate(COMMANDS):
            if names is not None and command.name not in names:
                continue
            calls = calls_of(command, folder)
            for other, trouble in enumerate(TROUBLES):
                cell = cells.setdefault((command.name, trouble), Cell())
                # each cell has moments of its own, so that few of them still fall everywhere
                shift = (0.37 * number + 0.618 * other + 0.2) % 1
                for at_call in moments(calls, count, shift):
                    done = run_command(command, trouble, at_call, folder)
                    cell.runs += 1
                    cell.codes[done.code] += 1
                    cell.held_and_named += bool(done.holders) and not done.wrong
                    cell.wrong += [f"{command.name}, {trouble}, call {at_call}: {text}" for text in done.wrong]
    return cells


def main() -> None:
    """Print the table."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--moments", type=int, default=40, help="moments of each run")
    parser.add_argument("--command", action="append", help="only this one")
    wanted = parser.parse_args()
    cells = table(wanted.moments, frozenset(wanted.command) if wanted.command else None)
    lines = [
        f"{'command':18}{'trouble':15}{'runs':>6}{'exit 0/3':>10}{'1':>6}{'130':>6}{'held, named':>13}{'wrong':>7}"
    ]
    for (name, trouble), cell in cells.items():
        codes = cell.codes
        lines.append(
            f"{name:18}{trouble:15}{cell.runs:6}{codes[0] + codes[3]:10}{codes[1]:6}{codes[130]:6}"
            f"{cell.held_and_named:13}{len(cell.wrong):7}"
        )
    wrong = [text for cell in cells.values() for text in cell.wrong]
    count = sum(cell.runs for cell in cells.values())
    lines.append(f"{count} runs, {len(wrong)} in which words and bus do not agree")
    sys.stdout.write("\n".join([*lines, *wrong[:40], ""]))
    sys.exit(1 if wrong else 0)


if __name__ == "__main__":
    main()
