"""What a host does with one actuator: its parameters, and a move. Sections Address and memory, Motion, Operations."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Final

from tests.independent.asking import Asker
from tests.independent.codec import ALL, HOST, replies_in
from tests.independent.line import IN_ORDER, Send, Talk
from tests.independent.messages import (
    FULL_DEMAND,
    Description,
    Memory,
    Op,
    Parameter,
    Report,
    RoundReport,
    State,
    report_round,
)

AT_REST_CDEG: Final = 150
"""With factory values and no load an arm rests within so much of its target (accuracy)."""
SETTLE_S: Final = 1.5
"""Beyond the time that the slew limit and the soft start need."""
REVERSED: Final = 1


@dataclass(frozen=True)
class Moved:
    """What was seen of a move; positions in 0.01 deg."""

    target_cdeg: int
    seen: tuple[Report, ...]
    arrived: bool
    end: Report


class Actuator:
    """One actuator, by its address; its uid guards against another one that answers there."""

    def __init__(self, asker: Asker, address: int, uid: bytes) -> None:
        self.asker, self.address, self.uid = asker, address, uid

    def ask(self, operation: Op, payload: bytes = b"") -> Talk[bytes]:
        return self.asker.ask(self.address, operation, payload, uid=self.uid)

    def describe(self) -> Talk[Description]:
        return Description.of((yield from self.ask(Op.DESCRIBE)))

    def parameters(self) -> Talk[dict[str, Parameter]]:
        """Its own list, by name."""
        rows: dict[str, Parameter] = {}
        for index in range((yield from self.describe()).parameter_count):
            row = Parameter.of((yield from self.ask(Op.DESCRIBE_PARAMETER, bytes((index,)))))
            rows[row.name] = row
        return rows

    def read(self, rows: Sequence[Parameter], memory: Memory = Memory.WORKING) -> Talk[dict[str, tuple[int, ...]]]:
        """Raw values by name; asked for one by one, so that each may be a table."""
        values: dict[str, tuple[int, ...]] = {}
        for row in rows:
            raw = yield from self.ask(Op.READ, bytes((memory, row.number)))
            values[row.name] = row.values(raw)
        return values

    def write(self, row: Parameter, *values: int) -> Talk[tuple[int, ...]]:
        """The values as they stand behind the write."""
        payload = yield from self.ask(Op.WRITE, bytes((row.number,)) + row.raw(*values))
        assert payload[0] == row.number
        return row.values(payload[1:])

    def commit(self) -> Talk[int]:
        """The generation of stored memory behind it."""
        return int.from_bytes((yield from self.ask(Op.COMMIT)), "little")

    def report(self) -> Talk[Report]:
        return Report.of((yield from self.ask(Op.REPORT)))

    def engage(self) -> Talk[State]:
        return State((yield from self.ask(Op.ENGAGE))[0])

    def release(self) -> Talk[State]:
        return State((yield from self.ask(Op.RELEASE))[0])

    def demand(self, value: int) -> Talk[State]:
        """`value` in 0.01 %."""
        payload = yield from self.ask(Op.DEMAND, value.to_bytes(2, "little", signed=True))
        return State(payload[0])

    def move(self, value: int, rows: Mapping[str, Parameter]) -> Talk[Moved]:
        """Take hold, demand `value` until the arm rests at its target or the time for it is over, and let go."""
        raw = yield from self.read(list(rows.values()))
        target = target_cdeg(value, raw)
        yield from self.engage()
        try:
            seen, arrived = yield from self._watch(value, target, raw)
        finally:
            yield from self.release()
        return Moved(target, tuple(seen), arrived, (yield from self.report()))

    def _watch(self, value: int, target: int, raw: Mapping[str, tuple[int, ...]]) -> Talk[tuple[list[Report], bool]]:
        yield from self.demand(value)
        begun = yield Send(b"", 0.0)
        seen = [(yield from self.report())]
        way_deg = abs(target - seen[0].position_cdeg) / 100
        due_s = begun.at_s + raw["soft-start"][0] / 1000 + way_deg / (raw["slew-limit"][0] / 10) + SETTLE_S
        while True:
            yield from self.demand(value)
            seen.append((yield from self.report()))
            if is_at_rest(seen[-2:], target):
                return seen, True
            paused = yield Send(b"", min(0.05, raw["loss-time-out"][0] / 1000 / 4))
            if paused.at_s > due_s:
                return seen, False


def is_at_rest(last: Sequence[Report], target_cdeg: int) -> bool:
    """Two reports that follow the demand, near its target and near each other."""
    return (
        all(one.state is State.FOLLOWING and abs(one.position_cdeg - target_cdeg) <= AT_REST_CDEG for one in last)
        and abs(last[0].position_cdeg - last[1].position_cdeg) <= 20
    )


def target_cdeg(value: int, raw: Mapping[str, tuple[int, ...]]) -> int:
    """Where the demand `value` (0.01 %) leads, by does.angle, does.correction and does.ends; 0.01 deg."""
    demand = value / FULL_DEMAND
    direction = -1 if raw["direction"][0] == REVERSED else 1
    angle = raw["neutral"][0] + direction * demand * raw["travel"][0] / 2 + correction_cdeg(demand, raw["correction"])
    return round(min(max(angle, raw["end-low"][0]), raw["end-high"][0]))


def correction_cdeg(demand: float, points: Sequence[int]) -> float:
    if not points:
        return 0.0
    at = (demand + 1) / 2 * (len(points) - 1)
    left = min(int(at), len(points) - 2)
    return points[left] + (at - left) * (points[left + 1] - points[left])


def assign(asker: Asker, uid: bytes, address: int) -> Talk[None]:
    """Give the actuator `uid` an address, 0x01..0xEF, or 0xF0 to take it away."""
    payload = yield from asker.ask(ALL, Op.ASSIGN, uid + bytes((address,)), source=address, uid=uid)
    assert payload == uid + bytes((address,))


def report_all(asker: Asker, first: int, count: int, demands: Sequence[int] = ()) -> Talk[dict[int, RoundReport]]:
    """One report round; what was read of it, by address."""
    request = asker.request(ALL, Op.REPORT_ROUND, report_round(first, count, demands))
    heard = yield Send(request.wire, IN_ORDER.silence_s(count))
    return {
        one.source: RoundReport.of(one.payload)
        for one in replies_in(heard.data)
        if (one.sequence, one.operation, one.destination) == (request.sequence, Op.REPORT_ROUND, HOST)
        and first <= one.source < first + count
    }
