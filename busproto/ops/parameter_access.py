"""Reading, setting, committing and undoing parameters. Nothing is written without being read back."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Final

from busproto.errors import EncodeError, InputError, ReadBackError
from busproto.ops.steps import Done, Steps
from busproto.ops.transact import transact
from busproto.wire.messages import (
    MAX_VALUES_BYTES,
    Commit,
    Committed,
    Describe,
    DescribeParameter,
    Description,
    Memory,
    ParameterDescription,
    Read,
    Undo,
    Undone,
    Values,
    Write,
    Written,
)
from busproto.wire.parameters import (
    PARAMETERS,
    Parameter,
    RawValue,
    bound_to,
    disagreement,
    in_safe_order,
    parameter_named,
)

_SINGLE_ROWS: Final = tuple(row for row in PARAMETERS.values() if not row.points)
_TABLE_ROWS: Final = tuple(row for row in PARAMETERS.values() if row.points)


def describe(address: int) -> Steps[Description]:
    """What the actuator at an address is. Hears the reply window out, so that a second one there shows.

    Raises:
        AddressConflictError, ReplyTimeoutError, NodeRefusedError: see `transact`.
    """
    return (yield from transact(Describe(), address, Description, listen_out=True))


def describe_parameters(address: int) -> Steps[list[ParameterDescription]]:
    """The actuator's own list of its parameters, with its own limits. One exchange a row."""
    description = yield from describe(address)
    rows = []
    for index in range(description.parameter_count):
        rows.append((yield from transact(DescribeParameter(index), address, ParameterDescription)))
    return rows


def read_all(address: int, memory: Memory = Memory.WORKING) -> Steps[dict[str, RawValue]]:
    """Every parameter of one memory, raw, by name. Two exchanges: the single values, then the table."""
    values: dict[str, RawValue] = {}
    for rows in (_SINGLE_ROWS, *((row,) for row in _TABLE_ROWS)):
        values.update((yield from _read_rows(address, memory, rows)))
    return {row.name: values[row.name] for row in PARAMETERS.values()}


def read(address: int, name: str, memory: Memory = Memory.WORKING) -> Steps[RawValue]:
    """One parameter, raw.

    Raises:
        InputError: there is no parameter of that name; nothing was sent.
    """
    row = parameter_named(name)
    return (yield from _read_rows(address, memory, (row,)))[name]


def _read_rows(address: int, memory: Memory, rows: tuple[Parameter, ...]) -> Steps[dict[str, RawValue]]:
    assert sum(row.size for row in rows) <= MAX_VALUES_BYTES
    reply = yield from transact(Read(memory, bytes(row.number for row in rows)), address, Values)
    values: dict[str, RawValue] = {}
    at = 0
    for row in rows:
        end = len(reply.values) if row.points else at + row.size
        try:
            values[row.name] = row.decode(reply.values[at:end])
        except EncodeError as error:
            raise ReadBackError(address, row.name, row.range_text(), reply.values[at:end].hex(" ")) from error
        at = end
    return values


def write(address: int, changes: Mapping[str, RawValue]) -> Steps[dict[str, tuple[RawValue, RawValue]]]:
    """Set parameters in working memory, each read back. What is so already is not written.

    Args:
        address: 1..239.
        changes: raw values by name.

    Returns:
        Old and new raw value of every one that was changed.

    Raises:
        InputError: a name or value is not allowed, or cannot stand beside what is set; nothing was written.
        NodeRefusedError: the actuator's own limits are narrower; those set before stay in working memory only.
        ReadBackError: another value was read back.
    """
    for name, raw in changes.items():
        try:
            parameter_named(name).encode(raw)
        except EncodeError as error:
            raise InputError(f"address {address}: {error}") from error
    old_values: dict[str, RawValue] = {}
    for name in (*changes, *sorted(bound_to(changes))):
        old_values[name] = yield from read(address, name)
    if why := disagreement({**old_values, **changes}):
        raise InputError(f"address {address}: {why}")
    changed: dict[str, tuple[RawValue, RawValue]] = {}
    for name in in_safe_order(old_values, changes):
        row, raw, old = parameter_named(name), changes[name], old_values[name]
        if old == raw:
            continue
        what = f"setting {row.name} to {row.text(raw)}"
        yield from transact(Write(row.number, row.encode(raw)), address, Written, what=what)
        found = yield from read(address, row.name)
        if found != raw:
            raise ReadBackError(address, row.name, row.text(raw), row.text(found))
        changed[row.name] = (old, raw)
        yield Done(f"address {address}: {row.name} {row.text(raw)} in working memory")
    return changed


def commit(address: int) -> Steps[int]:
    """Write working memory to stored memory and read back that both agree. Returns the new generation.

    Raises:
        NodeRefusedError: the memory could not be written; the old settings stand.
        ReadBackError: stored memory does not hold what working memory does.
    """
    reply = yield from transact(Commit(), address, Committed, slow=True, what="storing the settings")
    working = yield from read_all(address, Memory.WORKING)
    stored = yield from read_all(address, Memory.STORED)
    for name, raw in working.items():
        if stored[name] != raw:
            row = parameter_named(name)
            raise ReadBackError(address, f"stored {name}", row.text(raw), row.text(stored[name]))
    yield Done(f"address {address}: settings stored")
    return reply.generation


def undo(address: int, memory: Memory = Memory.STORED) -> Steps[dict[str, RawValue]]:
    """Set working memory back to stored or factory. Returns what it is then; stored memory is not touched."""
    yield from transact(Undo(memory), address, Undone, what="undoing the settings")
    return (yield from read_all(address))
