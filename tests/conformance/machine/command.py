"""``python -m tests.conformance.mutants --machine``: slips drawn by machine, and whether the suite notices them.

Each mutant is one slip in one place of the firmware's C, drawn evenly over the places by `--seed`; without it a new one
is drawn, and printed. A tenth of them (`--codec`) is drawn from the generated codec, as far as an actuator runs it. One
that does not compile is not counted; one whose object code is that of the firmware is equivalent. The suite is run
against the others in process, up to the first case that fails; a hang and a crash are noticed too. With a survivor
conversations of `--steps` are held, beside the actuator in Python. Whoever finds that
a survivor breaks no rule writes the reason into `survivors.toml`; those are told apart, and shares are printed with and
without them. `--state` keeps the verdicts, so that an interrupted run goes on. Ends with 1 where the share without
those argued away is below `--least`, or the lower end of its interval below `--least-low`.
"""

from __future__ import annotations

import argparse
import random
import sys
import time
from collections.abc import Sequence
from pathlib import Path
from typing import Final

from tests.conformance.machine import faults, judge, report
from tests.mutation.draw import keep, kept, key
from tests.mutation.report import known

ROOT: Final = Path(__file__).parents[3]
SEEDS: Final = 1_000_000


def main(arguments: Sequence[str] | None = None) -> int:
    """The command. Returns the exit code."""
    parser = argparse.ArgumentParser(prog="python -m tests.conformance.mutants --machine", description=__doc__)
    parser.add_argument("--machine", action="store_true", required=True, help=argparse.SUPPRESS)
    parser.add_argument("--count", type=int, default=60, help="how many mutants (default: 60)")
    parser.add_argument("--seed", type=int, help="of the draw (default: a new one)")
    parser.add_argument("--codec", type=float, default=faults.CODEC_SHARE, help="share of the generated codec")
    parser.add_argument("--jobs", type=int, default=2, help="how many at a time (default: 2)")
    parser.add_argument("--steps", type=int, default=20_000, help="of each conversation with a survivor")
    parser.add_argument("--least", type=float, default=0.0, help="share that must be caught")
    parser.add_argument("--least-low", type=float, default=0.0, help="lower end of its interval, at least")
    parser.add_argument("--again", action="store_true", help="judge those that survived before once more")
    parser.add_argument("--state", type=Path, default=ROOT / ".mutation" / "machine.jsonl", help="keeps the verdicts")
    given = parser.parse_args(arguments)

    seed = random.SystemRandom().randrange(SEEDS) if given.seed is None else given.seed
    sys.stdout.write(f"seed {seed}\n")
    sys.stdout.flush()
    texts = faults.Texts.of_the_firmware()
    mutants = faults.sampled(texts, given.count, seed, given.codec)
    before = kept(given.state, judge.Verdict.kept)
    done = {name: one for name, one in before.items() if one.outcome != judge.SURVIVED or not given.again}
    verdicts = [done[key(one)] for one in mutants if key(one) in done]
    todo = [one for one in mutants if key(one) not in done]
    if todo:
        usual = judge.Usual.measured(texts)
        usual.told.update(one.by for one in before.values() if one.is_killed)
        given.state.parent.mkdir(parents=True, exist_ok=True)
        begun = time.monotonic()
        with given.state.open("a", encoding="utf-8") as state:
            running = judge.judged(texts, todo, usual, jobs=given.jobs, steps=given.steps, seed=seed)
            for number, (mutant, verdict) in enumerate(running, 1):
                verdicts.append(verdict)
                keep(state, mutant, verdict)
                passed_s = time.monotonic() - begun
                sys.stderr.write(f"{number}/{len(todo)} {passed_s:.0f} s  {verdict.outcome}: {verdict.name}\n")
    reasons = known(report.KNOWN_FILE)
    _, share = report.shares(verdicts, reasons)
    sys.stdout.write(f"{report.text(verdicts, reasons)}\n(seed {seed})\n")
    return 0 if share.share >= given.least and share.low >= given.least_low else 1
