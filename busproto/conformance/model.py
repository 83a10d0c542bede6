"""Answers of a conforming actuator to requests about settings: a plain model, written from the format page.

It covers settings and refusals, not time. An answer that depends on the unit itself (its description) is not predicted:
only its class is.
"""

from __future__ import annotations

from collections.abc import Mapping

from busproto.errors import EncodeError
from busproto.wire import messages as m
from busproto.wire.message import Message
from busproto.wire.parameters import PARAMETERS, Parameter, RawValue, disagreement, least_beside


class Model:
    """One actuator, as the page describes it.

    Attributes:
        working, stored, factory: raw values by the parameter's number.
    """

    def __init__(self, rows: Mapping[str, m.ParameterDescription]) -> None:
        """`rows`: its own parameter list. It has factory settings, stored and working."""
        self._rows: dict[int, Parameter] = {row.number: PARAMETERS[row.number] for row in rows.values()}
        self._order = [row.number for row in rows.values()]
        self._limits = {row.number: (row.low, row.high) for row in rows.values()}
        self.factory: dict[int, RawValue] = {row.number: () if row.points else row.default for row in rows.values()}
        self.working = dict(self.factory)
        self.stored = dict(self.factory)

    def set_of(self, memory: m.Memory) -> dict[int, RawValue]:
        """The set of values of one of the three memories."""
        return {m.Memory.WORKING: self.working, m.Memory.STORED: self.stored, m.Memory.FACTORY: self.factory}[memory]

    def answer(self, message: Message) -> Message | type[Message]:
        """The expected answer: the message itself, or only its class."""
        if isinstance(message, m.Write):
            return self._write(message)
        if isinstance(message, m.Read):
            return self._read(message)
        if isinstance(message, m.Undo):
            if message.memory is m.Memory.WORKING:
                return m.Refused(m.Outcome.OUT_OF_RANGE, m.Memory.STORED, m.Memory.FACTORY)
            self.working = dict(self.set_of(message.memory))
            return m.Undone(message.memory)
        if isinstance(message, m.LinkTest):
            return m.LinkTested(message.data)
        if isinstance(message, m.DescribeParameter):
            known = message.index < len(self._order)
            return m.ParameterDescription if known else m.Refused(m.Outcome.UNKNOWN_PARAMETER, 0, 0)
        if isinstance(message, m.Describe):
            return m.Description
        if isinstance(message, m.Release):
            return m.Released(m.State.RELEASED)
        raise ValueError(f"the model knows nothing of {message}")

    def _write(self, message: m.Write) -> Message:
        row = self._rows.get(message.number)
        if row is None:
            return m.Refused(m.Outcome.UNKNOWN_PARAMETER, 0, 0)
        size = len(message.value)
        if size % row.size or (not row.points and size != row.size):
            return m.Refused(m.Outcome.BAD_REQUEST, 0, 0)
        by_name = {self._rows[number].name: value for number, value in self.working.items()}
        low, high = self._limits[row.number]
        low = max(low, least_beside(row, by_name))
        try:
            value = row.decode(message.value)
        except EncodeError:
            return m.Refused(m.Outcome.OUT_OF_RANGE, low, high)
        if any(not low <= one <= high for one in (value if isinstance(value, tuple) else (value,))):
            return m.Refused(m.Outcome.OUT_OF_RANGE, low, high)
        if disagreement({**by_name, row.name: value}):
            return m.Refused(m.Outcome.OUT_OF_RANGE, low, high)
        self.working[row.number] = value
        return m.Written(row.number, message.value)

    def _read(self, message: m.Read) -> Message:
        values, rows = self.set_of(message.memory), [self._rows.get(number) for number in message.numbers]
        if any(row is not None and row.points for row in rows[:-1]):
            return m.Refused(m.Outcome.BAD_REQUEST, 0, 0)
        if None in rows:
            return m.Refused(m.Outcome.UNKNOWN_PARAMETER, 0, 0)
        data = b"".join(row.encode(values[row.number]) for row in rows if row is not None)
        return m.Values(data) if len(data) <= m.MAX_VALUES_BYTES else m.Refused(m.Outcome.BAD_REQUEST, 0, 0)
