"""Working, stored and factory settings of one actuator, and the record in stored memory."""

from __future__ import annotations

import functools
from collections.abc import Mapping, Sequence
from typing import Final

from busproto.errors import EncodeError
from busproto.sim.actuators.storage import StoredMemory
from busproto.sim.mechanics.motion import corrected_deg
from busproto.wire.frame import MAX_ADDRESS, MIN_ADDRESS, UNADDRESSED
from busproto.wire.messages import MAX_DEMAND
from busproto.wire.parameter_list import STANDARD, ParameterList, list_of_rows
from busproto.wire.parameters import FACTORY, PARAMETERS, Parameter, RawValue, disagreement, least_beside

CACHED_RECORDS: Final = 1024


class RecordLayout:
    """How stored memory keeps the settings of an actuator with a given list of parameters: the address, single values
    in the order of the list, then tables; all tables but the last behind a count of their points.
    """

    def __init__(self, parameters: ParameterList) -> None:
        rows = parameters.rows.values()
        self._rows = tuple(sorted(rows, key=lambda row: bool(row.points)))
        # cached: most actuators of a run hold the same record
        self._values_of = functools.lru_cache(maxsize=CACHED_RECORDS)(self._read_values)

    def pack(self, address: int, values: Mapping[str, RawValue]) -> bytes:
        """Address and raw settings as the bytes of a record in stored memory."""
        parts = [bytes([address])]
        for row in self._rows:
            data = row.encode(values[row.name])
            if row.points and row is not self._rows[-1]:
                parts.append(bytes([len(data) // row.size]))
            parts.append(data)
        return b"".join(parts)

    def unpack(self, record: bytes) -> tuple[int, dict[str, RawValue]]:
        """Settings from a record: the inverse of `pack`."""
        return record[0], dict(self._values_of(record))

    def _read_values(self, record: bytes) -> Mapping[str, RawValue]:
        values: dict[str, RawValue] = {}
        at = 1
        for row in self._rows:
            end = at + row.size
            if row.points and row is self._rows[-1]:
                end = len(record)
            elif row.points:
                end = at + 1 + record[at] * row.size
                at += 1
            values[row.name] = row.decode(record[at:end])
            at = end
        return values


_STANDARD_LAYOUT: Final = RecordLayout(STANDARD)


def _require_agreement(values: Mapping[str, RawValue]) -> None:
    if why := disagreement(values):
        raise EncodeError("settings", why)


class Travel:
    """Where demands put the arm, by the working settings at one time.

    Attributes:
        low_deg, high_deg: the end limits.
    """

    def __init__(self, settings: Settings) -> None:
        raw = settings.raw
        self.low_deg = raw("end-low") / 100
        self.high_deg = raw("end-high") / 100
        self._neutral_cdeg = raw("neutral")
        self._travel_cdeg = raw("travel")
        self._side = -1.0 if raw("direction") else 1.0
        table = settings.working.get("correction", ())
        assert isinstance(table, tuple)
        self._correction_deg = tuple(point / 100 for point in table)

    def angle_deg(self, demand: int) -> float:
        """Target angle, deg, for a demand in 0.01 % of travel."""
        share = demand / MAX_DEMAND
        angle_deg = (self._neutral_cdeg + self._side * share * self._travel_cdeg / 2) / 100
        return self.limited_deg(angle_deg + corrected_deg(self._correction_deg, share))

    def limited_deg(self, angle_deg: float) -> float:
        """The nearest angle within the end limits."""
        return min(self.high_deg, max(self.low_deg, angle_deg))


class Settings:
    """The three sets and the address.

    A parameter that the actuator lacks acts with the factory value of the table; parameters of its own have no effect.

    Attributes:
        rows: its list of parameters, as it describes them.
        parameters: the same rows, by name.
        factory: raw factory values by name.
        address: 1..239, or 240 (F0h) while it has none. Not a parameter: commit and undo leave it alone.
        by_number: its rows by their numbers.
        working: raw values in use, by name; changed as a whole, or by `set_working`.
        travel: where demands put the arm.
        memory: the two stored copies.
        are_lost: neither stored copy was whole at the last start; factory settings are in use.
    """

    def __init__(
        self, address: int, stored: Mapping[str, RawValue], rows: Sequence[Parameter] = tuple(PARAMETERS.values())
    ) -> None:
        self.rows = rows
        is_standard = rows == tuple(PARAMETERS.values())
        self.parameters = STANDARD if is_standard else list_of_rows(rows)
        self._layout = _STANDARD_LAYOUT if is_standard else RecordLayout(self.parameters)
        self.by_number = {row.number: row for row in self.parameters.rows.values()}
        self.factory: dict[str, RawValue] = {name: row.default for name, row in self.parameters.rows.items()}
        values = {**self.factory, **stored}
        _require_agreement(values)
        self.memory = StoredMemory.holding(self._layout.pack(address, values))
        self.address = UNADDRESSED
        self._travel: Travel | None = None
        self.are_lost = False
        self.start()

    def start(self) -> None:
        """Set working from stored settings, as at power-up; factory and no address where no stored copy is whole."""
        loaded = self.memory.load()
        self.are_lost = loaded is None
        if loaded is None:
            self.address, self.working = UNADDRESSED, dict(self.factory)
        else:
            self.address, self.working = self._layout.unpack(loaded[1])

    @property
    def working(self) -> dict[str, RawValue]:
        """See the class."""
        return self._working

    @working.setter
    def working(self, values: dict[str, RawValue]) -> None:
        self._working = values
        self._travel = None

    @property
    def travel(self) -> Travel:
        """See the class. Calculated only after a change, as every demand reads it."""
        if self._travel is None:
            self._travel = Travel(self)
        return self._travel

    @property
    def generation(self) -> int:
        """Number of the last write of stored memory; 0 where no copy is whole."""
        loaded = self.memory.load()
        return loaded[0] if loaded else 0

    def stored(self) -> dict[str, RawValue]:
        """The stored set; factory where no copy is whole."""
        loaded = self.memory.load()
        return self._layout.unpack(loaded[1])[1] if loaded else dict(self.factory)

    def raw(self, name: str) -> int:
        """The working raw value of a single parameter; the factory value where the actuator lacks it."""
        value = self._working.get(name)
        if value is None:
            value = FACTORY[name]
        assert isinstance(value, int)
        return value

    def set_working(self, name: str, value: RawValue) -> None:
        """Change one value in working memory.

        Raises:
            EncodeError: it is outside the row's range, or contradicts other values; nothing is changed.
        """
        self.parameters.rows[name].encode(value)
        _require_agreement({**self._working, name: value})
        self._working[name] = value
        self._travel = None

    def least(self, row: Parameter) -> int:
        """The least raw value that the other working values allow for a parameter."""
        return least_beside(row, self._working)

    def begin_commit(self, now_ns: int) -> int:
        """Begin to store address and working set; return when the write will be complete, ns."""
        return self.memory.begin(self._layout.pack(self.address, self.working), now_ns)

    def begin_assign(self, address: int, now_ns: int) -> int:
        """Begin to store a new address with the *stored* set; return when the write will be complete, ns."""
        assert MIN_ADDRESS <= address <= MAX_ADDRESS or address == UNADDRESSED
        return self.memory.begin(self._layout.pack(address, self.stored()), now_ns)
