"""Every key that a command prints with `--json`: name, type, unit, meaning, commands. They are documented here alone.

The help texts only list them. `python -m busproto.cli.json_keys` prints the page of the handbook; `flaws_of` holds an
output against the table. What `busproto spec` and `busproto plan schema` print are documents of their own: the format
page and a JSON Schema.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from typing import Any, Final

from busproto.cli.json_keys import bus_rows, file_rows, plan_rows

GROUPS: Final = {
    "APPLYING": "apply restore replace",
    "REPORT": "show move hand",
    "ENGAGED": "find show audit save apply restore replace",
    "LET_GO": "address move hand serve claim apply match trial restore replace demo replay",
}
"""Commands that print the same things, under one word in the rows."""
EVERY: Final = "every"
"""Stands for all commands."""
DOCUMENTS: Final = ("spec", "plan schema")
"""Commands whose whole output is a document of its own kind."""
TYPES: Final = {
    "text": "text",
    "bool": "`true` or `false`",
    "int": "whole number",
    "number": "number",
    "list": "list of objects",
    "texts": "list of texts",
    "ints": "list of whole numbers",
    "numbers": "list of numbers",
    "object": "object",
    "map": "object whose keys are data",
    "any": "text, number or list, by the parameter",
    "document": "document of its own",
}
"""Types in the rows, and in words; a question mark behind one means "or null"."""
UNIT_ENDINGS: Final = {
    "ns": "ns",
    "us": "us",
    "ms": "ms",
    "s": "s",
    "deg": "deg",
    "degc": "deg C",
    "ma": "mA",
    "a": "A",
    "v": "V",
    "nm": "N m",
    "hz": "Hz",
    "ohm": "ohm",
    "mm": "mm",
    "kg": "kg",
    "pa": "Pa",
    "percent": "%",
    "bytes": "byte",
}
"""How a name ends whose key has that unit."""
NO_UNIT: Final = {"bytes"}
"""Names that end so by chance."""


@dataclass(frozen=True, slots=True)
class Key:
    """One key.

    Attributes:
        section: heading under which it stands.
        name: of the key.
        kind: one of `TYPES`.
        or_null: it may be null.
        unit: "" for none.
        commands: that print it, or `EVERY` alone.
        meaning: in words.
    """

    section: str
    name: str
    kind: str
    or_null: bool
    unit: str
    commands: tuple[str, ...]
    meaning: str

    @property
    def type_text(self) -> str:
        """The JSON type in words, with "or null" where the key may be null."""
        return TYPES[self.kind] + (", or null" if self.or_null else "")


def _rows(text: str) -> Iterator[Key]:
    section = ""
    for line in text.replace("\n  ", " ").strip().splitlines():
        if line.startswith("# "):
            section = line.removeprefix("# ")
            continue
        name, kind, unit, commands, meaning = (one.strip() for one in line.split("|"))
        words = " ".join(GROUPS.get(one, one) for one in commands.split())
        told = tuple(dict.fromkeys(one.replace("-", " ") for one in words.split()))
        yield Key(section, name, kind.removesuffix("?"), kind.endswith("?"), unit, told, meaning)


_ALL: Final = tuple(key for one in (bus_rows, plan_rows, file_rows) for key in _rows(one.ROWS))
KEYS: Final = {key.name: key for key in _ALL}
"""Every key by its name, in the order of the page."""


def twice() -> list[str]:
    """Names that stand in the table more than once; there must be none."""
    return [key.name for key in _ALL if KEYS[key.name] is not key]


def flaws_of(command: str, body: Any) -> list[str]:
    """What in an output is not as the table says; [] where all is.

    Args:
        command: its name as it is typed, such as "find" or "plan check".
        body: the output, decoded.
    """
    return [] if command in DOCUMENTS else [*_flaws(command, body, "")]


def _flaws(command: str, value: Any, path: str) -> Iterator[str]:
    if isinstance(value, list):
        for one in value:
            yield from _flaws(command, one, path)
    if not isinstance(value, dict):
        return
    for name, inner in value.items():
        where = f"{path}.{name}" if path else name
        key = KEYS.get(name)
        if key is None:
            yield f"{command}: {where} is not in the table"
            continue
        if EVERY not in key.commands and command not in key.commands:
            yield f"{command}: {where} is not told of this command"
        if not _fits(key, inner):
            yield f"{command}: {where} is {inner!r}, not {key.type_text}"
        if key.kind == "map":
            for one in inner.values() if isinstance(inner, dict) else ():
                yield from _flaws(command, one, f"{where}.*")
        elif key.kind in {"list", "object"}:
            yield from _flaws(command, inner, where)


def _fits(key: Key, value: Any) -> bool:
    """Whether a value has the type of its key."""
    if value is None:
        return key.or_null or key.kind == "any"
    if key.kind in {"any", "document"}:
        return True
    if key.kind in {"list", "texts", "ints", "numbers"}:
        inner = {"list": "object", "texts": "text", "ints": "int", "numbers": "number"}[key.kind]
        return isinstance(value, list) and all(_is(one, inner) for one in value)
    return _is(value, key.kind)


def _is(value: Any, kind: str) -> bool:
    if isinstance(value, bool):
        return kind == "bool"
    wanted: dict[str, type | tuple[type, ...]] = {
        "text": str,
        "int": int,
        "number": (int, float),
        "object": dict,
        "map": dict,
    }
    return kind in wanted and isinstance(value, wanted[kind])


HEAD: Final = """# Every JSON key

Printed by the program from the table against which its tests hold every output. One key means one thing in all
commands, and has one type and one unit. The unit ends the name: `_ms`, `_deg`, `_ma`. A count ends in `_count`; a list
stands under the plural and is not counted. Reports of an actuator are in mA; totals of a supply in A, as packs and
leads are rated. `busproto COMMAND --help` tells where in its output a key stands.

`busproto spec --json` prints the [format](format.md) as data, and `busproto plan schema` a JSON Schema; their keys are
not in these tables. Keys are added, so a reader passes over those it does not know.
"""


def page() -> str:
    """The page of the handbook, as Markdown."""
    parts = [HEAD]
    for section in dict.fromkeys(key.section for key in _ALL):
        rows = [key for key in _ALL if key.section == section]
        parts.append(f"## {section}\n\n| key | type | unit | meaning | commands |\n| --- | --- | --- | --- | --- |")
        parts.append("".join(f"{_row(key)}\n" for key in rows))
    return "\n".join(parts)


def _row(key: Key) -> str:
    return f"| `{key.name}` | {key.type_text} | {key.unit} | {key.meaning} | {', '.join(key.commands)} |"
