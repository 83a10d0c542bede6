"""The small slips in C: each puts other words into one place of a text.

What is never touched: the interface to the harness (`bp_port.h`), the size of arrays, declarations without a value but
for the width of their numbers, and what the compiler is told (include, guards). A number that stands for itself behind
`#define` is touched as any other.
"""

from __future__ import annotations

import itertools
import re
from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from typing import Final

from tree_sitter import Node

from tests.conformance.machine.shapes import Kind, Shapes, below, in_view, parsed, said
from tests.mutation.operators import Mutant, difference, near

RELATIONAL: Final = {
    "<": ("<=", ">="),
    "<=": ("<", ">"),
    ">": (">=", "<="),
    ">=": (">", "<"),
    "==": ("!=",),
    "!=": ("==",),
}
ARITHMETIC: Final = {"+": ("-",), "-": ("+",), "*": ("/",), "/": ("*",), "%": ("/",)}
CONNECTIVE: Final = {"&&": ("||",), "||": ("&&",)}
BITS: Final = {"<<": (">>",), ">>": ("<<",), "&": ("|",), "|": ("&",), "^": ("&",)}
BINARY: Final = {
    **dict.fromkeys(RELATIONAL, "relation"),
    **dict.fromkeys(ARITHMETIC, "arithmetic"),
    **dict.fromkeys(CONNECTIVE, "and, or"),
    **dict.fromkeys(BITS, "bits"),
}
OTHERS: Final = {**RELATIONAL, **ARITHMETIC, **CONNECTIVE, **BITS}
ASSIGNED: Final = {"+=": "-=", "-=": "+=", "*=": "/=", "/=": "*=", "<<=": ">>=", ">>=": "<<=", "&=": "|=", "|=": "&="}
WIDTHS: Final = {"uint16_t": "uint8_t", "uint32_t": "uint16_t", "int16_t": "int8_t", "int32_t": "int16_t"}
"""Half as wide. The other sign at the same width is nearly always the same firmware: values are cast back on their way,
and what is kept in 8 bits is seldom above 127."""
_NUMBER: Final = re.compile(r"(-?)(0[xX][0-9a-fA-F]+|[0-9]+)([uUlL]*)")
_DECIDES: Final = {"if_statement", "while_statement", "do_statement", "for_statement", "conditional_expression"}


@dataclass(frozen=True, slots=True)
class Slip:
    """A place, and what is put into it.

    Attributes:
        line: of the place, from 1.
        what: kind of slip.
        start, end: of the place, bytes.
        new: what is put there.
    """

    line: int
    what: str
    start: int
    end: int
    new: str

    def applied(self, source: str, path: str = "") -> Mutant | None:
        """The mutant of the text that the slip was found in; None where it is the same."""
        old = source.encode()
        text = (old[: self.start] + self.new.encode() + old[self.end :]).decode()
        before, after = difference(source, text)
        return None if text == source else Mutant(path, self.line, self.what, before, after, text)


def slips(source: str, shapes: Shapes) -> list[Slip]:
    """Every slip that can be made in a C text; `shapes` is what it and the headers declare."""
    root = parsed(source)
    return list(_within(root, {}, shapes))


def _within(node: Node, names: Mapping[str, Kind], shapes: Shapes) -> Iterator[Slip]:
    if node.type in {"preproc_include", "comment", "preproc_call"}:
        return
    if node.type == "function_definition":
        names = in_view(node)
    if node.type == "preproc_arg":
        yield from _of_macro(node)
        return
    for what, place, new in _changes(node, names, shapes):
        yield Slip(place.start_point.row + 1, what, place.start_byte, place.end_byte, new)
    for at, child in enumerate(node.children):
        name = node.field_name_for_child(at)
        if node.type == "array_declarator" and name == "size":
            continue
        if node.type in {"preproc_ifdef", "preproc_if", "preproc_def", "preproc_function_def"} and name in {
            "name",
            "condition",
            "parameters",
        }:
            continue
        yield from _within(child, names, shapes)


def _of_macro(node: Node) -> Iterator[Slip]:
    """The slips in what a macro stands for, where that is an expression: there the tree holds it as bare text."""
    before = "int x = "
    root = parsed(f"{before}{said(node)};")
    if root.has_error:
        return
    empty = Shapes()
    for one in _within(root, {}, empty):
        if one.start >= len(before):
            moved = node.start_byte - len(before)
            line = node.start_point.row + one.line
            yield Slip(line, one.what, one.start + moved, one.end + moved, one.new)


def _changes(node: Node, names: Mapping[str, Kind], shapes: Shapes) -> Iterator[tuple[str, Node, str]]:
    """(kind of slip, the place, what to put there) of all that one node can become."""
    if node.type == "binary_expression":
        sign = node.child_by_field_name("operator")
        if sign is not None:
            for other in OTHERS.get(said(sign), ()):
                yield BINARY[said(sign)], sign, other
    elif node.type == "assignment_expression":
        sign = node.child_by_field_name("operator")
        if sign is not None and said(sign) in ASSIGNED:
            yield "bits" if said(sign)[0] in "<>&|" else "arithmetic", sign, ASSIGNED[said(sign)]
    elif node.type == "update_expression":
        sign = node.child_by_field_name("operator")
        if sign is not None and not _leads_on(node):
            yield "arithmetic", sign, "--" if said(sign) == "++" else "++"
    elif node.type == "unary_expression":
        argument = node.child_by_field_name("argument")
        if argument is not None and said(node)[0] in "-!~":
            yield "removed minus" if said(node)[0] == "-" else "removed not", node, said(argument)
    elif node.type == "number_literal":
        for new in _numbers(said(node)):
            yield "constant", node, new
    elif node.type == "identifier":
        for new in shapes.beside(said(node)) if _is_used(node) else ():
            yield "other value", node, new
    elif node.type == "primitive_type":
        if said(node) in WIDTHS and _is_own_width(node):
            yield "width", node, WIDTHS[said(node)]
    elif node.type == "field_expression":
        field = node.child_by_field_name("field")
        struct = shapes.kind_of(node.child_by_field_name("argument"), names)
        if field is not None:
            for new in shapes.alike(struct, said(field)):
                yield "other field", field, new
    elif node.type == "call_expression":
        yield from _swapped(node)
    elif node.type in {"expression_statement", "break_statement", "continue_statement"}:
        yield "dropped statement", node, ";"
    elif node.type == "if_statement":
        if node.child_by_field_name("alternative") is None:
            yield "dropped statement", node, ";"
    elif node.type == "return_statement":
        yield from _returned(node)
    if node.type in _DECIDES:
        condition = node.child_by_field_name("condition")
        if condition is not None:
            whole = said(condition)
            yield "negated condition", condition, f"(!{whole})" if whole.startswith("(") else f"!({whole})"


def _leads_on(node: Node) -> bool:
    """Whether it is the step of a loop: the other way that would only never end."""
    return node.parent is not None and node.parent.type == "for_statement"


def _is_used(node: Node) -> bool:
    """Whether a name is used there and not declared."""
    return node.parent is not None and node.parent.type not in {"enumerator", "preproc_def", "preproc_ifdef"}


def _is_own_width(node: Node) -> bool:
    """Whether the width is that of a variable, a member or a cast, and neither of a function nor of a pointer: what a
    caller and a function see must be the same, and a pointer of another width is refused."""
    around = node.parent
    if around is None:
        return False
    if around.type == "type_descriptor":
        return around.parent is not None and around.parent.type == "cast_expression" and "*" not in said(around)
    if around.type not in {"declaration", "field_declaration"}:
        return False
    kinds = {one.type for declarator in around.children_by_field_name("declarator") for one in below(declarator)}
    return not kinds & {"pointer_declarator", "function_declarator"}


def _numbers(text: str) -> Iterator[str]:
    """Another number of the same form: one more and one less; twice and half of one that measures."""
    found = _NUMBER.fullmatch(text)
    if found is None:
        return
    sign, digits, suffix = found.groups()
    if sign:
        yield digits + suffix
        return
    is_hex = digits[:2].lower() == "0x"
    value = int(digits, 16 if is_hex else 10)
    up = near(value)
    others = {up, value // 2 if up == 2 * value else value - 1} - {-1, value}
    for other in sorted(others):
        yield (f"0x{other:0{len(digits) - 2}X}" if is_hex else str(int(other))) + suffix


def _swapped(node: Node) -> Iterator[tuple[str, Node, str]]:
    """Two arguments beside each other in each other's place. Those that the compiler tells apart do not compile."""
    held = node.child_by_field_name("arguments")
    arguments = held.named_children if held is not None else []
    for at, (one, other) in enumerate(itertools.pairwise(arguments)):
        if said(one) != said(other) and held is not None:
            row = [said(argument) for argument in arguments]
            row[at], row[at + 1] = row[at + 1], row[at]
            yield "swapped arguments", held, f"({', '.join(row)})"


def _returned(node: Node) -> Iterator[tuple[str, Node, str]]:
    if not node.named_children:
        yield "dropped statement", node, ";"
        return
    value = node.named_children[0]
    for other in ("0", "1"):
        if said(value) != other and value.type != "number_literal":
            yield "returned constant", value, other
