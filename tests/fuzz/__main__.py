"""Fuzzing with coverage as the guide: ``python -m tests.fuzz [codec|reference|decoder|all] --seconds 600 [--jobs N]``.

Three targets; each reads an input as a list of actions, so that frames with right check bytes come often:

* **codec**: the generated C. Its receiver byte by byte, every frame and refusal held against a slow reading of the
  format page (`targets/oracle.h`), messages and parameters there and back.
* **reference**: the reference firmware in a world of its own (`targets/world.h`), judged by the page
  (`targets/judge.h`, `conduct.h`): it never speaks unasked or outside its window, stored settings are old or new and
  never mixed, limp where limp is due.
* **decoder**: the Python decoder (atheris): whole, byte by byte and in any portions, against construct, and as
  a capture file (`decoder_checks.py`).

The C runs with address and undefined-behaviour sanitizers. Seeds are made from the shipped captures. With ``--in DIR``
what was reached is kept there and the next run goes on from it; else in a folder that is removed, unless something was
found. A finding is made small; once it is mended, its file goes to ``regressions/TARGET/``, where the tests replay it.

``--replay FILE`` runs one input. Exit code 0: nothing found; 1: a finding; 2: a tool is missing, or wrong usage.
"""

from __future__ import annotations

import argparse
import shutil
import sys
import tempfile
import time
from collections.abc import Sequence
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path

from tests.fuzz.needs import MissingToolError
from tests.fuzz.runs import TARGETS, Prepared, Ran, minimise, prepare, regressions_of, replay, run

FOUND, MISSING = 1, 2


def say(line: str) -> None:
    """A line for whoever waits."""
    sys.stdout.write(line + "\n")
    sys.stdout.flush()


def table_of(rows: Sequence[Ran]) -> list[str]:
    """One row for each target."""
    lines = [f"{'target':<10} {'executions':>12} {'exec/s':>8} {'edges':>13} {'features':>15} {'findings':>8}"]
    for ran in rows:
        edges, features = (f"{first} -> {last}" for first, last in zip(ran.begun, ran.reached, strict=True))
        lines.append(
            f"{ran.name:<10} {ran.executions:>12,} {ran.per_second:>8,.0f} {edges:>13} {features:>15}"
            f" {len(ran.findings):>8}"
        )
    return lines


def _fuzz(name: str, place: Path, given: argparse.Namespace, jobs: int) -> tuple[Prepared, Ran]:
    say(f"{name}: building")
    prepared = prepare(name, place)
    old = regressions_of(name)
    if old:
        again = replay(prepared, old)
        if again.findings:
            say(f"{name}: an old finding is back: {again.what}")
            return prepared, again
    say(f"{name}: running, {jobs} at a time" if jobs > 1 else f"{name}: running")
    begun = time.monotonic()
    seconds = given.seconds if given.runs is None else None
    ran = run(prepared, seconds=seconds, runs=given.runs, seed=given.seed, jobs=jobs)
    say(f"{name}: {ran.executions:,} inputs in {time.monotonic() - begun:.0f} s; {ran.what or 'nothing found'}")
    return prepared, ran


def _tell(prepared: Prepared, ran: Ran) -> None:
    for finding in ran.findings:
        small = finding if finding.parent.parent.name == "regressions" else minimise(prepared, finding)
        again = replay(prepared, [small])
        say(f"\nFINDING in {ran.name}: {again.what or ran.what}")
        say(f"  input: {small} ({small.stat().st_size} bytes)")
        say(f"  again: python -m tests.fuzz {ran.name} --replay {small}")


def main(arguments: Sequence[str] | None = None) -> int:
    """See the module. Returns the exit code."""
    parser = argparse.ArgumentParser(
        prog="python -m tests.fuzz", description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter
    )
    parser.add_argument("target", nargs="?", default="all", choices=[*TARGETS, "all"], help="default: all")
    parser.add_argument("--seconds", type=int, default=60, help="of each target (default: 60)")
    parser.add_argument("--runs", type=int, help="number of inputs instead of a time")
    parser.add_argument("--jobs", type=int, default=1, help="processes at a time (default: 1)")
    parser.add_argument("--seed", type=int, default=1, help="of the fuzzer's own draws (default: 1)")
    parser.add_argument("--in", dest="place", type=Path, help="folder to build in and to keep what was reached")
    parser.add_argument("--replay", type=Path, help="run this one input")
    given = parser.parse_args(arguments)
    if given.replay is not None and (given.target == "all" or not given.replay.is_file()):
        parser.error("--replay needs one target and a file that is there")
    if min(given.seconds, given.jobs, 1 if given.runs is None else given.runs) < 1:
        parser.error("--seconds, --runs and --jobs are at least 1")
    names = TARGETS if given.target == "all" else (given.target,)
    place = given.place or Path(tempfile.mkdtemp(prefix="busproto-fuzz-"))
    keep = given.place is not None
    try:
        if given.replay is not None:
            again = replay(prepare(given.target, place), [given.replay.resolve()])
            say(again.text if again.findings else f"nothing wrong with {given.replay}")
            return FOUND if again.findings else 0
        each = max(1, given.jobs // len(names))
        with ThreadPoolExecutor(given.jobs) as pool:
            came = list(pool.map(lambda name: _fuzz(name, place, given, each), names))
        found = any(ran.findings for _, ran in came)
        keep = keep or found
        for prepared, ran in came:
            _tell(prepared, ran)
        say("")
        for line in table_of([ran for _, ran in came]):
            say(line)
        return FOUND if found else 0
    except MissingToolError as error:
        sys.stderr.write(f"{error}\n")
        return MISSING
    finally:
        if not keep:
            shutil.rmtree(place, ignore_errors=True)


if __name__ == "__main__":
    sys.exit(main())
