"""Runs of the plug-in in a process of their own, and what came of them."""

from __future__ import annotations

import contextlib
import json
import signal
import subprocess
import sys
import xml.etree.ElementTree as ElementTree
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path

ROOT = Path(__file__).parents[2]


@dataclass(frozen=True, slots=True)
class Ran:
    """One run.

    Attributes:
        code: exit code.
        text: all that was printed.
        verdicts: (verdict, clauses) by the name of the case.
    """

    code: int
    text: str
    verdicts: dict[str, tuple[str, tuple[str, ...]]]

    def named(self, verdict: str) -> set[str]:
        """Names of the cases that came to that."""
        return {name for name, (came, _) in self.verdicts.items() if came == verdict}

    def clauses(self, *verdicts: str) -> set[str]:
        """Clauses of the cases that came to one of those."""
        return {one for came, cited in self.verdicts.values() if came in verdicts for one in cited}


@dataclass(frozen=True, slots=True)
class Behind:
    """Where a bus is that runs in a process of its own, in real time: its pseudo-terminal and its side channel."""

    port: str
    side: str


@contextlib.contextmanager
def bus_behind(scenario: Path, *options: str) -> Iterator[Behind]:
    """Run a scenario behind a pseudo-terminal, in a process of its own."""
    command = [sys.executable, "-m", "busproto", "bus", "run", str(scenario), "--pty", "--side", "127.0.0.1:0"]
    with subprocess.Popen([*command, *options, "--json"], stdout=subprocess.PIPE, text=True, cwd=ROOT) as process:
        try:
            assert process.stdout is not None
            told = json.loads(process.stdout.readline())
            yield Behind(told["port"], told["side"])
        finally:
            process.send_signal(signal.SIGTERM)


def run(directory: Path, *arguments: str, timeout_s: float = 900) -> Ran:
    """Run pytest with the plug-in; the same is drawn each time unless a seed is given."""
    if not any(one.startswith("--dut-seed") for one in arguments):
        arguments = (*arguments, "--dut-seed=11")
    result = directory / "result.xml"
    command = [sys.executable, "-m", "pytest", "-p", "busproto.conformance.plugin", "-p", "no:cacheprovider", "-q"]
    done = subprocess.run(
        [*command, f"--junitxml={result}", *arguments],
        capture_output=True,
        text=True,
        cwd=ROOT,
        check=False,
        timeout=timeout_s,
    )
    verdicts = {}
    if result.is_file():
        for case in ElementTree.parse(result).iter("testcase"):
            cited = tuple(one.get("value", "") for one in case.iter("property") if one.get("name") == "clause")
            verdict = "passed"
            if case.find("failure") is not None or case.find("error") is not None:
                verdict = "failed"
            elif case.find("skipped") is not None:
                verdict = "not checked"
            verdicts[case.get("name", "")] = (verdict, cited)
    return Ran(done.returncode, done.stdout + done.stderr, verdicts)
