"""Which positions of a member list answered: the received bytes, matched with the bytes that each position should
send."""

from __future__ import annotations

from dataclasses import dataclass

from busproto.wire.hash import LIST_ANSWER_BIT


@dataclass(frozen=True, slots=True)
class ListAnswers:
    """How the bytes received after a member list match it.

    Attributes:
        confirmed: positions whose answer was certainly received.
        doubled: positions whose answer was received twice in a row.
        extras: number of bytes that no position accounts for.
    """

    confirmed: frozenset[int]
    doubled: frozenset[int]
    extras: int


def read_answers(raw: bytes, expected: list[int]) -> ListAnswers:
    """PrefixQuery the received bytes, in their order, with the answers that the positions of the member list should
    send.

    A position counts as confirmed only if it is in the match from the front and in the match from the end.
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
    """The position of each answer, each taking the first fitting position still open; and the answers without one."""
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
    """Whether bytes without a position may be answers of listed actuators, changed by noise: they are no more than
    there are positions, and none is a byte that an unlisted actuator sends."""
    return len(raw) <= positions and all(byte & LIST_ANSWER_BIT for byte in raw)
