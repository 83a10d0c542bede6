"""The runs before: one line of JSON each, in a file beside the report, so that the report shows what has changed."""

from __future__ import annotations

import hashlib
from collections.abc import Mapping, Sequence
from dataclasses import asdict, dataclass, field
from pathlib import Path
from typing import Final

import msgspec

from busproto.atomic_files import require_own, write_whole
from busproto.errors import FileError
from busproto.reading import read_bytes, read_text

ENDING: Final = ".runs.jsonl"
MARK: Final = '{"conformance-run":1'
MOST_KEPT: Final = 200
MAX_BYTES: Final = 16 << 20
MAX_LIBRARY_BYTES: Final = 256 << 20


@dataclass(frozen=True, slots=True)
class Run:
    """One run of the suite.

    Attributes:
        at: local date and time, ISO 8601.
        target: as given to `--dut`.
        version: of busproto.
        seed: of what was drawn.
        firmware: the first digits of the library's SHA-256; "" where the target is no file.
        is_whole: all clauses were run.
        verdicts: by clause: "passed", "failed" or "not checked".
    """

    at: str
    target: str
    version: str
    seed: int
    firmware: str = ""
    is_whole: bool = True
    verdicts: Mapping[str, str] = field(default_factory=dict)


@dataclass(frozen=True, slots=True)
class Since:
    """What differs from the run before: clauses that failed not then and do now, and the reverse."""

    before: Run
    regressed: tuple[str, ...]
    mended: tuple[str, ...]


def digest_of_file(path: Path) -> str:
    """The first digits of the SHA-256 of a library; "" where the target is no file."""
    return hashlib.sha256(read_bytes(path, MAX_LIBRARY_BYTES)).hexdigest()[:12] if path.is_file() else ""


def beside(report: Path) -> Path:
    """Where the runs of a report are kept."""
    return report.with_name(report.name.removesuffix(".html") + ENDING)


def read_runs(path: Path) -> list[Run]:
    """The runs kept in a file, the oldest first; none without a file. Raises FileError: it is not such a file."""
    if not path.exists():
        return []
    found = []
    for number, line in enumerate(read_text(path, MAX_BYTES).splitlines(), 1):
        try:
            found.append(msgspec.json.decode(line, type=_Line, strict=True).run)
        except msgspec.MsgspecError as error:
            raise FileError(str(path), [f"line {number}: no run of the conformance suite ({error})"]) from error
    return found


class _Line(msgspec.Struct, forbid_unknown_fields=True):
    version: int = msgspec.field(name="conformance-run")
    run: Run


def keep_run(path: Path, before: Sequence[Run], run: Run) -> None:
    """Write the runs with one more. Raises InputError: another program's file is there, or it cannot be written."""
    require_own(path, MARK, "a file of conformance runs")
    lines = [
        msgspec.json.encode({"conformance-run": 1, "run": asdict(one)}).decode() for one in (*before, run)[-MOST_KEPT:]
    ]
    write_whole(path, "\n".join(lines) + "\n")


def since(before: Sequence[Run], now: Run) -> Since | None:
    """Against the last run of the same target; None where there is none."""
    last = next((one for one in reversed(before) if one.target == now.target), None)
    if last is None:
        return None
    both = [
        (clause, last.verdicts[clause], verdict) for clause, verdict in now.verdicts.items() if clause in last.verdicts
    ]
    return Since(
        last,
        tuple(clause for clause, then, verdict in both if verdict == "failed" != then),
        tuple(clause for clause, then, verdict in both if then == "failed" and verdict == "passed"),
    )
