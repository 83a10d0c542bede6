"""How long the command line takes to start, against a Python that does nothing."""

from __future__ import annotations

import subprocess
import sys
from functools import partial
from time import perf_counter
from typing import Final

from tests.bench.timing import best_seconds

_COMMANDS: Final = {
    "python -c pass": (sys.executable, "-c", "pass"),
    "python -m busproto --version": (sys.executable, "-m", "busproto", "--version"),
}


def run(rounds: int) -> None:
    """Print milliseconds of each, and their ratio."""
    calls = {
        name: partial(subprocess.run, command, check=True, stdout=subprocess.DEVNULL)
        for name, command in _COMMANDS.items()
    }
    best = best_seconds(calls, rounds=rounds, slice_s=0.0, clock=perf_counter)
    base = best["python -c pass"]
    print(f"start-up, best of {rounds} interleaved rounds")
    print(f"{'':32}{'ms':>8}{'x pass':>8}")
    for name, seconds in best.items():
        print(f"  {name:30}{seconds * 1e3:8.1f}{seconds / base:8.2f}")
