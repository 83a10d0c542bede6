"""Judging mutants: each in a copy of the tree, by the tests that run its line, on several processes."""

from __future__ import annotations

import importlib.util
import itertools
import os
import queue
import random
import shutil
import signal
import subprocess
import sys
import tempfile
import time
from collections import defaultdict
from collections.abc import Iterable, Iterator, Sequence
from concurrent.futures import ThreadPoolExecutor, as_completed
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path
from typing import Final

from tests.mutation import plugin
from tests.mutation.cover import Cover, surroundings
from tests.mutation.draw import drawn
from tests.mutation.grounds import HOST, Ground
from tests.mutation.operators import Mutant, Slip, slips

KILLED, SURVIVED, TIMED_OUT, UNREACHED = "killed", "survived", "timed out", "no test runs it"
KILLS: Final = (KILLED, TIMED_OUT)
MOST_S: Final = 60.0
"""Tests for one mutant take so long in sum, as measured on the tree as it is."""
SLOWER: Final = 5.0
START_S: Final = 60.0
"""A mutant may take so many times as long, and so much more to start; then it counts as killed."""
TREE: Final = ("busproto", "sim", "tests", "captures", "pyproject.toml", "README.md", "DEVELOPERS.md", "LICENSE")


@dataclass(frozen=True, slots=True)
class Task:
    """A mutant, and the lines of the statement that it is in."""

    mutant: Mutant
    statement: range


@dataclass(frozen=True, slots=True)
class Verdict:
    """What came of a mutant.

    Attributes:
        name: of the mutant.
        what: kind of slip.
        outcome: one of the four above.
        tests: how many tests there were to run.
        by: the test that killed it; "" where none did.
        took_s: seconds.
    """

    name: str
    what: str
    outcome: str
    tests: int
    by: str
    took_s: float

    @property
    def is_killed(self) -> bool:
        """Whether a test noticed it."""
        return self.outcome in KILLS


def sampled(root: Path, count: int, seed: int, only: Sequence[str] = ("",), ground: Ground = HOST) -> list[Task]:
    """So many mutants, evenly over the lines in which there is anything to slip; the first of more are the same.

    Args:
        root: of the tree.
        count: of mutants.
        seed: of the draw.
        only: how the paths begin that they are drawn from.
        ground: whose modules.
    """
    by_line: dict[tuple[str, int], list[Slip]] = defaultdict(list)
    texts: dict[str, str] = {}
    for path in ground.files(root):
        name = path.relative_to(root).as_posix()
        if not name.startswith(tuple(only)):
            continue
        texts[name] = path.read_text("utf-8")
        for slip in slips(texts[name]):
            by_line[name, slip.line].append(slip)

    def made(place: tuple[str, int], slip: Slip) -> Task | None:
        mutant = slip.applied(texts[place[0]], place[0])
        return Task(mutant, slip.lines) if mutant else None

    return drawn(by_line, count, random.Random(seed), made)


@contextmanager
def copies(root: Path, count: int) -> Iterator[list[Path]]:
    """So many copies of the tree, compiled; they are gone behind it."""
    with tempfile.TemporaryDirectory(prefix="mutants-") as directory:
        made = []
        for number in range(count):
            copy = Path(directory) / str(number)
            copy.mkdir()
            for name in TREE:
                if (root / name).is_dir():
                    ignored = shutil.ignore_patterns(".hypothesis", ".git")
                    # the simulator is one folder with two names, in a copy too
                    shutil.copytree(root / name, copy / name, ignore=ignored, symlinks=True)
                elif (root / name).exists():
                    shutil.copy(root / name, copy / name)
            made.append(copy)
        yield made


def judge(copy: Path, task: Task, tests: list[str], bound_s: float, options: Sequence[str] = ()) -> Verdict:
    """Put a mutant into a copy of the tree, run the tests up to the first that fails, take it out again. They may take
    so long before they count as failed; the options are for pytest."""
    mutant = task.mutant
    if not tests:
        return Verdict(mutant.name, mutant.what, UNREACHED, 0, "", 0.0)
    file = copy / mutant.path
    good = file.read_bytes()
    compiled = Path(importlib.util.cache_from_source(str(file)))
    order = copy / "order.txt"
    order.write_text("\n".join(tests), "utf-8")
    begun = time.monotonic()
    try:
        file.write_text(mutant.source, "utf-8")
        compiled.unlink(missing_ok=True)
        outcome, by = _run(copy, order, tests, bound_s, options)
    finally:
        file.write_bytes(good)
        compiled.unlink(missing_ok=True)
    return Verdict(mutant.name, mutant.what, outcome, len(tests), by, round(time.monotonic() - begun, 1))


def _run(copy: Path, order: Path, tests: Iterable[str], bound_s: float, options: Sequence[str]) -> tuple[str, str]:
    command = [sys.executable, "-m", "pytest", "-x", "-q", "--no-header", "--tb=no", "-rfE", "-p", "no:cacheprovider"]
    command += ["--assert=plain", "-p", "no:xdist", "-p", "tests.mutation.plugin"]  # plain: no time goes into messages
    command += [*options, *dict.fromkeys(test.partition("::")[0] for test in tests)]
    environment = {
        **surroundings(copy),
        plugin.ORDER: str(order),
        "PYTHONDONTWRITEBYTECODE": "1",  # what was compiled from a mutant must not stay
        "HYPOTHESIS_PROFILE": "ci" if os.environ.get("CI") else "dev",
    }
    with subprocess.Popen(
        command,
        cwd=copy,
        env=environment,
        stdin=subprocess.DEVNULL,
        stdout=subprocess.PIPE,
        stderr=subprocess.STDOUT,
        text=True,
        start_new_session=True,
    ) as process:
        try:
            said, _ = process.communicate(timeout=bound_s)
        except subprocess.TimeoutExpired:
            os.killpg(process.pid, signal.SIGKILL)
            process.communicate()
            return TIMED_OUT, ""
    if process.returncode == 0:
        return SURVIVED, ""
    failed = [line.split(" ", 2)[1] for line in said.splitlines() if line.startswith(("FAILED ", "ERROR "))]
    return KILLED, failed[0] if failed else said.strip().splitlines()[-1] if said.strip() else "it did not start"


def judged(root: Path, tasks: list[Task], cover: Cover, jobs: int) -> Iterator[Verdict]:
    """The verdicts, as they come."""
    with copies(root, jobs) as made:
        for copy in made:
            subprocess.run(
                [sys.executable, "-m", "compileall", "-q", "busproto", "sim", "tests"], cwd=copy, check=False
            )
        free: queue.SimpleQueue[Path] = queue.SimpleQueue()
        for copy in made:
            free.put(copy)

        def one(task: Task) -> Verdict:
            tests = cover.of(task.mutant.path, task.statement, MOST_S)
            copy = free.get()
            try:
                bound_s = START_S + SLOWER * sum(cover.took_s[test] for test in tests)
                return judge(copy, task, tests, bound_s, cover.ground.options)
            finally:
                free.put(copy)

        with ThreadPoolExecutor(jobs) as pool:
            waiting = [pool.submit(one, task) for task in tasks]
            try:
                for done in as_completed(waiting):
                    yield done.result()
            finally:
                for later in itertools.chain(waiting):
                    later.cancel()
