"""What conversations reached: operations by the state before and by what came of them."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable, Sequence
from typing import Final

from busproto.conformance.conversation.steps import understood
from busproto.wire import messages as m
from busproto.wire.frame import BROADCAST_ADDRESS, Frame
from busproto.wire.message import OPERATIONS

SILENCE: Final = "silence"


class Tally:
    """Counts steps by (operation, state before, outcome).

    Attributes:
        cells: the counts; the outcome is "done", the name of a refusal, or "silence".
    """

    def __init__(self) -> None:
        self.cells: Counter[tuple[int, m.State, str]] = Counter()

    def count(
        self,
        frames: Sequence[Frame],
        state: m.State,
        said: Iterable[tuple[int, bytes]],
        own: int,
    ) -> None:
        """One step: its last frame, the state before, what the model said, and the address of the actuator."""
        if not frames or frames[-1].destination not in {own, BROADCAST_ADDRESS}:
            return
        self.cells[frames[-1].operation, state, outcome_of(said)] += 1

    def table(self) -> list[str]:
        """Lines of a table: operations in rows, states in columns, in each cell how often it ended in what."""
        outcomes = sorted({outcome for _, _, outcome in self.cells})
        lines = [f"{'operation':<24} {'outcome':<18} " + " ".join(f"{state.name.lower():>13}" for state in m.State)]
        for number, operation in OPERATIONS.items():
            for outcome in outcomes:
                counts = [self.cells[number, state, outcome] for state in m.State]
                if any(counts):
                    cells = " ".join(f"{count or '-':>13}" for count in counts)
                    lines.append(f"{number:02X} {operation.name:<21} {outcome:<18} {cells}")
        return lines


def outcome_of(said: Iterable[tuple[int, bytes]]) -> str:
    """What came of a step in one word: "done", the name of a refusal, or "silence"."""
    outcome = SILENCE
    for _, data in said:
        message = understood(data)[1]
        outcome = message.code.name.lower() if isinstance(message, m.Refused) else "done"
    return outcome
