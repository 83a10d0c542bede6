"""How the house is cut: rooms that can be overlooked, files that can be read at one sitting, no import in a circle."""

from __future__ import annotations

import ast
import subprocess
from collections import Counter
from graphlib import CycleError, TopologicalSorter
from pathlib import Path
from typing import Final

import pytest

from tests.test_layers import ROOT, imports_in, modules_in

MOST_FILES: Final = 15
MOST_LINES: Final = 500
WRITTEN: Final = {".py", ".c", ".h", ".js", ".css", ".html", ".in", ".lua", ".md"}
"""What a person writes and reads, by the end of its name."""
GENERATED: Final = {"busproto/wire/FORMAT.md", "busproto/handbook/pages/scenario-and-plan.md"}
"""Pages that the program prints; a test of each holds that they are what it prints now."""
DATA: Final = {"captures", "golden", "data"}
"""Folders of examples and expected output, one file each, not rooms of the house."""


def files_of_the_house() -> list[Path]:
    listed = subprocess.run(["git", "ls-files", "-z"], cwd=ROOT, capture_output=True, text=True, check=False).stdout
    names = [name for name in listed.split("\0") if name]
    if not names:  # unpacked from a source archive
        names = [
            path.relative_to(ROOT).as_posix()
            for folder in ("busproto", "sim", "tests", "captures")
            for path in (ROOT / folder).rglob("*")
            if "__pycache__" not in path.parts
        ]
    return [ROOT / name for name in names if (ROOT / name).is_file() and not (ROOT / name).is_symlink()]


def test_no_room_has_more_files_than_one_can_overlook() -> None:
    rooms = Counter(file.parent.relative_to(ROOT) for file in files_of_the_house())
    crowded = {room.as_posix(): count for room, count in rooms.items() if count > MOST_FILES}
    assert {room: count for room, count in crowded.items() if not DATA & set(room.split("/"))} == {}


def test_no_file_is_longer_than_one_can_read_at_one_sitting() -> None:
    written = [file for file in files_of_the_house() if file.suffix in WRITTEN]
    assert len(written) > 300
    lengths = {file.relative_to(ROOT).as_posix(): len(file.read_text("utf-8").splitlines()) for file in written}
    assert {name: lines for name, lines in lengths.items() if lines > MOST_LINES and name not in GENERATED} == {}


def module_name(file: Path) -> str:
    parts = file.relative_to(ROOT).with_suffix("").parts
    return ".".join(("busproto", *parts) if parts[0] == "sim" else parts).removesuffix(".__init__")


def import_graph(texts: dict[Path, str]) -> dict[str, set[str]]:
    """Which modules each one imports, wherever in it and for whatever purpose the import stands."""
    modules = {module_name(file) for file in texts}
    graph: dict[str, set[str]] = {}
    for file, text in texts.items():
        wanted: set[str] = set()
        for node in ast.walk(ast.parse(text)):
            if isinstance(node, ast.ImportFrom):
                # relative ones are resolved there
                base = node.module if not node.level else next(imports_in(file, ast.unparse(node))).module
                names = {f"{base}.{alias.name}" for alias in node.names}
                wanted |= names & modules or {base or ""}
            elif isinstance(node, ast.Import):
                wanted |= {alias.name for alias in node.names}
        graph[module_name(file)] = (wanted & modules) - {module_name(file)}
    return graph


def circle_in(graph: dict[str, set[str]]) -> list[str]:
    try:
        TopologicalSorter(graph).prepare()
    except CycleError as circle:
        return list(circle.args[1])
    return []


@pytest.mark.parametrize("tree", ["busproto and sim", "tests"])
def test_no_modules_import_each_other_in_a_circle(tree: str) -> None:
    files = modules_in("tests") if tree == "tests" else [*modules_in("busproto"), *modules_in("sim")]
    graph = import_graph({file: file.read_text("utf-8") for file in files})
    assert sum(map(len, graph.values())) > len(graph) / 2
    assert circle_in(graph) == []


def test_a_circle_is_seen_also_where_it_is_hidden_in_a_function() -> None:
    texts = {
        ROOT / "busproto/one.py": "from busproto import two",
        ROOT / "busproto/two.py": "def late():\n    from busproto.one import x",
    }
    assert set(circle_in(import_graph(texts))) == {"busproto.one", "busproto.two"}
