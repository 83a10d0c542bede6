"""Questions: the true answer is taken, every other is refused, and the truth is calculated once more from what is
asked.

Nothing here asks the lesson for its truth: each row of `CALCULATED` reads the question as a person does.
"""

from __future__ import annotations

import re
from collections import Counter
from collections.abc import Callable
from typing import Final

import pytest

from busproto.errors import InputError
from busproto.lessons import LESSONS, check, lesson_named
from busproto.lessons.bench import build, unaddressed
from busproto.wire.frame import UID_BYTES

SEEDS: Final = range(1, 7)
EVERY: Final = [(name, seed) for name in LESSONS for seed in SEEDS]
UID_BITS: Final = 8 * UID_BYTES


def numbers_in(pattern: str, text: str, base: int = 10) -> list[int]:
    found = re.search(pattern, text)
    assert found, text
    return [int(group, base) for group in found.groups()]


def picks_in(text: str) -> dict[str, int]:
    """Who draws which slot, as the question tells it."""
    return {letter: int(slot) for letter, slot in re.findall(r"\b([A-Z]) (\d+)", text)}


def flipped(text: str, _: int) -> str:
    (byte,) = numbers_in(r"is ([0-9a-f]{2}) \(hex\)", text, 16)
    (bit,) = numbers_in(r"data bit (\d)", text)
    return f"{byte ^ 1 << bit:02x}"


def first_unlike_bit(text: str, _: int) -> str:
    a, b = numbers_in(r"A sends ([0-9a-f]{2}) and B sends ([0-9a-f]{2})", text, 16)
    return str(next(bit for bit in range(8) if (a ^ b) >> bit & 1))


def both(text: str, _: int) -> str:
    a, b = numbers_in(r"A sends ([0-9a-f]{2}) \([01]+\), B sends ([0-9a-f]{2})", text, 16)
    return f"{a & b:02x}"


def queries_without_one(text: str, seed: int) -> str:
    """One query, and two more for each prefix that several of the rest share."""
    found = re.search(r"Now ([A-Z]) is unplugged", text)
    assert found
    count = next(
        int(shown.group(1))
        for scene in LESSONS["tree"].scenes(seed)
        for paragraph in scene.text
        if (shown := re.match(r"(\d+) actuators", paragraph))
    )
    uids = [one.uid for one in build(seed, unaddressed(count)).actuators if one.label != found.group(1)]
    bits = [f"{int.from_bytes(uid, 'big'):064b}" for uid in uids]
    prefixes = Counter(one[:depth] for one in bits for depth in range(UID_BITS))
    return str(1 + 2 * sum(count > 1 for count in prefixes.values()))


def alone(text: str, _: int) -> str:
    slots = Counter(picks_in(text).values())
    return str(sum(count == 1 for count in slots.values()))


def nth(text: str, _: int) -> str:
    picks = picks_in(text)
    found = re.search(r"Which one answers (\w+)\?", text)
    assert found
    place = {"second": 2, "third": 3}.get(found.group(1)) or int(found.group(1).removesuffix("th"))
    return sorted(picks, key=picks.__getitem__)[place - 1]


def low_for_a_while(text: str, _: int) -> str:
    (bits,) = numbers_in(r"low for (\d+) bits", text)
    return f"{0xFF << (bits - 1) & 0xFF:02x}"


def half_rate(text: str, _: int) -> str:
    """Each bit of the sender lasts two of the receiver's; the receiver's first is the start bit itself."""
    (byte,) = numbers_in(r"the byte ([0-9a-f]{2})", text, 16)
    line = [0, 0, *(byte >> bit & 1 for bit in range(8) for _ in range(2))]
    return f"{sum(level << at for at, level in enumerate(line[1:9])):02x}"


def lost_in_a_row(text: str, _: int) -> str:
    (period,) = numbers_in(r"every (\d+) ms", text)
    (time_out,) = numbers_in(r"is (\d+) ms", text)
    return str(max(lost for lost in range(1000) if (lost + 1) * period < time_out))


CALCULATED: Final[dict[str, Callable[[str, int], str]]] = {
    "frame": flipped,
    "alike": first_unlike_bit,
    "and": both,
    "tree": queries_without_one,
    "slots": alone,
    "backoff": nth,
    "stuck": low_for_a_while,
    "baud": half_rate,
    "loss": lost_in_a_row,
}


def test_every_lesson_has_a_truth_that_is_calculated_here() -> None:
    assert set(CALCULATED) == set(LESSONS)


@pytest.mark.parametrize(("name", "seed"), EVERY)
def test_the_simulator_agrees_with_who_calculates(name: str, seed: int) -> None:
    question = lesson_named(name).question(seed)
    truth = CALCULATED[name](question.text, seed)
    verdict = check(name, seed, truth)
    assert verdict.right, (question.text, verdict)
    assert verdict.truth == verdict.given == truth
    assert verdict.reason


@pytest.mark.parametrize("name", LESSONS)
def test_every_other_answer_is_wrong(name: str) -> None:
    question = lesson_named(name).question(1)
    truth = question.solve().value
    others = "ABCDEFGHIJKLMNOP" if isinstance(truth, str) else range(64)
    wrong = [other for other in others if other != truth]
    assert len(wrong) >= 15
    for other in wrong[:: 1 + len(wrong) // 8]:
        verdict = question.check(question.form.show(other))
        assert not verdict.right
        assert verdict.truth == question.form.show(truth) != verdict.given


@pytest.mark.parametrize("name", LESSONS)
def test_seeds_ask_different_things(name: str) -> None:
    assert len({lesson_named(name).question(seed).text for seed in range(8)}) > 2
    assert lesson_named(name).question(5).text == lesson_named(name).question(5).text


@pytest.mark.parametrize("name", LESSONS)
@pytest.mark.parametrize("text", ["", " ", "?", "-1", "1.5", "abc", "ff ff", "0x", "\N{SUPERSCRIPT TWO}"])
def test_what_is_no_answer_is_refused_with_what_is_asked_for(name: str, text: str) -> None:
    question = lesson_named(name).question(1)
    with pytest.raises(InputError, match=re.escape(question.form.how)):
        question.check(text)


@pytest.mark.parametrize(
    ("name", "text", "means"),
    [("and", "0xC", 12), ("and", " 5C ", 0x5C), ("and", "5ch", 0x5C), ("loss", "007", 7), ("backoff", "b", "B")],
)
def test_answers_may_be_typed_in_more_than_one_way(name: str, text: str, means: int | str) -> None:
    assert lesson_named(name).question(1).read(text) == means


def test_a_lesson_that_is_not_there_is_named_with_those_that_are() -> None:
    with pytest.raises(InputError, match="no lesson 'nope': frame, alike"):
        check("nope", 1, "1")
