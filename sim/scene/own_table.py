"""Parameters that one actuator of a scenario has in addition to the table's, or lacks.

A parameter that an actuator lacks acts with its factory value. An additional parameter has no effect on motion: it is
written, stored, undone and described as any other. Not modelled: limits that are narrower than the table's.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from typing import Annotated, Any, Final

from msgspec import Meta

from busproto.errors import InputError
from busproto.sim.scene.events import Table, Wrong
from busproto.wire.parameter_list import NAME_BYTES, UNIT_BYTES, own_row
from busproto.wire.parameters import BY_NAME, PARAMETERS, Parameter

FIRST_OWN_NUMBER: Final = 100
"""An actuator's own parameters without a stated number are numbered from here."""
_LABEL: Final = r"^[ -~]*$"


class OwnTable(Table, frozen=True):
    """One parameter of an actuator's own. Limits and factory value are raw counts; `unit` says what one count is,
    such as "0.1 Hz"; `bytes` is the size of one value on the wire, signed where `low` is below zero. With `points` it
    is a table of up to that many values, empty from the factory.
    """

    name: Annotated[str, Meta(max_length=NAME_BYTES, pattern=_LABEL)]
    high: int
    low: int = 0
    factory: int = 0
    unit: Annotated[str, Meta(max_length=UNIT_BYTES, pattern=_LABEL)] = ""
    bytes: int = 2
    points: Annotated[int, Meta(ge=0, le=255)] = 0
    number: Annotated[int, Meta(ge=1, le=255)] | None = None


def rows_of(lacks: Sequence[str], own: Sequence[OwnTable]) -> tuple[Parameter, ...]:
    """The list of an actuator, in the order of its numbers. Raises InputError: a parameter is not possible."""
    rows = {row.number: row for row in PARAMETERS.values() if row.name not in lacks}
    for at, table in enumerate(own):
        number = FIRST_OWN_NUMBER + at if table.number is None else table.number
        if number in rows:
            raise InputError(f"'{table.name}': number {number} is that of '{rows[number].name}' already")
        try:
            rows[number] = own_row(
                number=number,
                name=table.name,
                size=table.bytes,
                points=table.points,
                count_unit=table.unit,
                low=table.low,
                high=table.high,
                default=table.factory,
            )
        except InputError as error:
            raise InputError(f"'{table.name}': {error}") from error
    return tuple(rows[number] for number in sorted(rows))


def problems(lacks: Sequence[str], own: Sequence[OwnTable], settings: Mapping[str, Any]) -> Iterator[Wrong]:
    """Problems of the list; places are relative to the actuator's table."""
    for at, name in enumerate(lacks):
        if name not in BY_NAME:
            yield ("lacks", at), f"there is no parameter '{name}'; there are: {', '.join(BY_NAME)}"
        elif name in settings:
            yield ("lacks", at), f"'{name}' stands in its settings"
    try:
        rows_of(lacks, own)
    except InputError as error:
        yield ("own",), str(error)
