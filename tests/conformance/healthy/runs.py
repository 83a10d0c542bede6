"""One run of the suite on a healthy actuator: what is put behind the port, and what came of it."""

from __future__ import annotations

import contextlib
import dataclasses
import json
import random
import subprocess
import sys
import tempfile
import threading
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import Any, Final

from busproto.conformance.targets import PYTHON, REFERENCE
from tests.conformance.helpers import Ran, bus_behind, run
from tests.independent.device import built

INDEPENDENT: Final = "independent"
DEVICES: Final = (PYTHON, REFERENCE, INDEPENDENT)
WAYS: Final = ("library", "port", "neighbours", "loaded")
UID: Final = "d17e00c3005a8101"
MOST_NEIGHBOURS: Final = 3
LONGEST_S: Final = 3600.0
BUSY: Final = "while True: pass"


@dataclass(frozen=True, slots=True)
class Verdict:
    """What came of one run.

    Attributes:
        seed: of the cases and of the bus.
        code: exit code of pytest.
        failed: names of the cases that failed.
        passed, not_checked: how many cases.
    """

    device: str
    way: str
    seed: int
    code: int
    failed: list[str]
    passed: int
    not_checked: int
    said: str = ""

    @property
    def is_whole(self) -> bool:
        """Whether the run came to its end: pytest ends with 0, or with 1 where a case failed."""
        return self.code in {0, 1} and self.passed > 0

    @property
    def is_healthy(self) -> bool:
        """Whether every case that was run passed."""
        return self.code == 0 and self.is_whole and not self.failed

    def as_json(self) -> dict[str, Any]:
        """For the file of verdicts."""
        return dataclasses.asdict(self)

    def text(self) -> str:
        """In a line, with what repeats it."""
        told = f"{self.device}, {self.way}, --dut-seed={self.seed}: {self.passed} passed"
        if self.is_healthy:
            return told
        return f"{told}, exit code {self.code}, failed: {', '.join(self.failed) or self.said or 'none'}"


class Library:
    """The library of each device, compiled once."""

    def __init__(self, place: Path) -> None:
        self._place = place
        self._lock = threading.Lock()
        self._independent: Path | None = None

    def of(self, device: str) -> str:
        """As `--dut` and a scenario take it."""
        if device != INDEPENDENT:
            return device
        with self._lock:
            if self._independent is None:
                self._independent = built(self._place)
            return str(self._independent)


def scenario_of(device: str, seed: int, *, with_neighbours: bool) -> str:
    """A scenario with the actuator under test, and with others in the simulator that the seed draws."""
    drawn = random.Random(seed)
    lines = [
        'title = "healthy"',
        '[model."under test"]',
        "[[actuator]]",
        'label = "under test"',
        'model = "under test"',
    ]
    lines += [f'uid = "{UID}"']
    if device != PYTHON:
        lines += [f"device = {json.dumps(device)}"]
    if with_neighbours:
        free = [one for one in range(1, 240) if one != 5]
        for number in range(drawn.randrange(1, MOST_NEIGHBOURS + 1)):
            uid = drawn.randbytes(8).hex()
            lines += ["[[actuator]]", f'label = "other {number}"', 'model = "under test"', f'uid = "{uid}"']
            if drawn.random() < 0.75:
                lines += [f"address = {drawn.choice(free)}"]
    return "\n".join(lines) + "\n"


def one_run(libraries: Library, device: str, way: str, seed: int) -> Verdict:
    """One run of the whole suite."""
    target = libraries.of(device)
    with tempfile.TemporaryDirectory(prefix="healthy-run-") as name:
        place = Path(name)
        if way == "library":
            return judged(device, way, seed, run(place, f"--dut={target}", f"--dut-seed={seed}", timeout_s=LONGEST_S))
        scenario = place / "healthy.toml"
        scenario.write_text(scenario_of(target, seed, with_neighbours=way == "neighbours"), "utf-8")
        with bus_behind(scenario, "--native-code", f"--seed={seed}") as there:
            asked = [
                f"--dut={there.port}",
                f"--dut-side={there.side}",
                "--all-clear",
                f"--dut-uid={UID}",
                f"--dut-seed={seed}",
            ]
            return judged(device, way, seed, run(place, *asked, timeout_s=LONGEST_S))


def judged(device: str, way: str, seed: int, ran: Ran) -> Verdict:
    """The verdict of a run that has ended."""
    failed = sorted(ran.named("failed"))
    said = "" if ran.verdicts else ran.text.strip().rpartition("\n")[2]
    passed, not_checked = len(ran.named("passed")), len(ran.named("not checked"))
    return Verdict(device, way, seed, ran.code, failed, passed, not_checked, said)


@contextlib.contextmanager
def busy(processes: int) -> Iterator[None]:
    """Within the block so many processes do nothing but take the machine's time."""
    running = [subprocess.Popen([sys.executable, "-c", BUSY]) for _ in range(processes)]
    try:
        yield
    finally:
        for one in running:
            one.kill()
            one.wait()
