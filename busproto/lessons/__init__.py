"""Lessons: how addressed buses behave, shown on a virtual bus that runs when a lesson is opened. No result is stored.

`LESSONS` holds them by name, in the order in which they are best taken. The terminal and the page show the same
scenes: `as_json` gives a lesson as plain data, `check` compares an answer with the simulator.
"""

from __future__ import annotations

from collections.abc import Mapping
from types import MappingProxyType
from typing import Any, Final

from busproto.errors import InputError
from busproto.lessons import backoff, faults, loss, one_frame, overlap, searches
from busproto.lessons.scene import Lesson, Scene, Verdict, scene_json

__all__ = ["LESSONS", "Lesson", "Scene", "Verdict", "as_json", "check", "lesson_named", "listing"]

LESSONS: Final[Mapping[str, Lesson]] = MappingProxyType(
    {
        one.name: one
        for one in (
            one_frame.LESSON,
            *overlap.LESSONS,
            *searches.LESSONS,
            backoff.LESSON,
            *faults.LESSONS,
            loss.LESSON,
        )
    }
)
"""Every lesson by its name."""


def lesson_named(name: str) -> Lesson:
    """The lesson of that name.

    Raises:
        InputError: there is none.
    """
    if name not in LESSONS:
        raise InputError(f"no lesson '{name}': {', '.join(LESSONS)}")
    return LESSONS[name]


def listing() -> list[dict[str, str]]:
    """Name and title of every lesson, in order."""
    return [{"name": one.name, "title": one.title} for one in LESSONS.values()]


def as_json(name: str, seed: int) -> dict[str, Any]:
    """A whole lesson as plain data: name, title, seed, scenes, and the question without its answer.

    Args:
        name: of the lesson.
        seed: of the virtual bus; the same one gives the same lesson.

    Raises:
        InputError: there is no such lesson.
    """
    lesson = lesson_named(name)
    question = lesson.question(seed)
    return {
        "name": lesson.name,
        "title": lesson.title,
        "seed": seed,
        "scenes": [scene_json(scene) for scene in lesson.scenes(seed)],
        "question": {"text": question.text, "how": question.form.how},
    }


def check(name: str, seed: int, answer: str) -> Verdict:
    """Compare an answer with the run of the virtual bus of this seed.

    Raises:
        InputError: there is no such lesson, or the answer is not of the kind that is asked for.
    """
    return lesson_named(name).question(seed).check(answer)
