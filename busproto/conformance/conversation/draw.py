"""Random steps of one conversation: mostly what a host would say, sometimes what it must not."""

from __future__ import annotations

import random
from collections.abc import Callable, Iterator, Mapping
from types import MappingProxyType
from typing import Final

from busproto.conformance.conversation.draw_calls import Calls
from busproto.conformance.conversation.draw_wire import some_data, strange_wire
from busproto.conformance.conversation.steps import MS, Step, ask, understood
from busproto.conformance.conversation.talk import Conversation
from busproto.wire import messages as m
from busproto.wire.codec import encode_frame, request_frame
from busproto.wire.frame import BROADCAST_ADDRESS, UNADDRESSED, Frame
from busproto.wire.message import OPERATIONS, Message
from busproto.wire.parameters import Parameter, RawValue

HOT_DEGC: Final = 190.0
COOL_DEGC: Final = 22.0
"""Above and below every limit that can be set."""
LOOKED_NS: Final = 300 * MS
"""Within 250 ms every actuator has read its temperature."""
AUDIT_EVERY: Final = 60
PORT_MS: Final = (0, 0, 0, 0, 1, 3, 10, 40, 120)
VIRTUAL_MS: Final = (0, 0, 0, 0, 1, 3, 10, 40, 150, 700)
AIM_MS: Final = (-6.0, -2.5, 2.5, 6.0)
"""So far before or behind a moment at which something changes by itself the next request arrives."""

MIXES: Final[Mapping[str, Mapping[str, int]]] = MappingProxyType(
    {
        "settings": {
            "write": 12, "edge": 9, "read": 5, "undo": 3, "commit": 4, "assign": 3, "describe": 3, "restart": 1,
            "cut": 2, "off": 1, "spoil": 1, "link_test": 4, "anything": 5, "nonsense": 8, "demand": 3, "report": 4,
            "burst": 2,
        },
        "motion": {
            "demand_all": 10, "demand": 8, "release": 2, "engage": 3, "report": 14, "show": 2, "write": 10,
            "undo": 2, "round": 4, "rest": 8, "way": 2, "bend": 2, "lose": 3, "heat": 2, "supply": 2, "hand": 2,
            "restart": 1, "assign": 1, "nonsense": 1, "burst": 2, "commit": 1,
        },
        "discovery": {
            "roll_call": 12, "parts": 9, "part": 3, "address_list": 5, "suppress": 2, "match": 3, "slotted_call": 3,
            "round": 4, "burst": 4, "report": 4, "assign": 2, "restart": 1, "write": 1, "nonsense": 2, "link_test": 2,
        },
        "all": {
            "demand_all": 6, "demand": 5, "release": 2, "engage": 3, "report": 9, "show": 2, "write": 10, "read": 5,
            "undo": 2, "commit": 3, "assign": 3, "describe": 2, "link_test": 2, "restart": 1, "roll_call": 6,
            "parts": 5, "part": 2, "address_list": 3, "suppress": 1, "match": 2, "slotted_call": 2, "round": 4,
            "burst": 4, "anything": 4, "nonsense": 3, "rest": 4, "cut": 1, "supply": 1, "heat": 1, "hand": 1,
        },
    }
)  # fmt: skip
"""How often each kind of step is drawn, by the name of the mix."""
LEADS: Final = ("neutral", "direction", "end-low", "end-high", "travel", "soft-start")
"""Settings that act at once on an arm that follows."""
TEACHING_OPERATIONS: Final = {one.OPERATION for one in (m.Suppress, m.PrefixQuery, m.SlottedCall)}
TEACHING_KINDS: Final = {"suppress", "match", "slotted_call"}
NEEDED_WORDS: Final = {
    "cut": ("cut", "plug", "unplug"),
    "off": ("plug", "unplug"),
    "spoil": ("plug", "unplug", "spoil"),
    "heat": ("warm",),
    "supply": ("supply",),
    "hand": ("hand",),
}


class Draw(Calls):
    """Draws the steps of one conversation."""

    def __init__(
        self, rng: random.Random, conversation: Conversation, mix: str, edges: list[Parameter] | None = None
    ) -> None:
        """`edges`: parameters whose range is still to be tried; several conversations may share it."""
        super().__init__(rng, conversation)
        self._rows = {row.number: row for row in conversation.identity.rows}
        self._spoilable = rng.sample(range(30), 30)  # one bit spoiled twice is whole again
        self._edges = [] if edges is None else edges
        self._pauses = VIRTUAL_MS if conversation.device.dut.is_virtual else PORT_MS
        kinds: dict[str, Callable[[], Step | Iterator[Step]]] = {
            "demand_all": self._demand_all,
            "demand": lambda: self._said(m.Demand(self.share())),
            "release": lambda: self._one_or_all(m.Release()),
            "engage": lambda: self._one_or_all(m.Engage()),
            "report": lambda: self._said(m.Report()),
            "show": self._show,
            "write": self._write,
            "edge": self._edge,
            "read": self._read,
            "undo": lambda: self._said(m.Undo(self.rng.choice(list(m.Memory)))),
            "commit": lambda: self._said(m.Commit()),
            "assign": self._assign,
            "describe": self._describe,
            "link_test": lambda: self._said(m.LinkTest(some_data(self.rng, 64))),
            "restart": lambda: self._one_or_all(m.Restart()),
            "roll_call": self.roll_call,
            "parts": self.parts,
            "part": self.part,
            "address_list": self.address_list,
            "suppress": self.suppress,
            "match": self.match,
            "slotted_call": self.slotted_call,
            "round": self.round,
            "burst": self.burst,
            "anything": self._anything,
            "nonsense": self._nonsense,
            "rest": self._rest,
            "way": self._way,
            "bend": self._bend,
            "lose": self._lose,
            "heat": self._heat,
            "supply": self._supply,
            "hand": self._hand,
            "cut": self._cut,
            "off": lambda: Step(off=True),
            "spoil": self._spoil,
        }
        device = conversation.device
        offered = {
            kind: weight
            for kind, weight in MIXES[mix].items()
            if device.can(*NEEDED_WORDS.get(kind, ())) or kind not in NEEDED_WORDS
        }
        if not conversation.identity.has_teaching:
            offered = {kind: weight for kind, weight in offered.items() if kind not in TEACHING_KINDS}
        self._kinds = kinds
        self._names, self._weights = list(offered), list(offered.values())

    def steps(self, count: int) -> Iterator[Step]:
        """About so many steps; all of memory is read every so often, and at the end."""
        yield from self._opening()
        made = 0
        while made < count:
            if self.conversation.address == UNADDRESSED and self.rng.random() < 0.15:
                drawn: Step | Iterator[Step] = self._assign()
            else:
                drawn = self._kinds[self.rng.choices(self._names, self._weights)[0]]()
            for step in [drawn] if isinstance(drawn, Step) else drawn:
                yield step
                made += 1
                if made % AUDIT_EVERY == 0:
                    yield from self.audit()
                if not self.conversation.device.has_moments and not step.wire.startswith(b"\0\0"):
                    yield self._sure()
        yield from self.audit()

    def _opening(self) -> Iterator[Step]:
        """What many conversations begin with: a channel of its own and time enough."""
        if self.rng.random() < 0.6 and "channel" in self._by_name:
            yield self._written("channel", self.rng.randint(1, 4))
        if self.rng.random() < 0.5 and "soft-start" in self._by_name:
            yield self._written("soft-start", self.rng.choice((0, 20, 100)))

    @property
    def _by_name(self) -> dict[str, Parameter]:
        return {row.name: row for row in self._rows.values()}

    def _sure(self) -> Step:
        """Without moments of the line: whatever was said before has been received once this is answered."""
        return ask(m.LinkTest(b"sure"), self.conversation.address)

    # --- whom and when ----------------------------------------------------------------------------------------

    def pause_ns(self) -> int:
        """Mostly none; sometimes up to just before, or just behind, a moment at which something changes by itself."""
        rng = self.rng
        if rng.random() < 0.15 and (aimed_ns := self._aimed_ns()):
            return aimed_ns
        ms = rng.choice(self._pauses)
        return ms * MS and round(ms * MS * rng.uniform(0.7, 1.3))

    def _aimed_ns(self) -> int:
        model, device = self.conversation.model, self.conversation.device
        if not device.dut.is_virtual:
            return 0
        moments = [one.at_ns for one in model.one.deadlines() if one.at_ns > model.now_ns]
        if not moments:
            return 0
        # a report has 14 bytes, which arrive so much later
        return max(0, self.rng.choice(moments) - model.now_ns - device.dut.airtime_ns(14) + self._aim_ns())

    def _aim_ns(self) -> int:
        return round(self.rng.choice(AIM_MS) * MS)

    def _said(self, message: Message, to: int | None = None) -> Step:
        return ask(message, self.to() if to is None else to, pause_ns=self.pause_ns(), sequence=self.rng.randrange(256))

    def _one_or_all(self, message: Message) -> Step:
        """What may be said to one and to all."""
        return self._said(message, BROADCAST_ADDRESS if self.rng.random() < 0.3 else None)

    def _all(self, message: Message) -> Step:
        """To all, or now and then to one, who must refuse it."""
        return self._said(message, BROADCAST_ADDRESS if self.rng.random() < 0.95 else self.conversation.address)

    def _rest(self) -> Step:
        """A time in which nothing is said, mostly up to about a moment at which something changes."""
        aimed_ns = self._aimed_ns() if self.rng.random() < 0.7 else 0
        if self.rng.random() < 0.2:
            aimed_ns = round(self.rng.uniform(0.8, 2.0) * 1000) * MS if self._pauses is VIRTUAL_MS else 0
        return Step(pause_ns=aimed_ns or self.pause_ns())

    # --- motion -----------------------------------------------------------------------------------------------

    def _demand_all(self) -> Step:
        channel = self.conversation.model.one.settings.raw("channel")
        demands = self.demands(1)
        if channel and self.rng.random() < 0.6:  # mostly long enough for it
            demands = (*demands, *(self.share() for _ in range(channel - len(demands))))
        return self._all(m.DemandAll(demands))

    def _show(self) -> Step:
        return self._said(m.ShowYourself(self.rng.choice((0, 0, 1, 3, 7, self.rng.randrange(101)))))

    def _way(self) -> Iterator[Step]:
        """A long way at a low speed, or with a long soft start, looked at now and then."""
        rng, address = self.rng, self.conversation.address
        for name, values in (("slew-limit", (150, 400, 900)), ("soft-start", (0, 500, 2000))):
            if name in self._by_name:
                yield self._written(name, rng.choice(values))
        share = rng.choice((-1, 1)) * rng.randint(4000, m.MAX_DEMAND)
        for _ in range(rng.randint(2, 5)):
            yield ask(m.Demand(share), address, pause_ns=rng.randint(80, 400) * MS)
            yield ask(m.Report(), address)
        if "slew-limit" in self._by_name:
            yield self._written("slew-limit", self._by_name["slew-limit"].high)

    def _lose(self) -> Iterator[Step]:
        """A demand is lost, and what comes then."""
        rng, address = self.rng, self.conversation.address
        for name, values in (("loss-action", (0, 1, 1, 2, 2)), ("loss-time-out", (20, 60, 200)), ("preset", (0, 2500))):
            if name in self._by_name:
                yield self._written(name, rng.choice(values))
        lasts_ns = self.conversation.model.one.settings.raw("loss-time-out") * MS
        yield ask(rng.choice((m.Engage(), m.Demand(self.share()))), address, pause_ns=lasts_ns + 5 * MS)
        behind = (
            m.Release(),
            m.Engage(),
            m.Demand(self.share()),
            m.ShowYourself(2),
            m.Report(),
            m.Undo(m.Memory.STORED),
        )
        yield self._said(rng.choice(behind), address)
        yield self._said(m.Report(), address)

    def _bend(self) -> Iterator[Step]:
        """A correction, and demands between its points."""
        rng, address = self.rng, self.conversation.address
        if "correction" not in self._by_name:
            return
        if "soft-start" in self._by_name:
            yield self._written("soft-start", 0)
        row = self._by_name["correction"]
        points = rng.choice((2, 3, 4, 9, row.points))
        most = min(row.high, self.conversation.model.one.settings.raw("travel") // (points - 1) // 2)
        yield self._written("correction", tuple(rng.randint(max(row.low, -most), most) for _ in range(points)))
        for _ in range(3):
            yield ask(m.Demand(rng.randint(-m.MAX_DEMAND, m.MAX_DEMAND)), address)
            yield ask(m.Report(), address)
        leads = [name for name in LEADS if name in self._by_name]
        for name in rng.sample(leads, min(2, len(leads))):  # acts at once
            row = self._by_name[name]
            yield self._written(
                name, rng.randint(max(row.low, self.conversation.model.one.settings.least(row)), row.high)
            )
            yield ask(m.Report(), address)

    def _heat(self) -> Iterator[Step]:
        """Too hot for a few steps. No demand is lost meanwhile: each looks at its heat in its own time."""
        rng, address = self.rng, self.conversation.address
        if "loss-time-out" in self._by_name:
            yield self._written("loss-time-out", self._by_name["loss-time-out"].high)
        if "channel" in self._by_name:
            yield self._written("channel", 1)
        if rng.random() < 0.7:
            yield ask(m.Engage(), address)
        yield self._said(rng.choice((m.Engage(), m.Demand(self.share()), m.Report())), address)
        limit = self.conversation.model.one.settings.raw("over-temperature")
        if rng.random() < 0.5:  # asked before it has looked
            yield Step(warm_degc=HOT_DEGC)
            yield ask(rng.choice((m.Engage(), m.Demand(self.share()))), address)
        yield Step(pause_ns=LOOKED_NS, warm_degc=rng.choice((HOT_DEGC, float(limit + 14))))
        for _ in range(rng.randrange(4)):
            yield self._said(
                rng.choice((m.Engage(), m.Demand(self.share()), m.Report(), m.Release(), m.ShowYourself(1))), address
            )
            yield self._all(m.DemandAll(self.demands(1)))
        yield Step(warm_degc=rng.choice((COOL_DEGC, float(limit - 14))))
        if rng.random() < 0.5:
            yield self._all(m.DemandAll((self.share(),)))
        yield self._said(rng.choice((m.Report(), m.Demand(self.share()), m.Engage())), address)

    def _supply(self) -> Iterator[Step]:
        """Another supply; mostly the fault bit is set, or not, by the smallest difference."""
        rng = self.rng
        supply_mv = rng.randint(5000, 8400)
        if "under-voltage" in self._by_name and rng.random() < 0.6:
            yield self._written("under-voltage", supply_mv + rng.choice((-1, 0, 1)))
        yield Step(supply_mv=supply_mv)
        yield self._said(m.Report(), self.conversation.address)

    def _hand(self) -> Iterator[Step]:
        """A hand moves a limp arm, and it is taken hold of there."""
        yield Step(hand_deg=round(self.rng.uniform(-60, 60), 1))
        yield self._said(self.rng.choice((m.Report(), m.Engage(), m.Demand(self.share()))), self.conversation.address)

    # --- settings ---------------------------------------------------------------------------------------------

    def _number(self) -> int:
        return self.rng.choice([*self._rows, *self._rows, *self._rows, 0, 23, 255])

    def _drawn_values(self, row: Parameter) -> tuple[int, ...]:
        """Raw values of one parameter, mostly such that a conversation goes on in reasonable time."""
        rng = self.rng
        if row.name == "travel" and rng.random() < 0.3:  # the least that the table allows, or one count less
            least = self.conversation.model.one.settings.least(row)
            return (max(row.low, least - rng.randrange(2)),)
        if row.name == "correction" and rng.random() < 0.4:
            return self._steep(row)
        if row.points:
            count = rng.choice((0, 2, 3, 5, 9, row.points, 1))
            values = tuple(rng.randint(row.low, row.high) for _ in range(min(count, row.points)))
            return tuple(value // (4 * max(1, count)) for value in values) if rng.random() < 0.8 else values
        if rng.random() < 0.3:
            return (rng.choice((row.low, row.high, row.low - 1, row.high + 1)),)
        usual = USUAL.get(row.name)
        if usual is not None and rng.random() < 0.7:
            value = rng.choice(usual)
            return (min(row.high, max(row.low, value)),)
        return (rng.randint(row.low, row.high),)

    def _edge(self) -> Iterator[Step]:
        """The ends of the range of one parameter after the other: one count beyond, and what is kept."""
        rng, address = self.rng, self.conversation.address
        if not self._edges:
            self._edges += rng.sample(list(self._rows.values()), len(self._rows))
        row = self._edges.pop()
        if row.points:
            tries = [self._steep(row, by) for by in rng.sample((0, 1), 2)]
        elif row.name == "travel" and "correction" in self._by_name:
            table = self._by_name["correction"]
            yield ask(m.Write(table.number, table.encode(self._steep(table, 0))), address)
            least = self.conversation.model.one.settings.least(row)
            tries = [(least - 1,), (least,)]
        else:
            tries = [(one,) for one in rng.sample((row.low - 1, row.high + 1, row.low, row.high), 3)]
        for values in tries:
            if (data := _encoded(row, values)) is not None:
                yield ask(m.Write(row.number, data), address)
        yield ask(m.Read(m.Memory.WORKING, bytes([row.number])), address)

    def _steep(self, row: Parameter, by: int | None = None) -> tuple[int, ...]:
        """A table with one step that is greater by so many counts than the travel allows."""
        rng = self.rng
        by = rng.choice((0, 0, 1, 1, 2)) if by is None else by
        points = rng.choice((2, 3, 9, row.points))
        steepest = self.conversation.model.one.settings.raw("travel") // (points - 1)
        step = min(steepest + by, row.high - row.low)
        at = rng.randrange(1, points)
        table = [-(step // 2)] * at + [step - step // 2] * (points - at)
        return tuple(table if rng.random() < 0.5 else [-one for one in table])

    def _written(self, name: str, raw: RawValue) -> Step:
        row = self._by_name[name]
        if isinstance(raw, int):  # its own range may be narrower than that of the page
            raw = min(row.high, max(row.low, raw))
        return self._said(m.Write(row.number, row.encode(raw)), self.conversation.address)

    def _write(self) -> Step:
        rng, number = self.rng, self._number()
        row = self._rows.get(number)
        if row is None or rng.random() < 0.05:
            return self._said(m.Write(number, rng.randbytes(rng.randrange(6))))
        data = _encoded(row, self._drawn_values(row)) or b""
        if rng.random() < 0.08 and data:
            data = rng.randbytes(len(data))
        return self._said(m.Write(number, data))

    def _read(self) -> Step:
        numbers = bytes(self._number() for _ in range(self.rng.choice((1, 1, 2, 5, 20, 40))))
        return self._said(m.Read(self.rng.choice(list(m.Memory)), numbers))

    def _assign(self) -> Step:
        rng = self.rng
        uid = self.uid if rng.random() < 0.75 else rng.choice((rng.randbytes(8), self.uid[:7] + b"\x7f"))
        address = rng.choice((rng.randrange(1, 240), 1, 239, self.conversation.address, 5, UNADDRESSED))
        return self._all(m.Assign(uid, address))

    def _describe(self) -> Step:
        return self._said(self.rng.choice((m.Describe(), m.DescribeParameter(self.rng.randrange(26)))))

    def _cut(self) -> Iterator[Step]:
        """Power is lost in a byte of a write; then all that is stored is read."""
        rng = self.rng
        byte = rng.choice((rng.randrange(120), rng.randrange(60), rng.randrange(45), 0, 1))
        if rng.random() < 0.7:
            yield self._write()
            wire = self.wire(m.Commit(), self.conversation.address)
        else:
            wire = self.wire(m.Assign(self.uid, rng.randrange(1, 240)))
        yield Step(wire, cut_byte=byte)
        yield from self.audit()

    def _spoil(self) -> Iterator[Step]:
        """No stored copy is whole: factory settings, no address."""
        if not self._spoilable:
            return
        yield Step(spoiled_byte=self._spoilable.pop())
        yield self._said(m.Report(), UNADDRESSED)
        yield from self.audit()

    def audit(self) -> Iterator[Step]:
        """Read all that is remembered."""
        address = self.conversation.address
        single = bytes(number for number, row in self._rows.items() if not row.points)
        for memory in m.Memory:
            for at in range(0, len(single), 40):
                yield ask(m.Read(memory, single[at : at + 40]), address)
            for number, row in self._rows.items():
                if row.points:
                    yield ask(m.Read(memory, bytes([number])), address)
        yield ask(m.Describe(), address)
        yield ask(m.Report(), address)

    # --- what no host says --------------------------------------------------------------------------------------

    def _anything(self) -> Step:
        """A good frame whose operation, payload, source or destination may be anything."""
        rng = self.rng
        operation = rng.choice([*OPERATIONS]) if rng.random() < 0.8 else rng.randrange(256)
        if operation in TEACHING_OPERATIONS and not self.conversation.identity.has_teaching:
            return self._said(m.Report())
        payload = rng.randbytes(rng.choice((0, 1, 2, 9, 40, 112)))
        source = rng.choice((0, 0, 0, rng.randrange(UNADDRESSED + 1)))
        to = self.to() if rng.random() < 0.9 else rng.randrange(UNADDRESSED + 1)
        known = OPERATIONS.get(operation)
        if known is not None and rng.random() < 0.4:  # a good payload with one byte more or less
            payload = self._near_miss()
        wire = encode_frame(Frame(to, source, rng.randrange(256), operation, payload))
        return Step(wire) if understood(wire)[1] is None or known is None else self._said(m.Report())

    def _near_miss(self) -> bytes:
        drawn = self._kinds[self.rng.choice(("demand_all", "demand", "write", "read", "undo", "show"))]()
        assert isinstance(drawn, Step)
        frame, _ = understood(drawn.wire)
        payload = frame.payload if frame is not None else b""
        return payload[:-1] if self.rng.random() < 0.5 else payload[:111] + b"\x01"

    def _nonsense(self) -> Step:
        """Bytes that are no frame, or nearly none, closed by a delimiter."""
        rng = self.rng
        message = rng.choice((m.Report(), m.LinkTest(some_data(rng, 20)), m.Undo(m.Memory.FACTORY), m.Release()))
        frame = request_frame(message, self.conversation.address, rng.randrange(256))
        if rng.random() < 0.7:
            return Step(strange_wire(rng, frame))
        wire = bytearray(encode_frame(frame))
        if rng.random() < 0.5:
            wire = bytearray(rng.randbytes(rng.randrange(1, 140)))
        else:
            wire[rng.randrange(1, len(wire) - 1)] ^= 1 << rng.randrange(8)
        return Step(bytes(wire).rstrip(b"\x00") + b"\x00")


def _encoded(row: Parameter, values: tuple[int, ...]) -> bytes | None:
    """Raw values as bytes, also beyond the range; None where the size of the parameter cannot hold them."""
    try:
        return b"".join(value.to_bytes(row.size, "little", signed=row.low < 0) for value in values)
    except OverflowError:
        return None


USUAL: Final[Mapping[str, tuple[int, ...]]] = MappingProxyType(
    {
        "channel": (1, 2, 3, 4),
        "soft-start": (0, 20, 60, 300, 1000),
        "loss-time-out": (20, 60, 200, 500, 2000, 10_000),
        "slew-limit": (600, 1500, 3000, 20_000),
        "dead-band": (0, 10, 50),
        "stiffness": (60, 60, 60, 100, 30),
        "damping": (30, 30, 30, 60),
        "minimum-drive": (5, 5, 5, 10),
        "reply-delay": (100, 101, 350, 2000),
        "over-temperature": (60, 85, 120),
        "under-voltage": (0, 5000, 7399, 7400, 7401, 9000),
        "travel": (12_000, 8000, 18_000),
        "neutral": (0, 300, -700),
        "direction": (0, 1, 1),
    }
)
"""Values that lead somewhere, drawn more often than others."""
