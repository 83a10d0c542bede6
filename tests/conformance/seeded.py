"""Faults seeded into the reference firmware, one for each compile-time number: ``-DBP_MUTANT=n``.

The firmware that is shipped holds none of them. `woven_texts` puts every fault into a copy of its sources, each
between ``#if BP_MUTANT == n`` and ``#endif``; with the number 0 the copy is the firmware as it is. A fault whose lines
are no longer there, or there more than once, is an error: the table is then to be mended.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

from busproto.sim.native.device_build import firmware_texts
from tests.conformance.faults import EXTRA, ROWS

WEAVE_FLAGS: Final = ("-O1", "-Wno-error")
"""Compiler flags of a library with a fault in it, which may leave something unused."""


@dataclass(frozen=True, slots=True)
class Fault:
    """One fault.

    Attributes:
        number: of the compile-time switch.
        what: in words.
        file: where it is seeded.
        old, new: a piece of the text, and what stands in its place.
        clauses: a failed case that cites any of these has found it for the right reason.
    """

    number: int
    what: str
    file: str
    old: str
    new: str
    clauses: tuple[str, ...]


FAULTS: Final = tuple(Fault(number, *row) for number, row in enumerate(ROWS, 1))


def _place(text: str, fault: Fault, old: str) -> tuple[int, int]:
    """Where the whole lines that hold `old` begin and end in the text as it is."""
    at = text.find(old)
    if at < 0 or text.find(old, at + 1) >= 0:
        raise LookupError(f"fault {fault.number}: '{old.splitlines()[0]}' is not in {fault.file} exactly once any more")
    return text.rfind("\n", 0, at) + 1, text.find("\n", at + len(old))


def woven_texts() -> dict[str, str]:
    """Every C file of the reference firmware, all faults in it, each behind its switch.

    Raises:
        LookupError: the lines of a fault are not there exactly once, or two faults overlap in part.
    """
    texts = firmware_texts()
    switched: dict[tuple[str, int, int], list[tuple[int, str]]] = {}
    for fault in FAULTS:
        seeds = [(fault.file, fault.old, fault.new)]
        seeds += [EXTRA[fault.what]] if fault.what in EXTRA else []
        for file, old, new in seeds:
            start, end = _place(texts[file], fault, old)
            whole = texts[file][start:end]
            switched.setdefault((file, start, end), []).append((fault.number, whole.replace(old, new)))
    before: tuple[str, int] | None = None
    for (file, start, end), branches in sorted(switched.items(), reverse=True):
        if before is not None and before[0] == file and before[1] < end:
            raise LookupError(f"fault {branches[0][0]}: its lines in {file} overlap with those of another")
        before = (file, start)
        whole = texts[file][start:end]
        words = [f"#{'el' if at else ''}if BP_MUTANT == {number}\n{new}\n" for at, (number, new) in enumerate(branches)]
        texts[file] = f"{texts[file][:start]}{''.join(words)}#else\n{whole}\n#endif{texts[file][end:]}"
    return texts
