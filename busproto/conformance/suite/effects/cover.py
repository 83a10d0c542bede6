"""Which case shows the effect of which parameter, and which field of which reply.

A case says so with `effect` and `shows`; a test of the house holds that no parameter of the page and no field of a
reply is left out.
"""

from __future__ import annotations

from collections.abc import Callable
from typing import Any, Final, TypeVar

from busproto.wire.message import Message, fields_of
from busproto.wire.parameters import BY_NAME

F = TypeVar("F", bound=Callable[..., Any])

EFFECTS: Final[dict[str, list[str]]] = {}
"""The cases that show the effect of a parameter, by its name."""
FIELDS: Final[dict[tuple[type[Message], str], list[str]]] = {}
"""The cases that would fail if a field were wrong, by reply and field."""


def effect(*names: str) -> Callable[[F], F]:
    """Decorator of a case: it shows the effect of these parameters. Raises KeyError where there is no such one."""
    for name in names:
        BY_NAME[name]

    def noted(case: F) -> F:
        for name in names:
            EFFECTS.setdefault(name, []).append(case.__name__)
        return case

    return noted


def shows(kind: type[Message], *names: str) -> Callable[[F], F]:
    """Decorator of a case: it would fail if one of these fields of the reply were wrong.

    Raises KeyError where the reply has no such field.
    """
    there = {field.name for field in fields_of(kind)}
    if not set(names) <= there:
        raise KeyError(f"{kind.__name__} has no {', '.join(sorted(set(names) - there))}")

    def noted(case: F) -> F:
        for name in names:
            FIELDS.setdefault((kind, name), []).append(case.__name__)
        return case

    return noted
