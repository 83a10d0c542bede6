"""A run of one target: processes, what they print, what they find, and a finding made small."""

from __future__ import annotations

import os
import re
import shutil
import subprocess
import sys
import tempfile
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Final

from tests.fuzz.build import HERE, SANITIZERS, build
from tests.fuzz.needs import find_atheris
from tests.fuzz.seeds import write_seeds

TARGETS: Final = ("codec", "reference", "decoder")
ROOT: Final = HERE.parents[1]
REGRESSIONS: Final = HERE / "regressions"
LONGEST_BYTES: Final[dict[str, int]] = {"codec": 1024, "reference": 512, "decoder": 1024}
"""Of an input: long enough for a story, short enough to be tried often."""
MINIMISE_S: Final = 30
_SLOWEST_S: Final = 25
_PROGRESS: Final = re.compile(r"cov: (\d+) ft: (\d+)")
_FIRST: Final = re.compile(r"INITED cov: (\d+) ft: (\d+)")
_UNITS: Final = re.compile(r"stat::number_of_executed_units: (\d+)")
_WHAT: Final = re.compile(
    r"finding: .*|runtime error: .*|ERROR: AddressSanitizer: \S+|^(?:  === )?\w*(?:Error|Exception): .*", re.M
)


@dataclass(frozen=True, slots=True)
class Prepared:
    """A target that can be run.

    Attributes:
        name: of the target.
        command: what runs it.
        place: folder for what it keeps: seeds, corpus, findings.
    """

    name: str
    command: tuple[str, ...]
    place: Path


@dataclass(frozen=True, slots=True)
class Ran:
    """What one process, or all of one target, came to.

    Attributes:
        executions: inputs tried.
        took_s: of the longest process.
        begun: (edges, features) reached by the seeds alone.
        reached: (edges, features) at the end.
        findings: inputs that broke something.
        text: what was printed.
    """

    name: str
    executions: int
    took_s: float
    begun: tuple[int, int]
    reached: tuple[int, int]
    findings: tuple[Path, ...]
    text: str

    @property
    def per_second(self) -> float:
        """Inputs tried in a second, all processes together."""
        return self.executions / max(self.took_s, 0.001)

    @property
    def what(self) -> str:
        """The finding in its own words, "" for none."""
        found = _WHAT.search(self.text)
        return found[0] if found else ""


def prepare(name: str, place: Path, *, flags: Sequence[str] = SANITIZERS) -> Prepared:
    """Build what a target needs, and write its seeds.

    Raises:
        MissingToolError: a tool is not there.
    """
    own = place / name
    for folder in ("seeds", "corpus", "findings"):
        (own / folder).mkdir(parents=True, exist_ok=True)
    if name == "decoder":
        find_atheris()
        command: tuple[str, ...] = (sys.executable, "-m", "tests.fuzz.decoder_target")
    else:
        command = (str(build(name, own / "built", flags=flags)),)
    write_seeds(name, own / "seeds")
    return Prepared(name, command, own)


def _environment() -> dict[str, str]:
    # nothing here is allocated but by the targets themselves, and a leak search needs rights that containers lack
    return {**os.environ, "ASAN_OPTIONS": "detect_leaks=0", "PYTHONHASHSEED": "0"}


def regressions_of(name: str) -> list[Path]:
    """Inputs that once broke something."""
    folder = REGRESSIONS / name
    return sorted(path for path in folder.iterdir() if path.is_file()) if folder.is_dir() else []


def replay(prepared: Prepared, inputs: Sequence[Path]) -> Ran:
    """Give it these inputs, one after the other, and nothing else."""
    extra = ("--whole",) if prepared.name == "decoder" else ()
    done = _execute((*prepared.command, *extra, *map(str, inputs)), None)
    return Ran(prepared.name, len(inputs), 0, (0, 0), (0, 0), tuple(inputs) if done.returncode else (), done.stdout)


def run(
    prepared: Prepared,
    *,
    seconds: int | None = None,
    runs: int | None = None,
    seed: int = 1,
    jobs: int = 1,
    folders: Sequence[Path] = (),
    options: Sequence[str] = (),
) -> Ran:
    """Run a target for a time, or for a number of inputs; several processes share one corpus."""
    findings = prepared.place / "findings"
    with tempfile.TemporaryDirectory(prefix="busproto-fuzz-") as place:
        started = []
        for number in range(jobs):
            command = [*prepared.command, *options, f"-seed={seed + number}", "-print_final_stats=1"]
            command += [f"-max_len={LONGEST_BYTES[prepared.name]}", f"-timeout={_SLOWEST_S}", "-reload=1"]
            command += [f"-artifact_prefix={findings}/"]
            command += [f"-max_total_time={seconds}"] if seconds is not None else []
            command += [f"-runs={runs}"] if runs is not None else []
            command += [str(prepared.place / "corpus"), str(prepared.place / "seeds"), *map(str, folders)]
            log = Path(place) / f"{number}.log"
            with log.open("w") as out:
                process = subprocess.Popen(
                    command, stdout=out, stderr=subprocess.STDOUT, env=_environment(), cwd=ROOT, start_new_session=True
                )
            started.append((process, log))
        try:
            codes = [process.wait() for process, _ in started]
        finally:
            for process, _ in started:
                if process.poll() is None:
                    process.terminate()
                    process.wait()
        texts = [log.read_text("utf-8", "replace") for _, log in started]
    found = tuple(sorted(path for path in findings.iterdir() if not path.name.startswith(("small-", "slow-unit"))))
    text = "\n".join(text for text, code in zip(texts, codes, strict=True) if code) or texts[0]
    if any(codes) and not found:
        raise RuntimeError(f"the {prepared.name} target did not run:\n{text[-2000:]}")
    reached = [_last(_PROGRESS, text) for text in texts]
    return Ran(
        prepared.name,
        sum(int(one[1]) for one in map(_UNITS.search, texts) if one),
        max(_took_s(text) for text in texts),
        max(_last(_FIRST, text) for text in texts),
        max(reached),
        found,
        text,
    )


def _last(pattern: re.Pattern[str], text: str) -> tuple[int, int]:
    found = pattern.findall(text)
    return (int(found[-1][0]), int(found[-1][1])) if found else (0, 0)


def _took_s(text: str) -> float:
    rate = re.search(r"stat::average_exec_per_sec: +(\d+)", text)
    done = re.search(r"Done \d+ runs in (\d+) second", text)
    units = _UNITS.search(text)
    if done and int(done[1]):
        return float(done[1])
    return int(units[1]) / int(rate[1]) if units and rate and int(rate[1]) else 1.0


def _execute(command: Sequence[str], timeout_s: float | None) -> subprocess.CompletedProcess[str]:
    return subprocess.run(
        command,
        stdout=subprocess.PIPE,
        stderr=subprocess.STDOUT,
        text=True,
        errors="replace",
        env=_environment(),
        cwd=ROOT,
        timeout=timeout_s,
        check=False,
    )


def minimise(prepared: Prepared, finding: Path, *, seconds: int = MINIMISE_S) -> Path:
    """A finding made small; the file stands beside it. The finding itself where it does not happen again."""
    small = finding.with_name(f"small-{finding.name}")
    if prepared.name == "decoder":
        small.write_bytes(_shrunk(finding.read_bytes(), _breaks_the_decoder(small)))
        return small
    command = [*prepared.command, "-minimize_crash=1", f"-max_total_time={seconds}"]
    _execute([*command, f"-exact_artifact_path={small}", str(finding)], 4 * seconds + 60)
    if not small.is_file():
        shutil.copy(finding, small)
    return small


def _breaks_the_decoder(scratch: Path) -> Callable[[bytes], bool]:
    from tests.fuzz.decoder_checks import check

    def breaks(data: bytes) -> bool:
        try:
            check(data, scratch, many=True)
        except Exception:
            return True
        return False

    return breaks


def _shrunk(data: bytes, breaks: Callable[[bytes], bool]) -> bytes:
    """Leave out what can be left out, long parts first."""
    size = len(data)
    while size and breaks(data):
        at = 0
        while at < len(data):
            shorter = data[:at] + data[at + size :]
            if breaks(shorter):
                data = shorter
            else:
                at += size
        size //= 2
    return data
