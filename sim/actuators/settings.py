"""Working, stored and factory settings of one actuator, and the record that stands in stored memory."""

from __future__ import annotations

import functools
from collections.abc import Mapping
from typing import Final

from busproto.errors import EncodeError
from busproto.sim.actuators.storage import StoredMemory
from busproto.sim.mechanics.motion import corrected_deg
from busproto.wire.frame import MAX_ADDRESS, MIN_ADDRESS, UNADDRESSED
from busproto.wire.messages import MAX_DEMAND
from busproto.wire.parameters import BY_NAME, FACTORY, PARAMETERS, Parameter, RawValue, disagreement, least_beside

_ROWS_IN_RECORD: Final = tuple(sorted(PARAMETERS.values(), key=lambda row: bool(row.points)))
"""Single values first, so that the one table takes what is left of the record."""


def pack_record(address: int, values: Mapping[str, RawValue]) -> bytes:
    """The bytes that stored memory keeps: the address, then every parameter in a fixed order."""
    return bytes([address]) + b"".join(row.encode(values[row.name]) for row in _ROWS_IN_RECORD)


def unpack_record(record: bytes) -> tuple[int, dict[str, RawValue]]:
    """The inverse of `pack_record`."""
    return record[0], dict(_values_of(record))


@functools.lru_cache(maxsize=1024)
def _values_of(record: bytes) -> Mapping[str, RawValue]:
    """The parameters in a record; most actuators of a campaign hold the same."""
    values: dict[str, RawValue] = {}
    at = 1
    for row in _ROWS_IN_RECORD:
        end = len(record) if row.points else at + row.size
        values[row.name] = row.decode(record[at:end])
        at = end
    return values


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
        table = settings.working["correction"]
        assert isinstance(table, tuple)
        self._correction_deg = tuple(point / 100 for point in table)

    def angle_deg(self, demand: int) -> float:
        """Where a demand (0.01 % of travel) puts it."""
        share = demand / MAX_DEMAND
        angle_deg = (self._neutral_cdeg + self._side * share * self._travel_cdeg / 2) / 100
        return self.limited_deg(angle_deg + corrected_deg(self._correction_deg, share))

    def limited_deg(self, angle_deg: float) -> float:
        """The nearest angle within the end limits."""
        return min(self.high_deg, max(self.low_deg, angle_deg))


class Settings:
    """The three sets and the address.

    Attributes:
        address: 1..239, or 240 (F0h) while it has none. Not a parameter: commit and undo leave it alone.
        working: raw values in use, by name; changed as a whole, or by `set_working`.
        travel: where demands put the arm.
        memory: the two stored copies.
        are_lost: neither stored copy was whole at the last start; factory settings are in use.
    """

    def __init__(self, address: int, stored: Mapping[str, RawValue]) -> None:
        values = {**FACTORY, **stored}
        _require_agreement(values)
        self.memory = StoredMemory.holding(pack_record(address, values))
        self.address = UNADDRESSED
        self._travel: Travel | None = None
        self.are_lost = False
        self.start()

    def start(self) -> None:
        """As after power-up: working from stored, or factory and no address where no copy is whole."""
        loaded = self.memory.load()
        self.are_lost = loaded is None
        if loaded is None:
            self.address, self.working = UNADDRESSED, dict(FACTORY)
        else:
            self.address, self.working = unpack_record(loaded[1])

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
        """See the class; made anew after a change only, as it is asked for with every demand."""
        if self._travel is None:
            self._travel = Travel(self)
        return self._travel

    @property
    def generation(self) -> int:
        """Counts the writes of stored memory; 0 where no copy is whole."""
        loaded = self.memory.load()
        return loaded[0] if loaded else 0

    def stored(self) -> dict[str, RawValue]:
        """The stored set; factory where no copy is whole."""
        loaded = self.memory.load()
        return unpack_record(loaded[1])[1] if loaded else dict(FACTORY)

    def raw(self, name: str) -> int:
        """A single value of the working set."""
        value = self._working[name]
        assert isinstance(value, int)
        return value

    def set_working(self, name: str, value: RawValue) -> None:
        """Change one value in working memory.

        Raises:
            EncodeError: it is outside the row's range, or cannot stand beside the others; nothing is changed.
        """
        BY_NAME[name].encode(value)
        _require_agreement({**self._working, name: value})
        self._working[name] = value
        self._travel = None

    def least(self, row: Parameter) -> int:
        """The least raw value that a parameter may have beside the others in working memory."""
        return least_beside(row, self._working)

    def begin_commit(self, now_ns: int) -> int:
        """Begin to store address and working set; return when they will be whole, ns."""
        return self.memory.begin(pack_record(self.address, self.working), now_ns)

    def begin_assign(self, address: int, now_ns: int) -> int:
        """Begin to store a new address with the *stored* set; return when it will be whole, ns."""
        assert MIN_ADDRESS <= address <= MAX_ADDRESS or address == UNADDRESSED
        return self.memory.begin(pack_record(address, self.stored()), now_ns)
