"""Whether the suite finds what is wrong: ``python -m tests.conformance.mutants [NUMBER...] [--jobs N] [--whole]``.

Builds the reference firmware with each seeded fault, runs the suite against it in process, and prints which case
caught it, and which clause that case cites. Fails unless every fault is caught by a case of a right clause, and
nothing is wrong where none is seeded. Only the cases of the right clauses are run, up to the first that fails, and no
random conversation; with ``--whole`` every case is, and it is told how many failed.

With ``--machine`` the faults are slips that a machine makes, see `tests.conformance.machine.command`.
"""

from __future__ import annotations

import argparse
import subprocess
import sys
import tempfile
import time
import xml.etree.ElementTree as ElementTree
from collections.abc import Iterable, Sequence
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass
from pathlib import Path

from busproto.sim.native.device_build import compile_files
from tests.conformance.seeded import FAULTS, WEAVE_FLAGS, Fault, woven_texts

ROOT = Path(__file__).parents[2]
AS_IT_IS = Fault(0, "as it is shipped", "", "", "", ())


@dataclass(frozen=True, slots=True)
class Caught:
    """What the suite said of one fault.

    Attributes:
        failed: (case, clauses it cites) of every failed case.
        ran: cases that were run.
        took_s: seconds.
        said: the end of the output, where the run itself went wrong.
    """

    fault: Fault
    failed: tuple[tuple[str, tuple[str, ...]], ...]
    ran: int
    took_s: float
    said: str = ""

    @property
    def rightly(self) -> tuple[str, str] | None:
        """The first failed case that cites a right clause, and the clause."""
        for case, clauses in self.failed:
            for clause in clauses:
                if clause in self.fault.clauses:
                    return case, clause
        return None

    @property
    def is_right(self) -> bool:
        """Caught for the right reason; nothing failed where nothing is seeded."""
        return bool(self.ran) and (self.rightly is not None if self.fault.number else not self.failed)


def build(number: int, directory: Path) -> Path:
    """The firmware with one fault, as a shared library. Raises NoCompilerError, or LookupError: see `seeded`."""
    place = directory / f"mutant-{number}"
    place.mkdir()
    return compile_files(woven_texts(), place / "mutant.so", flags=(*WEAVE_FLAGS, f"-DBP_MUTANT={number}"))


def examine(fault: Fault, directory: Path, *, whole: bool = False) -> Caught:
    """Build one and run the suite against it, in a process of its own."""
    library = build(fault.number, directory)
    result = library.parent / "result.xml"
    begun = time.monotonic()
    command = [sys.executable, "-m", "pytest", "-p", "busproto.conformance.plugin", "-p", "no:cacheprovider"]
    command += ["--dut", str(library), "-q", "--tb=line", "--dut-soak", "60", f"--junitxml={result}"]
    if fault.number and not whole:
        # a random conversation may fail first, and cites what the difference touches: it is for faults without a case
        command += ["-x", "-k", "not test_a_conversation", *(f"--dut-clause={clause}" for clause in fault.clauses)]
    done = subprocess.run(command, capture_output=True, text=True, cwd=ROOT, check=False, timeout=600)
    took_s = time.monotonic() - begun
    if not result.is_file():
        return Caught(fault, (), 0, took_s, (done.stdout + done.stderr)[-1500:])
    failed, ran = [], 0
    for case in ElementTree.parse(result).iter("testcase"):
        ran += case.find("skipped") is None
        if case.find("failure") is not None or case.find("error") is not None:
            cited = tuple(one.get("value", "") for one in case.iter("property") if one.get("name") == "clause")
            failed.append((case.get("name", ""), cited))
    return Caught(fault, tuple(failed), ran, took_s)


def examine_all(faults: Iterable[Fault], jobs: int, *, whole: bool = False) -> list[Caught]:
    """As `examine`, several at a time; each is printed as it comes."""
    found = []
    with tempfile.TemporaryDirectory(prefix="busproto-mutants-") as directory, ThreadPoolExecutor(jobs) as pool:
        for caught in pool.map(lambda fault: examine(fault, Path(directory), whole=whole), faults):
            found.append(caught)
            say(line_of(caught))
    return found


def say(line: str) -> None:
    """A line for whoever waits."""
    sys.stdout.write(line + "\n")
    sys.stdout.flush()


def line_of(caught: Caught) -> str:
    """One row of the table."""
    fault, right = caught.fault, caught.rightly
    sign = " " if caught.is_right else "!"
    if right is not None:
        how = f"{right[0]} [{right[1]}]" + (f" and {len(caught.failed) - 1} more" if len(caught.failed) > 1 else "")
    elif caught.failed:
        how = f"{len(caught.failed)} failed: {', '.join(case for case, _ in caught.failed[:4])}"
    else:
        how = "nothing failed" if caught.ran else f"no run: {caught.said}"
    return f"{sign} {fault.number:2d}  {fault.what:<66.66}  {how}  ({caught.took_s:.0f} s)"


def main(arguments: Sequence[str] | None = None) -> int:
    """See the module. Returns the exit code."""
    if "--machine" in (sys.argv[1:] if arguments is None else arguments):
        from tests.conformance.machine import command  # needs a parser of C, which the others do not

        return command.main(arguments)
    parser = argparse.ArgumentParser(prog="python -m tests.conformance.mutants", description=__doc__)
    parser.add_argument("number", nargs="*", type=int, help="only these (default: all)")
    parser.add_argument("--jobs", type=int, default=2, help="how many at a time (default: 2)")
    parser.add_argument("--whole", action="store_true", help="run every case against every fault")
    given = parser.parse_args(arguments)
    chosen = [fault for fault in (AS_IT_IS, *FAULTS) if not given.number or fault.number in given.number]
    found = examine_all(chosen, given.jobs, whole=given.whole)
    wrong = [caught for caught in found if not caught.is_right]
    seeded = [caught for caught in found if caught.fault.number]
    say(f"\n{len(seeded)} faults, {sum(one.is_right for one in seeded)} caught by a case of a right clause")
    for caught in wrong:
        say(f"not right: {caught.fault.number} {caught.fault.what} (wanted: {', '.join(caught.fault.clauses)})")
    return 1 if wrong else 0


if __name__ == "__main__":
    sys.exit(main())
