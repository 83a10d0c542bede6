"""Letting go: the one operation by which every command and the bench page leave actuators limp, and say what they saw.

No actuator answers a broadcast, and one that is told by its address may not hear it. So: release all, look who holds,
release those by their addresses, look again, until every actuator that is known to be there was *seen* limp after it
was told so, or a stated time is over. What is said afterwards is what was seen (`LetGo`), never what was sent.

*Seen limp* is one that reported the state "released", which nothing but engage or a restart ends; or another limp
state, where it was told by its address too and answered that it is limp. One that reports limp but was not reached is
told again: a demand could wake it.

*Who could be there* is what the caller knows (a roster, the plan), and any other actuator that answers within the rows
of addresses asked; with nothing known, whoever answers at any address. One without an address of its own is limp by
the format and cannot be asked: it is counted, never called seen.

Several at one address are told apart by the tags of their replies. Where it is not known how many they are, the
address is named as shared: one that was not heard cannot be missed. One that gives each answer twice, and two with one
uid, are heard as two answers with one tag: what counts is the worst of them.

While this runs no interrupt breaks it off (see `busproto.ops.link`).
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Collection, Iterable, Sequence
from dataclasses import dataclass, field
from typing import Any, Final, TypeVar

from busproto.errors import AddressConflictError, DecodeError, NotLimpError, PortClosedError
from busproto.ops.reports import SCAN_PASSES, all_rows, brief_reports, rows_of, state_word
from busproto.ops.steps import LettingGo, Pause, Steps, exchange, now
from busproto.session.exchange import Ask, Verdict
from busproto.wire.codec import message_of
from busproto.wire.frame import UNADDRESSED
from busproto.wire.hash import device_tag
from busproto.wire.messages import LIMP_STATES, Release, Released, Report, State, Status

T = TypeVar("T")
MS: Final = 1_000_000
LONGEST_NS: Final = 5_000 * MS
"""A burst of noise from a motor or a bad contact lasts up to about a second, an actuator that lost power is back
within half a second (common practice, no source): both are outlasted several times. Who waits longer than this beside
arms that hold reaches for the pack, and that is then the right thing to do."""
RELEASES: Final = 3
"""Broadcasts whose echo came back whole, or that no echo says anything of."""
MOST_RELEASES: Final = 8
ANSWER_ENDS_NS: Final = 12 * MS
"""The longest frame takes 11 ms at 115 200 Bd: where a release fell into an answer, the next one waits for its end."""
PAUSES_NS: Final = (0, 5 * MS, 20 * MS, 50 * MS, 100 * MS)
"""Between two turns; the last one again and again."""
TAKE_THE_PACK_OFF: Final = "Take the pack off before you touch anything they move"


@dataclass(frozen=True, slots=True)
class OnLine:
    """One actuator that is known to be there.

    Attributes:
        address: 1..239, or 240 (F0h) for none: it cannot be asked.
        uid: 8 bytes; empty where it is not known.
        loss_action: what it does when demands stop, in a word; "" where that is not known.
        count: how many answer with this uid, 1 or more.
        or_at: another address at which it may be, 0 for none: it was being given one.
    """

    address: int
    uid: bytes = b""
    loss_action: str = ""
    count: int = 1
    or_at: int = 0

    @property
    def addresses(self) -> tuple[int, ...]:
        """Where it can be asked."""
        return tuple(one for one in (self.address, self.or_at) if one not in {0, UNADDRESSED})


@dataclass(frozen=True, slots=True)
class Holding:
    """This one was not limp when it was last seen."""

    address: int
    state: State


@dataclass(frozen=True, slots=True)
class LetGo:
    """What was seen of the actuators after the last release. One entry for each actuator.

    Attributes:
        limp: addresses of those that were seen limp.
        holding: those that were seen, but not limp.
        not_seen: addresses of those that are known to be there and did not answer.
        shared: addresses at which several answer, and it is not known how many there are.
        without_address: how many have no address: limp by the format, not seen.
        was_anyone_known: False where neither the caller knew of any actuator, nor did one answer.
    """

    limp: tuple[int, ...] = ()
    holding: tuple[Holding, ...] = ()
    not_seen: tuple[int, ...] = ()
    shared: tuple[int, ...] = ()
    without_address: int = 0
    was_anyone_known: bool = True

    @property
    def is_limp(self) -> bool:
        """Whether every actuator that is known to be there, and has an address, was seen limp."""
        return self.was_anyone_known and not (self.holding or self.not_seen or self.shared)

    @property
    def note(self) -> str:
        """What was seen, and what to do, as a part of a line."""
        if not self.was_anyone_known:
            return f"NOT SEEN LIMP: no actuator answered, so it is not known whether any holds. {TAKE_THE_PACK_OFF}"
        count = len(self.limp)
        if self.is_limp:
            parts = []
            if count:
                one = f"the actuator at address {self.limp[0]} was seen limp"
                parts.append(one if count == 1 else f"all {count} known actuators were seen limp")
            if self.without_address:
                have = "1 has" if self.without_address == 1 else f"{self.without_address} have"
                parts.append(f"{have} no address, so limp by the format, which cannot be looked at")
            return "; ".join(parts) or "no actuator is known to be there"
        names = [f"address {one.address} ({state_word(one.state)})" for one in self.holding]
        names += [f"address {address} (no answer)" for address in self.not_seen]
        names += [f"address {address} (shared by several)" for address in self.shared]
        rest = f". Seen limp: {count}" if count else ""
        return f"NOT SEEN LIMP: {', '.join(names)}. {TAKE_THE_PACK_OFF}{rest}"

    @property
    def text(self) -> str:
        """The same as sentences."""
        return f"{self.note[:1].upper()}{self.note[1:]}."

    def as_json(self) -> dict[str, Any]:
        """As data; the value of the key "let_go" everywhere."""
        return {
            "all_seen_limp": self.is_limp,
            "limp": list(self.limp),
            "holding": [{"address": one.address, "state": state_word(one.state)} for one in self.holding],
            "not_seen": list(self.not_seen),
            "shared": list(self.shared),
            "without_address": self.without_address,
        }


def seen_by(error: BaseException) -> LetGo | None:
    """What was seen when the operation that raised this let go; None where it did not."""
    found = getattr(error, "let_go", None)
    return found if isinstance(found, LetGo) else None


def _tell(error: BaseException, seen: LetGo, note: str = "") -> None:
    """Let an error say what was seen, once."""
    if seen_by(error) is None:
        error.let_go = seen  # type: ignore[attr-defined]
        error.add_note(note or seen.note)


def holding_actuators(actuators: Iterable[OnLine]) -> Steps[tuple[Holding, ...]]:
    """Those that are engaged now, or hold. Only looks, once; one that does not answer is not in it."""
    party = _Party(actuators)
    yield from _look(party, None, unlisted=True)
    return party.result().holding


# --- the operation ----------------------------------------------------------------------------------------------


def let_go(
    actuators: Iterable[OnLine] | None, *, to_all: bool = True, others: bool = False, longest_ns: int = LONGEST_NS
) -> Steps[LetGo]:
    """Let actuators go until each was seen limp, or for `longest_ns`.

    Args:
        actuators: those that are known to be there; None where nothing is known: then all addresses are asked.
        everyone: release all by broadcast. Otherwise those of `actuators` by their addresses, and all only where one of
            them is not seen limp then.
        others: ask all addresses also where `actuators` is given: it is not known where one of them is now.
        longest_ns: after so long it ends, whatever was seen.

    Raises:
        PortClosedError: the port went away; its notes say who could not be told, and what their loss action is.
    """
    party = _Party(actuators, asks_all=others)
    yield LettingGo(True, longest_ns)
    try:
        seen = yield from _until_seen(party, to_all, longest_ns)
    except PortClosedError as error:
        _tell(error, party.result(), party.could_not_be_told())
        raise
    try:
        yield LettingGo(False)
    except BaseException as error:  # it came meanwhile
        _tell(error, seen)
        raise
    return seen


def require_limp(seen: LetGo) -> None:
    """For what must not be done to an actuator that holds. Raises NotLimpError."""
    if not seen.is_limp:
        where = [*(one.address for one in seen.holding), *seen.not_seen, *seen.shared, 0]
        raise NotLimpError(where[0], seen.note)


def not_looked_at(actuators: Iterable[OnLine] | None) -> LetGo:
    """What is known of actuators where no port is left to look through: that none of them was seen limp."""
    return _Party(actuators).result()


def could_not_be_told(actuators: Iterable[OnLine] | None) -> str:
    """What to say where the port went away: who may hold, what each does without demands, and what to do now."""
    return _Party(actuators).could_not_be_told()


def let_go_after(
    error: BaseException, actuators: Iterable[OnLine] | None, *, to_all: bool = True, others: bool = False
) -> Steps[None]:
    """Let go as an error ended an operation, and let the error say what was seen. Args: as `let_go`."""
    _tell(error, (yield from let_go(actuators, to_all=to_all, others=others)))


def ending_limp(
    steps: Steps[T], actuators: Collection[OnLine] | None, *, to_all: bool = True
) -> Steps[tuple[T, LetGo]]:
    """Do an operation, and let go however it ends; what was seen comes with its result, or with its error.

    Args: as `let_go`; `actuators` is looked at when the operation has ended, so that it may add to it.
    """
    try:
        result = yield from steps
    except GeneratorExit:
        raise  # no link runs this any more, so nothing can be sent
    except BaseException as error:
        yield from let_go_after(error, actuators, to_all=to_all)
        raise
    return result, (yield from let_go(actuators, to_all=to_all))


@dataclass
class _Member:
    """One actuator, while it is looked for. `is_named`: the caller knew it by its uid."""

    addresses: tuple[int, ...]
    tag: int | None = None
    loss_action: str = ""
    count: int = 1
    is_named: bool = False
    at: int = 0
    state: State | None = None
    was_told: bool = False
    is_settled: bool = False
    were_all_heard: bool = False
    answers: list[State] = field(default_factory=list)

    @property
    def address(self) -> int:
        """Where it was heard, or is first looked for."""
        return self.at or self.addresses[0]

    def judge(self) -> None:
        """Take what it answered in this turn; the worst counts."""
        answers, self.answers = self.answers, []
        if not answers:
            return
        self.state = next((state for state in answers if state not in LIMP_STATES), answers[-1])
        stays = self.was_told or all(state is State.RELEASED for state in answers)
        self.were_all_heard |= len(answers) >= self.count
        self.is_settled = self.state in LIMP_STATES and stays and len(answers) >= self.count

    @property
    def was_seen_limp(self) -> bool:
        """Whether it was limp when it was heard last; of several with one uid, each of them."""
        return self.state in LIMP_STATES and self.were_all_heard

    @property
    def was_seen_to_hold(self) -> bool:
        """Whether it was not."""
        return self.state is not None and self.state not in LIMP_STATES


class _Party:
    """Those who are known to be there, and those who turned out to be."""

    def __init__(self, actuators: Iterable[OnLine] | None, *, asks_all: bool = False) -> None:
        known = () if actuators is None else tuple(actuators)
        self.is_scan = actuators is None or asks_all
        self.without_address = sum(not one.addresses for one in known)
        self.members: list[_Member] = []
        self.shared: set[int] = set()
        self._counts: Counter[int] = Counter()
        for one in known:
            if one.addresses:
                tag = device_tag(one.uid) if one.uid else None
                self._add(_Member(one.addresses, tag, one.loss_action, one.count, bool(one.uid)))

    def _add(self, member: _Member) -> _Member:
        self.members.append(member)
        self._counts.update(member.addresses)
        return member

    @property
    def unsettled(self) -> list[_Member]:
        """Those that were not seen limp so far."""
        return [member for member in self.members if not member.is_settled]

    def is_alone(self, address: int) -> bool:
        """Whether one may be asked by this address."""
        return self._counts[address] == 1 and address not in self.shared

    def fraction(self, address: int) -> None:
        """Several answer there, and it is not known how many."""
        self.shared.add(address)

    def at(self, address: int, tag: int, *, unlisted: bool) -> _Member | None:
        """Whose answer this is. With `unlisted` one that was not known counts from now on; else it is None."""
        there = [member for member in self.members if address in member.addresses]
        for member in there:
            if member.tag == tag:
                return member
        if not there and not unlisted:
            return None
        for member in there:
            if member.tag is None:
                member.tag = tag
                return member
        if any(not member.is_named for member in there):
            self.fraction(address)
        return self._add(_Member((address,), tag))

    def result(self) -> LetGo:
        """What was seen until now."""
        seen = sorted(self.members, key=lambda one: one.address)
        return LetGo(
            limp=tuple(one.address for one in seen if one.was_seen_limp),
            holding=tuple(Holding(one.address, one.state) for one in seen if one.state and one.was_seen_to_hold),
            not_seen=tuple(one.address for one in seen if not (one.was_seen_limp or one.was_seen_to_hold)),
            shared=tuple(sorted(self.shared)),
            without_address=self.without_address,
            was_anyone_known=bool(self.members) or not self.is_scan,
        )

    def could_not_be_told(self) -> str:
        """See the function of that name; those that were seen limp are left out."""
        names = [
            f"address {one.address}" + (f" (its loss action is {one.loss_action})" if one.loss_action else "")
            for one in sorted(self.unsettled, key=lambda one: one.address)
        ]
        if not names and not self.is_scan:
            return self.result().note
        text = ", ".join(names) or "whatever is on the line"
        return f"could not be told to go limp: {text}. {TAKE_THE_PACK_OFF}"


def _until_seen(party: _Party, to_all: bool, longest_ns: int) -> Steps[LetGo]:
    began_ns = yield from now()
    turn = passes = 0
    while True:
        if to_all or turn:
            yield from release_all()
        if turn or not to_all:
            yield from _release_each(party)
        is_scanning = party.is_scan and passes < SCAN_PASSES
        yield from _look(party, all_rows() if is_scanning else None, unlisted=to_all or party.is_scan)
        turn += 1
        passes += bool(party.members)  # a pass in which none answered may have been lost in noise as a whole
        is_scanning = party.is_scan and passes < SCAN_PASSES
        if (not party.unsettled and not is_scanning) or (yield from now()) - began_ns >= longest_ns:
            return party.result()
        yield Pause(PAUSES_NS[min(turn, len(PAUSES_NS)) - 1])


def release_all() -> Steps[None]:
    """Let every actuator go limp, by broadcast, which none answers: sent several times, and one that falls into an
    answer, or into noise, does not count. Whether they are limp is not known then: `let_go` looks."""
    whole = 0
    for _ in range(MOST_RELEASES):
        heard = yield from exchange(Ask.all(Release()))
        if heard.verdict is Verdict.ECHO_BROKEN:
            yield Pause(ANSWER_ENDS_NS)
            continue
        whole += 1
        if whole == RELEASES:
            return


def _release_each(party: _Party) -> Steps[None]:
    """By their addresses, those that were not seen limp; a release to several at one address harms none of them."""
    for member in party.unsettled:
        for address in (member.at,) if member.at else member.addresses:
            heard = yield from exchange(Ask.one(Release(), address, listen_out=not party.is_alone(address)))
            for frame in heard.replies:
                try:
                    message = message_of(frame)
                except DecodeError:
                    continue
                if isinstance(message, Released) and frame.tag is not None and message.state in LIMP_STATES:
                    told = party.at(frame.source, frame.tag, unlisted=False)
                    if told is not None:
                        told.was_told = True


def _look(party: _Party, rows: Sequence[tuple[int, int]] | None, *, unlisted: bool) -> Steps[None]:
    """One round over all that were not seen limp, then each alone that was not heard in it."""
    wanted = party.unsettled
    if rows is None:
        addresses = {address for member in wanted for address in member.addresses}
        rows = rows_of(addresses) if unlisted else [(address, 1) for address in sorted(addresses)]
    for first, count in rows:
        for brief in (yield from brief_reports(first, count)):
            member = party.at(brief.address, brief.tag, unlisted=unlisted)
            if member is not None:
                member.answers.append(brief.status.state)
    for member in wanted:
        for address in () if member.answers else member.addresses:
            if party.is_alone(address):
                yield from _ask_alone(party, address)
    for member in party.members:
        member.judge()


def _ask_alone(party: _Party, address: int) -> Steps[None]:
    try:
        heard = yield from exchange(Ask.one(Report(), address))
    except AddressConflictError:  # the link knows that it is shared
        party.fraction(address)
        return
    for frame in heard.replies:
        try:
            message = message_of(frame)
        except DecodeError:
            continue
        if isinstance(message, Status) and frame.tag is not None:
            member = party.at(address, frame.tag, unlisted=False)
            if member is not None:
                member.answers.append(message.state)
