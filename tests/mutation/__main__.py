"""Random small slips in the host's heart, and whether the tests notice: ``python -m tests.mutation --mutants 150``.

Each mutant is one slip in one line of `busproto/ops`, `plan`, `session` or `rig`, or with `--rooms sim` of the
simulator's actuator, drawn evenly over the lines by `--seed`. It is put into a copy of the tree, never into the tree
itself, and the tests that run its line are run, the quickest first, up to the first that fails. Which tests those are
is found once, by running them all with coverage.py (`--map` keeps it; `--record` makes it anew, which is needed where
the code has changed; `--add` does so for new tests alone). `--state` keeps the verdicts, so that an interrupted run
goes on where it ended. Ends with 1 where fewer than `--least` are killed.
"""

from __future__ import annotations

import argparse
import sys
import time
from collections.abc import Sequence
from pathlib import Path
from typing import Final

from tests.mutation import cover, judge, report
from tests.mutation.draw import keep, kept, key
from tests.mutation.grounds import GROUNDS, HOST

ROOT: Final = Path(__file__).parents[2]


def main(arguments: Sequence[str] | None = None) -> int:
    """The command."""
    parser = argparse.ArgumentParser(prog="python -m tests.mutation", description=__doc__)
    parser.add_argument("--rooms", choices=[*GROUNDS], default="host", help="whose lines (default: the host's)")
    parser.add_argument("--mutants", type=int, default=150)
    parser.add_argument("--seed", type=int, default=0)
    parser.add_argument("--jobs", type=int, default=2)
    parser.add_argument("--least", type=float, default=0.9, help="share that must be killed (default: 0.9)")
    parser.add_argument("--only", nargs="+", metavar="PATH", default=[""], help="mutants of these files or folders")
    parser.add_argument("--record", action="store_true", help="find anew which tests run which line")
    parser.add_argument("--add", nargs="+", metavar="TESTS", help="find it of these tests alone, and add it")
    parser.add_argument("--again", action="store_true", help="judge those that survived before once more")
    parser.add_argument("--map", type=Path, help="(default: a file for each of the rooms)")
    parser.add_argument("--state", type=Path, default=ROOT / ".mutation" / "verdicts.jsonl")
    given = parser.parse_args(arguments)

    ground = GROUNDS[given.rooms]
    at = given.map or ROOT / ".mutation" / ("cover.json" if ground is HOST else f"cover-{given.rooms}.json")
    if given.add:
        before = cover.load(at, ground) if at.exists() else None
        known = cover.record(ROOT, at, given.jobs, given.add, onto=before, ground=ground)
    elif given.record or not at.exists():
        known = cover.record(ROOT, at, given.jobs, ground=ground)
    else:
        known = cover.load(at, ground)
    changed = known.is_of(ROOT)
    if changed:
        sys.stdout.write(f"changed since it was recorded which tests run them: {', '.join(changed)}; --record does\n")
        return 2
    tasks = judge.sampled(ROOT, given.mutants, given.seed, given.only, ground)
    done = {name: one for name, one in kept(given.state, judge.Verdict).items() if one.is_killed or not given.again}
    verdicts = [done[key(task.mutant)] for task in tasks if key(task.mutant) in done]
    todo = {task.mutant.name: task for task in tasks if key(task.mutant) not in done}
    given.state.parent.mkdir(parents=True, exist_ok=True)
    begun = time.monotonic()
    with given.state.open("a", encoding="utf-8") as state:
        for number, verdict in enumerate(judge.judged(ROOT, list(todo.values()), known, given.jobs), 1):
            verdicts.append(verdict)
            keep(state, todo[verdict.name].mutant, verdict)
            passed_s = time.monotonic() - begun
            sys.stderr.write(f"{number}/{len(todo)} {passed_s:.0f} s  {verdict.outcome}: {verdict.name}\n")
    said, share = report.text(verdicts, report.known(report.KNOWN_FILE.with_name(ground.survivors)))
    sys.stdout.write(f"seed {given.seed}\n{said}\n")
    return 0 if share >= given.least else 1


if __name__ == "__main__":
    sys.exit(main())
