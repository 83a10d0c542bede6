"""Reading, setting, committing and undoing parameters. Nothing is written without being read back.

An actuator may lack parameters of the table, or have others of its own. For an actuator with exactly those of the table
this costs nothing: `describe` gives their number, and reading those of the table shows whether it has them all. Only if
one of the two differs is its own list read (operation 21 hex), one exchange a row.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from typing import Final

from busproto.errors import (
    UNKNOWN_PARAMETER,
    EncodeError,
    InputError,
    LacksParameterError,
    NodeRefusedError,
    ParameterListError,
    ReadBackError,
)
from busproto.ops.holding import Held, Lists, require_parameter
from busproto.ops.steps import Done, Steps
from busproto.ops.transact import transact
from busproto.wire.messages import (
    MAX_READ,
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
from busproto.wire.parameter_list import STANDARD, ParameterList, list_of
from busproto.wire.parameters import (
    PARAMETERS,
    Parameter,
    RawValue,
    bound_to,
    disagreement,
    in_safe_order,
    parameter_named,
)

_NOT_AS_LISTED: Final = "its answers do not fit the list"


class _OtherListError(Exception):
    """An answer does not fit the list by which it was asked for."""


def describe(address: int) -> Steps[Description]:
    """Read what the actuator at an address is. Listens to the end of the reply window, so that a second one there
    shows.

    Raises:
        AddressConflictError, ReplyTimeoutError, NodeRefusedError: see `transact`.
    """
    return (yield from transact(Describe(), address, Description, listen_out=True))


def _described(address: int, description: Description | None) -> Steps[Description]:
    """The description if given, otherwise read; without listening for a second actuator."""
    return description or (yield from transact(Describe(), address, Description))


def describe_parameters(address: int, description: Description | None = None) -> Steps[list[ParameterDescription]]:
    """Read the actuator's own list of parameters, with its own limits. One exchange a row.

    Args:
        description: what `describe` gave; None to ask for it.
    """
    count = (yield from _described(address, description)).parameter_count
    rows = []
    for index in range(count):
        try:
            rows.append((yield from transact(DescribeParameter(index), address, ParameterDescription)))
        except NodeRefusedError as error:
            why = f"it reports {count} parameters, and refuses row {index}"
            raise ParameterListError(address, why) from error
    return rows


def parameters_of(
    address: int, description: Description | None = None, lists: Lists | None = None
) -> Steps[ParameterList]:
    """Read the parameter list of one actuator. One exchange a row.

    Raises:
        ParameterListError: the list cannot be used; the text gives the reason.
    """
    description = yield from _described(address, description)
    rows = yield from describe_parameters(address, description)
    try:
        found = list_of(rows)
    except InputError as error:
        raise ParameterListError(address, str(error)) from error
    if lists is not None:
        lists.keep(description, found)
    return found


def read_whole(
    address: int, memory: Memory = Memory.WORKING, *, description: Description | None = None, lists: Lists | None = None
) -> Steps[Held]:
    """Read every parameter that the actuator has, also those that are not in the table.

    Two exchanges if it has those of the table, one more if `description` is not given.

    Args:
        description: what `describe` gave.
        lists: the lists read before in this run; one that is read now is added.

    Raises:
        ParameterListError: the actuator has a list of its own that cannot be used.
    """
    description = yield from _described(address, description)
    likely = [lists.of(description)] if lists is not None else []
    if description.parameter_count == len(PARAMETERS):
        likely.append(STANDARD)
    for known in likely:  # with the right count, an actuator whose answers fit a list has exactly that list
        try:
            if known is not None:
                return (yield from _read_by(address, memory, known))
        except _OtherListError:
            continue
    known = yield from parameters_of(address, description, lists)
    return (yield from _read_by_its_list(address, memory, known))


def read_all(address: int, memory: Memory = Memory.WORKING, known: ParameterList | None = None) -> Steps[Held]:
    """Read every parameter of a list from one memory, raw, by name. Two exchanges: single values, then the correction
    table.

    Args:
        known: the actuator's list; None for the table without the parameters it lacks. Then parameters of its own are
            not read (`read_whole` reads them).
    """
    try:
        return (yield from _read_by(address, memory, known or STANDARD))
    except _OtherListError:
        return (yield from _read_by_its_list(address, memory, (yield from parameters_of(address))))


def _read_by_its_list(address: int, memory: Memory, known: ParameterList) -> Steps[Held]:
    try:
        return (yield from _read_by(address, memory, known))
    except _OtherListError as error:
        if isinstance(error.__cause__, ReadBackError):
            raise error.__cause__ from error
        raise ParameterListError(address, _NOT_AS_LISTED) from error


def _read_by(address: int, memory: Memory, known: ParameterList) -> Steps[Held]:
    """Read the values of a list. Raises _OtherListError: it is not the list of this actuator."""
    values: dict[str, RawValue] = {}
    for rows in _portions(known):
        values.update((yield from _read_rows(address, memory, rows)))
    return Held(address, {name: values[name] for name in known.rows}, known)


def _portions(known: ParameterList) -> Iterator[Sequence[Parameter]]:
    """The rows of each request: as many single values as fit into an answer, then each table by itself."""
    portion: list[Parameter] = []
    for row in known.rows.values():
        if row.points:
            continue
        if len(portion) == MAX_READ or sum(one.size for one in portion) + row.size > MAX_VALUES_BYTES:
            yield portion
            portion = []
        portion.append(row)
    if portion:
        yield portion
    yield from ([row] for row in known.rows.values() if row.points)


def read(
    address: int, name: str, memory: Memory = Memory.WORKING, known: ParameterList | None = None
) -> Steps[RawValue]:
    """Read one parameter, raw.

    Args:
        known: the actuator's list (`parameters_of`); None for the table.

    Raises:
        InputError: there is no parameter of that name; nothing was sent.
        LacksParameterError: the parameter is in the table, and the actuator does not have it.
    """
    return (yield from _read_one(address, _row(address, name, known), memory))


def _row(address: int, name: str, known: ParameterList | None) -> Parameter:
    """The row of that name. Raises InputError, LacksParameterError."""
    if known is None:
        return parameter_named(name)
    require_parameter(known, address, name)
    try:
        return known.named(name)
    except InputError as error:
        raise InputError(f"address {address}: {error}") from error


def _read_one(address: int, row: Parameter, memory: Memory) -> Steps[RawValue]:
    try:
        return (yield from _read_rows(address, memory, (row,)))[row.name]
    except _OtherListError as error:
        if isinstance(error.__cause__, ReadBackError):
            raise error.__cause__ from error
        raise LacksParameterError(address, row.name) from error


def _read_rows(address: int, memory: Memory, rows: Sequence[Parameter]) -> Steps[dict[str, RawValue]]:
    try:
        reply = yield from transact(Read(memory, bytes(row.number for row in rows)), address, Values)
    except NodeRefusedError as error:
        if error.code == UNKNOWN_PARAMETER:
            raise _OtherListError from error
        raise
    values: dict[str, RawValue] = {}
    at = 0
    for row in rows:
        end = len(reply.values) if row.points or row is rows[-1] else at + row.size
        try:
            values[row.name] = row.decode(reply.values[at:end])
        except EncodeError as error:
            found = ReadBackError(address, row.name, row.range_text(), reply.values[at:end].hex(" "))
            raise _OtherListError from found.with_traceback(error.__traceback__)
        at = end
    return values


def write(
    address: int, changes: Mapping[str, RawValue], known: ParameterList | None = None
) -> Steps[dict[str, tuple[RawValue, RawValue]]]:
    """Set parameters in working memory, each read back. A parameter that has the value already is not written.

    Args:
        address: 1..239.
        changes: raw values by name.
        known: the actuator's list (`parameters_of`); None for the table.

    Returns:
        Old and new raw value of every one that was changed.

    Raises:
        InputError: a name or value is not allowed, or conflicts with the other settings; nothing was written.
        LacksParameterError: the actuator has no such parameter; nothing was written.
        NodeRefusedError: the actuator's own limits are narrower; those set before stay in working memory only.
        ReadBackError: another value was read back.
    """
    rows = {name: _row(address, name, known) for name in changes}
    for name, raw in changes.items():
        try:
            rows[name].encode(raw)
        except EncodeError as error:
            raise InputError(f"address {address}: {error}") from error
    old_values: dict[str, RawValue] = {}
    for name in (*changes, *sorted(bound_to(changes))):
        if name in rows:
            old_values[name] = yield from _read_one(address, rows[name], Memory.WORKING)
        elif known is None or name in known.rows:
            old_values[name] = yield from read(address, name, known=known)
    if why := disagreement({**old_values, **changes}):
        raise InputError(f"address {address}: {why}")
    changed: dict[str, tuple[RawValue, RawValue]] = {}
    for name in in_safe_order(old_values, changes):
        row, raw, old = rows[name], changes[name], old_values[name]
        if old == raw:
            continue
        what = f"setting {row.name} to {row.text(raw)}"
        yield from transact(Write(row.number, row.encode(raw)), address, Written, what=what)
        found = yield from _read_one(address, row, Memory.WORKING)
        if found != raw:
            raise ReadBackError(address, row.name, row.text(raw), row.text(found))
        changed[row.name] = (old, raw)
        yield Done(f"address {address}: {row.name} {row.text(raw)} in working memory")
    return changed


def commit(address: int, known: ParameterList | None = None, *, description: Description | None = None) -> Steps[int]:
    """Write working memory to stored memory and read back that both agree. Returns the new generation.

    Args:
        known: the actuator's list; None to find it out, by `description` if given.

    Raises:
        NodeRefusedError: the memory could not be written; the old settings are kept.
        ReadBackError: stored memory does not hold what working memory does.
    """
    reply = yield from transact(Commit(), address, Committed, slow=True, what="storing the settings")
    working = yield from _read_known(address, known, description)
    stored = yield from read_all(address, Memory.STORED, working.parameters)
    for name, raw in working.items():
        if stored[name] != raw:
            row = working.parameters.rows[name]
            raise ReadBackError(address, f"stored {name}", row.text(raw), row.text(stored[name]))
    yield Done(f"address {address}: settings stored")
    return reply.generation


def undo(address: int, memory: Memory = Memory.STORED, known: ParameterList | None = None) -> Steps[Held]:
    """Set working memory back to stored or factory values. Returns its values then; stored memory is not touched.

    Args:
        known: the actuator's list; None to find it out.
    """
    yield from transact(Undo(memory), address, Undone, what="undoing the settings")
    return (yield from _read_known(address, known, None))


def _read_known(address: int, known: ParameterList | None, description: Description | None) -> Steps[Held]:
    if known is None:
        return (yield from read_whole(address, description=description))
    return (yield from read_all(address, known=known))
