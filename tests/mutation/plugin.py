"""What pytest does inside a run for mutants: tell which test covers which line, or run a list of tests in its order.

``-p tests.mutation.plugin``. With ``BUSPROTO_MUTATION_RECORD=FILE`` every test's lines, of the folders that
``BUSPROTO_MUTATION_ROOMS`` names, and its time go to that file; with ``BUSPROTO_MUTATION_ORDER=FILE`` only the tests
named there are run, in that order.
"""

from __future__ import annotations

import json
import os
import resource
import signal
from collections import Counter
from collections.abc import Generator, Sequence
from pathlib import Path
from typing import Any, Final

import pytest

RECORD: Final = "BUSPROTO_MUTATION_RECORD"
ORDER: Final = "BUSPROTO_MUTATION_ORDER"
ROOMS: Final = "BUSPROTO_MUTATION_ROOMS"
MOST_MEMORY_BYTES: Final = 6 << 30
"""A mutant that gathers without end fails instead of taking the machine along."""
MOST_CPU_S: Final = 40.0
"""A test that computes for longer is no test to ask about one line; it is stopped, and left out."""
MOST_ALIKE: Final = 60
"""Of one test with many arguments so many are recorded, spread over them evenly."""


class Recorder:
    """Counts lines by test, with coverage.py, and takes the time of each."""

    def __init__(self, config: pytest.Config, path: Path, begun: Any) -> None:
        worker = os.environ.get("PYTEST_XDIST_WORKER", "")
        self._path = path.with_name(path.name + worker)
        self._root = config.rootpath
        self._coverage = begun
        self._took_s: dict[str, float] = {}
        self._failed: set[str] = set()
        signal.signal(signal.SIGVTALRM, _too_long)

    @pytest.hookimpl(wrapper=True)
    def pytest_runtest_protocol(self, item: pytest.Item) -> Generator[None, Any, Any]:
        self._coverage.switch_context(item.nodeid)
        signal.setitimer(signal.ITIMER_VIRTUAL, MOST_CPU_S)
        done = yield
        signal.setitimer(signal.ITIMER_VIRTUAL, 0.0)
        self._coverage.switch_context("")
        return done

    @pytest.hookimpl(trylast=True)
    def pytest_collection_modifyitems(self, items: list[pytest.Item]) -> None:
        items[:] = evenly(items)

    def pytest_runtest_logreport(self, report: pytest.TestReport) -> None:
        self._took_s[report.nodeid] = self._took_s.get(report.nodeid, 0.0) + report.duration
        if report.outcome != "passed":
            self._failed.add(report.nodeid)

    def pytest_sessionfinish(self) -> None:
        self._coverage.stop()
        data = self._coverage.get_data()
        lines: dict[str, dict[str, list[str]]] = {}
        for file in data.measured_files():
            name = Path(file).relative_to(self._root).as_posix()
            lines[name] = {str(line): tests for line, tests in data.contexts_by_lineno(file).items()}
        passed = {test: took_s for test, took_s in self._took_s.items() if test not in self._failed}
        self._path.write_text(json.dumps({"tests": passed, "lines": lines}), "utf-8")


def evenly(items: Sequence[pytest.Item], most: int = MOST_ALIKE) -> list[pytest.Item]:
    """Of tests that differ by their arguments alone at most so many each, spread evenly, in their order."""
    alike = Counter(item.nodeid.partition("[")[0] for item in items)
    seen: Counter[str] = Counter()
    chosen = []
    for item in items:
        name = item.nodeid.partition("[")[0]
        at, of = seen[name], alike[name]
        seen[name] += 1
        if of <= most or at * most // of != (at - 1) * most // of:
            chosen.append(item)
    return chosen


def _too_long(_number: int, _frame: object) -> None:
    pytest.fail(f"computed for more than {MOST_CPU_S} s")


class Order:
    """Leaves only the named tests, in their order."""

    def __init__(self, path: Path) -> None:
        self._place = {name: at for at, name in enumerate(path.read_text("utf-8").splitlines())}

    @pytest.hookimpl(trylast=True)
    def pytest_collection_modifyitems(self, items: list[pytest.Item]) -> None:
        items[:] = sorted(
            (item for item in items if item.nodeid in self._place), key=lambda item: self._place[item.nodeid]
        )


_BEGUN: Final = pytest.StashKey[Any]()


@pytest.hookimpl(tryfirst=True)
def pytest_load_initial_conftests(early_config: pytest.Config) -> None:
    """Begin to count lines, before a conftest imports what is counted."""
    if RECORD in os.environ:
        import coverage

        include = [str(early_config.rootpath / room / "*") for room in os.environ[ROOMS].split(os.pathsep)]
        early_config.stash[_BEGUN] = coverage.Coverage(data_file=None, include=include, config_file=False)
        early_config.stash[_BEGUN].start()


def pytest_configure(config: pytest.Config) -> None:
    """Register what is asked for."""
    if RECORD in os.environ and (os.environ.get("PYTEST_XDIST_WORKER") or not config.getoption("numprocesses", None)):
        config.pluginmanager.register(Recorder(config, Path(os.environ[RECORD]), config.stash[_BEGUN]))
    if ORDER in os.environ:
        resource.setrlimit(resource.RLIMIT_AS, (MOST_MEMORY_BYTES, MOST_MEMORY_BYTES))
        config.pluginmanager.register(Order(Path(os.environ[ORDER])))
