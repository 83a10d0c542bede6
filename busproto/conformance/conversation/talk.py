"""One conversation: a fresh actuator under test and a fresh model, taken through the same steps."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping
from dataclasses import dataclass, field
from typing import Final

from busproto.conformance.conversation.device import HAND_NS, Came, DeviceSide
from busproto.conformance.conversation.judge import LATE_NS, Finding, Judge
from busproto.conformance.conversation.model import ModelSide
from busproto.conformance.conversation.steps import MS, Step, ask, frames_in, in_words, understood
from busproto.conformance.conversation.tally import Tally
from busproto.conformance.dut import Dut
from busproto.wire import messages as m
from busproto.wire.codec import encode_frame
from busproto.wire.message import Message
from busproto.wire.parameter_list import row_of
from busproto.wire.parameters import PARAMETERS, Parameter, RawValue
from busproto.wire.timing import (
    BOOT_NS,
    FIRST_SLOT_NS,
    MAX_TURNAROUND_NS,
    MINI_SLOT_NS,
    ORDERED_SLOT_NS,
    START_JITTER_NS,
    STORE_NS,
)

RACE_NS: Final = 50_000
"""More than start jitter: who is first by less may be second."""
MEETS_NS: Final = 150_000
"""More than start jitter and the byte in which a frame begins."""
USUAL_MV: Final = 7400
LOOK_NS: Final = 250 * MS
"""Within it an actuator whose drive is on has looked at its temperature."""


@dataclass(frozen=True, slots=True)
class Setting:
    """How a conversation begins.

    Attributes:
        address: of the actuator.
        stored: settings that differ from the factory's.
        clock_us: what its clock shows at power-up; None for any.
    """

    address: int
    stored: Mapping[str, RawValue] = field(default_factory=dict)
    clock_us: int | None = None

    def __str__(self) -> str:
        told = [f"address {self.address}"]
        told += [f"{name} {value}" for name, value in self.stored.items()]
        told += [f"its clock shows {self.clock_us} us"] if self.clock_us is not None else []
        return ", ".join(told)


@dataclass(frozen=True, slots=True)
class Identity:
    """What the actuator says of itself, read before: the model says the same."""

    description: m.Description
    rows: tuple[Parameter, ...]
    has_teaching: bool


class Difference(AssertionError):
    """Both sides did not do the same.

    Attributes:
        findings: what differs.
        steps: all steps up to then, the last one included.
        told: what both sides said in the last step.
    """

    def __init__(self, findings: list[Finding], steps: list[Step], told: str, words: str = "") -> None:
        self.findings = findings
        self.steps = steps
        self.told = told
        super().__init__(words or f"step {len(steps)}: {findings[0].what}\n{told}")

    @property
    def clauses(self) -> tuple[str, ...]:
        """The clauses that it is about."""
        return tuple(dict.fromkeys(one for finding in self.findings for one in finding.clauses))


def identity_of(dut: Dut) -> Identity:
    """Read what an actuator says of itself. It is then no longer as after power-up."""
    description = dut.ask(m.Describe(), m.Description)
    known = dut.rows
    rows = tuple(PARAMETERS.values())
    read = tuple(row_of(one) for one in known.values())
    return Identity(description, rows if read == rows else read, dut.offers_teaching())


def wait_ns(message: Message | None) -> int:
    """How long after a request everything that it brings has begun, but for the airtime."""
    if isinstance(message, m.RollCall):
        return FIRST_SLOT_NS + (message.slots + 1) * MINI_SLOT_NS
    if isinstance(message, m.SlottedCall):
        return FIRST_SLOT_NS + message.slots * message.slot_us * 1000
    if isinstance(message, m.PrefixQuery):
        return FIRST_SLOT_NS
    if isinstance(message, m.MemberList):
        return FIRST_SLOT_NS + (message.total + 5) * ORDERED_SLOT_NS
    if isinstance(message, m.AddressList):
        return FIRST_SLOT_NS + 250 * ORDERED_SLOT_NS
    if isinstance(message, m.ReportRound):
        return FIRST_SLOT_NS + (message.count + 1) * ORDERED_SLOT_NS
    if isinstance(message, m.Assign | m.Commit):
        return STORE_NS + MAX_TURNAROUND_NS
    return MAX_TURNAROUND_NS


class Conversation:
    """Both sides in one conversation.

    Attributes:
        device, model: the two sides.
        judge: compares them.
        steps: those taken so far, with the restarts that were put in between.
        tally: what was reached.
    """

    def __init__(self, dut: Dut, identity: Identity, setting: Setting, tally: Tally | None = None) -> None:
        """`dut` is as after power-up, with the address and the stored settings of `setting`."""
        description = identity.description
        if not dut.is_virtual:  # what was stored since then counts too
            description = dut.ask(m.Describe(), m.Description)
        self.device = DeviceSide(dut)
        self.model = ModelSide(
            uid=dut.uid,
            address=setting.address,
            stored=setting.stored,
            rows=identity.rows,
            position_deg=0.0,
            supply_mv=dut.bus.supply_mv if dut.is_virtual else USUAL_MV,
            baud=dut.transport.baud,
        )
        self.model.run_until(self.device.now_ns)  # it was given the time to boot too
        self.judge = Judge(self.device, self.model, description)
        self.identity = identity
        self.steps: list[Step] = []
        self.tally = tally or Tally()
        self._airtime_ns: Callable[[int], int] = dut.airtime_ns

    @property
    def address(self) -> int:
        """Where the actuator is now."""
        return self.model.one.address

    def take(self, step: Step) -> None:
        """One step on both sides.

        Raises:
            Difference: they did not do the same.
        """
        self.device.dut.address = self.address
        self._take(step)
        if self.judge.is_open:
            self._take(ask(m.Restart(), self.address, sequence=0))
            self.judge.started_again()

    def _take(self, step: Step) -> None:
        self.steps.append(step)
        judge, device, model = self.judge, self.device, self.model
        judge.begins()
        state = model.one.current_state()
        self._beside(step)
        frames = frames_in(step.wire)
        messages = [message for one in frames if (message := understood(encode_frame(one))[1]) is not None]
        message = messages[-1] if messages and understood(encode_frame(frames[-1]))[1] is not None else None
        if self._may_look(messages):
            judge.leaves_open()
        longest_ns = max((wait_ns(one) for one in messages), default=MAX_TURNAROUND_NS)
        longest_ns += sum(after_ns + self._airtime_ns(len(data)) + ORDERED_SLOT_NS for after_ns, data in step.jams)
        came = device.say(step, longest_ns + START_JITTER_NS + 8 * ORDERED_SLOT_NS) if step.wire else self._nothing()
        if step.is_powered_anew:
            said = self._power(step, came, messages)
            findings: list[Finding] = []
        else:
            said, findings = self._follow(step, came, message)
        if any(isinstance(one, m.Demand | m.Engage) for one in messages) and model.one.state is m.State.FAULTED:
            judge.is_warmed(0)  # a refusal for heat is a look too
        findings += list(judge.arms())
        if findings:
            raise Difference(findings, self.steps, self._told(step, came, said))
        self.tally.count(frames, state, said, self.address)
        restarts = any(isinstance(one, m.Restart) for one in messages)
        judge.ends(came, messages)
        if restarts or step.is_powered_anew:
            judge.started_again()
            device.run_until(max(device.now_ns, came.end_ns + BOOT_NS))
        device.run_until(max(device.now_ns, model.now_ns) + step.pause_ns)
        model.run_until(device.now_ns)

    def _may_look(self, messages: list[Message]) -> bool:
        """Whether what is said may come before or behind the look at a temperature that is too high, and it matters."""
        model = self.model
        if model.is_limp or model.one.degc() <= model.one.settings.raw("over-temperature"):
            return False
        return bool(messages) and not isinstance(messages[0], m.Demand | m.Engage)

    def _nothing(self) -> Came:
        now_ns = self.device.now_ns
        return Came(end_ns=now_ns, now_ns=now_ns)

    def _beside(self, step: Step) -> None:
        """What is done beside the bus, on both sides."""
        device, model = self.device, self.model
        model.run_until(device.now_ns)
        device.before(step)
        if step.supply_mv is not None:
            model.bus.supply_mv = step.supply_mv
        if step.warm_degc is not None:
            model.one.warm(step.warm_degc)
            self.judge.is_warmed(model.now_ns + LOOK_NS + LATE_NS)
            if not model.is_limp:  # which comes first, the look or the end of a time-out, is open
                self.judge.look_near(model.now_ns, model.now_ns + LOOK_NS)
        if step.hand_deg is not None:
            if model.is_limp:
                model.one.arm.hand(step.hand_deg, HAND_NS * 5 // 6, model.now_ns)
            device.run_until(device.now_ns + HAND_NS)
            model.run_until(device.now_ns)

    def _follow(self, step: Step, came: Came, message: Message | None) -> tuple[list[tuple[int, bytes]], list[Finding]]:
        """Tell the model what was on the line, and compare."""
        judge, model, device = self.judge, self.model, self.device
        model.spoken()
        for start_ns, data, by_host in came.others:
            model.told(start_ns, data, by_host=by_host)
            end_ns = start_ns + self._airtime_ns(len(data))
            stores = any(isinstance(understood(encode_frame(one))[1], m.Assign) for one in frames_in(data))
            # when an address is stored, within its time, is the actuator's affair
            judge.look_near(end_ns, end_ns + came.loose_ns + (STORE_NS if stores else 0))
            model.bus.kernel.run_until(end_ns)
        model.run_until(max(device.now_ns, came.now_ns))
        device.run_until(model.now_ns)
        said = model.spoken()
        device.more(came, len(said))
        model.run_until(device.now_ns)
        judge.loosely(came)
        if self._is_race(step, came, said):
            judge.leaves_open()
            return said, []
        meets = any(self._meets(came, start_ns, data) for start_ns, data in (*came.own, *said))
        findings = list(judge.compare(came, said, message, meets=meets))
        if meets:
            judge.loses_counts()
        return said, findings

    def _is_race(self, step: Step, came: Came, said: list[tuple[int, bytes]]) -> bool:
        """Whether it depends on chance what comes first: a request that arrives as an answer begins, or other devices
        and an answer whose place each side draws for itself."""
        if step.jams and any(len(data) == 1 and data[0] < 0x80 for _, data in (*said, *came.own)):
            return True
        ends = [start_ns + self._airtime_ns(len(data)) for start_ns, data, _ in came.others]
        if any(abs(end_ns - start_ns) < RACE_NS for end_ns in ends for start_ns, _ in said):
            return True
        for at, (start_ns, data) in enumerate(said):  # it would begin while it still sends
            end_ns = start_ns + self._airtime_ns(len(data)) + MEETS_NS
            if any(start_ns <= other_ns < end_ns for other_ns, _ in said[at + 1 :]):
                return True
        own_ends = [start_ns + self._airtime_ns(len(data)) for start_ns, data in said]
        begins = [start_ns for start_ns, _, _ in came.others]
        return any(abs(end_ns - start_ns) < MEETS_NS for end_ns in own_ends for start_ns in begins)

    def _meets(self, came: Came, own_ns: int | None, data: bytes) -> bool:
        """Whether an answer met another transmission on the line."""
        if own_ns is None:
            return False
        end_ns = own_ns + self._airtime_ns(len(data))
        return any(
            start_ns < end_ns and own_ns < start_ns + self._airtime_ns(len(other)) for start_ns, other, _ in came.others
        )

    # --- power ----------------------------------------------------------------------------------------------

    def _power(self, step: Step, came: Came, messages: list[Message]) -> list[tuple[int, bytes]]:
        """Power is lost and comes back; where that was while it wrote, either set may be stored, but whole."""
        device, model = self.device, self.model
        before = model.one.settings.generation, self.address
        spoils = step.spoiled_byte is not None and not model.one.settings.are_lost  # twice might be none
        device.power(came, step, spoils=spoils)
        assert came.cut_ns is not None
        assert came.back_ns is not None
        is_new = step.cut_byte is not None and self._is_new(came, messages, before)
        if spoils:
            self.judge.forgets_generation()
        for start_ns, data, by_host in came.others:
            model.told(start_ns, data, by_host=by_host)
            model.bus.kernel.run_until(start_ns + self._airtime_ns(len(data)))
        if step.cut_byte is None or is_new:
            model.run_until(came.cut_ns)
        model.one.power_off()
        if spoils:
            model.one.settings.memory.copies = [b"", b""]
        model.run_until(max(came.back_ns, model.now_ns))
        model.one.power_on()
        model.run_until(device.now_ns)
        said = model.spoken()
        self.device.dut.address = self.address
        return said

    def _is_new(self, came: Came, messages: list[Message], before: tuple[int, int]) -> bool:
        """Whether the new set is stored.

        Raises:
            Difference: neither set is, or the old one is though the new one was told to be stored.
        """
        generation, address = before
        writes = [one for one in messages if isinstance(one, m.Commit | m.Assign)]
        addresses = {address, *(one.address for one in writes if isinstance(one, m.Assign))}
        answer = next((one for at in addresses if (one := self.device.ask(m.Describe(), at))), None)
        if not isinstance(answer, m.Description):
            raise self._wrong("after a power cut it does not answer at its old or its new address", "does.copies", came)
        counted = (answer.generation - self.judge.as_told(generation)) & 0xFFFF
        if counted not in {0, 1}:
            what = f"after a power cut in a write the generation is {answer.generation}"
            raise self._wrong(what, "does.generation", came)
        told = [understood(data)[1] for _, data in came.own]
        if not counted and any(isinstance(one, m.Committed | m.Assigned) for one in told):
            raise self._wrong(
                "it told that the new set was stored, then power was lost, and it is not", "does.store", came
            )
        return bool(counted)

    def _wrong(self, what: str, clause: str, came: Came) -> Difference:
        return Difference([Finding(what, (clause, "does.copies"))], self.steps, self._told(self.steps[-1], came, []))

    # --- words ----------------------------------------------------------------------------------------------

    def _told(self, step: Step, came: Came, said: list[tuple[int, bytes]]) -> str:
        def words(sent: Iterable[tuple[int | None, bytes]]) -> str:
            found = []
            for start_ns, data in sent:
                after = "" if start_ns is None else f"{(start_ns - came.end_ns) / 1000:.1f} us behind: "
                found.append(after + in_words(data))
            return "; ".join(found) or "nothing"

        return f"the actuator says {words(came.own)}\nthe model says {words(said)}"
