"""TOML files that people write, with every problem at once, each with its line and key.

`read` gives the data of a text and the line of each key. `Source.checked` checks the data against msgspec tables and
lists all problems, not only the first. This module knows no file system and no meaning of any key.
"""

from __future__ import annotations

import functools
import itertools
import operator
import re
import tomllib
from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from types import UnionType
from typing import Annotated, Any, Final, Literal, TypeVar, Union, get_args, get_origin

import msgspec
from msgspec import Meta

from busproto.reading import MAX_DEPTH, is_too_deep

T = TypeVar("T")
Path = tuple[str | int, ...]
PlainText = Annotated[str, Meta(pattern=r"^[^\x00-\x1f\x7f-\x9f]*$")]
"""Text without control characters, so that a terminal can print it."""
Name = Annotated[PlainText, Meta(min_length=1, max_length=40)]

MAX_PROBLEMS: Final = 200
"""At most this many problems are listed."""
MAX_POINTS: Final = 100
"""Most points in a line: the work on dotted keys grows with the square of their number."""
_POINTS: Final = re.compile(r"\.+")

_SAID_BETTER: Final = (
    (r"^Expected `int`, got `float`$", "a whole number is wanted here"),
    (r"^Expected `(\w+)`, got `(\w+)`$", r"\1 is wanted here, not \2"),
    (r"^Expected `(\w+) \| (\w+)(?: \| null)?`, got `(\w+)`$", r"\1 or \2 is wanted here, not \3"),
    (r"^Expected `\w+` ([<>]=?) (\S+)$", r"must be \1 \2"),
    (r"^Expected `str` of length ([<>]=?) (\d+)$", r"length must be \1 \2"),
    (r"^Expected `object` of length ([<>]=?) (\d+)$", r"number of entries must be \1 \2"),
    (r"^Expected `str` matching regex '\^\[0-9a-f\]\{16\}\$'$", "16 digits 0-9 a-f are wanted"),
    (r"^Expected `str` matching regex '\^.*d\{1,\d\}.*$", "two numbers with a point are wanted, such as '2.4'"),
    (r"^Expected `str` matching regex '\^\[\^.*$", "a text without control characters is wanted"),
    (r"^Expected `array` of length ([<>]=?) (\d+)", r"number of entries must be \1 \2"),
    (r"^Expected `array` of length (\d+), got (\d+)", r"\1 entries are wanted, not \2"),
)
_TOML_WORDS: Final = {
    "array": "a list",
    "bool": "true or false",
    "date": "a date",
    "datetime": "a date with a time",
    "float": "a number",
    "int": "a whole number",
    "object": "a table",
    "str": "a text",
    "time": "a time",
}
_IN_TOML_WORDS: Final = re.compile(rf"\b(?:{'|'.join(_TOML_WORDS)})\b(?=(?:(?: or \w+)? is wanted here|$))")


@dataclass(frozen=True, slots=True)
class Problem:
    """One problem in a file.

    Attributes:
        path: keys and list indices, down to the wrong value.
        text: the problem, and what is allowed there.
        line: line number from 1; 0 if the file has no such place.
    """

    path: Path
    text: str
    line: int = 0

    def __str__(self) -> str:
        where = [f"line {self.line}"] if self.line else []
        return ": ".join([*where, *([path_text(self.path)] if self.path else []), self.text])


def path_text(path: Path) -> str:
    """A path as it is written in TOML."""
    text = ""
    for part in path:
        if isinstance(part, int):
            text += f"[{part}]"
        else:
            bare = re.fullmatch(r"[\w-]+", part, re.ASCII)
            text += ("." if text else "") + (part if bare else f'"{part}"')
    return text


class Source:
    """A TOML text that was read.

    Attributes:
        name: name of the file, for messages.
        data: the parsed data.
    """

    def __init__(self, name: str, text: str, data: dict[str, Any]) -> None:
        self.name = name
        self.data = data
        self._text = text

    @functools.cached_property
    def _lines(self) -> dict[Path, int]:
        """The line of each key; worked out only for the first problem, as most files have none."""
        return _lines(self._text)

    def line_of(self, path: Path) -> int:
        """The line of a key, or of the innermost table around it; 0 if there is none."""
        while path and path not in self._lines:
            path = path[:-1]
        return self._lines.get(path, 0)

    def problem(self, path: Path, text: str) -> Problem:
        """A problem at this path of the file, with its line."""
        return Problem(path, text, self.line_of(path))

    def checked(self, kind: type[T]) -> tuple[T | None, list[Problem]]:
        """The data as a table of this type; None, and all problems, if it does not fit."""
        found = itertools.islice(_problems(self.data, kind, ()), MAX_PROBLEMS + 1)
        problems = [self.problem(path, text) for path, text in found]
        if len(problems) > MAX_PROBLEMS:
            problems[-1] = Problem((), f"and more; these are the first {MAX_PROBLEMS}")
        if not problems:
            try:
                return msgspec.convert(self.data, kind), []
            except msgspec.ValidationError as error:  # a problem that was overlooked above must not end in a traceback
                problems = [self.problem((), str(error))]
        return None, problems


def read(text: str, name: str) -> tuple[Source | None, list[Problem]]:
    """Parse a text. Returns its source; None, and why, if it is not TOML."""
    for number, line in enumerate(text.split("\n"), 1):
        if len(_POINTS.findall(line)) > MAX_POINTS:
            return None, [Problem((), f"more than {MAX_POINTS} points in one line", number)]
    try:
        data = tomllib.loads(text)
        if is_too_deep(data):
            raise RecursionError
        return Source(name, text, data), []
    except tomllib.TOMLDecodeError as error:
        where = re.search(r"line (\d+)", str(error))
        what = re.sub(r" \(at line \d+, column (\d+)\)", r" (column \1)", str(error))
        return None, [Problem((), f"not valid TOML: {what}", int(where.group(1)) if where else 0)]
    except ValueError:  # Python refuses to convert more than some thousand digits
        return None, [Problem((), "not valid TOML: a number has too many digits")]
    except RecursionError:
        return None, [Problem((), f"lists or tables are nested more than {MAX_DEPTH} deep")]


def _lines(text: str) -> dict[Path, int]:
    """The line of every key: of its own header, or else of the first statement below it."""
    lines: dict[Path, int] = {}
    own: set[Path] = set()
    for path, line, is_header in _places(text):
        if is_header and path not in own:
            own.add(path)
            lines[path] = line
        for end in range(1, len(path) + 1):
            lines.setdefault(path[:end], line)
    return lines


def _places(text: str) -> Iterator[tuple[Path, int, bool]]:
    """Every key of a valid text, the line of its statement, and whether that is a header.

    Each statement is read once, so that the work grows linearly with the text.
    """
    table: Path = ()
    counts: dict[Path, int] = {}
    for first, statement in _statements(text):
        data = tomllib.loads(statement)
        if not statement.lstrip().startswith("["):
            for path in _paths(data):
                yield table + path, first, False
        else:
            table = _table_path(data, counts, is_row=statement.lstrip().startswith("[["))
            yield table, first, True


_TOKEN: Final = re.compile(
    r'''#[^\n]*|"""(?:[^\\"]|\\.|"(?!""))*"{3,5}|\'{3}(?:[^\']|\'(?!\'\'))*\'{3,5}'''
    r"""|"(?:[^\\"\n]|\\.)*"|\'[^\'\n]*\'|[\[{]|[\]}]|\n""",
    re.DOTALL,
)
"""The tokens that decide where a statement of a valid text ends: comments and strings, brackets, line ends."""


def _statements(text: str) -> Iterator[tuple[int, str]]:
    """The line number and text of each statement of a valid text, with comments and blank lines."""
    text = text.replace("\r\n", "\n")
    begin, first, line, depth = 0, 1, 1, 0
    for token in _TOKEN.finditer(text):
        found = token.group()
        line += found.count("\n")
        if found in "[{":
            depth += 1
        elif found in "]}":
            depth -= 1
        elif found == "\n" and not depth:
            yield first, text[begin : token.start()]
            begin, first = token.end(), line
    yield first, text[begin:]


def _table_path(data: Any, counts: dict[Path, int], *, is_row: bool) -> Path:
    """The path of a header: through the last row of each list of tables on its way."""
    keys = []
    while data and isinstance(data, dict):
        (key, data), *_ = data.items()
        keys.append(key)
    path: Path = ()
    for at, key in enumerate(keys):
        path += (key,)
        if is_row and at == len(keys) - 1:
            counts[path] = counts.get(path, -1) + 1
        if path in counts:
            path += (counts[path],)
    return path


def _paths(data: Any) -> Iterator[Path]:
    items: Any = data.items() if isinstance(data, dict) else enumerate(data) if isinstance(data, list) else ()
    for key, value in items:
        yield (key,)
        for path in _paths(value):
            yield (key, *path)


def _problems(value: Any, kind: Any, path: Path) -> Iterator[tuple[Path, str]]:
    """All problems of a value; msgspec alone stops at the first."""
    kind = _of_shape(value, _without_none(kind))
    inner = _inner(kind)
    if isinstance(kind, type) and issubclass(kind, msgspec.Struct):
        yield from _table_problems(value, kind, path)
    elif (variants := _variants(kind)) and isinstance(value, dict):
        tag_field = str(next(iter(variants.values())).__struct_config__.tag_field)
        tag = value.get(tag_field)
        chosen = variants.get(tag) if isinstance(tag, str) else None
        if chosen is None:
            instead = "" if tag is None else f", not {toml_text(tag)}"
            yield (*path, tag_field), f"one of {', '.join(sorted(variants))} is wanted{instead}"
        else:
            yield from _table_problems(value, chosen, path)
    elif inner is not None and isinstance(value, list | dict) and isinstance(value, _container(kind)):
        for key, one in value.items() if isinstance(value, dict) else enumerate(value):
            yield from _problems(one, inner, (*path, key))
            if isinstance(key, str):
                yield from _leaf_problem(key, get_args(_bare(kind))[0], (*path, key))
        yield from _leaf_problem(value, kind, path)  # limits of the list or table itself, such as the number of entries
    else:
        yield from _leaf_problem(value, kind, path)


def _table_problems(value: Any, kind: type[msgspec.Struct], path: Path) -> Iterator[tuple[Path, str]]:
    if not isinstance(value, dict):
        yield path, "a table is wanted here"
        return
    tag_field = kind.__struct_config__.tag_field
    fields = _fields(kind)
    known = [*([tag_field] if tag_field else []), *fields]
    for key, one in value.items():
        if key in fields:
            yield from _problems(one, fields[key].type, (*path, key))
        elif key != tag_field:
            yield (*path, key), f"there is no such key here; there are: {', '.join(known)}"
    for name, field in fields.items():
        if field.required and name not in value:
            yield path, f"'{name}' is missing"


@functools.cache
def _fields(kind: type[msgspec.Struct]) -> Mapping[str, Any]:
    """The fields of a table by key; cached, as msgspec works them out at each call."""
    return {field.encode_name: field for field in msgspec.structs.fields(kind)}


def _without_none(kind: Any) -> Any:
    """An optional type without None."""
    kinds = [one for one in get_args(kind) if one is not type(None)]
    if get_origin(kind) not in {Union, UnionType} or len(kinds) == len(get_args(kind)):
        return kind
    return functools.reduce(operator.or_, kinds)


def _of_shape(value: Any, kind: Any) -> Any:
    """Of a type that allows a list or a table, the one that the value is; any other type itself."""
    if get_origin(kind) in {Union, UnionType} and not _variants(kind):
        for one in get_args(kind):
            is_table = isinstance(one, type) and issubclass(one, msgspec.Struct)
            if (is_table and isinstance(value, dict)) or (get_origin(_bare(one)) is list and isinstance(value, list)):
                return one
    return kind


def _variants(kind: Any) -> Mapping[str, type[msgspec.Struct]]:
    kinds = get_args(kind)
    if kinds and all(isinstance(one, type) and issubclass(one, msgspec.Struct) for one in kinds):
        return {str(one.__struct_config__.tag): one for one in kinds if one.__struct_config__.tag_field}
    return {}


def _bare(kind: Any) -> Any:
    """A type without its limits."""
    while hasattr(kind, "__metadata__"):  # Annotated
        kind = get_args(kind)[0]
    return kind


def _container(kind: Any) -> type:
    """list or dict, for a type that is one of them; else the type itself."""
    container: type = get_origin(_bare(kind))
    return container


def _inner(kind: Any) -> Any:
    """The type of the entries of a list or a table of tables; None for any other type."""
    kind = _bare(kind)
    origin, of = get_origin(kind), get_args(kind)
    inner = of[-1] if origin in {list, dict} and of else None
    is_table = isinstance(inner, type) and issubclass(inner, msgspec.Struct)
    return inner if is_table or (inner is not None and _variants(inner)) else None


def _leaf_problem(value: Any, kind: Any, path: Path) -> Iterator[tuple[Path, str]]:
    try:
        msgspec.convert(value, kind)
    except msgspec.ValidationError as error:
        what, _, below = str(error).partition(" - at `")
        if _inner(kind) is not None and below:
            return  # reported already, with its own path
        steps: list[str | int] = [int(step) for step in re.findall(r"\[(\d+)\]", below)]
        if what.startswith("Invalid enum value") and (allowed := _allowed(kind)):
            what = f"{allowed} is wanted here, not {toml_text(value)}"
        for pattern, better in _SAID_BETTER:
            what = re.sub(pattern, better, what)
        what = _IN_TOML_WORDS.sub(lambda found: _TOML_WORDS[found.group()], what)
        yield (*path, *steps), what[:1].lower() + what[1:]


def toml_text(value: Any) -> str:
    """A single value as it is written in TOML."""
    if isinstance(value, str):
        return f"'{value}'"
    return str(value).lower() if isinstance(value, bool) else str(value)


def _allowed(kind: Any) -> str:
    """The allowed values of a type with a few values, or of one with a range as well; "" for any other type."""
    said: list[str] = []
    for one in get_args(kind) if get_origin(kind) in {Union, UnionType} else (kind,):
        if get_origin(one) is Literal:
            said += [toml_text(choice) for choice in get_args(one)]
        elif hasattr(one, "__metadata__") and _bare(one) in {int, float}:
            low, high = (next((getattr(meta, edge) for meta in one.__metadata__), None) for edge in ("ge", "le"))
            said.append(f"{low}..{high}" if low is not None and high is not None else _TOML_WORDS[_bare(one).__name__])
        else:
            return ""
    return " or ".join(said) if len(said) < 3 else f"one of {', '.join(said)}"
