"""Reads the template files and fills in what is generated."""

from __future__ import annotations

import re
from collections.abc import Iterable, Mapping
from importlib import resources
from typing import Final

_PLACE: Final = re.compile(r"^[ \t]*(?:/\*|--|#) @([a-z ]+)@(?: \*/)?$", re.MULTILINE)


def filled(name: str, parts: Mapping[str, str | Iterable[str]] | None = None) -> str:
    """The text of a template with its places filled; parts are texts, or lines without their ends.

    Raises:
        ValueError: a place has no part, or a part no place.
    """
    text = resources.files(__name__.rpartition(".")[0]).joinpath("texts", name).read_text("utf-8")
    given = {key: part if isinstance(part, str) else "\n".join(part) for key, part in (parts or {}).items()}
    places = _PLACE.findall(text)
    if sorted(places) != sorted(given):
        raise ValueError(f"{name}: the places {sorted(places)} and the parts {sorted(given)} are not the same")
    return _PLACE.sub(lambda found: given[found[1]], text)
