"""The C of the parameters: the table with ranges, defaults, names and units; a set of settings and its raw values."""

from __future__ import annotations

from collections.abc import Iterator

from busproto.wire.generators.c_text import (
    c_type,
    comment,
    getter,
    number,
    putter,
    refuse_unless,
    snake,
    string,
    type_range,
    upper,
    within,
)
from busproto.wire.generators.template import filled
from busproto.wire.parameters import BY_NAME, PARAMETERS, Parameter

_ROWS = tuple(PARAMETERS.values())


def c_name(row: Parameter) -> str:
    """A parameter's name in C, without the prefix."""
    return snake(row.name).replace("-", "_")


def declarations() -> Iterator[str]:
    """Table, settings and their functions."""
    yield from comment("Numbers of the parameters.")
    yield "enum bp_parameter_number {"
    yield ",\n".join(f"    BP_PARAMETER_{upper(row.name)} = {row.number}" for row in _ROWS)
    yield "};"
    yield ""
    choices = [
        f"    BP_{upper(row.name)}_{upper(name)} = {value}" for row in _ROWS for name, value in row.choices.items()
    ]
    yield from comment("Values of those parameters that are a choice.")
    yield "enum bp_choice {"
    yield ",\n".join(choices)
    yield "};"
    yield ""
    yield from comment("One row of the parameter table; limits and default are raw counts.")
    yield "typedef struct bp_parameter {"
    yield "    uint8_t number;"
    yield "    uint8_t size; /* bytes of a raw value, of one point where it is a table */"
    yield "    uint8_t is_signed;"
    yield "    uint8_t points; /* most points of a table, 0 for a single value */"
    yield "    uint8_t moves; /* 1 where a change can move an engaged arm at once */"
    yield "    int32_t low;"
    yield "    int32_t high;"
    yield "    int32_t factory; /* 0 for a table, which is empty */"
    yield "    uint16_t counts_per_unit;"
    yield "    const char *name;"
    yield "    const char *unit; /* of a scaled value */"
    yield "    const char *count_unit; /* of one raw count */"
    yield "} bp_parameter;"
    yield ""
    longest = max(row.size * max(1, row.points) for row in _ROWS)
    yield f"#define BP_PARAMETERS {len(_ROWS)}U"
    yield f"#define BP_LONGEST_VALUE_BYTES {longest}U"
    yield "extern const bp_parameter bp_parameters[BP_PARAMETERS];"
    yield ""
    yield from comment("The row of that number, a null pointer where there is none.")
    yield "const bp_parameter *bp_parameter_of(uint8_t number);"
    yield ""
    yield from comment("A whole set of raw settings.")
    yield "typedef struct bp_settings {"
    for row in _ROWS:
        yield from comment(f"{row.doc}{f', {row.count_unit}' if row.count_unit else ''}", 1)
        if row.points:
            yield f"    uint8_t {c_name(row)}_count;"
            yield f"    {c_type(row.format)} {c_name(row)}[{row.points}];"
        else:
            yield f"    {c_type(row.format)} {c_name(row)};"
    yield "} bp_settings;"
    yield ""
    yield from comment("The factory settings.")
    yield "void bp_settings_factory(bp_settings *settings);"
    yield ""
    yield from comment(
        "The raw value of a parameter, little endian, into `value` (BP_LONGEST_VALUE_BYTES at most); its bytes. 0 "
        "where there is no such parameter, and for an empty table."
    )
    yield "size_t bp_settings_get(const bp_settings *settings, uint8_t number, uint8_t *value);"
    yield ""
    yield from comment(
        "Set a parameter from its raw value. BP_UNKNOWN: there is none of that number; BP_BAD_CONTENT: not a whole "
        "value; BP_OUT_OF_RANGE: outside its range, or a table of one point. Nothing is changed then."
    )
    yield "bp_result bp_settings_put(bp_settings *settings, uint8_t number, const uint8_t *value, size_t length);"
    yield ""
    yield from comment(
        "The least raw value that a parameter may have beside the others of a set: its own least, or the least over "
        "which a table that is spread over it does not turn back. 0 where there is no such parameter."
    )
    yield "int32_t bp_settings_least(const bp_settings *settings, uint8_t number);"
    yield ""
    yield from comment(
        "Whether the values of a set can stand side by side. bp_settings_put looks at one value alone: ask this "
        "before a changed set is taken."
    )
    yield "int bp_settings_agree(const bp_settings *settings);"
    yield ""


def functions() -> Iterator[str]:
    """The table, and the functions that read and write a set."""
    yield "const bp_parameter bp_parameters[BP_PARAMETERS] = {"
    rows = []
    for row in _ROWS:
        default = row.default if isinstance(row.default, int) else 0
        facts = [row.number, row.size, int(row.format.islower()), row.points, int(row.moves)]
        limits = [number(row.low), number(row.high), number(default), number(row.counts_per_unit)]
        texts = [string(row.name), string(row.unit), string(row.count_unit)]
        rows.append("    {" + ", ".join([*map(str, facts), *limits, *texts]) + "}")
    yield ",\n".join(rows)
    yield "};"
    yield ""
    yield filled("bp_parameter_of.c.in")
    yield "void bp_settings_factory(bp_settings *settings)"
    yield "{"
    yield "    memset(settings, 0, sizeof *settings);"
    for row in _ROWS:
        if isinstance(row.default, int):
            yield f"    settings->{c_name(row)} = {number(row.default)};"
        elif row.default:
            raise NotImplementedError(f"{row.name}: a table that is not empty from the factory")
    yield "}"
    yield ""
    yield "size_t bp_settings_get(const bp_settings *settings, uint8_t number, uint8_t *value)"
    yield "{"
    yield "    size_t at;"
    yield ""
    yield "    switch (number) {"
    for row in _ROWS:
        name = c_name(row)
        yield f"    case BP_PARAMETER_{upper(row.name)}:"
        if row.points:
            yield f"        for (at = 0; at < settings->{name}_count && at < {row.points}U; at++) {{"
            yield f"            {putter(row.format)}(value + {row.size}U * at, settings->{name}[at]);"
            yield "        }"
            yield f"        return {row.size}U * at;"
        else:
            yield f"        {putter(row.format)}(value, settings->{name});"
            yield f"        return {row.size};"
    yield "    default:"
    yield "        return 0;"
    yield "    }"
    yield "}"
    yield ""
    yield "bp_result bp_settings_put(bp_settings *settings, uint8_t number, const uint8_t *value, size_t length)"
    yield "{"
    yield "    size_t at;"
    yield ""
    yield "    switch (number) {"
    for row in _ROWS:
        yield from _put_case(row)
    yield "    default:"
    yield "        return BP_UNKNOWN;"
    yield "    }"
    yield "}"
    yield ""
    yield from _agreement()


def _agreement() -> Iterator[str]:
    """The check of a table's steepness, from the rows that are spread over another parameter."""
    tables = [(row, BY_NAME[row.spread_over]) for row in _ROWS if row.spread_over]
    yield "int32_t bp_settings_least(const bp_settings *settings, uint8_t number)"
    yield "{"
    yield "    const bp_parameter *row = bp_parameter_of(number);"
    yield "    int32_t least = row == NULL ? 0 : row->low;"
    yield "    size_t at;"
    yield ""
    for table, over in tables:
        name = c_name(table)
        points = f"settings->{name}"
        yield f"    if (number == BP_PARAMETER_{upper(over.name)}) {{"
        yield f"        for (at = 1; at < {points}_count && at < {table.points}U; at++) {{"
        yield f"            int32_t change = (int32_t){points}[at] - {points}[at - 1];"
        yield f"            int32_t width = (change < 0 ? -change : change) * (int32_t)({points}_count - 1);"
        yield ""
        yield "            least = width > least ? width : least;"
        yield "        }"
        yield "    }"
    yield "    return least;"
    yield "}"
    yield ""
    yield "int bp_settings_agree(const bp_settings *settings)"
    yield "{"
    agrees = [
        f"settings->{c_name(over)} >= bp_settings_least(settings, BP_PARAMETER_{upper(over.name)})"
        for _, over in tables
    ]
    yield f"    return {' && '.join(agrees)};"
    yield "}"


def _put_case(row: Parameter) -> Iterator[str]:
    name, kind = c_name(row), c_type(row.format)
    yield f"    case BP_PARAMETER_{upper(row.name)}:"
    condition = within("got", row.low, row.high, row.format)
    assert type_range(row.format)[0] <= row.low
    if not row.points:
        yield from refuse_unless(f"length == {row.size}U", "BP_BAD_CONTENT", 2)
        yield "        {"
        yield f"            {kind} got = {getter(row.format)}(value);"
        yield from refuse_unless(condition, "BP_OUT_OF_RANGE", 3)
        yield f"            settings->{name} = got;"
        yield "        }"
        yield "        return BP_OK;"
        return
    yield from refuse_unless(f"length % {row.size}U == 0U", "BP_BAD_CONTENT", 2)
    yield from refuse_unless(f"length != {row.size}U && length <= {row.size * row.points}U", "BP_OUT_OF_RANGE", 2)
    yield f"        for (at = 0; at < length / {row.size}U; at++) {{"
    yield f"            {kind} got = {getter(row.format)}(value + {row.size}U * at);"
    yield from refuse_unless(condition, "BP_OUT_OF_RANGE", 3)
    yield "        }"
    yield f"        settings->{name}_count = (uint8_t)at;"
    yield f"        for (at = 0; at < settings->{name}_count; at++) {{"
    yield f"            settings->{name}[at] = {getter(row.format)}(value + {row.size}U * at);"
    yield "        }"
    yield "        return BP_OK;"
