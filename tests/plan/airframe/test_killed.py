"""Apply killed with SIGKILL at every step in turn, and run again: always the same end, nothing half, no new clash.

The host runs in a process of its own, so that nothing of it outlives the kill; the bus stays here, in virtual time.
"""

from __future__ import annotations

import json
import os
import signal
from collections.abc import Callable
from multiprocessing import Pipe
from multiprocessing.connection import Connection
from pathlib import Path
from typing import Any, Final

import pytest

from busproto.ops import Link
from busproto.ops.survey import survey
from busproto.plan import journal
from busproto.plan.airframe import applying
from busproto.plan.airframe.applying import Applied, carry_out_job, job_of
from busproto.plan.airframe.audit import audit, goals
from busproto.plan.assignment import load_assignment, save_assignment
from busproto.plan.load import Plan
from busproto.sim.actuators.actuator import Actuator
from busproto.transport import Transport
from tests.ops.helpers import IS_DEEP
from tests.plan.airframes import AddressWatch, Hauler, hauler, small

NO_FORK: Final = not hasattr(os, "fork")
END_OF_APPLY: Final = "end"
pytestmark = [
    pytest.mark.skipif(NO_FORK, reason="this system cannot fork a process"),
    pytest.mark.filterwarnings("ignore:.*fork.*:DeprecationWarning"),
]


class FarPort:
    """The host's end of a bus that lives in another process."""

    url = "far"

    def __init__(self, wire: Connection, baud: int, at_write: Callable[[], None]) -> None:
        self._wire = wire
        self._at_write = at_write
        self.baud = baud
        self.latency_ns = 0

    def _ask(self, name: str, *arguments: Any) -> Any:
        self._wire.send((name, arguments))
        return self._wire.recv()

    def write(self, data: bytes) -> None:
        self._at_write()
        self._ask("write", data)

    def read_until(self, deadline_ns: int) -> bytes:
        answer: bytes = self._ask("read_until", deadline_ns)
        return answer

    def now_ns(self) -> int:
        answer: int = self._ask("now_ns")
        return answer

    def close(self) -> None:
        """Nothing to let go of."""


def serve_until_it_is_gone(wire: Connection, port: Transport) -> None:
    while True:
        try:
            name, arguments = wire.recv()
        except (EOFError, ConnectionResetError):
            return
        wire.send(getattr(port, name)(*arguments))


def apply(plan: Plan, link: Link) -> Applied:
    """As the command does it."""
    seen = link.run(survey())
    wanted = goals(plan, load_assignment(plan), seen)
    path = plan.beside(journal.ENDING)
    return link.run(carry_out_job(job_of(seen, wanted, title=plan.title, journal_path=path)))


def apply_in_a_process_of_its_own(air: Hauler, prepare: Callable[[Callable[[], None]], Callable[[], None]]) -> int:
    """Run apply in a child; gives the signal that killed it, 0 where it came to its end.

    `prepare` is called in the child with what kills it at once, and gives what is called before each write.
    """
    ours, theirs = Pipe()
    child = os.fork()
    if child == 0:  # pragma: no cover - seen by no coverage
        ours.close()
        quiet = os.open(os.devnull, os.O_WRONLY)
        os.dup2(quiet, 2)
        status = 1
        try:
            at_write = prepare(lambda: os.kill(os.getpid(), signal.SIGKILL))
            apply(air.plan, Link(FarPort(theirs, air.bus.host.baud, at_write)))
            status = 0
        finally:
            os._exit(status)
    theirs.close()
    serve_until_it_is_gone(ours, air.bus.host)
    ours.close()
    _, status = os.waitpid(child, 0)
    assert os.WIFSIGNALED(status) or os.WEXITSTATUS(status) == 0, "apply itself failed"
    return os.WTERMSIG(status) if os.WIFSIGNALED(status) else 0


def killed_behind_line(number: int) -> Callable[[Callable[[], None]], Callable[[], None]]:
    """Killed when the n-th line of the journal (from 1) is on the disk."""

    def prepare(kill: Callable[[], None]) -> Callable[[], None]:
        kept, lines = journal.append_line, 0

        def append_line(path: Path, line: str) -> None:
            nonlocal lines
            kept(path, line)
            lines += 1
            if lines == number:
                kill()

        journal.append_line = append_line
        return lambda: None

    return prepare


def killed_before_write(number: int) -> Callable[[Callable[[], None]], Callable[[], None]]:
    """Killed when the n-th request (from 1) since the first line of the journal is about to go out."""

    def prepare(kill: Callable[[], None]) -> Callable[[], None]:
        kept = applying.carry_out
        writes, counting = 0, False

        def carry_out(*arguments: Any, **named: Any) -> Any:
            nonlocal counting
            counting = True
            return kept(*arguments, **named)

        def at_write() -> None:
            nonlocal writes
            writes += counting
            if writes == number:
                kill()

        applying.carry_out = carry_out
        return at_write

    return prepare


def kept_by(actuator: Actuator) -> tuple[object, ...]:
    settings = actuator.settings
    assert not settings.are_lost
    assert settings.working == settings.stored()
    return actuator.uid, actuator.address, tuple(settings.stored().items())


def kept_lines(air: Hauler) -> list[dict[str, Any]]:
    text = air.plan.beside(journal.ENDING).read_text("utf-8")
    return [json.loads(line) for line in text.splitlines()]


def killed_then_run_again(
    directory: Path, make: Callable[[Path], Hauler], prepare: Callable[[Callable[[], None]], Callable[[], None]]
) -> tuple[bool, tuple[object, ...]]:
    """Whether it was killed, and what is on the bus after the second run."""
    for file in directory.iterdir():
        file.unlink()
    air = make(directory)
    save_assignment(air.plan, air.assignment)
    watch = AddressWatch(air.bus)
    was_killed = apply_in_a_process_of_its_own(air, prepare) == signal.SIGKILL
    said_its_end = was_killed and kept_lines(air)[-1]["step"] == END_OF_APPLY
    applied = apply(air.plan, air.link)
    assert bool(applied.interrupted) == (was_killed and not said_its_end)
    assert applied.proof == ""
    assert watch.new == []
    found = audit(air.plan, load_assignment(air.plan), air.link.run(survey()))
    assert not [one for row in found.rows for one in row.differences if one.can_be_applied]
    assert kept_lines(air)[-1]["step"] == END_OF_APPLY
    return was_killed, tuple(kept_by(one) for one in air.bus.actuators if one.is_powered)


def all_ends(directory: Path, make: Callable[[Path], Hauler], kill: Any, first: int, step: int) -> tuple[int, set[Any]]:
    """Kill at each place in turn until there is none any more; gives the last place, and every end state."""
    ends = set()
    number, was_killed = first, True
    while was_killed:
        was_killed, end = killed_then_run_again(directory, make, kill(number))
        ends.add(end)
        number += step
    return number - step, ends


def test_killed_behind_every_line_of_the_journal(tmp_path: Path) -> None:
    places, ends = all_ends(tmp_path, small, killed_behind_line, 1, 1)
    assert places > 50, "it was killed at each step, and then came to its end once"
    assert len(ends) == 1


def test_killed_before_every_request_of_a_circle(tmp_path: Path) -> None:
    places, ends = all_ends(tmp_path, small, killed_before_write, 1, 1 if IS_DEEP else 3)
    assert places > 100
    assert len(ends) == 1


def test_the_hauler_killed_behind_lines_of_the_journal(tmp_path: Path) -> None:
    places, ends = all_ends(tmp_path, hauler, killed_behind_line, 2, 1 if IS_DEEP else 12)
    assert places > 100
    assert len(ends) == 1
