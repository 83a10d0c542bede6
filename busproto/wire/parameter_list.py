"""The list of parameters that one actuator has: those of the table, fewer, or more of its own.

An actuator tells its list row by row (operation 21 hex). A row is one of the table's where number, name, size, count
unit and table-ness are the table's; its limits may be narrower then. Every other row is a parameter of the actuator's
own. An actuator's list is not trusted: each row is compared with what the format can carry before it is used.
Calculation only.
"""

from __future__ import annotations

import re
from collections.abc import Iterable, Mapping
from dataclasses import dataclass, replace
from fractions import Fraction
from types import MappingProxyType
from typing import Any, Final

from construct import Int8sl, Int8ul, Int16sl, Int16ul, Int32sl, Int32ul

from busproto.errors import InputError
from busproto.wire.messages import ParameterDescription
from busproto.wire.parameters import BY_NAME, PARAMETERS, Parameter

MOST_VALUE_BYTES: Final = 66
"""Bytes of a value that a write can carry."""
MOST_LIMIT: Final = (1 << 31) - 1
"""Limits are sent as i32."""
MOST_SCALE: Final = 1_000_000
"""Largest number of units in a count, and of counts in a unit."""
NAME_BYTES: Final = 20
UNIT_BYTES: Final = 10
_PLAIN: Final = re.compile(r"[A-Za-z0-9](?:[!-~ ]*[!-~])?")
_SCALED: Final = re.compile(r"(\d+(?:\.\d+)?) +(\S.*)")
_NUMBER_FIRST: Final = re.compile(r"[-+.]*\d")
_TYPES: Final[Mapping[tuple[int, bool], Any]] = MappingProxyType(
    {
        (1, False): Int8ul,
        (1, True): Int8sl,
        (2, False): Int16ul,
        (2, True): Int16sl,
        (4, False): Int32ul,
        (4, True): Int32sl,
    }
)


@dataclass(frozen=True, slots=True)
class ParameterList:
    """What one actuator has.

    Attributes:
        rows: by the name under which it is shown and set: those of the table first, then its own.
        lacks: names of the table that it does not have.
        own: names that the table does not have.
    """

    rows: Mapping[str, Parameter]
    lacks: tuple[str, ...] = ()
    own: tuple[str, ...] = ()

    @property
    def own_rows(self) -> dict[str, Parameter]:
        """The rows of its own, by name."""
        return {name: self.rows[name] for name in self.own}

    def named(self, name: str) -> Parameter:
        """The row of that name. Raises InputError, with the names there are, where there is none."""
        try:
            return self.rows[name]
        except (KeyError, TypeError):
            raise InputError(f"there is no parameter '{name}'; there are: {', '.join(self.rows)}") from None


STANDARD: Final = ParameterList(BY_NAME)
"""All of the table and nothing else."""


def list_of(descriptions: Iterable[ParameterDescription]) -> ParameterList:
    """The list of an actuator, from its descriptions of parameters.

    Raises:
        InputError: a row cannot be used: the text says which and why.
    """
    given: dict[int, Parameter] = {}
    for at, one in enumerate(descriptions):
        try:
            row = row_of(one)
            if row.number in given:
                raise InputError(f"number {row.number} is that of '{given[row.number].name}' already")
        except InputError as error:
            raise InputError(f"row {at}, '{one.name}': {error}") from error
        given[row.number] = row
    return list_of_rows(given.values())


def list_of_rows(rows: Iterable[Parameter]) -> ParameterList:
    """The list that has these rows; their numbers differ. Rows that are not the table's get names of their own."""
    of_table = {row.name: row for row in rows if is_of_table(row)}
    own = named_apart(row for row in rows if not is_of_table(row))
    return ParameterList(
        MappingProxyType({**{name: of_table[name] for name in BY_NAME if name in of_table}, **own}),
        tuple(name for name in BY_NAME if name not in of_table),
        tuple(own),
    )


def named_apart(rows: Iterable[Parameter]) -> dict[str, Parameter]:
    """Rows that the table does not have, by names that are unique.

    A name is kept as the actuator gives it if it is plain and unique. Otherwise its number is appended, such
    as ``stiffness#40``, and where it is not plain (empty, with ``=`` or ``#``) it is ``parameter#40``.
    """
    rows = sorted(rows, key=lambda row: row.number)
    said = [row.name for row in rows]
    found = {}
    for row in rows:
        is_alone = said.count(row.name) == 1 and row.name not in BY_NAME
        base = row.name if is_plain(row.name) else "parameter"
        name = base if is_alone and base == row.name else f"{base}#{row.number}"
        found[name] = replace(row, name=name)
    return found


def is_plain(name: str) -> bool:
    """Whether a name can be used as it is: printable ASCII, a letter or digit first, no ``=`` and ``#``."""
    return _PLAIN.fullmatch(name) is not None and not {"=", "#"} & set(name)


def is_own_name(name: str, number: int) -> bool:
    """Whether `named_apart` may have given this name to a parameter of that number."""
    return is_plain(name.removesuffix(f"#{number}")) and name not in BY_NAME


def is_of_table(row: Parameter) -> bool:
    """Whether this row is one of the table's, maybe with narrower limits."""
    table = PARAMETERS.get(row.number)
    return table is not None and replace(row, low=table.low, high=table.high, default=table.default) == table


def row_of(one: ParameterDescription) -> Parameter:
    """The row that an actuator describes; its name is as the actuator gives it.

    Raises:
        InputError: the format cannot carry such a parameter.
    """
    table = PARAMETERS.get(one.number)
    counts, units, unit = scale_of(one.unit)
    if (
        table is not None
        and (one.name, one.size, counts, units, unit) == (table.name, table.size, table.counts_per_unit, 1, table.unit)
        and bool(one.points) == bool(table.points)
    ):
        return _narrowed(table, one)
    return own_row(
        number=one.number,
        name=one.name,
        size=one.size,
        points=one.points,
        count_unit=one.unit,
        low=one.low,
        high=one.high,
        default=one.default,
    )


def _narrowed(table: Parameter, one: ParameterDescription) -> Parameter:
    """The table's row with the limits that this actuator has; never wider than the table's."""
    low, high = max(table.low, one.low), min(table.high, one.high)
    if low > high:
        raise InputError(f"limits {one.low}..{one.high} leave nothing of the format's {table.low}..{table.high}")
    if one.points and one.points < 2:
        raise InputError(f"a table of {one.points} point")
    default = table.default if table.points else min(high, max(low, one.default))
    return replace(table, low=low, high=high, default=default)


def own_row(
    *, number: int, name: str, size: int, points: int, count_unit: str, low: int, high: int, default: int
) -> Parameter:
    """A parameter of an actuator's own.

    Args:
        number: 1..255, as in read and write.
        name: as the actuator gives it.
        size: 1, 2 or 4 bytes of one raw value; signed where `low` is below zero.
        points: most points where it is a table; 0 for a single value.
        count_unit: what one raw count is, such as "0.1 Hz"; "" for a plain number.
        low, high, default: raw; the default of a table does not count.

    Raises:
        InputError: the format cannot carry such a parameter.
    """
    if not 1 <= number <= 255:
        raise InputError(f"number {number} is outside 1..255")
    subcon = _TYPES.get((size, low < 0))
    if subcon is None:
        raise InputError(f"a value of {size} bytes; 1, 2 or 4 are allowed")
    least, most = (
        (-(1 << 8 * size - 1), (1 << 8 * size - 1) - 1) if low < 0 else (0, min(MOST_LIMIT, (1 << 8 * size) - 1))
    )
    if not least <= low <= high <= most:
        raise InputError(f"limits {low}..{high} are none for a value of {size} bytes")
    if points and not 2 <= points <= MOST_VALUE_BYTES // size:
        raise InputError(f"a table of {points} points; 2..{MOST_VALUE_BYTES // size} are allowed")
    if not points and not low <= default <= high:
        raise InputError(f"its factory value {default} is outside its limits {low}..{high}")
    counts, units, unit = scale_of(count_unit)
    return Parameter(
        number=number,
        name=name,
        subcon=subcon,
        unit=unit,
        counts_per_unit=counts,
        low=low,
        high=high,
        default=() if points else default,
        doc="one of the actuator's own: the makers' data say what it does",
        points=points,
        moves=True,  # not known, so the cautious value
        units_per_count=units,
    )


def scale_of(count_unit: str) -> tuple[int, int, str]:
    """Counts, units in so many counts, and the unit, of what one raw count is: "0.01 deg" is 100 counts in 1 deg.

    Raises:
        InputError: the text is no possible scale.
    """
    if not count_unit.isascii() or not count_unit.isprintable():
        raise InputError(f"{count_unit!r} is no unit of a count: it holds control characters, or letters beyond ASCII")
    text = count_unit.strip()
    found = _SCALED.fullmatch(text)
    if found is None:
        if _NUMBER_FIRST.match(text):
            raise InputError(f"'{count_unit}' is no unit of a count, such as '0.01 deg'")
        return 1, 1, text
    scale = Fraction(found[1])
    if not Fraction(1, MOST_SCALE) <= scale <= MOST_SCALE:
        raise InputError(f"a count of '{count_unit}': 1e-6..1e6 units are allowed")
    return scale.denominator, scale.numerator, found[2]
