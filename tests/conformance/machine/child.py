"""One process for one mutant: the suite, or a conversation, with the mutant as a library; a hang or a crash ends only
that process.

It is forked from a server that has imported everything, so that a mutant costs the time of its cases alone. What it is
at stands in a file, from which the parent reads how far it came.
"""

from __future__ import annotations

import json
import multiprocessing
import os
import resource
import signal
import sys
import tempfile
import time
from collections.abc import Callable, Generator, Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any, Final

import hypothesis
import pytest

from busproto.conformance import plugin as conformance
from busproto.conformance import targets
from busproto.sim.native import device
from tests.mutation.plugin import MOST_MEMORY_BYTES

ROOT: Final = Path(__file__).parents[3]
PRELOADED: Final = [__name__, "tests.conformance.machine.beside", "busproto.conformance.results.report"]
KINDS: Final = (conformance, targets, device)
"""Imported so that they are there before the fork."""
PASSED, FAILED, BROKEN = 0, 1, 3


@dataclass(frozen=True)
class Came:
    """How a process ended.

    Attributes:
        code: what it ended with: an exit code, or minus the signal that ended it.
        notes: what it noted, in order.
    """

    code: int
    notes: tuple[dict[str, Any], ...]


def in_process(work: Callable[..., int], notes: Path, bound_s: float, *arguments: Any) -> Came:
    """Do the work in a process of its own, for this long at most by the clock. Where that is over it is ended like a
    case that computes for too long: the code is that of SIGVTALRM."""
    context = multiprocessing.get_context("forkserver")
    context.set_forkserver_preload(PRELOADED)
    notes.write_text("")
    process = context.Process(target=_run, args=(work, notes, *arguments), daemon=True)
    process.start()
    process.join(bound_s)
    code = process.exitcode
    if code is None:
        process.kill()
        process.join()
        code = -signal.SIGVTALRM
    process.close()
    rows = []
    for line in notes.read_text("utf-8").splitlines():
        try:
            rows.append(json.loads(line))
        except json.JSONDecodeError:  # torn by the end of the process
            continue
    return Came(code, tuple(rows))


def _run(work: Callable[..., int], notes: Path, *arguments: Any) -> None:
    os.chdir(ROOT)
    os.environ.pop("PYTEST_ADDOPTS", None)  # meant for the run around it
    tempfile.tempdir = str(notes.parent)  # it ends without cleaning up; the parent does
    silence = os.open(os.devnull, os.O_WRONLY)
    os.dup2(silence, 1)
    os.dup2(silence, 2)
    resource.setrlimit(resource.RLIMIT_CORE, (0, 0))
    resource.setrlimit(resource.RLIMIT_AS, (MOST_MEMORY_BYTES, MOST_MEMORY_BYTES))
    signal.signal(signal.SIGVTALRM, signal.SIG_DFL)
    with notes.open("a", encoding="utf-8") as file:

        def note(**named: Any) -> None:
            file.write(json.dumps(named) + "\n")
            file.flush()

        code = work(note, *arguments)
    sys.stdout.flush()
    os._exit(code)


# --- the suite -------------------------------------------------------------------------------------------------


@dataclass
class Cases:
    """Runs the cases in an order, each within its time, and notes each as it begins and ends.

    Attributes:
        note: writes a line.
        order: names of those that come first; the others follow in the suite's own order.
        bounds_s: how long each may take; the others `most_s`.
    """

    note: Callable[..., None]
    order: Sequence[str]
    bounds_s: dict[str, float]
    most_s: float
    begun: float = field(default=0.0)

    @pytest.hookimpl(trylast=True)
    def pytest_collection_modifyitems(self, items: list[pytest.Item]) -> None:
        place = {name: at for at, name in enumerate(self.order)}
        items.sort(key=lambda item: place.get(item.nodeid, len(place)))

    @pytest.hookimpl(wrapper=True)
    def pytest_runtest_protocol(self, item: pytest.Item) -> Generator[None, Any, Any]:
        clauses = [one for marker in item.iter_markers("clause") for one in marker.args]
        self.note(case=item.nodeid, clauses=clauses)
        begun = time.process_time()
        # time that it computes, as others may need the machine too; and no handler of Python's: that would wait for
        # the C code to return, which may be what never happens
        signal.setitimer(signal.ITIMER_VIRTUAL, self.bounds_s.get(item.nodeid, self.most_s))
        done = yield
        signal.setitimer(signal.ITIMER_VIRTUAL, 0.0)
        self.note(ended=item.nodeid, took_s=round(time.process_time() - begun, 4))
        return done


def suite(
    note: Callable[..., None], library: str, order: Sequence[str], bounds_s: dict[str, float], most_s: float
) -> int:
    """Run the suite against a library, up to the first case that fails."""
    # that it fails is all that is wanted; what the shortest way to it is would cost much time
    phases = [hypothesis.Phase.explicit, hypothesis.Phase.generate]
    hypothesis.settings.register_profile("mutants", phases=phases, database=None)
    hypothesis.settings.load_profile("mutants")
    arguments = ["-x", "-q", "--tb=no", "--assert=plain", "-p", "no:cacheprovider", "-p", "no:xdist"]
    # in one word: pytest would take a path of its own for a place of tests, and name the cases after it
    arguments += ["-p", "busproto.conformance.plugin", f"--dut={library}"]
    code = int(pytest.main(arguments, plugins=[Cases(note, order, bounds_s, most_s)]))
    return code if code in {PASSED, FAILED} else BROKEN
