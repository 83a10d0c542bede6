"""The parts of a lesson: scenes, which are plain data, and a question that the simulator answers.

Nothing here draws or prints: a scene holds the content, and the terminal and the page each show it.
Rules: every value is a string, a number or a tuple of them, so that a scene is JSON as it stands; times are ns.
"""

from __future__ import annotations

import dataclasses
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from typing import Any

from busproto.errors import InputError


@dataclass(frozen=True, slots=True)
class Table:
    """Rows under heads; every row is as long as `heads`."""

    heads: tuple[str, ...]
    rows: tuple[tuple[str, ...], ...]


@dataclass(frozen=True, slots=True)
class Wave:
    """One level over time: high before the first edge, and the other level from each edge on (ns)."""

    name: str
    edges: tuple[int, ...]


@dataclass(frozen=True, slots=True)
class Scope:
    """Waves above one another, as an oscilloscope shows them.

    Attributes:
        from_ns, bits, bit_ns: begin of the picture, its width in bits, duration of one bit.
        ruler: one letter for each bit, from the first one on; "" where none is known.
        waves: from above to below.
    """

    from_ns: int
    bits: int
    bit_ns: float
    ruler: str
    waves: tuple[Wave, ...]


@dataclass(frozen=True, slots=True)
class Curve:
    """Points of one thing over time: (ms, deg)."""

    name: str
    points: tuple[tuple[float, float], ...]


@dataclass(frozen=True, slots=True)
class Plot:
    """Curves over one time axis, and marked moments: (ms, text)."""

    unit_x: str
    unit_y: str
    curves: tuple[Curve, ...]
    marks: tuple[tuple[float, str], ...]


@dataclass(frozen=True, slots=True)
class Course:
    """Progress of a search after a step.

    Attributes:
        found: number of actuators found.
        among: number of actuators on the line.
        expected_found: number found by now according to theory; None where theory does not apply to this step.
        expected_queries: number of queries in all according to theory; None where theory does not apply.
    """

    found: int
    among: int
    expected_found: float | None = None
    expected_queries: float | None = None


@dataclass(frozen=True, slots=True)
class Node:
    """A node of a tree of questions.

    Attributes:
        prefix: the first bits asked for, "" for all actuators.
        came: "one" where one answered alone, "none" where no actuator did, "broken" where several did.
        name: label of the actuator that answered alone.
    """

    prefix: str
    came: str
    name: str = ""


@dataclass(frozen=True, slots=True)
class Step:
    """One step of a search.

    Attributes:
        text: the event in one line.
        board: the state after it.
        note: the cost so far, compared with theory.
        course: the same as numbers.
        node: the node of the tree, in a tree search.
    """

    text: str
    board: Table
    note: str
    course: Course
    node: Node | None = None


@dataclass(frozen=True, slots=True)
class Scene:
    """One picture of a lesson.

    Attributes:
        title: a few words.
        text: paragraphs of short sentences.
        scope, table, plot, steps: the content; None or empty where it has none.
        after: a paragraph about the result.
    """

    title: str
    text: tuple[str, ...]
    scope: Scope | None = None
    table: Table | None = None
    plot: Plot | None = None
    steps: tuple[Step, ...] = ()
    after: tuple[str, ...] = ()


Answer = int | str


@dataclass(frozen=True, slots=True)
class Form:
    """The form of an answer.

    Attributes:
        how: in words, for the reader.
        read: turns a text into an answer; raises ValueError where the text is none.
        show: an answer as it would be typed.
    """

    how: str
    read: Callable[[str], Answer]
    show: Callable[[Answer], str]


def _whole_number(text: str) -> int:
    if not (text.isascii() and text.isdigit()):
        raise ValueError
    return int(text)


def _byte(text: str) -> int:
    digits = text.lower().removeprefix("0x").removesuffix("h")
    if not 1 <= len(digits) <= 2:
        raise ValueError
    return bytes.fromhex(digits.zfill(2))[0]


def _letter(text: str) -> str:
    if len(text) != 1 or not "A" <= text.upper() <= "Z":
        raise ValueError
    return text.upper()


NUMBER = Form("a whole number, such as 12", _whole_number, str)
BYTE = Form("a byte as two digits 0-9 a-f, such as 5c", _byte, lambda value: f"{value:02x}")
LETTER = Form("one letter, such as A", _letter, str)


@dataclass(frozen=True, slots=True)
class Solution:
    """The simulator's result, and the reason."""

    value: Answer
    reason: str


@dataclass(frozen=True, slots=True)
class Verdict:
    """The verdict on an answer.

    Attributes:
        right: whether it is the simulator's result.
        given, truth: answer and result, as they would be typed.
        reason: the reason for the result.
    """

    right: bool
    given: str
    truth: str
    reason: str


@dataclass(frozen=True, slots=True)
class Question:
    """Asked at the end of a lesson. The answer is not stored anywhere: `solve` runs the virtual bus for it."""

    text: str
    form: Form
    solve: Callable[[], Solution]

    def read(self, text: str) -> Answer:
        """The answer that a text means.

        Raises:
            InputError: it is none of the kind that is asked for.
        """
        try:
            return self.form.read(text.strip())
        except ValueError as error:
            raise InputError(f"answer '{text}': what is asked for is {self.form.how}") from error

    def check(self, text: str) -> Verdict:
        """Compare an answer with the run of the virtual bus.

        Raises:
            InputError: it is none of the kind that is asked for.
        """
        given, solution = self.read(text), self.solve()
        return Verdict(given == solution.value, self.form.show(given), self.form.show(solution.value), solution.reason)


@dataclass(frozen=True, slots=True)
class Lesson:
    """One lesson.

    Attributes:
        name: as on the command line.
        title: one line that says what it teaches.
        scenes: makes its scenes on a virtual bus of this seed; the same seed gives the same ones.
        question: makes its question for this seed.
    """

    name: str
    title: str
    scenes: Callable[[int], Iterator[Scene]]
    question: Callable[[int], Question]


def scene_json(scene: Scene) -> dict[str, Any]:
    """A scene as plain data: lists, strings and numbers. Empty parts are left out, but for the text."""
    body: dict[str, Any] = _plain(dataclasses.asdict(scene))
    return {key: value for key, value in body.items() if key == "text" or value not in (None, [])}


def _plain(value: Any) -> Any:
    if isinstance(value, dict):
        return {key: _plain(inner) for key, inner in value.items()}
    if isinstance(value, tuple | list):
        return [_plain(inner) for inner in value]
    return value
