"""TOML files as people write them: where each key stands, and everything that is wrong at once."""

from __future__ import annotations

import tomllib
from typing import Annotated, Any

import msgspec
import pytest
from hypothesis import example, given
from hypothesis import strategies as st
from msgspec import Meta

from busproto.toml_source import Path, Problem, Source, path_text, read


def source_of(text: str) -> Source:
    source, problems = read(text, "a.toml")
    assert source is not None, problems
    assert problems == []
    return source


# --- lines -----------------------------------------------------------------------------------------------------

EVERY_KIND = '''\
# a comment
plain = 1
"quoted key" = 2
'single' = 3

dotted.one = 4
dotted.two = 5
long = """
[not.a.table]
plain = 7
"""
literal = \'\'\'
a = 1\'\'\'
list = [
  1,  # one
  2,
]
inline = { a = 1, b = { c = 2 } }
rows = [ { a = 1 },
  { b = 2 } ]

[table]
key = 1
inner.key = 2

[table.below]
key = 1
  [table.below."odd name"]  # with a comment
  key = 1

[[row]]
key = 1
[row.inner]
key = 1
[[row.sub]]
key = 1
[[row.sub]]
key = 1

[[row]]
[[row.sub]]
key = 1

[implied.table]
key = 1
'''


@pytest.mark.parametrize(
    ("path", "line"),
    [
        (("plain",), 2),
        (("quoted key",), 3),
        (("single",), 4),
        (("dotted",), 6),
        (("dotted", "one"), 6),
        (("dotted", "two"), 7),
        (("long",), 8),
        (("literal",), 12),
        (("list",), 14),
        (("list", 1), 14),
        (("inline", "b", "c"), 18),
        (("rows", 0, "a"), 19),
        (("rows", 1, "b"), 19),
        (("table",), 22),
        (("table", "key"), 23),
        (("table", "inner"), 24),
        (("table", "inner", "key"), 24),
        (("table", "below"), 26),
        (("table", "below", "key"), 27),
        (("table", "below", "odd name"), 28),
        (("table", "below", "odd name", "key"), 29),
        (("row",), 31),
        (("row", 0), 31),
        (("row", 0, "key"), 32),
        (("row", 0, "inner"), 33),
        (("row", 0, "inner", "key"), 34),
        (("row", 0, "sub", 0), 35),
        (("row", 0, "sub", 0, "key"), 36),
        (("row", 0, "sub", 1), 37),
        (("row", 0, "sub", 1, "key"), 38),
        (("row", 1), 40),
        (("row", 1, "sub", 0), 41),
        (("row", 1, "sub", 0, "key"), 42),
        (("implied",), 44),
        (("implied", "table"), 44),
        (("implied", "table", "key"), 45),
    ],
)
def test_every_kind_of_key_has_its_line(path: Path, line: int) -> None:
    assert source_of(EVERY_KIND).line_of(path) == line


def test_what_is_not_there_has_the_line_of_what_is_around_it() -> None:
    source = source_of(EVERY_KIND)
    assert source.line_of(("table", "below", "missing")) == 26
    assert source.line_of(("row", 1, "sub", 7, "key")) == 41
    assert source.line_of(("missing",)) == 0
    assert source.line_of(()) == 0


def test_a_header_of_its_own_counts_more_than_what_is_below_it() -> None:
    source = source_of("[a.b]\nc = 1\n[a]\nd = 1\n")
    assert source.line_of(("a",)) == 3
    assert source.line_of(("a", "b")) == 1


@pytest.mark.parametrize("end", ["\r\n", "\n"])
@pytest.mark.parametrize("odd", ["\u2028", "\x85", "\u2029"])
def test_only_line_ends_of_toml_end_a_line(end: str, odd: str) -> None:
    source = source_of(f"a = 'x{odd}y'{end}b = '''{end}{odd}'''{end}c = 1")
    assert [source.line_of((key,)) for key in "abc"] == [1, 2, 4]


def test_places_and_lines_are_said_as_one_would_write_them() -> None:
    assert (
        path_text(("function", "rudder, upper", "members", 2, "a-b_9")) == 'function."rudder, upper".members[2].a-b_9'
    )
    assert path_text(()) == ""
    assert str(Problem(("a", 0), "bad", 3)) == "line 3: a[0]: bad"
    assert str(Problem((), "bad")) == "bad"
    assert source_of("a = 1").problem(("a", "b"), "bad") == Problem(("a", "b"), "bad", 1)


# --- what is no TOML -------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("text", "said"),
    [
        ("a = 1\nb =\n", "line 2: not valid TOML: Invalid value (column 4)"),
        ("a = 1\na = 2\n", "line 2: not valid TOML: Cannot overwrite a value (column 6)"),
        ('a = """\n', "not valid TOML: Unterminated string (at end of document)"),
        ("a = " + "9" * 5000, "not valid TOML: a number has too many digits"),
        ("a = " + "[" * 20_000, "lists or tables are nested more than 32 deep"),
    ],
)
def test_what_is_no_toml_is_told_with_its_line(text: str, said: str) -> None:
    source, problems = read(text, "a.toml")
    assert source is None
    assert [str(one) for one in problems] == [said]


@given(st.text(alphabet=st.sampled_from("ab.=[]{}\"'#\n\r \\,1\u2028é\x00"), max_size=60) | st.text(max_size=60))
@example("\ufeffa = 1")
@example("a = 1979-13-01")
@example("[[a]]\n[a.b]\n[[a.b.c]]")
def test_any_text_is_read_or_told(text: str) -> None:
    source, problems = read(text, "a.toml")
    assert (source is None) == bool(problems)
    if source is not None:
        assert source.data == tomllib.loads(text)


# --- any valid file --------------------------------------------------------------------------------------------

NAMES = st.text("abcxyz_-", min_size=1, max_size=4) | st.sampled_from(['"a b"', '"[x]"', "'='", '"\\u00e9"', '"#"'])
SCALARS = st.sampled_from(
    ["1", "-2.5", "true", "nan", "0x1F", '"text # no comment"', "'[x]'", "1979-05-27T07:32:00Z", '"\\n"', '"""one"""']
)
FILLERS = st.lists(st.sampled_from(["", "# [x]", "   ", '# """', "\t# a = 1"]), max_size=2)


@st.composite
def values(draw: st.DrawFn) -> list[str]:
    """A value as lines: the first one stands behind the equals sign."""
    kind = draw(st.sampled_from(["scalar", "string", "literal", "list", "inline", "tables"]))
    if kind == "scalar":
        return [draw(SCALARS)]
    if kind == "string":
        return ['"""', "# '''", "", "[a]", 'b = 1 ""', '"""']
    if kind == "literal":
        return ["'''", '# """', "a = [", "'''"]
    if kind == "list":
        return ["[", *[f"  {one}, # note" for one in draw(st.lists(SCALARS, max_size=3))], *draw(FILLERS), "]"]
    if kind == "inline":
        return ["{ a = 1, b.c = [1, 2], d = {} }"]
    return ["[ { a = 1 },", "  { b = [", "  2 ] } ]"]


@st.composite
def documents(draw: st.DrawFn) -> tuple[str, dict[str, int]]:
    """A valid text, and the line of each top-level key: its header's, else that of its first statement."""
    by_key = {next(iter(tomllib.loads(f"{name} = 1"))): name for name in draw(st.lists(NAMES, max_size=8))}
    lines: list[str] = []
    wanted: dict[str, int] = {}

    def put(key: str, *text: str) -> None:
        lines.extend(draw(FILLERS))
        wanted.setdefault(key, len(lines) + 1)
        lines.extend(text)

    names = list(by_key.items())
    split = draw(st.integers(0, len(names)))
    for key, name in names[:split]:
        if draw(st.booleans()):
            first, *rest = draw(values())
            put(key, f"{name} = {first}", *rest)
        else:
            put(key, f"{name}.one = 1")
            put(key, f"{name}.two.three = [", "]")
    for key, name in names[split:]:
        kind = draw(st.sampled_from(["table", "below", "rows"]))
        first, *rest = draw(values())
        if kind == "table":
            put(key, f"[{name}] # note", f"in = {first}", *rest)
        elif kind == "below":
            put(key, f"[{name} . inner]", f"in = {first}", *rest)
        else:
            for _ in range(draw(st.integers(1, 3))):
                put(key, f"[[{name}]]", f"in = {first}", *rest)
                put(key, f"[{name}.sub]")
    end = draw(st.sampled_from(["\n", "\r\n"]))
    return end.join(lines) + draw(st.sampled_from(["", end])), wanted


@given(documents())
def test_in_any_valid_file_every_key_has_its_line(document: tuple[str, dict[str, int]]) -> None:
    text, wanted = document
    source = source_of(text)
    assert set(source.data) == set(wanted)
    assert {key: source.line_of((key,)) for key in wanted} == wanted
    for path in paths_in(source.data):
        assert wanted[str(path[0])] <= source.line_of(path) <= text.count("\n") + 1
    source.checked(Whole)  # whatever comes of it, it is no crash


def paths_in(data: Any, before: Path = ()) -> list[Path]:
    """Every key and place in lists."""
    items: Any = data.items() if isinstance(data, dict) else enumerate(data) if isinstance(data, list) else ()
    return [path for key, one in items for path in ((*before, key), *paths_in(one, (*before, key)))]


# --- what is wrong ---------------------------------------------------------------------------------------------


class Row(msgspec.Struct, forbid_unknown_fields=True):
    """A table of a list."""

    name: Annotated[str, Meta(min_length=1)]
    size: Annotated[int, Meta(ge=1, le=9)] = 1


class Round(msgspec.Struct, forbid_unknown_fields=True, tag="round", tag_field="kind"):
    """One of two."""

    radius: float


class Square(msgspec.Struct, forbid_unknown_fields=True, tag="square", tag_field="kind"):
    """The other one."""

    side: float


class Whole(msgspec.Struct, forbid_unknown_fields=True, rename="kebab"):
    """A file with one of everything."""

    title: str
    pair: tuple[int, int] = (0, 0)
    uid: Annotated[str, Meta(pattern="^[0-9a-f]{16}$")] = "0" * 16
    row: Annotated[list[Row], Meta(max_length=2)] = []
    named: Annotated[dict[Annotated[str, Meta(max_length=5)], Row], Meta(min_length=1)] | None = None
    shape: Round | Square | None = None
    with_dash: bool = False


GOOD = """\
title = "good"
pair = [1, 2]
uid = "0123456789abcdef"
with-dash = true
row = [{ name = "a" }]
[named.one]
name = "b"
size = 9
[shape]
kind = "round"
radius = 1
"""

BAD = """\
title = 3
pair = [1, "2"]
uid = "0123"
with_dash = true
with-dash = 1
[[row]]
name = ""
size = 10
[[row]]
[[row]]
name = "third"
unknown = 1
[named.too-long]
name = "b"
size = 1.5
[named.one]
size = 0
[shape]
kind = "oval"
"""


def said(text: str) -> list[str]:
    table, problems = source_of(text).checked(Whole)
    assert (table is None) == bool(problems)
    return [str(one) for one in problems]


def test_a_good_file_is_a_table() -> None:
    table, problems = source_of(GOOD).checked(Whole)
    assert problems == []
    assert table == Whole(
        "good", (1, 2), "0123456789abcdef", [Row("a")], {"one": Row("b", 9)}, Round(1.0), with_dash=True
    )


def test_everything_that_is_wrong_is_said_at_once_with_line_and_key() -> None:
    keys = "title, pair, uid, row, named, shape, with-dash"
    assert said(BAD) == [
        "line 1: title: a text is wanted here, not a whole number",
        "line 2: pair[1]: a whole number is wanted here, not a text",
        "line 3: uid: 16 digits 0-9 a-f are wanted",
        f"line 4: with_dash: there is no such key here; there are: {keys}",
        "line 5: with-dash: true or false is wanted here, not a whole number",
        "line 7: row[0].name: length must be >= 1",
        "line 8: row[0].size: must be <= 9",
        "line 9: row[1]: 'name' is missing",
        "line 12: row[2].unknown: there is no such key here; there are: name, size",
        "line 6: row: number of entries must be <= 2",
        "line 15: named.too-long.size: a whole number is wanted here",
        "line 13: named.too-long: length must be <= 5",
        "line 17: named.one.size: must be >= 1",
        "line 16: named.one: 'name' is missing",
        "line 19: shape.kind: one of round, square is wanted, not 'oval'",
    ]


@pytest.mark.parametrize(
    ("text", "expected"),
    [
        ("", ["'title' is missing"]),
        ("title = 'a'\nnamed = {}", ["line 2: named: number of entries must be >= 1"]),
        ("title = 'a'\nnamed = [1]", ["line 2: named: a table is wanted here, not a list"]),
        ("title = 'a'\nrow = {a = 1}", ["line 2: row: a list is wanted here, not a table"]),
        ("title = 'a'\nrow = 1979-05-27", ["line 2: row: a list is wanted here, not a date"]),
        ("title = 'a'\nrow = [1]", ["line 2: row[0]: a table is wanted here"]),
        ("title = 'a'\npair = [1]", ["line 2: pair: 2 entries are wanted, not 1"]),
        ("title = 'a'\nshape.kind = 'round'", ["line 2: shape: 'radius' is missing"]),
        ("title = 'a'\n[shape]\nradius = 1", ["line 2: shape.kind: one of round, square is wanted"]),
        ("title = 'a'\n[shape]\nkind = 'round'\nradius = 1\nside = 1",
         ["line 5: shape.side: there is no such key here; there are: kind, radius"]),
        ("title = 'a'\nshape = 1", ["line 2: shape: a table is wanted here, not a whole number"]),
    ],
)  # fmt: skip
def test_each_way_to_be_wrong(text: str, expected: list[str]) -> None:
    assert said(text) == expected


ANYTHING = st.recursive(
    st.none() | st.booleans() | st.integers() | st.floats() | st.text(max_size=3) | st.dates(),
    lambda inner: (
        st.lists(inner, max_size=3)
        | st.dictionaries(
            st.sampled_from(["title", "row", "name", "size", "kind", "radius", "one", "round"]), inner, max_size=4
        )
    ),
    max_leaves=12,
)


@given(st.fixed_dictionaries({}, optional=dict.fromkeys(Whole.__struct_encode_fields__, ANYTHING)))
@example({"title": "a", "shape": {"kind": []}})
@example({"title": "a", "shape": {"kind": {}}})
@example({"title": "a", "named": {"": {"name": "x"}}})
def test_any_data_is_a_table_or_told(data: dict[str, Any]) -> None:
    """What msgspec refuses is told with a place, and nothing else is refused."""
    table, problems = Source("a.toml", "", data).checked(Whole)
    try:
        expected: Whole | None = msgspec.convert(data, Whole)
    except msgspec.ValidationError:
        expected = None
    assert (table is None) == (expected is None)
    assert bool(problems) == (expected is None)
    assert all(problem.path or "missing" in problem.text for problem in problems)
