"""What the tests of the command line share: one run and what came of it, a bus that outlasts commands, golden files.

``BUSPROTO_UPDATE_GOLDEN=1`` rewrites the golden files; the tests that did so are shown as skipped.
"""

from __future__ import annotations

import contextlib
import io
import json
import os
import shlex
import subprocess
import sys
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any, Final

import pytest

from busproto.cli import COMMANDS, run
from busproto.cli.json_keys import flaws_of
from busproto.errors import PortClosedError
from busproto.sim.actuators.actuator import Actuator
from busproto.sim.bus import VirtualBus
from busproto.sim.scene.scenario import load
from busproto.wire import Decoder, Frame, Message, message_of
from busproto.wire import messages as m

ROOT: Final = Path(__file__).parents[2]
GOLDEN: Final = Path(__file__).parent / "golden"
UPDATE: Final = bool(os.environ.get("BUSPROTO_UPDATE_GOLDEN"))
PATIENCE_S: Final = 60
"""How long a process may take before the test gives up on it; nothing is concluded from how long it took."""

HARMLESS: Final = (
    m.RollCall,
    m.MemberList,
    m.AddressList,
    m.Describe,
    m.DescribeParameter,
    m.Read,
    m.Report,
    m.ReportRound,
    m.LinkTest,
)
"""Requests that change nothing on an actuator and move nothing."""


@dataclass(frozen=True)
class Result:
    """What came of one command line."""

    arguments: tuple[str, ...]
    code: int
    out: str
    err: str

    @property
    def json(self) -> Any:
        return json.loads(self.out)

    @property
    def error_line(self) -> str:
        """The one line on stderr, without the name of the program."""
        lines = self.err.splitlines()
        assert len(lines) == 1, self.err
        assert lines[0].startswith("busproto: "), self.err
        assert self.err.endswith("\n")
        return lines[0].removeprefix("busproto: ")

    def transcript(self) -> str:
        """The whole of it, as a person would see it."""
        parts = [f"$ busproto {' '.join(map(shlex.quote, self.arguments))}\n", self.out]
        if self.err:
            parts += ["[on stderr]\n", self.err]
        return "".join(parts) + f"[exit code {self.code}]\n"


class CommandLine:
    """Runs command lines in this process."""

    def __init__(self, capsys: pytest.CaptureFixture[str]) -> None:
        self._capsys = capsys

    def __call__(self, *arguments: str) -> Result:
        """One run; a single argument is split at its blanks as a shell does."""
        given = tuple(shlex.split(arguments[0])) if len(arguments) == 1 else arguments
        self._capsys.readouterr()
        code = run(given)
        out, err = self._capsys.readouterr()
        assert_keys(given, out)
        return Result(given, code, out, err)


def assert_keys(arguments: Sequence[str], out: str) -> None:
    """Every key that was printed stands in the table of JSON keys, with the type that it has there."""
    if "--json" not in arguments or arguments[0] not in COMMANDS:
        return
    command = " ".join(arguments[:2]) if arguments[0] in {"plan", "bus"} else arguments[0]
    flaws = [flaw for body in bodies_in(out) for flaw in flaws_of(command, body)]
    assert flaws == []


def bodies_in(out: str) -> Iterator[Any]:
    """The JSON values of an output, one behind the other; lines of another kind are passed over."""
    decoder = json.JSONDecoder()
    at = out.find("{")
    while at >= 0:
        try:
            body, end = decoder.raw_decode(out, at)
        except json.JSONDecodeError:
            return
        yield body
        at = out.find("{", end)


def assert_golden(name: str, text: str) -> None:
    """The text is what the golden file of that name holds."""
    path = GOLDEN / f"{name}.txt"
    if UPDATE:
        path.parent.mkdir(exist_ok=True)
        path.write_text(text, "utf-8")
        pytest.skip(f"{path.name} rewritten")
    assert text == path.read_text("utf-8")


class FakeTerminal:
    """A stdin at which a person sits and types this; `when_asked` is called each time that a line is wanted."""

    def __init__(self, typed: str = "", when_asked: Callable[[], None] = lambda: None) -> None:
        self._typed = io.StringIO(typed)
        self._when_asked = when_asked

    def isatty(self) -> bool:
        return True

    def readline(self, size: int = -1) -> str:
        self._when_asked()
        return self._typed.readline(size)


@dataclass
class Bench:
    """A virtual bus that outlasts the commands, at the place of any port, and what was sent on it.

    Attributes:
        bus: the bus.
        frames: every request sent, in order.
        closed: how often a command let go of the port.
        before_write: called with the number of the frame (from 0) before it is sent; may raise.
    """

    bus: VirtualBus
    frames: list[Frame] = field(default_factory=list)
    closed: int = 0
    before_write: Callable[[int], None] = lambda _: None
    url: str = "sim://bench-four"
    latency_ns: int = 0

    @property
    def baud(self) -> int:
        return self.bus.line.baud

    def write(self, data: bytes) -> None:
        self.before_write(len(self.frames))
        self.frames += [found for found in Decoder().feed(data) if isinstance(found, Frame)]
        self.bus.host.write(data)

    def read_until(self, deadline_ns: int) -> bytes:
        return self.bus.host.read_until(deadline_ns)

    def now_ns(self) -> int:
        return self.bus.host.now_ns()

    def close(self) -> None:
        self.closed += 1

    @property
    def requests(self) -> list[Message]:
        """What was asked so far."""
        return [message_of(frame) for frame in self.frames]

    @property
    def changing(self) -> list[str]:
        """Requests sent so far that could change or move anything, by the names of their classes."""
        return [type(request).__name__ for request in self.requests if not isinstance(request, HARMLESS)]

    def actuator(self, label: str) -> Actuator:
        return self.bus.labelled(label)

    def settings(self) -> dict[str, object]:
        """All that lasts, of every actuator: address, working settings, the cells of stored memory."""
        return {
            one.label: (one.address, dict(one.settings.working), tuple(one.settings.memory.copies))
            for one in self.bus.actuators
        }

    def vanish_at(self, number: int) -> None:
        """Let the port go away before the frame of that number (from 0) is sent."""

        def gone(at: int) -> None:
            if at >= number:
                raise PortClosedError(self.url, "device disconnected")

        self.before_write = gone


def make_bench(monkeypatch: pytest.MonkeyPatch, scenario: str = "bench-four", seed: int = 1) -> Bench:
    """A bench that every command finds behind whatever port it opens."""
    bench = Bench(load(scenario).build(seed, baud=115_200))
    monkeypatch.setattr("busproto.cli.common.open_transport", lambda *_, **__: bench)
    return bench


def run_process(arguments: Sequence[str], **options: Any) -> subprocess.CompletedProcess[str]:
    """One command line in a process of its own, with nothing at its stdin."""
    done = subprocess.run(
        [sys.executable, "-m", "busproto", *arguments],
        stdin=options.pop("stdin", subprocess.DEVNULL),
        stdout=options.pop("stdout", subprocess.PIPE),
        stderr=subprocess.PIPE,
        text=True,
        timeout=PATIENCE_S,
        **options,
    )
    assert_keys(arguments, done.stdout if isinstance(done.stdout, str) else "")
    return done


@contextlib.contextmanager
def running_bus(*arguments: str) -> Iterator[tuple[subprocess.Popen[str], str]]:
    """`busproto bus run` in a process of its own; gives the process and its first line."""
    process = subprocess.Popen(
        [sys.executable, "-m", "busproto", "bus", "run", *arguments],
        stdin=subprocess.DEVNULL,
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
        text=True,
    )
    try:
        assert process.stdout is not None
        line = process.stdout.readline()
        assert_keys(["bus", "run", *arguments], line)
        yield process, line
    finally:
        if process.poll() is None:
            process.kill()
        process.communicate(timeout=PATIENCE_S)


def end(process: subprocess.Popen[str]) -> tuple[int, str]:
    """Ask a process to end; gives its exit code and what it said on stderr."""
    process.terminate()
    _, err = process.communicate(timeout=PATIENCE_S)
    return process.returncode, err
