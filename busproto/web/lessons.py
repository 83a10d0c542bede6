"""Lessons for the page: one JSON file each in ``lessons/``, shown in the order of their names.

A lesson is ``{"title", "about", "scenario", "steps": [{"text", "do", "with"}]}``. ``scenario`` is the virtual bus that
it is made for ("" for any). A step may have a button: ``do`` is an order of `busproto.web.orders`, ``with`` its fields.
"""

from __future__ import annotations

from importlib import resources
from typing import Any

import msgspec


class Step(msgspec.Struct, frozen=True, forbid_unknown_fields=True):
    """One step of a lesson."""

    text: str
    do: str = ""
    with_: dict[str, Any] = msgspec.field(name="with", default_factory=dict)


class Lesson(msgspec.Struct, frozen=True, forbid_unknown_fields=True):
    """One lesson."""

    title: str
    about: str
    steps: list[Step]
    scenario: str = ""


def lessons() -> list[Lesson]:
    """All that are shipped. Raises msgspec.MsgspecError where a file is none."""
    folder = resources.files("busproto.web").joinpath("lessons")
    files = sorted((file for file in folder.iterdir() if file.name.endswith(".json")), key=lambda file: file.name)
    return [msgspec.json.decode(file.read_bytes(), type=Lesson) for file in files]
