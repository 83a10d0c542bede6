"""The handbook's page of every key: written from the very tables by which files are read, so that it cannot lag behind.

``python -m busproto.cli.files.handbook_keys`` prints it; a test holds the page that is shipped against that.
"""

from __future__ import annotations

import inspect
import re
import sys
from collections.abc import Iterator
from dataclasses import dataclass
from typing import Any, Final

import msgspec
from msgspec import inspect as shapes

from busproto.plan.files import KINDS, SAID_ELSEWHERE
from busproto.sim.scene import scenario
from busproto.wire.parameters import PARAMETERS

NO_CONTROLS: Final = r"^[^\x00-\x1f\x7f-\x9f]*$"
"""Of `busproto.toml_source.PlainText`: any text that may be printed."""
FILES: Final[dict[str, type[msgspec.Struct]]] = {
    "Fleet map": KINDS["fleet-map"],
    "Airframe file": KINDS["airframe"],
    "Scenario": scenario._File,
}
HEAD: Final = """# Every key of scenario, fleet map and airframe file

Printed by the program from the tables by which it reads these files. All three are TOML. A key that stands in none of
these tables is refused, with its line. *must be there* marks keys without a default. `[name]` is a table, `[[name]]`
one of several, NAME a name of yours.

The fleet map and the airframe file are explained step by step in [begin](begin.md); a scenario is a virtual bus as
data. `busproto plan schema airframe` and `busproto plan schema fleet-map` give the same as JSON Schema, for editors.
"""


@dataclass(frozen=True)
class _Place:
    """One table of a file: where it stands, whether there may be several, and its class."""

    path: str
    table: type[msgspec.Struct]
    is_one_of_many: bool = False

    @property
    def where(self) -> str:
        """As a file has it."""
        if not self.path:
            return "at the top"
        return f"[[{self.path}]]" if self.is_one_of_many else f"[{self.path}]"


def page() -> str:
    """The page of every key in scenario, fleet map and airframe file, as Markdown."""
    parts = [HEAD]
    for title, table in FILES.items():
        parts += [f"## {title}\n", *(_section(title, place) for place in _below(_Place("", table)))]
    parts.append(_settings())
    return "\n".join(parts)


def _below(place: _Place) -> Iterator[_Place]:
    """A table and all below it, in the order of the file."""
    yield place
    for field in _fields(place.table):
        path = f"{place.path}.{field.encode_name}" if place.path else field.encode_name
        for inner in _tables_in(field.type, path):
            yield from _below(inner)


def _fields(table: type[msgspec.Struct]) -> tuple[shapes.Field, ...]:
    found = shapes.type_info(table)
    assert isinstance(found, shapes.StructType)
    return found.fields


def _tables_in(kind: shapes.Type, path: str, is_one_of_many: bool = False) -> Iterator[_Place]:
    kind = _bare(kind)
    if isinstance(kind, shapes.StructType):
        yield _Place(path, kind.cls, is_one_of_many)
    elif isinstance(kind, shapes.ListType):
        yield from _tables_in(kind.item_type, path, True)
    elif isinstance(kind, shapes.DictType):
        yield from _tables_in(kind.value_type, f"{path}.NAME")
    elif isinstance(kind, shapes.UnionType):
        for one in kind.types:
            yield from _tables_in(one, path, is_one_of_many)


def _bare(kind: shapes.Type) -> shapes.Type:
    return kind.type if isinstance(kind, shapes.Metadata) else kind


def _section(title: str, place: _Place) -> str:
    fields = _fields(place.table)
    shape = shapes.type_info(place.table)
    assert isinstance(shape, shapes.StructType)
    head = f"### {title}: {place.where}" + (f", {shape.tag_field} = {shape.tag}" if shape.tag else "")
    rows = [f"| `{one.encode_name}` | {_cell(_kind_text(one.type))} | {_cell(_default_text(one))} |" for one in fields]
    lines = [head, "", *([_doc(place.table), ""] if _doc(place.table) else [])]
    if rows:
        lines += ["| key | what may stand there | left out |", "| --- | --- | --- |", *rows, ""]
    return "\n".join(lines)


def _cell(text: str) -> str:
    return text.replace("|", "\\|")


def _doc(table: type[msgspec.Struct]) -> str:
    """What the table says of itself, with its keys spelled as in a file."""
    told = table.__doc__ or ""
    if told.startswith(f"{table.__name__}("):
        return ""
    names = {one.name: one.encode_name for one in _fields(table)}
    return re.sub(r"`(\w+)`", lambda found: f"`{names.get(found.group(1), found.group(1))}`", inspect.cleandoc(told))


def _default_text(field: shapes.Field) -> str:
    if field.required:
        return "*must be there*"
    default = field.default
    if field.default_factory is not msgspec.NODEFAULT:
        default = field.default_factory()
    if default is None or isinstance(default, msgspec.Struct) or default in ([], {}, ()):
        return "none" if not isinstance(default, msgspec.Struct) else "as its own table says"
    return f"`{_toml(default)}`"


def _toml(value: Any) -> str:
    if isinstance(value, bool):
        return str(value).lower()
    if isinstance(value, str):
        return f'"{value}"'
    if isinstance(value, list | tuple):
        return f"[{', '.join(map(_toml, value))}]"
    return f"{value:g}" if isinstance(value, float) and value != int(value) else str(value)


def _kind_text(kind: shapes.Type) -> str:
    """What may stand there, in words."""
    meta: dict[str, Any] = {}
    if isinstance(kind, shapes.Metadata):
        meta, kind = dict(kind.extra_json_schema or {}), kind.type
    text = _simple(kind)
    return f"{text}: {meta['description']}" if "description" in meta else text


def _simple(kind: shapes.Type) -> str:
    match kind:
        case shapes.IntType():
            return _ranged("whole number", kind)
        case shapes.FloatType():
            return _ranged("number", kind)
        case shapes.BoolType():
            return "`true` or `false`"
        case shapes.StrType():
            return _text_kind(kind)
        case shapes.LiteralType():
            return " or ".join(f"`{_toml(one)}`" for one in kind.values)
        case shapes.ListType():
            return f"list{_counted(kind)} of {_kind_text(kind.item_type)}"
        case shapes.TupleType():
            parts = list(dict.fromkeys(map(_kind_text, kind.item_types)))
            what = f"{parts[0]} each" if len(parts) == 1 else ", then ".join(parts)
            return f"list of {len(kind.item_types)}: {what}"
        case shapes.DictType():
            return f"a table by name; each: {_kind_text(kind.value_type)}"
        case shapes.StructType():
            return "a table, see below"
        case shapes.UnionType():
            parts = [_kind_text(one) for one in kind.types if not isinstance(one, shapes.NoneType)]
            return ", or ".join(dict.fromkeys(parts))
        case shapes.AnyType():
            return "a value, see Settings"
    raise TypeError(f"no words for {kind}")


def _ranged(word: str, kind: shapes.IntType | shapes.FloatType) -> str:
    low = kind.ge if kind.ge is not None else kind.gt
    high = kind.le if kind.le is not None else kind.lt
    if low is None and high is None:
        return word
    above = "above " if kind.ge is None and kind.gt is not None else ""
    if high is None:
        return f"{word}, {above or 'from '}{low:.12g}" + ("" if above else " on")
    if above:
        return f"{word}, above {low:.12g}, up to {high:.12g}"
    return f"{low:.12g}" if low == high else f"{word}, {low:.12g} to {high:.12g}"


def _text_kind(kind: shapes.StrType) -> str:
    if kind.pattern == NO_CONTROLS:
        return f"text of {kind.min_length} to {kind.max_length} letters" if kind.max_length else "text"
    if kind.pattern:
        return f"text that fits `{kind.pattern}`"
    if kind.max_length is not None:
        return f"text of {kind.min_length or 0} to {kind.max_length} letters"
    return "text"


def _counted(kind: shapes.ListType) -> str:
    low, high = kind.min_length, kind.max_length
    if low is None and high is None:
        return ""
    return f" ({low or 0} to {high})" if high is not None else f" (at least {low})"


ONLY_SOME_HAVE = (
    "An actuator may lack some of these, and have others of its own: `busproto show` tells. What is stated for a",
    "function and is not there is a difference, and `busproto apply` does not begin: take it out, or name it",
    "under `lacks` of the function; then nothing is planned for it. What no file states may be lacking.",
    "",
    "What only the actuator of a function has stands under `own`, by the name that `busproto show` gives it and",
    "in its unit. `busproto plan check` holds it against the record beside the plan and says where there is none;",
    "`busproto apply` holds it against the actuator. One of its own that is not stated is left as it is. In a",
    "scenario `lacks` and `own` make such an actuator; its own are set under `settings`.",
)
"""Of parameters that an actuator lacks, or that only it has."""


def _settings() -> str:
    """What may stand under `settings`, the same in all three files."""
    lines = [
        "## Settings",
        "",
        "What may stand under `settings` in all three files. In a plan some are said elsewhere.",
        "",
        *ONLY_SOME_HAVE,
        "",
        "| name | range | unit | factory | meaning |",
        "| --- | --- | --- | --- | --- |",
    ]
    for row in PARAMETERS.values():
        low, high = row.text(row.low), row.text(row.high)
        span = ", ".join(row.choices) if row.choices else f"{_number(low)} to {_number(high)}"
        span += f"; up to {row.points} of them" if row.points else ""
        said = f" (in a plan: {SAID_ELSEWHERE[row.name]})" if row.name in SAID_ELSEWHERE else ""
        factory = "none" if row.points else _number(row.text(row.default))
        lines.append(f"| `{row.name}` | {span} | {row.unit} | {factory} | {_cell(row.doc)}{said} |")
    return "\n".join([*lines, ""])


def _number(text: str) -> str:
    return text.split(" ")[0]


if __name__ == "__main__":
    sys.stdout.write(page())
