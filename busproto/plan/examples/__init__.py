"""The examples that are shipped: each directory here is one, an airframe with its fleet map.

`start` is what to begin an airframe of one's own with: every line and every parameter is explained in it.
"""

from __future__ import annotations

import tomllib
from collections.abc import Mapping
from pathlib import Path
from typing import Final

from busproto.errors import InputError

HERE: Final = Path(__file__).parent
ENDING: Final = ".toml"


def names() -> list[str]:
    """The names of the shipped examples, sorted."""
    return sorted({path.parent.name for path in HERE.glob(f"*/*{ENDING}")})


def texts(name: str) -> Mapping[str, str]:
    """The files of an example, by file name: airframes first, the one of the example's own name before others.

    Raises:
        InputError: there is no such example; the text tells which there are.
    """
    if name not in names():
        raise InputError(f"there is no example '{name}'; there are: {', '.join(names())}")
    found = {path.name: path.read_text("utf-8") for path in sorted((HERE / name).glob(f"*{ENDING}"))}
    return dict(sorted(found.items(), key=lambda item: (not is_airframe(item[1]), item[0] != name + ENDING, item[0])))


def is_airframe(text: str) -> bool:
    """Whether this is the text of an airframe file, not that of a fleet map."""
    return "airframe" in tomllib.loads(text)


def title(name: str) -> str:
    """The title of the first airframe of an example. Raises as `texts`."""
    first = next(iter(texts(name).values()))
    return str(tomllib.loads(first)["title"])
