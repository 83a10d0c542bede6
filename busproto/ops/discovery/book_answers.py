"""Which places of a book answered: the bytes that came back, fitted to those that its places should give."""

from __future__ import annotations

from dataclasses import dataclass

from busproto.wire.hash import BOOK_ANSWER_BIT


@dataclass(frozen=True, slots=True)
class BookAnswers:
    """How the bytes after a book fit it.

    Attributes:
        confirmed: places whose answer came for certain.
        doubled: places whose answer came twice in a row.
        extras: number of bytes that no place accounts for.
    """

    confirmed: frozenset[int]
    doubled: frozenset[int]
    extras: int


def read_answers(raw: bytes, expected: list[int]) -> BookAnswers:
    """Fit the bytes that came back, in their order, to the answers that the book's places should give.

    A place counts as confirmed only if every way of fitting agrees on it: the earliest and the latest.
    """
    if raw == bytes(expected):
        return BookAnswers(frozenset(range(len(expected))), frozenset(), 0)
    answers = [byte for byte in raw if byte & BOOK_ANSWER_BIT]
    strangers = len(raw) - len(answers)
    earliest, unfit = _fit(answers, expected)
    backwards, _ = _fit(answers[::-1], expected[::-1])
    latest = {len(answers) - 1 - at: len(expected) - 1 - place for at, place in backwards.items()}
    confirmed = frozenset(place for at, place in earliest.items() if latest.get(at) == place)
    doubled = frozenset(earliest[at - 1] for at in unfit if at - 1 in earliest and answers[at] == answers[at - 1])
    return BookAnswers(confirmed, doubled, strangers + len(unfit))


def _fit(answers: list[int], expected: list[int]) -> tuple[dict[int, int], list[int]]:
    """Place of each answer when each takes the first place still open that fits; and those that fit nowhere."""
    places: dict[int, int] = {}
    unfit = []
    place = 0
    for at, answer in enumerate(answers):
        try:
            place = expected.index(answer, place)
        except ValueError:
            unfit.append(at)
            continue
        places[at] = place
        place += 1
    return places, unfit


def is_noise(raw: bytes, places: int) -> bool:
    """Whether bytes that do not fit may be those of listed ones, hit on their way: no more than these had to say, and
    none is such as one that is not in the book says.
    """
    return len(raw) <= places and all(byte & BOOK_ANSWER_BIT for byte in raw)
