"""Every public function of `busproto.rig` has a caller in the product: what only a test calls helps no user."""

from __future__ import annotations

import ast
from collections.abc import Iterator
from pathlib import Path

ROOT = Path(__file__).parents[2]
RIG = ROOT / "busproto" / "rig"
ALWAYS = {"__init__", "__post_init__"}


def functions_in(file: Path) -> Iterator[tuple[str, ast.FunctionDef, bool]]:
    """Name, definition, and whether it belongs to a class."""
    for node in ast.parse(file.read_text("utf-8")).body:
        if isinstance(node, ast.FunctionDef):
            yield node.name, node, False
        if isinstance(node, ast.ClassDef):
            yield from ((one.name, one, True) for one in node.body if isinstance(one, ast.FunctionDef))


def used_in(node: ast.AST) -> set[tuple[str, bool]]:
    """Names that are used, and whether as those of a class: of a method or property only what stands behind a point."""
    found = {(one.id, False) for one in ast.walk(node) if isinstance(one, ast.Name)}
    return found | {
        (one.attr, is_method) for one in ast.walk(node) if isinstance(one, ast.Attribute) for is_method in (False, True)
    }


def uncalled(rig: list[Path], outside: list[Path]) -> list[str]:
    """Public functions of `rig` that nothing reaches which begins in `outside`.

    Only modules that import the room count as outside, so that a method of the same name elsewhere is no caller.
    """
    inside: dict[tuple[str, bool], list[ast.FunctionDef]] = {}
    names = {}
    for file in rig:
        for name, node, is_method in functions_in(file):
            inside.setdefault((name, is_method), []).append(node)
            names[(name, is_method)] = f"{file.stem}.{name}"
    reached: set[tuple[str, bool]] = set()
    waiting = {(name, True) for name in ALWAYS}
    for file in outside:
        text = file.read_text("utf-8")
        if "busproto.rig" in text or "plan.rigging" in text or "plan.supply_check" in text:
            waiting |= used_in(ast.parse(text))
    while waiting:
        one = waiting.pop()
        if one not in reached:
            reached.add(one)
            waiting |= {use for node in inside.get(one, []) for use in used_in(node)}
    return sorted(names[one] for one in names if one not in reached and not one[0].startswith("_"))


def outside() -> list[Path]:
    return [file for file in (ROOT / "busproto").rglob("*.py") if file.parent != RIG]


def test_every_public_function_has_a_caller_in_the_product() -> None:
    assert uncalled(sorted(RIG.glob("*.py")), outside()) == []


def test_the_check_itself_sees_what_is_never_called(tmp_path: Path) -> None:
    """One that only another uncalled one calls is uncalled as well."""
    file = tmp_path / "new.py"
    file.write_text(
        "def lonely():\n    return deeper()\ndef deeper():\n    return 1\nclass A:\n    def method(self): ...\n"
    )
    assert uncalled([*sorted(RIG.glob("*.py")), file], outside()) == ["new.deeper", "new.lonely", "new.method"]
