"""What both sides said in one step, compared; each difference with the clause that it is about.

The bytes of every reply must be those of the model, but for what is measured: that is compared with what the arm really
did, where it is virtual. A value that changes by itself is not compared near the moment at which it does. What the page
leaves open is not compared:

- how an arm comes from one place to another after a setting, or engage, changed its way;
- how an arm swings while it shows itself;
- an overload while the arm moves;
- whether bytes that arrive in a collision with its own are counted.
"""

from __future__ import annotations

import dataclasses
from collections.abc import Iterator
from dataclasses import dataclass
from typing import Any, Final

from busproto.conformance.conversation.device import Came, DeviceSide
from busproto.conformance.conversation.model import LOOP, Deadline, ModelSide
from busproto.conformance.conversation.steps import MS, US, in_words, understood
from busproto.wire import messages as m
from busproto.wire.frame import Frame
from busproto.wire.message import BARE_REPLIES, Message
from busproto.wire.parameters import PARAMETERS
from busproto.wire.timing import ORDERED_SLOT_NS, START_JITTER_NS, STORE_NS, UNLISTED_SLOTS

EARLY_NS: Final = US // 2
CLOCK_NS: Final = 2 * US
"""Resolution of a clock that counts microseconds, rounded twice."""
LATE_NS: Final = MS
"""A change by time is not compared so near to its moment."""
NEAR_CDEG: Final = 150
"""An arm with the factory's loop and no load rests so near to its target."""
RESTS_NS: Final = 500 * MS
"""So long after the model came to rest the actuator rests too."""
ON_THE_WAY_CDEG: Final = 800
"""How far apart the model and an arm that keeps up may be on the way."""
TEMPERATURE_CDEG: Final = 1000
SENSOR_CDEG: Final = 3
REST_MA: Final = 100
"""By so much the current of an arm at rest may scatter."""
FULL_MV: Final = 6000
"""From this supply on an arm reaches the speed of the set-point."""


@dataclass(frozen=True, slots=True)
class Finding:
    """One difference.

    Attributes:
        what: in words.
        clauses: what it is about.
    """

    what: str
    clauses: tuple[str, ...]


CLAUSES_OF: Final[dict[str, tuple[str, ...]]] = {
    "state": ("states",),
    "demand_age_ms": ("does.age",),
    "good_frames": ("frame.counts", "op.44"),
    "bad_frames": ("frame.counts", "frame.resync"),
    "is_showing": ("does.shows", "op.45"),
    "moves": ("op.45",),
    "demand_cdeg": ("does.angle", "does.settings", "op.44"),
    "faults": ("faults",),
    "generation": ("does.generation",),
    "code": ("refusal.order",),
    "low": ("refusal.range",),
    "high": ("refusal.range",),
    "supply_mv": ("op.44",),
    "temperature_cdeg": ("op.44",),
    "position_cdeg": ("op.44", "does.slew", "does.motion"),
    "current_ma": ("op.44",),
    "current_cma": ("op.46",),
}
"""The clauses that a field is about."""


HEADER: Final = (
    ("destination", "frame.source"),
    ("source", "does.assign"),
    ("sequence", "frame.sequence"),
    ("operation", "frame.operation"),
    ("tag", "frame.tag"),
)
"""Fields of a frame's header, and the clause that each is about."""


class Judge:
    """Compares the two sides of one conversation, step by step.

    Attributes:
        is_open: what follows depends on which of two things came first, and both are right: both have to start again.
        replies: frames and bytes compared so far.
        delays_ns: how much later than it may each reply began that counts down nothing.
        places: the slots in which it answered lists that it is not in.
    """

    def __init__(self, device: DeviceSide, model: ModelSide, description: m.Description) -> None:
        self._device = device
        self._model = model
        self._description = description
        self._generation = (description.generation - model.one.settings.generation) & 0xFFFF
        self.is_open = False
        self.replies = 0
        self.delays_ns: list[int] = []
        self.places: list[int] = []
        self._offsets: dict[str, int] = {}
        self._is_way_open = False
        self._held: tuple[float, float] | None = None
        self._rests_from_ns: int | None = None
        self._rests_at_deg: float | None = None
        self._looks_until_ns = 0
        self._due: list[Deadline] = []
        self._near = False
        self._is_spoiled = False

    # --- before and after -------------------------------------------------------------------------------------

    def begins(self) -> None:
        """Before a step: what will change by itself."""
        self._due = self._model.one.deadlines()

    def started_again(self) -> None:
        """Both start again, and nothing is remembered."""
        self.is_open = False
        self._offsets = {}
        self._is_way_open = False
        self._held = None
        self._rests_from_ns = None

    def forgets_generation(self) -> None:
        """No stored copy is whole: both count from 0."""
        self._generation = 0

    def as_told(self, generation: int) -> int:
        """The generation that the actuator tells where the model has this one."""
        return (generation + self._generation) & 0xFFFF if generation else 0

    def loses_counts(self) -> None:
        """How bytes in a collision are counted is open."""
        self._offsets = {}

    def is_warmed(self, until_ns: int) -> None:
        """Each looks at its temperature in its own time, but until then."""
        self._looks_until_ns = until_ns

    def look_near(self, from_ns: int, until_ns: int) -> None:
        """Note whether anything may change by itself between these moments."""
        for one in (*self._due, *self._model.one.deadlines()):
            slack_ns = LATE_NS + one.lasts_ns - self._device.dut.least_ns(one.lasts_ns)
            if from_ns - slack_ns <= one.at_ns <= until_ns + slack_ns:
                self.leaves_open()

    def leaves_open(self) -> None:
        """Which of two things comes first is open: this step is compared in part, then both start again."""
        self._near = self.is_open = True

    def ends(self, came: Came, messages: list[Message]) -> None:
        """After a step: what it leaves open."""
        model, arm = self._model, self._device.arm
        is_driven = not model.is_limp
        moves = is_driven and model.is_moving
        if not is_driven or moves:
            self._rests_from_ns = None
        elif not self._rests_still:
            self._rests_from_ns, self._rests_at_deg = model.now_ns, model.one.arm.target_deg
        if moves and any(_leads_elsewhere(one) for one in messages):
            self._is_way_open = True
        if any(isinstance(one, m.Engage) for one in messages) and is_driven and model.one.followed is None:
            low = high = 0.0
            if came.truth is not None:
                low, high = came.truth.position.low * 100, came.truth.position.high * 100
            if model.now_ns - model.one.held_ns < model.now_ns - came.end_ns + 100 * MS:
                self._held = (low, high) if came.truth is not None else None
                self._is_way_open = True
        if self._has_rested:
            self._is_way_open = False
        if not is_driven:
            self._is_way_open = False
            if arm is not None:
                arm.move_to(model.now_ns)
                model.lay(arm.position_deg)
        self._near = False

    # --- comparing ----------------------------------------------------------------------------------------------

    def compare(
        self, came: Came, said: list[tuple[int, bytes]], message: Message | None, *, meets: bool = False
    ) -> Iterator[Finding]:
        """What differs between the transmissions of both sides behind one request. `meets`: one met another
        transmission; which pieces of that are spoiled, and counted, is a matter of microseconds."""
        self._is_spoiled = meets
        if len(came.own) != len(said):
            if not self._near:
                yield self._other_number(came, said, message)
            return
        before_ns = 0  # an answer counts from the end of the one before, which began so much later
        for (model_ns, model_data), (own_ns, own_data) in zip(said, came.own, strict=True):
            if own_ns is not None:
                self.look_near(own_ns, own_ns) if isinstance(message, m.ReportRound) else None
                yield from self._times(message, came, (model_ns, own_ns), before_ns, model_data)
                before_ns = max(0, own_ns - model_ns)
            yield from self._data(came, model_data, own_data)
            self.replies += 1

    def arms(self) -> Iterator[Finding]:
        """Behind a step: whether the drive is on, and where the arm is."""
        arm, model = self._device.arm, self._model
        now_ns = model.now_ns
        if arm is None or self._near or self.is_open or now_ns < self._looks_until_ns:
            return
        if any(abs(one.at_ns - now_ns) <= LATE_NS for one in (*self._due, *model.one.deadlines())):
            return
        arm.move_to(model.now_ns)
        if (arm.target_deg is None) is not model.is_limp:
            yield Finding(
                f"the drive is {'off' if arm.target_deg is None else 'on'}; in the state "
                f"{model.one.current_state().name.lower()} it is {'off' if model.is_limp else 'on'}",
                ("does.limp", "does.motion"),
            )
            return
        yield from self._place(round(arm.reading_deg * 100))

    def _place(self, cdeg: int) -> Iterator[Finding]:
        """Whether a driven arm is where it may be."""
        model = self._model
        one, target = model.one, model.one.arm.target_deg
        is_showing = model.now_ns <= one.showing_until_ns + 3000 * MS
        if target is None or self._is_way_open or is_showing or not model.has_factory_loop:
            return
        if one.followed is None and one.state is not m.State.LOST_PRESET:
            return
        model.one.arm.move_to(model.now_ns)
        dead = int(one.settings.raw("dead-band"))
        if self._has_rested:
            if abs(cdeg - target * 100) > NEAR_CDEG + dead:
                yield Finding(
                    f"the arm rests at {cdeg / 100:g} deg, its target is {target:g} deg", ("does.angle", "does.motion")
                )
        elif model.bus.supply_mv >= FULL_MV and self._is_cool:
            at = round(one.arm.reading_deg * 100)
            if abs(cdeg - at) > ON_THE_WAY_CDEG + dead:
                yield Finding(
                    f"the arm is at {cdeg / 100:g} deg on its way, the set-point leads it to about {at / 100:g} deg",
                    ("does.slew", "parameters.soft-start"),
                )

    @property
    def _is_cool(self) -> bool:
        """Whether no drive is taken back for heat."""
        one = self._model.one
        return one.degc() < one.settings.raw("over-temperature") - 12

    def _other_number(self, came: Came, said: list[tuple[int, bytes]], message: Message | None) -> Finding:
        own = [data for _, data in came.own]
        wanted = "; ".join(in_words(data) for _, data in said) or "silence"
        is_answered = "; ".join(map(in_words, own)) or "nothing"
        clauses: tuple[str, ...] = ("does.asked",)
        if isinstance(message, m.RollCall):
            clauses = ("op.01", "find.acknowledge", "find.epoch")
        elif isinstance(message, m.MemberList):
            clauses = ("op.02", "find.list", "find.parts")
        elif isinstance(message, m.AddressList):
            clauses = ("op.03", "find.list", "find.addresses")
        elif message is not None:
            clauses = (f"op.{message.OPERATION:02X}", "does.asked")
        elif not said:
            clauses = ("does.drop", "does.refuse")
        return Finding(f"{is_answered} came, {wanted} was expected", clauses)

    def _times(
        self, message: Message | None, came: Came, starts_ns: tuple[int, int], before_ns: int, data: bytes
    ) -> Iterator[Finding]:
        dut = self._device.dut
        ends_ns = [start_ns + dut.airtime_ns(len(piece)) for start_ns, piece, _ in came.others]
        # a port may cut a burst: it counts from the last bytes before the answer
        end_ns = max((one for one in ends_ns if one <= starts_ns[0]), default=came.end_ns)
        after_ns, own_after_ns = starts_ns[0] - end_ns, starts_ns[1] - end_ns
        least_ns, most_ns = after_ns, after_ns + START_JITTER_NS + before_ns
        frame, answer = understood(data)
        clauses: tuple[str, ...] = ("does.reply", "find.jitter")
        if isinstance(message, m.Assign | m.Commit) and isinstance(answer, m.Assigned | m.Committed):
            least_ns = self._model.one.settings.raw("reply-delay") * 1000
            most_ns = STORE_NS + least_ns + START_JITTER_NS
            clauses = ("does.store", "does.reply")
        elif frame is None:
            clauses = ("find.position", "find.list")
            if data[0] < 0x80:
                self.places.append((own_after_ns - EARLY_NS) // ORDERED_SLOT_NS - self._total(message))
                places = [own_after_ns - after_ns - number * ORDERED_SLOT_NS for number in range(-3, UNLISTED_SLOTS)]
                own_after_ns = after_ns + min(places, key=lambda ns: abs(ns - START_JITTER_NS // 2))
        elif frame.operation == m.ReportRound.OPERATION:
            clauses = ("find.position", "op.46")
        elif frame.operation == m.RollCall.OPERATION and frame.operation in BARE_REPLIES:
            clauses = ("find.backoff", "find.first", "find.sense")
        elif frame.operation in BARE_REPLIES:
            clauses = ("teaching.answer", "teaching.slot")
        else:
            self.delays_ns.append(own_after_ns - after_ns)
        least_ns, most_ns = dut.least_ns(least_ns) - EARLY_NS, dut.most_ns(most_ns) + CLOCK_NS
        if not least_ns <= own_after_ns <= most_ns:
            yield Finding(
                f"{in_words(data)} begins {own_after_ns / US:.1f} us behind the request, "
                f"{least_ns / US:.1f} to {most_ns / US:.1f} us are right",
                clauses,
            )

    @staticmethod
    def _total(message: Message | None) -> int:
        """Places of a list."""
        if isinstance(message, m.AddressList):
            return int.from_bytes(message.addresses, "little").bit_count()
        return message.total if isinstance(message, m.MemberList) else 0

    def _data(self, came: Came, model_data: bytes, own_data: bytes) -> Iterator[Finding]:
        said, message = understood(model_data)
        own, own_message = understood(own_data)
        if said is None or own is None or message is None or own_message is None:
            if model_data != own_data:
                yield Finding(_differs(own_data, model_data), ("find.list", "find.hash"))
            return
        for name, clause in HEADER:
            if getattr(said, name) != getattr(own, name):
                yield Finding(f"{name}: {_differs(own_data, model_data)}", (clause,))
        if said.operation != own.operation:
            return
        if type(message) is not type(own_message):
            if not self._near:
                yield self._another(said, message, own_message)
        else:
            yield from self._fields(came, said, message, own_message)

    @staticmethod
    def _another(said: Frame, message: Message, own: Message) -> Finding:
        clauses = (f"op.{said.operation:02X}", "refusal.order", "does.refuse")
        return Finding(f"{own} came, {message} was expected", clauses)

    def _fields(self, came: Came, said: Frame, message: Message, own: Message) -> Iterator[Finding]:
        for field in dataclasses.fields(message):  # type: ignore[arg-type]
            wanted, value = getattr(message, field.name), getattr(own, field.name)
            finding = self._field(came, said, message, own, field.name, wanted, value)
            if finding is not None:
                clauses = CLAUSES_OF.get(field.name, (f"op.{said.operation:02X}",))
                yield Finding(f"{field.name} is {value}, {finding} (in {own})", clauses)

    def _field(
        self, came: Came, said: Frame, message: Message, own: Message, name: str, wanted: Any, value: Any
    ) -> str | None:
        """What should be there instead, None where it is right."""
        exactly = f"{wanted} was expected"
        if isinstance(message, m.Description):
            wanted = getattr(self._description, name)
            exactly = f"{wanted} was expected"
            if name != "generation":
                return None if wanted == value else exactly
        if name == "generation":
            told = self.as_told(message.generation)  # type: ignore[attr-defined]
            return None if value == told else f"{told} was expected"
        if name in {"state", "is_showing", "code", "moves"}:
            return None if wanted == value or self._near else exactly
        if name in {"good_frames", "bad_frames"}:
            if self._is_spoiled:
                self._offsets.pop(name, None)
                return None
            offset = self._offsets.setdefault(name, (value - wanted) & 0xFFFF)
            return None if value == (wanted + offset) & 0xFFFF else f"{(wanted + offset) & 0xFFFF} was expected"
        if name == "demand_age_ms":
            return self._age(came, wanted, value)
        if isinstance(message, m.Status | m.Moving | m.BriefStatus):
            return self._measured(came, message, own, name, wanted, value)
        return None if wanted == value else exactly

    def _age(self, came: Came, wanted: int, value: int) -> str | None:
        slack = 1 + (came.loose_ns + self._loosely_fed_ns) // MS
        if wanted < 0xFFFF:
            slack += self._device.dut.most_ns(wanted * MS) // MS - wanted
        if abs(wanted - value) <= slack or (wanted == 0xFFFF and self._near and value > 0xFFFF - slack):
            return None
        return f"{wanted} was expected"

    _loosely_fed_ns = 0

    def loosely(self, came: Came) -> None:
        """Without moments of the line: the last request may have been received so much later."""
        self._loosely_fed_ns = max(self._loosely_fed_ns, came.loose_ns)

    def _measured(self, came: Came, message: Message, own: Message, name: str, wanted: Any, value: Any) -> str | None:
        is_limp = message.state in m.LIMP_STATES  # type: ignore[attr-defined]
        if name == "position_cdeg":
            return self._position(came, value, is_limp=is_limp)
        if name == "demand_cdeg":
            return self._target(own, wanted, value, is_limp=is_limp)
        if name == "faults":
            return self._faults(wanted, value, is_limp=is_limp)
        if name in {"current_ma", "current_cma"}:
            return self._current(came, name, value, is_limp=is_limp)
        if name == "supply_mv":
            is_right = wanted == value or not self._device.dut.is_virtual
            return None if is_right and value else f"{wanted} was expected"
        if name == "temperature_cdeg":
            is_right = abs(wanted - value) <= TEMPERATURE_CDEG or not self._device.dut.is_virtual
            return None if is_right else f"about {wanted} was expected"
        return None if wanted == value else f"{wanted} was expected"

    def _position(self, came: Came, value: int, *, is_limp: bool) -> str | None:
        truth = came.truth
        if truth is not None:
            low, high = truth.position.low * 100 - SENSOR_CDEG, truth.position.high * 100 + SENSOR_CDEG
            return None if low <= value <= high else f"the arm was at {low:.0f} to {high:.0f} meanwhile"
        if is_limp:
            self._model.lay(value / 100)
            return None
        if self._near or self.is_open:
            return None
        finding = next(self._place(value), None) if self._rests_from_ns is not None else None
        return finding.what if finding else None

    def _target(self, own: Message, wanted: int, value: int, *, is_limp: bool) -> str | None:
        model, one = self._model, self._model.one
        if self._near or model.now_ns <= one.showing_until_ns + 100 * MS:
            return None
        assert isinstance(own, m.Status)
        if is_limp:
            is_right = abs(value - own.position_cdeg) <= SENSOR_CDEG
            return None if is_right else f"the arm is limp at {own.position_cdeg}"
        if one.followed is None and one.state is not m.State.LOST_PRESET:
            if self._held is None:
                return None
            low, high = self._held[0] - SENSOR_CDEG, self._held[1] + SENSOR_CDEG
            return None if low <= value <= high else f"engage took it at {low:.0f} to {high:.0f}"
        return None if abs(wanted - value) <= 1 else f"{wanted} was expected"

    def _faults(self, wanted: int, value: int, *, is_limp: bool) -> str | None:
        model = self._model
        if not self._device.dut.is_virtual:  # what is measured there is not known here
            mask = int(m.Fault.SETTINGS_LOST | m.Fault.DEMAND_LOST)
            return None if self._near or wanted & mask == value & mask else f"{m.Fault(wanted)!r} was expected"
        is_decided = is_limp or (self._has_rested and model.has_factory_loop and not self._is_way_open)
        mask = 0xFF if is_decided and model.now_ns > model.one.showing_until_ns + 100 * MS else 0xFF & ~m.Fault.OVERLOAD
        if wanted & mask == value & mask or self._near:
            return None
        return f"{m.Fault(wanted)!r} was expected, {m.Fault(value)!r} came"

    def _current(self, came: Came, name: str, value: int, *, is_limp: bool) -> str | None:
        if came.truth is None:
            return None
        count = 20 if name == "current_cma" else 1
        low, high = came.truth.current.low, came.truth.current.high
        if not is_limp:  # a mean over some time is right too
            if not self._has_rested:
                return None
            low, high = 0.8 * low - REST_MA, 1.2 * high + REST_MA
        is_right = low - 1 - count / 2 <= value * count <= high + 1 + count / 2 or (count > 1 and value == 0xFF <= high)
        return None if is_right else f"it was {low:.0f} to {high:.0f} mA"

    @property
    def _has_rested(self) -> bool:
        """Whether the arm stands at its target for some time."""
        model = self._model
        if self._rests_from_ns is None or model.is_moving or not self._rests_still:
            return False
        return model.now_ns - self._rests_from_ns > RESTS_NS

    @property
    def _rests_still(self) -> bool:
        """Whether the target is that at which it came to rest, and the drive was on since then."""
        one, from_ns = self._model.one, self._rests_from_ns
        return from_ns is not None and one.held_ns <= from_ns and self._rests_at_deg == one.arm.target_deg


def _differs(own: bytes, wanted: bytes) -> str:
    return f"{in_words(own)} came, {in_words(wanted)} was expected"


def _leads_elsewhere(message: Message) -> bool:
    """Whether a request may change how an arm goes on from where it is."""
    if isinstance(message, m.Undo):
        return True
    row = PARAMETERS.get(message.number) if isinstance(message, m.Write) else None
    return row is not None and (row.moves or row.name in {*LOOP, "slew-limit", "soft-start", "dead-band", "preset"})
