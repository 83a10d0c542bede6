"""How a seeded fault is written down, and in which file of the firmware it is seeded."""

from __future__ import annotations

from typing import Final

Row = tuple[str, str, str, str, tuple[str, ...]]
"""What is wrong, in which file, which text is replaced by which, which clauses have to show it."""

ANSWERS: Final = "bp_answers.c"
FRAME: Final = "bp_frame.c"
DEVICE: Final = "bp_device.c"
MOTION: Final = "bp_motion.c"
STORE: Final = "bp_store.c"
DISCOVERY: Final = "bp_discovery.c"
PARAMETERS: Final = "bp_parameters.c"


def fault(what: str, file: str, old: str, new: str, *clauses: str) -> Row:
    """One row."""
    return what, file, old, new, clauses
