"""A mutant in random conversations beside the actuator in Python, which knows nothing of the firmware's own ways."""

from __future__ import annotations

from collections.abc import Callable

from busproto.conformance.conversation.draw import MIXES
from busproto.conformance.conversation.run import Talks
from busproto.conformance.conversation.talk import Difference
from busproto.conformance.targets import InProcess


def conversation(note: Callable[..., None], library: str, steps: int, seed: int) -> int:
    """Talk with a mutant for so many steps. What differs first is noted; the exit code is 0."""
    talks = Talks(InProcess(library), seed, repeated_steps=0)
    for mix in MIXES:
        try:
            talks.run(mix, steps // len(MIXES))
        except Difference as difference:
            note(difference=f"{difference}".splitlines()[0])
            break
    return 0
