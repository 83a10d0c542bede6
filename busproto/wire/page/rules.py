"""What a clause of the format is, and how its text gets its numbers."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

ACTUATOR, HOST, LINE = "actuator", "host", "line"
CORE, TEACHING = "core", "teaching"
PARTS: Final = {
    CORE: "what every actuator offers",
    TEACHING: "operations 04, 05 and 06, which only the classic ways of searching use; optional, as a whole",
}
"""The parts of the format by name, the mandatory one first."""


@dataclass(frozen=True, slots=True)
class Rule:
    """One clause of the page.

    Attributes:
        id: stable, such as "frame.check"; never used again for another clause.
        text: the rule, in the words of RFC 2119.
        why: the reason, which is no rule; "" for none.
        keeper: who keeps it. The suite has a case for each rule that the actuator keeps, for no other.
        part: one of `PARTS`.
    """

    id: str
    text: str
    why: str = ""
    keeper: str = ACTUATOR
    part: str = CORE


@dataclass(frozen=True, slots=True)
class Section:
    """Rules under one heading of the page.

    Attributes:
        heading: without number signs.
        rules: in order.
        intro: words before the first rule.
    """

    heading: str
    rules: tuple[Rule, ...]
    intro: str = ""


def us(ns: int) -> str:
    """A time in the text of a rule: microseconds, or milliseconds from 10 ms on."""
    return f"{ns / 1_000_000:g} ms" if ns >= 10_000_000 else f"{ns / 1000:g} us"
