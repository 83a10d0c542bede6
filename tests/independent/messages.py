"""Payloads of the operations that this host uses. Sections Operations, Outcomes, States of the page."""

from __future__ import annotations

import struct
from collections.abc import Collection, Iterable, Sequence
from dataclasses import dataclass
from enum import IntEnum
from typing import Final, Self

MOST_DIGESTS: Final = 53
ADDRESS_BYTES: Final = 30
NO_DEMAND: Final = -32768
FULL_DEMAND: Final = 10000
REFUSED: Final = struct.Struct("<Bii")


class Op(IntEnum):
    ROLL_CALL = 0x01
    MEMBER_LIST = 0x02
    ADDRESS_LIST = 0x03
    ASSIGN = 0x10
    DESCRIBE = 0x20
    DESCRIBE_PARAMETER = 0x21
    READ = 0x30
    WRITE = 0x31
    COMMIT = 0x32
    DEMAND_ALL = 0x40
    DEMAND = 0x41
    RELEASE = 0x42
    ENGAGE = 0x43
    REPORT = 0x44
    REPORT_ROUND = 0x46


class Memory(IntEnum):
    WORKING = 0
    STORED = 1
    FACTORY = 2


class State(IntEnum):
    LIMP = 0
    SOFT_STARTING = 1
    FOLLOWING = 2
    LOST_LIMP = 3
    LOST_HOLD = 4
    LOST_PRESET = 5
    RELEASED = 6
    FAULTED = 7

    @property
    def is_limp(self) -> bool:
        return self in (State.LIMP, State.LOST_LIMP, State.RELEASED, State.FAULTED)


def roll_call(epoch: int, salt: int, slots: int, digests: Iterable[int] = ()) -> bytes:
    return struct.pack("<HBH", epoch, salt, slots) + words(digests)


def member_list(epoch: int, salt: int, digests: Sequence[int]) -> list[bytes]:
    """The payloads of all parts, in order."""
    return [
        struct.pack("<HBBB", epoch, salt, first, len(digests)) + words(digests[first : first + MOST_DIGESTS])
        for first in range(0, len(digests), MOST_DIGESTS)
    ]


def address_list(epoch: int, salt: int, addresses: Collection[int]) -> bytes:
    bits = sum(1 << address - 1 for address in set(addresses))
    return struct.pack("<HB", epoch, salt) + bits.to_bytes(ADDRESS_BYTES, "little")


def demands(values: Iterable[int]) -> bytes:
    """Of channels from 1 on, in 0.01 %; NO_DEMAND for none."""
    return b"".join(struct.pack("<h", value) for value in values)


def report_round(first: int, count: int, values: Iterable[int] = ()) -> bytes:
    return bytes((first, count)) + demands(values)


def words(values: Iterable[int]) -> bytes:
    return b"".join(value.to_bytes(2, "little") for value in values)


def text(field: bytes) -> str:
    return field.rstrip(b"\0").decode("ascii")


@dataclass(frozen=True)
class Description:
    """The reply to 20."""

    uid: bytes
    model: str
    firmware: tuple[int, int]
    supply_mv: tuple[int, int]
    stall_torque_mnm: int
    stall_current_ma: int
    no_load_speed_deg_s: int
    mechanical_travel_cdeg: int
    parameter_count: int
    generation: int

    @classmethod
    def of(cls, payload: bytes) -> Self:
        uid, model, major, minor, low, high, *rest = struct.unpack("<8s16sBBHHHHHHBH", payload)
        return cls(uid, text(model), (major, minor), (low, high), *rest)


@dataclass(frozen=True)
class Parameter:
    """The reply to 21: one row of an actuator's own list; limits are raw counts."""

    number: int
    size: int
    points: int
    low: int
    high: int
    default: int
    name: str
    unit: str

    @classmethod
    def of(cls, payload: bytes) -> Self:
        number, size, points, low, high, default, name, unit = struct.unpack("<BBBiii20s10s", payload)
        return cls(number, size, points, low, high, default, text(name), text(unit))

    def raw(self, *values: int) -> bytes:
        """One value, or the points of a table, as bytes."""
        return b"".join(value.to_bytes(self.size, "little", signed=self.low < 0) for value in values)

    def values(self, raw: bytes) -> tuple[int, ...]:
        """The value, or the points, that stand in `raw`."""
        return tuple(
            int.from_bytes(raw[at : at + self.size], "little", signed=self.low < 0)
            for at in range(0, len(raw), self.size)
        )


@dataclass(frozen=True)
class Report:
    """The reply to 44."""

    state: State
    faults: int
    position_cdeg: int
    demand_cdeg: int
    current_ma: int
    supply_mv: int
    temperature_cdeg: int
    demand_age_ms: int
    good_frames: int
    bad_frames: int
    is_showing: bool

    @classmethod
    def of(cls, payload: bytes) -> Self:
        state, faults, at, to, current, supply, heat, age, good, bad, shows = struct.unpack("<BBhhHHhHHHB", payload)
        return cls(State(state), faults, at, to, current, supply, heat, age, good, bad, bool(shows))


@dataclass(frozen=True)
class RoundReport:
    """The reply to 46."""

    state: State
    position_cdeg: int
    current_ma: int

    @classmethod
    def of(cls, payload: bytes) -> Self:
        state, position, current = struct.unpack("<BhB", payload)
        return cls(State(state), position, current * 20)
