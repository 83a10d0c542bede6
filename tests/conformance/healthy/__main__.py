"""Runs of the suite on healthy actuators, with fresh seeds: ``python -m tests.conformance.healthy --runs 50``.

A case that fails there is a false failure: of the suite, or of an actuator that is not as healthy as was thought. Every
run draws its own seed, for the cases and for the bus. The ways: `library` in this process and in virtual time, `port`
behind a pseudo-terminal in real time, `neighbours` with one to three other actuators on that line, `loaded` with twice
as many busy processes as the machine has cores. Verdicts are kept in `--state`, so that an interrupted run goes on.
Ends with 1 where a case failed, or a run broke off.
"""

from __future__ import annotations

import argparse
import json
import os
import random
import sys
import tempfile
import time
from collections.abc import Sequence
from concurrent.futures import ThreadPoolExecutor, as_completed
from pathlib import Path
from typing import Final

from tests.conformance.healthy.runs import DEVICES, WAYS, Library, Verdict, busy, one_run

ROOT: Final = Path(__file__).parents[3]
SEEDS: Final = 1_000_000_000


def main(arguments: Sequence[str] | None = None) -> int:
    """The command. Returns the exit code."""
    parser = argparse.ArgumentParser(prog="python -m tests.conformance.healthy", description=__doc__)
    parser.add_argument("--device", choices=DEVICES, nargs="+", default=[*DEVICES])
    parser.add_argument("--way", choices=WAYS, nargs="+", default=[*WAYS])
    parser.add_argument("--runs", type=int, default=50, help="of each device in each way (default: 50)")
    parser.add_argument("--jobs", type=int, default=2, help="how many at a time (default: 2)")
    parser.add_argument("--state", type=Path, default=ROOT / ".mutation" / "healthy.jsonl", help="keeps the verdicts")
    given = parser.parse_args(arguments)

    given.state.parent.mkdir(parents=True, exist_ok=True)
    before = [Verdict(**json.loads(line)) for line in _lines(given.state)]
    wanted = [(device, way) for way in given.way for device in given.device]
    kept = {one: [had for had in before if (had.device, had.way) == one][: given.runs] for one in wanted}
    verdicts = [had for one in wanted for had in kept[one]]
    draw = random.SystemRandom()
    todo = [(*one, draw.randrange(SEEDS)) for one in wanted for _ in range(given.runs - len(kept[one]))]
    begun = time.monotonic()
    with tempfile.TemporaryDirectory(prefix="healthy-") as place, given.state.open("a", encoding="utf-8") as state:
        libraries = Library(Path(place))
        for way in given.way:  # what loads the machine loads no other way
            here = [one for one in todo if one[1] == way]
            with (
                busy((os.cpu_count() or 1) * 2 if way == "loaded" and here else 0),
                ThreadPoolExecutor(given.jobs) as pool,
            ):
                running = [pool.submit(one_run, libraries, *one) for one in here]
                for done in as_completed(running):
                    verdict = done.result()
                    verdicts.append(verdict)
                    state.write(json.dumps(verdict.as_json()) + "\n")
                    state.flush()
                    sys.stderr.write(f"{time.monotonic() - begun:.0f} s  {verdict.text()}\n")
    sys.stdout.write(table(verdicts, wanted) + "\n")
    return 1 if any(not one.is_healthy for one in verdicts) else 0


def _lines(path: Path) -> list[str]:
    return path.read_text("utf-8").splitlines() if path.is_file() else []


def table(verdicts: Sequence[Verdict], wanted: Sequence[tuple[str, str]]) -> str:
    """How many runs of each device in each way, their cases, and what failed."""
    rows = [
        f"{'device':<14}{'way':<12}{'runs':>6}{'cases':>9}{'not checked':>13}{'false failures':>16}{'broke off':>11}"
    ]
    for device, way in wanted:
        here = [one for one in verdicts if (one.device, one.way) == (device, way)]
        rows.append(
            f"{device:<14}{way:<12}{len(here):>6}{sum(one.passed for one in here):>9}"
            f"{sum(one.not_checked for one in here):>13}{sum(len(one.failed) for one in here):>16}"
            f"{sum(not one.is_whole for one in here):>11}"
        )
    rows += [one.text() for one in verdicts if not one.is_healthy]
    return "\n".join(rows)


if __name__ == "__main__":
    sys.exit(main())
