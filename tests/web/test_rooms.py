"""The sub-rooms of the page's server: which imports which, and that files and folders stay small."""

from __future__ import annotations

import ast
from pathlib import Path
from typing import Final

import pytest

from tests.test_layers import ROOT, imports_in

WEB: Final = ROOT / "busproto" / "web"
FLOORS: Final = {"__init__": 0, "orders": 0, "bus": 1, "flows": 2, "worker": 3, "server": 4, "serving": 5}
"""A sub-room imports from itself and from lower ones only; `serving` puts all together."""
FILES: Final = sorted(WEB.rglob("*.py"))


def room_of(module: str) -> str:
    """The sub-room that a module of `busproto.web` stands in."""
    return (module.split(".")[2:3] or ["__init__"])[0]


def name_of(file: Path) -> str:
    return file.relative_to(WEB).as_posix()


@pytest.mark.parametrize("file", FILES, ids=name_of)
def test_each_imports_lower_sub_rooms_only_and_hides_none(file: Path) -> None:
    here = file.relative_to(WEB).parts[0].removesuffix(".py")
    rooms = {room_of(one.module) for one in imports_in(file) if one.module.startswith("busproto.web.")}
    assert [room for room in rooms if room != here and FLOORS[room] >= FLOORS[here]] == []
    assert "TYPE_CHECKING" not in file.read_text("utf-8")


def test_only_the_composition_root_knows_the_table_of_flows() -> None:
    knows = {name_of(file) for file in FILES for one in imports_in(file) if one.module == "busproto.web.flows.table"}
    assert knows == {"serving.py"}


def test_files_are_short_and_say_what_they_are_and_folders_hold_few() -> None:
    for file in FILES:
        text = file.read_text("utf-8")
        assert len(text.splitlines()) < 500, name_of(file)
        assert ast.get_docstring(ast.parse(text)), name_of(file)
    for folder in {file.parent for file in FILES}:
        assert sum(one.is_file() for one in folder.iterdir()) <= 15, folder.name
