"""The small slips: each takes one place of a source text and makes another text of it.

What is never touched: docstrings and other texts, annotations, imports, decorators and keywords of classes, `__all__`,
`assert` (they are for the type checker here). Numbers and comparisons within a formatted text are touched: they are
figures that users read.
"""

from __future__ import annotations

import ast
import copy
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from typing import Any, Final

COMPARES: Final[dict[type[ast.cmpop], tuple[type[ast.cmpop], ...]]] = {
    ast.Lt: (ast.LtE, ast.GtE),
    ast.LtE: (ast.Lt, ast.Gt),
    ast.Gt: (ast.GtE, ast.LtE),
    ast.GtE: (ast.Gt, ast.Lt),
    ast.Eq: (ast.NotEq,),
    ast.NotEq: (ast.Eq,),
    ast.Is: (ast.IsNot,),
    ast.IsNot: (ast.Is,),
    ast.In: (ast.NotIn,),
    ast.NotIn: (ast.In,),
}
SUMS: Final[dict[type[ast.operator], type[ast.operator]]] = {
    ast.Add: ast.Sub,
    ast.Sub: ast.Add,
    ast.Mult: ast.Div,
    ast.Div: ast.Mult,
    ast.FloorDiv: ast.Mult,
    ast.Mod: ast.Mult,
    ast.LShift: ast.RShift,
    ast.RShift: ast.LShift,
    ast.BitAnd: ast.BitOr,
    ast.BitOr: ast.BitAnd,
    ast.BitXor: ast.BitAnd,
}


Change = Callable[[Any], Any]
"""Takes a copy of a node, returns what stands in its place (None to leave the statement out)."""


COUNTS: Final = 1000
"""Whole numbers below this count something; those above are sizes and times."""


@dataclass(frozen=True, slots=True)
class Mutant:
    """A source text with one slip in it.

    Attributes:
        path: of the file, below the root of the tree.
        line: of the place, from 1.
        what: kind of slip.
        before, after: what stands there, and instead of it; whole lines, white space around them aside.
        source: the whole text with the slip in it.
    """

    path: str
    line: int
    what: str
    before: str
    after: str
    source: str

    @property
    def name(self) -> str:
        """Tells it from all others of the same tree."""
        return f"{self.path}:{self.line} {self.before} -> {self.after}"


@dataclass(frozen=True, slots=True)
class Slip:
    """A place, and what could be made of it.

    Attributes:
        line: of the place, from 1.
        lines: of the statement that it stands in (of one that holds others, without those).
        what: kind of slip.
    """

    line: int
    lines: range
    what: str
    _node: Any
    _change: Change

    def applied(self, source: str, path: str = "") -> Mutant | None:
        """The mutant of the text that the slip was found in; None where it would be no Python, or the same."""
        text = _with(source, self._node, self._change)
        before, after = difference(source, text)
        if before == after or not _compiles(text):
            return None
        return Mutant(path, self.line, self.what, before, after, text)


def slips(source: str) -> list[Slip]:
    """Every slip that can be made in a source text."""
    tree = ast.parse(source)
    for node in ast.walk(tree):
        for child in ast.iter_child_nodes(node):
            child.parent = node  # type: ignore[attr-defined]
    return [
        Slip((_formatted(node) or node).lineno, _lines_of(node), what, node, change)
        for node in _places(tree)
        for what, change in _changes(node)
    ]


# --- where ------------------------------------------------------------------------------------------------------


def _is_text(node: ast.AST) -> bool:
    return isinstance(node, ast.JoinedStr) or (isinstance(node, ast.Constant) and isinstance(node.value, str))


def _left_alone(node: ast.AST) -> bool:
    if isinstance(node, ast.Import | ast.ImportFrom | ast.Assert):
        return True
    if isinstance(node, ast.Assign):
        return any(isinstance(one, ast.Name) and one.id == "__all__" for one in node.targets)
    return isinstance(node, ast.Expr) and _is_text(node.value)


def _places(node: ast.AST) -> Iterator[Any]:
    """All nodes that may be changed, the outer ones first."""
    for name, value in ast.iter_fields(node):
        if name in {"annotation", "returns", "decorator_list", "type_comment", "format_spec"}:
            continue
        if isinstance(node, ast.ClassDef) and name == "keywords":
            continue  # such as frozen=True: for the type checker, as a decorator is
        for child in value if isinstance(value, list) else [value]:
            if isinstance(child, ast.AST) and not _left_alone(child):
                if hasattr(child, "lineno"):
                    yield child
                yield from _places(child)


# --- what -------------------------------------------------------------------------------------------------------


def _changes(node: Any) -> Iterator[tuple[str, Change]]:
    if isinstance(node, ast.Compare):
        for at, op in enumerate(node.ops):
            for other in COMPARES[type(op)]:
                yield "comparison", _setting("ops", other(), at)
    elif isinstance(node, ast.BinOp):
        if type(node.op) in SUMS and not (_is_text(node.left) or _is_text(node.right) or _is_type(node)):
            yield "arithmetic", _setting("op", SUMS[type(node.op)]())
    elif isinstance(node, ast.BoolOp):
        other = ast.Or() if isinstance(node.op, ast.And) else ast.And()
        yield "and, or", _setting("op", other)
    elif isinstance(node, ast.UnaryOp) and isinstance(node.op, ast.Not | ast.USub):
        yield "removed not" if isinstance(node.op, ast.Not) else "removed minus", lambda one: one.operand
    elif isinstance(node, ast.Constant):
        if isinstance(node.value, bool):
            yield "constant", _setting("value", not node.value)
        elif isinstance(node.value, int | float):
            yield "constant", _setting("value", near(node.value))
    elif isinstance(node, ast.Call):
        yield from _of_call(node)
    elif isinstance(node, ast.Break | ast.Continue):
        yield "break, continue", lambda one: ast.Continue() if isinstance(one, ast.Break) else ast.Break()
    elif isinstance(node, ast.Return):
        if node.value is not None and not (isinstance(node.value, ast.Constant) and node.value.value is None):
            yield "returns None", _setting("value", ast.Constant(None))
    elif isinstance(node, ast.AugAssign):
        yield "dropped statement", lambda _: None
        if type(node.op) in SUMS and not _is_text(node.value):
            yield "arithmetic", _setting("op", SUMS[type(node.op)]())
    elif isinstance(node, ast.Raise):
        yield "dropped statement", lambda _: None
    elif isinstance(node, ast.Expr):
        if isinstance(node.value, ast.Call | ast.Yield | ast.YieldFrom):
            yield "dropped statement", lambda _: None
    elif isinstance(node, ast.Assign) and all(isinstance(one, ast.Attribute | ast.Subscript) for one in node.targets):
        yield "dropped statement", lambda _: None
    if _decides(node) and isinstance(node, ast.Name | ast.Attribute | ast.Call):
        yield "negated condition", lambda one: ast.UnaryOp(ast.Not(), one)


def near(value: float) -> float:
    """Another number: one more for one that counts, twice as much for one that measures, so that it can be told."""
    return value + 1 if isinstance(value, int) and abs(value) < COUNTS else 2 * value or 1.0


def _decides(node: Any) -> bool:
    """Whether it is what a statement or an expression asks for by itself."""
    around = node.parent
    if isinstance(around, ast.If | ast.While | ast.IfExp):
        return around.test is node
    return isinstance(around, ast.comprehension) and any(one is node for one in around.ifs)


def _is_type(node: ast.BinOp) -> bool:
    """Whether it may be a union of types, as in `isinstance(one, int | float)`: names that begin with a capital."""
    sides = (node.left, node.right)
    names = [one.id for one in sides if isinstance(one, ast.Name)]
    types = {"int", "float", "str", "bytes", "bool", "list", "dict", "tuple"}
    return isinstance(node.op, ast.BitOr) and any(
        name in types or (name[:1].isupper() and not name.isupper()) for name in names
    )


def _of_call(node: ast.Call) -> Iterator[tuple[str, Change]]:
    first = node.args[:2]
    if len(first) == 2 and not any(isinstance(one, ast.Starred) for one in first):
        name = node.func.id if isinstance(node.func, ast.Name) else ""
        if ast.dump(first[0]) != ast.dump(first[1]) and name not in {"isinstance", "min", "max", "cast", "getattr"}:
            yield "swapped arguments", lambda one: _setting("args", [one.args[1], one.args[0], *one.args[2:]])(one)


def _setting(name: str, value: Any, at: int | None = None) -> Change:
    def change(one: Any) -> Any:
        if at is None:
            setattr(one, name, value)
        else:
            getattr(one, name)[at] = value
        return one

    return change


# --- the text ---------------------------------------------------------------------------------------------------


def _lines_of(node: Any) -> range:
    while not isinstance(node, ast.stmt | ast.excepthandler):
        node = node.parent
    if isinstance(node, ast.Break | ast.Continue):  # a jump may have no line of its own once it is compiled
        return range(node.parent.lineno, node.end_lineno + 1)
    body = getattr(node, "body", None)
    return range(node.lineno, max(node.lineno + 1, body[0].lineno) if body else node.end_lineno + 1)


def _formatted(node: Any) -> Any:
    """The outermost formatted text that a node stands in; None where it stands in none."""
    outer = None
    while (node := getattr(node, "parent", None)) is not None:
        if isinstance(node, ast.JoinedStr):
            outer = node
    return outer


def _bare(node: Any) -> Any:
    """A copy that leaves out what stands around the node."""
    return copy.deepcopy(node, {id(node.parent): None})


def _with(source: str, node: Any, change: Change) -> str:
    """The source with a node changed. Within a formatted text a place has no position of its own (before Python 3.12):
    there the whole text is written anew."""
    where = _formatted(node) or node
    if where is node:
        new = change(_bare(node))
        text = "pass" if new is None else _written(new)
    else:
        node.is_it = True
        text = ast.unparse(ast.fix_missing_locations(_Within(change).visit(_bare(where))))
        del node.is_it
    lines = source.encode().splitlines(keepends=True)
    head = b"".join(lines[: where.lineno - 1]) + lines[where.lineno - 1][: where.col_offset]
    tail = lines[where.end_lineno - 1][where.end_col_offset :] + b"".join(lines[where.end_lineno :])
    return (head + text.encode() + tail).decode()


class _Within(ast.NodeTransformer):
    def __init__(self, change: Change) -> None:
        self.change = change

    def visit(self, node: ast.AST) -> Any:
        return self.change(node) if getattr(node, "is_it", False) else super().generic_visit(node)


def _written(new: Any) -> str:
    """A node as text; an expression stands in brackets, unless it is one thing by itself."""
    text = ast.unparse(ast.fix_missing_locations(new))
    if isinstance(new, ast.stmt | ast.Name | ast.Attribute | ast.Call | ast.Subscript | ast.Constant):
        return text if not text.startswith("-") else f"({text})"
    return f"({text})"


def _compiles(text: str) -> bool:
    try:
        compile(text, "mutant", "exec", dont_inherit=True)
    except (SyntaxError, ValueError):
        return False
    return True


def difference(old: str, new: str) -> tuple[str, str]:
    """The lines that differ, in both texts, each in one line."""
    before, after = old.splitlines(), new.splitlines()
    while before and after and before[0] == after[0]:
        del before[0], after[0]
    while before and after and before[-1] == after[-1]:
        del before[-1], after[-1]
    return " ".join(one.strip() for one in before), " ".join(one.strip() for one in after)
