"""The parameter table: number, name, raw type, unit, range, default and meaning of everything that can be set.

One row each; codec, actuator, command line and format page all read this table. Raw values are whole numbers as on
the wire; scaled values are what a person reads (``raw = scaled * counts_per_unit``).
"""

from __future__ import annotations

import itertools
import struct
from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field
from decimal import Decimal
from types import MappingProxyType
from typing import Any, Final

from construct import Int8ul, Int16sl, Int16ul

from busproto.errors import EncodeError, InputError
from busproto.wire.messages import MAX_CHANNELS

RawValue = int | tuple[int, ...]
MAX_TABLE_POINTS: Final = 33
MOST_SHOWN: Final = 40
"""Number of characters of an invalid value that a message quotes."""
MOST_NUMBER: Final = 1e12
"""A number beyond that is no value: four bytes of counts hold less in any unit, and what is infinite is none."""
FINER_THAN_A_COUNT: Final = 1e-4
"""Fraction of a raw count by which a given number may differ from a whole one (rounding of decimal fractions)."""


@dataclass(frozen=True, slots=True)
class Parameter:
    """One row of the table.

    Attributes:
        number: 1..255, as in read and write.
        name: as the user types it.
        subcon: construct definition of one raw value.
        unit: of a scaled value; "" for a plain number.
        counts_per_unit: raw counts in one unit (in `units_per_count` units where that is not 1).
        low, high: raw limits, both allowed.
        default: raw factory value.
        doc: its effect.
        points: most points where it is a table; 0 for a single value.
        choices: names of the raw values where only named ones make sense.
        moves: whether a change can move an engaged arm at once.
        spread_over: name of the parameter over which a table's points are spread evenly; the table may not be steeper
            than that (`disagreement`).
        units_per_count: units in `counts_per_unit` raw counts; 1 in the table. An actuator's own list may have counts
            such as 20 mA, of which no whole number makes a unit.
    """

    number: int
    name: str
    subcon: Any
    unit: str
    counts_per_unit: int
    low: int
    high: int
    default: RawValue
    doc: str
    points: int = 0
    choices: Mapping[str, int] = field(default_factory=lambda: MappingProxyType({}))
    moves: bool = False
    spread_over: str = ""
    units_per_count: int = 1

    @property
    def format(self) -> str:
        """`struct` format letter of one raw value, taken from the construct definition."""
        return str(self.subcon.fmtstr[-1])

    @property
    def size(self) -> int:
        """Bytes of one raw value."""
        return int(self.subcon.length)

    @property
    def count_unit(self) -> str:
        """What one raw count stands for, such as "0.01 deg"; "" for a plain number."""
        return f"{self.units_per_count / self.counts_per_unit:g} {self.unit}" if self.unit else ""

    @property
    def digits(self) -> int:
        """Decimals that a scaled value is printed with: those of one raw count."""
        exponent = (Decimal(self.units_per_count) / self.counts_per_unit).as_tuple().exponent
        return max(0, -exponent) if isinstance(exponent, int) else 0

    def encode(self, raw: RawValue) -> bytes:
        """The bytes of a raw value.

        Raises:
            EncodeError: it is outside the range, or a table has too many points.
        """
        values = self._checked(raw)
        return struct.pack(f"<{len(values)}{self.format}", *values)

    def decode(self, data: bytes) -> RawValue:
        """The raw value in `data` (all of it).

        Raises:
            EncodeError: the length does not fit, or the value is outside the range.
        """
        count, odd = divmod(len(data), self.size)
        if odd or (not self.points and count != 1):
            raise EncodeError(self.name, f"{len(data)} bytes are not a whole value")
        values = struct.unpack(f"<{count}{self.format}", data)
        raw: RawValue = values if self.points else values[0]
        self._checked(raw)
        return raw

    def _checked(self, raw: RawValue) -> tuple[int, ...]:
        if isinstance(raw, tuple) != bool(self.points):
            raise EncodeError(self.name, f"{raw!r} is {'not ' if self.points else ''}a table")
        values = raw if isinstance(raw, tuple) else (raw,)
        if self.points and (len(values) > self.points or len(values) == 1):
            raise EncodeError(self.name, f"{len(values)} points; none or 2..{self.points} are allowed")
        for value in values:
            if type(value) is not int:
                raise EncodeError(self.name, f"{_brief(value)} is not a raw value: {self.raw_range_text()}")
            if not self.low <= value <= self.high:
                raise EncodeError(self.name, f"{self.text(value)} is outside {self.range_text()}")
        return values

    def raw_to_scaled(self, raw: int) -> float | int:
        """A raw count in the parameter's unit."""
        scaled = raw * self.units_per_count
        return scaled if self.counts_per_unit == 1 else scaled / self.counts_per_unit

    def scaled_to_raw(self, scaled: float) -> int:
        """The nearest raw count. Not checked against the range."""
        return round(scaled * self.counts_per_unit / self.units_per_count)

    def text(self, raw: RawValue) -> str:
        """A raw value as a person reads it, with its unit."""
        for name, value in self.choices.items():
            if value == raw:
                return name
        digits = self.digits
        counts = raw if isinstance(raw, tuple) else (raw,)
        numbers = ", ".join(f"{self.raw_to_scaled(count):.{digits}f}" for count in counts)
        return (numbers + (f" {self.unit}" if self.unit else "")) if numbers else "none"

    def range_text(self) -> str:
        """The allowed range as a person reads it."""
        if self.choices and len(self.choices) == self.high - self.low + 1:
            return ", ".join(self.choices)
        low, high = (self.text(limit).removesuffix(f" {self.unit}") for limit in (self.low, self.high))
        return f"{low}..{high}" + (f" {self.unit}" if self.unit else "")

    def raw_range_text(self) -> str:
        """The allowed range in raw counts, and what one is."""
        counts = f"whole counts of {self.count_unit}" if self.unit else "a whole number"
        scaled = f", which is {self.range_text()}" if self.unit or self.choices else ""
        return f"{counts}, {self.low}..{self.high}{scaled}"

    def value(self, raw: RawValue) -> object:
        """A raw value as JSON carries it: the name of a choice, a number in the unit, or a list of numbers."""
        if isinstance(raw, tuple):
            return [self.raw_to_scaled(one) for one in raw]
        for name, value in self.choices.items():
            if value == raw:
                return name
        return self.raw_to_scaled(raw)

    def from_value(self, given: object) -> RawValue:
        """The raw value of what `value` gives, as a file holds it.

        Raises:
            InputError: not a value of this parameter, or outside its range; the text tells the range.
        """
        if self.points:
            if not isinstance(given, list):
                raise InputError(
                    f"{self.name}: {given!r} is not a list of none or 2..{self.points} numbers {self.range_text()}"
                )
            raw: RawValue = tuple(self._number(one) for one in given)
        elif isinstance(given, str) and given in self.choices:
            raw = self.choices[given]
        else:
            raw = self._number(given)
        try:
            self._checked(raw)
        except EncodeError as error:
            raise InputError(str(error)) from error
        return raw

    def _number(self, given: object) -> int:
        """The raw count of a number in the unit, range not checked. Refuses what is no number, or finer."""
        if isinstance(given, bool) or not isinstance(given, int | float) or not abs(given) <= MOST_NUMBER:
            raise InputError(f"{self.name}: {_brief(given)} is not {self.range_text()}")
        raw = self.scaled_to_raw(given)
        if abs(raw - given * self.counts_per_unit / self.units_per_count) > FINER_THAN_A_COUNT:
            raise InputError(f"{self.name}: {given:g} is finer than its step of {self.count_unit or 1}")
        return raw

    def from_text(self, text: str) -> RawValue:
        """The raw value of a text: a number in the unit, a choice, or a list with commas; the unit may follow.

        Raises:
            InputError: as `from_value`.
        """
        text = text.strip()
        if text in self.choices:
            return self.choices[text]
        number = text.removesuffix(self.unit).strip() if self.unit else text
        try:
            if not self.points:
                given: object = float(number)
            else:
                given = [float(part) for part in number.split(",")] if text not in {"", "none"} else []
        except ValueError as error:
            wanted = "a list of numbers with commas" if self.points else self.range_text()
            raise InputError(f"{self.name}: '{text}' is not {wanted}") from error
        return self.from_value(given)


def _brief(given: object) -> str:
    """A value for a message; of a very long one only the beginning."""
    text = repr(given)
    return text if len(text) <= MOST_SHOWN else f"{text[:MOST_SHOWN]}..."


def _choices(*names: str) -> Mapping[str, int]:
    return MappingProxyType({name: number for number, name in enumerate(names)})


DIRECTION_NORMAL, DIRECTION_REVERSED = 0, 1
LOSS_LIMP, LOSS_HOLD, LOSS_PRESET = 0, 1, 2

# fmt: off
_ROWS: Final = (
    Parameter(1, "channel", Int8ul, "", 1, 0, MAX_CHANNELS, 0,
              "which demand of a broadcast it follows; 0 for none"),
    Parameter(2, "gang", Int8ul, "", 1, 0, 32, 0, "number of the surface it shares with others; 0 for none"),
    Parameter(3, "place", Int8ul, "", 1, 0, 3, 0, "which one of its gang it is; 1 leads; 0 where it is in none"),
    Parameter(4, "direction", Int8ul, "", 1, 0, 1, DIRECTION_NORMAL,
              "to which side a positive demand turns the arm", choices=_choices("normal", "reversed"), moves=True),
    Parameter(5, "neutral", Int16sl, "deg", 100, -3000, 3000, 0,
              "where the arm stands at demand 0, from the middle of the mechanical range", moves=True),
    Parameter(6, "travel", Int16ul, "deg", 100, 1000, 18000, 12000,
              "whole sweep between demand -100 % and +100 %", moves=True),
    Parameter(7, "end-low", Int16sl, "deg", 100, -9000, 0, -9000, "the arm is never driven below this", moves=True),
    Parameter(8, "end-high", Int16sl, "deg", 100, 0, 9000, 9000, "the arm is never driven above this", moves=True),
    Parameter(9, "soft-start", Int16ul, "ms", 1, 0, 5000, 1000,
              "time over which the speed rises to its limit after the drive takes hold"),
    Parameter(10, "dead-band", Int16ul, "deg", 100, 0, 500, 10,
              "at rest, no drive while the arm is nearer to its demand than this"),
    Parameter(11, "slew-limit", Int16ul, "deg/s", 10, 50, 20000, 3000, "highest speed of the demand it follows"),
    Parameter(12, "stiffness", Int8ul, "%", 1, 1, 100, 60, "gain of the position loop"),
    Parameter(13, "damping", Int8ul, "%", 1, 0, 100, 30, "speed feedback of the position loop"),
    Parameter(14, "minimum-drive", Int8ul, "%", 1, 0, 30, 5, "least drive outside the dead band, against friction"),
    Parameter(15, "loss-action", Int8ul, "", 1, 0, 2, LOSS_LIMP,
              "what it does when the demand stops coming", choices=_choices("limp", "hold", "preset")),
    Parameter(16, "preset", Int16sl, "deg", 100, -9000, 9000, 0, "where it goes when the loss action is preset"),
    Parameter(17, "loss-time-out", Int16ul, "ms", 1, 20, 10000, 500,
              "without a valid demand for so long, the loss action begins"),
    Parameter(18, "overload-limit", Int8ul, "%", 1, 10, 100, 80,
              "share of the stall torque at which it reports an overload"),
    Parameter(19, "over-temperature", Int8ul, "degC", 1, 40, 120, 85, "goes limp above this"),
    Parameter(20, "under-voltage", Int16ul, "V", 1000, 0, 30000, 0,
              "reports a low supply below this; 0 while not stated: there is no good default"),
    Parameter(21, "reply-delay", Int16ul, "us", 1, 100, 2000, 100,
              "from the last stop bit of a request to the first start bit of the reply"),
    Parameter(22, "correction", Int16sl, "deg", 100, -1000, 1000, (),
              "added to the demanded angle, by points spread evenly over the travel; monotone in sum",
              points=MAX_TABLE_POINTS, moves=True, spread_over="travel"),
)
# fmt: on

PARAMETERS: Final[Mapping[int, Parameter]] = MappingProxyType({row.number: row for row in _ROWS})
"""Every parameter by its number."""

_SPREAD: Final = tuple(row for row in _ROWS if row.spread_over)

BY_NAME: Final[Mapping[str, Parameter]] = MappingProxyType({row.name: row for row in _ROWS})
"""Every parameter by its name."""

FACTORY: Final[Mapping[str, RawValue]] = MappingProxyType({row.name: row.default for row in _ROWS})
"""The factory values, raw, by name."""


def parameter_named(name: str) -> Parameter:
    """The row of that name. Raises InputError, with the names there are, where there is none."""
    try:
        return BY_NAME[name]
    except (KeyError, TypeError):
        raise InputError(f"there is no parameter '{name}'; there are: {', '.join(BY_NAME)}") from None


def steepest(table: RawValue) -> int:
    """The least whole width, in raw counts, over which a table may be spread evenly: its greatest change between two
    neighbours times the number of its spans; 0 for an empty one and for a single value.

    At that width the steepest span changes by as much as its own width: the sum of both still does not turn back.
    """
    if not isinstance(table, tuple):
        return 0
    return max((abs(after - before) for before, after in itertools.pairwise(table)), default=0) * (len(table) - 1)


def least_beside(row: Parameter, values: Mapping[str, RawValue]) -> int:
    """The least raw value that a set allows for a parameter: its own least, or what a table spread over it needs."""
    needs = [
        steepest(values[table.name]) for table in _SPREAD if table.spread_over == row.name and table.name in values
    ]
    return max(row.low, *needs) if needs else row.low


def disagreement(values: Mapping[str, RawValue]) -> str:
    """Why the values of a set contradict each other, in words; "" where they do not.

    A correction may change between two points by at most their distance on the travel. So the angle, which is the sum
    of both, never turns back while the demand rises, in either direction of turn. Values missing in the set are not
    checked.
    """
    for table in _SPREAD:
        width, points = values.get(table.spread_over), values.get(table.name)
        if not isinstance(width, int) or not isinstance(points, tuple) or steepest(points) <= width:
            continue
        over = BY_NAME[table.spread_over]
        at = max(range(1, len(points)), key=lambda at: abs(points[at] - points[at - 1]))
        return (
            f"{table.name}: from point {at} to {at + 1} it changes by {table.text(abs(points[at] - points[at - 1]))}, "
            f"and they lie {width / (len(points) - 1) / over.counts_per_unit:.2f} {over.unit} apart on the "
            f"{over.name} of {over.text(width)}: more demand would move the arm back. This table needs a {over.name} "
            f"of {over.text(steepest(points))} or more; measure it again, or set another {over.name}"
        )
    return ""


def in_safe_order(before: Mapping[str, RawValue], after: Mapping[str, RawValue]) -> list[str]:
    """The names of `after` in an order of single writes that agree at every step.

    The width is written first where the table that stands now agrees with it, else the table, which then agrees with
    the wider one that stands now.

    Args:
        before: what is set now; it has every name that a table of `after`, or one over a width of `after`, needs.
        after: what is to be set; with the rest of `before` it agrees.
    """
    names = list(after)
    for table in _SPREAD:
        if table.name in after and table.spread_over in after:
            is_free = not disagreement({**before, table.spread_over: after[table.spread_over]})
            first, then = (table.spread_over, table.name) if is_free else (table.name, table.spread_over)
            if names.index(first) > names.index(then):
                names.remove(first)
                names.insert(names.index(then), first)
    return names


def bound_to(names: Iterable[str]) -> frozenset[str]:
    """The parameters, other than the named ones, on which it depends whether a change of the named ones agrees."""
    named = frozenset(names)
    pairs = [{table.name, table.spread_over} for table in _SPREAD]
    return frozenset().union(*(pair for pair in pairs if pair & named)) - named
