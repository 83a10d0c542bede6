"""Which tests run a line, and how long each takes: made once by running the tests with coverage.py, kept in a file."""

from __future__ import annotations

import ast
import hashlib
import itertools
import json
import os
import subprocess
import sys
from collections import defaultdict
from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from pathlib import Path

from tests.mutation import plugin
from tests.mutation.grounds import HOST, Ground


@dataclass(frozen=True)
class Cover:
    """What a run of the tests has shown.

    Attributes:
        took_s: time of each test that passed.
        lines: tests by line, by file; "" among them where a line was run outside of any test, on import.
        digests: of each file as it was.
        ground: what the files and the tests are of.
    """

    took_s: Mapping[str, float]
    lines: Mapping[str, Mapping[int, frozenset[str]]]
    digests: Mapping[str, str]
    ground: Ground = HOST

    def of(self, path: str, statement: range, most_s: float) -> list[str]:
        """The tests to run for the lines of a statement, the most telling first, as many as take `most_s` in sum.

        Two thirds of that time are for tests of the same room, which are about the line; the rest is for all others.
        Of the same test with several arguments the quickest comes in the first round, the next in the second, and so
        on: so that every way to a line is gone once before one is gone again. Of a line that is run
        on import, all tests count that run anything of that file, and what time is left is for all others of the room:
        a default, or a table, may be read by a test that runs no line of its file.
        """
        by_line = self.lines.get(path, {})
        tests = frozenset(itertools.chain.from_iterable(by_line.get(line, ()) for line in statement))
        is_on_import = "" in tests
        if is_on_import:
            tests = frozenset(itertools.chain.from_iterable(by_line.values()))
        sub_room, room = self.ground.own_tests(path)
        own = self._as_many_as([one for one in tests if one.startswith(sub_room)], most_s / 3)
        left_s = most_s * 2 / 3 - sum(self.took_s[one] for one in own)
        own += self._as_many_as(
            [one for one in tests.difference(own) if one.startswith(room)], left_s, at_least_one=not own
        )
        left_s = most_s - sum(self.took_s[one] for one in own)
        chosen = own + self._as_many_as(tests.difference(own), left_s, at_least_one=not own)
        if is_on_import:
            left_s = most_s - sum(self.took_s[one] for one in chosen)
            rest = {one for one in self.took_s if one.startswith(room)}.difference(chosen)
            chosen += self._as_many_as(rest, left_s, at_least_one=False)
        return chosen

    def _as_many_as(self, tests: Iterable[str], most_s: float, *, at_least_one: bool = True) -> list[str]:
        rounds: dict[str, list[str]] = defaultdict(list)
        for test in sorted((one for one in tests if one in self.took_s), key=lambda one: (self.took_s[one], one)):
            rounds[test.partition("[")[0]].append(test)
        ranked = [(turn, self.took_s[one], one) for row in rounds.values() for turn, one in enumerate(row)]
        chosen, sum_s = [], 0.0
        for _, took_s, test in sorted(ranked):
            if (chosen or not at_least_one) and sum_s + took_s > most_s:
                continue
            chosen.append(test)
            sum_s += took_s
        return chosen

    def is_of(self, root: Path) -> list[str]:
        """The files that are others now."""
        return sorted(path for path, digest in digests(root, self.ground).items() if self.digests.get(path) != digest)


def import_lines(source: str) -> set[int]:
    """The lines of a module that run when it is imported: all that stand in no function's body."""
    functions = (one for one in ast.walk(ast.parse(source)) if isinstance(one, ast.FunctionDef | ast.AsyncFunctionDef))
    within = {line for one in functions for line in range(one.body[0].lineno, (one.end_lineno or 0) + 1)}
    return set(range(1, source.count("\n") + 2)) - within


def digests(root: Path, ground: Ground) -> dict[str, str]:
    """What each module holds, in short."""
    files = ground.files(root)
    return {path.relative_to(root).as_posix(): hashlib.sha256(path.read_bytes()).hexdigest() for path in files}


def record(
    root: Path,
    path: Path,
    jobs: int,
    folders: Iterable[str] | None = None,
    *,
    onto: Cover | None = None,
    ground: Ground = HOST,
) -> Cover:
    """Run the tests, all of the ground unless others are named, and keep what they cover, beside what is known already
    where there is anything.

    Raises:
        RuntimeError: the tests could not be run at all.
    """
    path.parent.mkdir(parents=True, exist_ok=True)
    for old in path.parent.glob(f"{path.name}.part*"):
        old.unlink()
    part = path.with_name(f"{path.name}.part")
    command = [
        sys.executable,
        "-m",
        "pytest",
        "-p",
        "tests.mutation.plugin",
        "-q",
        "--no-header",
        "--tb=no",
        "--assert=plain",
        "-p",
        "no:cacheprovider",
    ]
    command += ["--dist", "worksteal", "-n", str(jobs)] if jobs > 1 else ["-p", "no:xdist"]
    command += [*ground.options, *(folders or ground.tests), *(f"--ignore={one}" for one in ground.tests_left_out)]
    rooms = os.pathsep.join(ground.rooms)
    environment = {
        **surroundings(root),
        plugin.RECORD: str(part),
        plugin.ROOMS: rooms,
        "HYPOTHESIS_PROFILE": "dev",
    }
    done = subprocess.run(command, cwd=root, env=environment, check=False)
    parts = [json.loads(one.read_text("utf-8")) for one in sorted(path.parent.glob(f"{part.name}*"))]
    if done.returncode not in {0, 1} or not parts:
        raise RuntimeError(f"the tests could not be run (pytest ended with {done.returncode})")
    took_s: dict[str, float] = {}
    lines: dict[str, dict[int, set[str]]] = defaultdict(lambda: defaultdict(set))
    for one in parts:
        took_s.update(one["tests"])
        for file, by_line in one["lines"].items():
            for line, tests in by_line.items():
                lines[file][int(line)].update(tests)
    for one in ground.files(root):  # a module may be imported before anything is counted
        for line in import_lines(one.read_text("utf-8")):
            lines[one.relative_to(root).as_posix()][line].add("")
    if onto is not None:
        took_s = {**onto.took_s, **took_s}
        for file, rows in onto.lines.items():
            for number, tests in rows.items():
                lines[file][number].update(tests)
    names = {name: at for at, name in enumerate(took_s)}
    numbered = {
        file: {
            line: sorted(names[one] for one in tests if one in names) + [-1] * ("" in tests)
            for line, tests in rows.items()
        }
        for file, rows in lines.items()
    }
    path.write_text(json.dumps({"digests": digests(root, ground), "tests": took_s, "lines": numbered}), "utf-8")
    for old in path.parent.glob(f"{part.name}*"):
        old.unlink()
    return load(path, ground)


def load(path: Path, ground: Ground = HOST) -> Cover:
    """What `record` has kept."""
    kept = json.loads(path.read_text("utf-8"))
    names = [*kept["tests"]]
    lines = {
        file: {int(line): frozenset(names[at] if at >= 0 else "" for at in tests) for line, tests in by_line.items()}
        for file, by_line in kept["lines"].items()
    }
    return Cover(kept["tests"], lines, kept["digests"], ground)


def surroundings(root: Path) -> dict[str, str]:
    """The environment for a pytest of its own: the tree itself is imported, whatever is installed, and options that
    were meant for the run around it stay there."""
    kept = {name: value for name, value in os.environ.items() if name != "PYTEST_ADDOPTS"}
    return {**kept, "PYTHONPATH": os.pathsep.join(one for one in (str(root), kept.get("PYTHONPATH", "")) if one)}
