"""What the C texts declare, as far as a slip needs it: members of structs, values of enumerations, variables in view.

The texts are read as they stand, before the preprocessor, so that a place in the tree is a place in the file.
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass, field
from functools import cache
from typing import Final

import tree_sitter_c
from tree_sitter import Language, Node, Parser

_DECLARATORS: Final = ("pointer_declarator", "array_declarator", "init_declarator", "parenthesized_declarator")


@cache
def _parser() -> Parser:
    return Parser(Language(tree_sitter_c.language()))


def parsed(text: str) -> Node:
    """The tree of a C text."""
    return _parser().parse(text.encode()).root_node


def said(node: Node | None) -> str:
    """What stands in a place."""
    return node.text.decode() if node is not None and node.text is not None else ""


def below(node: Node) -> Iterator[Node]:
    """The node and all below it, the outer ones first."""
    left = [node]
    while left:
        one = left.pop()
        yield one
        left += reversed(one.children)


@dataclass(frozen=True, slots=True)
class Kind:
    """The type of something that is declared.

    Attributes:
        name: of the type without `*` and `[]`; of a struct or union without a name of its own a made one.
        marks: how it is declared around the name, such as "*" or "[8]".
    """

    name: str
    marks: str = ""


@dataclass(slots=True)
class Shapes:
    """All that was declared in some texts.

    Attributes:
        members: type of each member, by the name of its struct or union, in their order.
        values: names of each enumeration, in their order.
    """

    members: dict[str, dict[str, Kind]] = field(default_factory=lambda: defaultdict(dict))
    values: list[tuple[str, ...]] = field(default_factory=list)

    @classmethod
    def of(cls, texts: Iterable[str]) -> Shapes:
        """Everything that these texts declare."""
        made = cls()
        for text in texts:
            for node in below(parsed(text)):
                if node.type == "enum_specifier" and node.child_by_field_name("body") is not None:
                    names = [said(one.child_by_field_name("name")) for one in below(node) if one.type == "enumerator"]
                    made.values.append(tuple(names))
                elif node.type in {"struct_specifier", "union_specifier"}:
                    made._take(node)
        return made

    def _take(self, node: Node) -> None:
        body = node.child_by_field_name("body")
        if body is None:
            return
        for row in body.named_children:
            if row.type == "field_declaration":
                self.members[_name_of(node)].update(declared(row))

    def alike(self, struct: str, member: str) -> list[str]:
        """The other members of the same type."""
        rows = self.members.get(struct, {})
        kind = rows.get(member)
        return [name for name, one in rows.items() if one == kind and name != member]

    def beside(self, value: str) -> list[str]:
        """The other values of the same enumeration."""
        return [one for names in self.values if value in names for one in names if one != value]

    def kind_of(self, node: Node | None, names: Mapping[str, Kind]) -> str:
        """The type of an expression of names, members and places in a list; "" where it is not known."""
        if node is None:
            return ""
        if node.type == "identifier":
            found = names.get(said(node))
            return found.name if found else ""
        if node.type == "field_expression":
            struct = self.kind_of(node.child_by_field_name("argument"), names)
            found = self.members.get(struct, {}).get(said(node.child_by_field_name("field")))
            return found.name if found else ""
        if node.type in {"subscript_expression", "pointer_expression"}:
            return self.kind_of(node.child_by_field_name("argument"), names)
        if node.type == "parenthesized_expression":
            return self.kind_of(node.named_children[0], names)
        return ""


def _name_of(node: Node) -> str:
    """The name of a struct or union: its own, that of its typedef, or a made one."""
    named = node.child_by_field_name("name")
    if named is not None:
        return said(named)
    around = node.parent
    if around is not None and around.type == "type_definition":
        return said(around.child_by_field_name("declarator"))
    return f"at {node.start_byte}"


def declared(node: Node) -> dict[str, Kind]:
    """What a declaration, a parameter or a row of a struct declares: type by name."""
    of_type = node.child_by_field_name("type")
    if of_type is None:
        return {}
    is_own = of_type.type in {"struct_specifier", "union_specifier"}
    name = _name_of(of_type) if is_own else said(of_type)
    found = {}
    for one in node.children_by_field_name("declarator"):
        inner, marks = one, ""
        while inner.type in _DECLARATORS:
            if inner.type == "pointer_declarator":
                marks += "*"
            elif inner.type == "array_declarator":
                marks += f"[{said(inner.child_by_field_name('size'))}]"
            within = inner.child_by_field_name("declarator")
            if within is None:
                break
            inner = within
        if inner.type in {"identifier", "field_identifier"}:
            found[said(inner)] = Kind(name, marks)
    return found


def in_view(function: Node) -> dict[str, Kind]:
    """Parameters and variables of a function: type by name."""
    found: dict[str, Kind] = {}
    for node in below(function):
        if node.type in {"parameter_declaration", "declaration"}:
            found.update(declared(node))
    return found
