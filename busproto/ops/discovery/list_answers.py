"""Which positions of a member list answered: the bytes that came back, fitted to those that they should give."""

from __future__ import annotations

from dataclasses import dataclass

from busproto.wire.hash import LIST_ANSWER_BIT


@dataclass(frozen=True, slots=True)
class ListAnswers:
    """How the bytes after a member list fit it.

    Attributes:
        confirmed: positions whose answer came for certain.
        doubled: positions whose answer came twice in a row.
        extras: number of bytes that no position accounts for.
    """

    confirmed: frozenset[int]
    doubled: frozenset[int]
    extras: int


def read_answers(raw: bytes, expected: list[int]) -> ListAnswers:
    """Fit the bytes that came back, in their order, to the answers that the member list's positions should give.

    A position counts as confirmed only if every way of fitting agrees on it: the earliest and the latest.
    """
    if raw == bytes(expected):
        return ListAnswers(frozenset(range(len(expected))), frozenset(), 0)
    answers = [byte for byte in raw if byte & LIST_ANSWER_BIT]
    unlisted = len(raw) - len(answers)
    earliest, unfit = _fit(answers, expected)
    backwards, _ = _fit(answers[::-1], expected[::-1])
    latest = {len(answers) - 1 - at: len(expected) - 1 - position for at, position in backwards.items()}
    confirmed = frozenset(position for at, position in earliest.items() if latest.get(at) == position)
    doubled = frozenset(earliest[at - 1] for at in unfit if at - 1 in earliest and answers[at] == answers[at - 1])
    return ListAnswers(confirmed, doubled, unlisted + len(unfit))


def _fit(answers: list[int], expected: list[int]) -> tuple[dict[int, int], list[int]]:
    """Position of each answer when each takes the first position still open that fits; and those that fit nowhere."""
    positions: dict[int, int] = {}
    unfit = []
    position = 0
    for at, answer in enumerate(answers):
        try:
            position = expected.index(answer, position)
        except ValueError:
            unfit.append(at)
            continue
        positions[at] = position
        position += 1
    return positions, unfit


def is_noise(raw: bytes, positions: int) -> bool:
    """Whether bytes that do not fit may be those of listed ones, hit on their way: no more than these had to say, and
    none is such as one that is not in the member list says.
    """
    return len(raw) <= positions and all(byte & LIST_ANSWER_BIT for byte in raw)
