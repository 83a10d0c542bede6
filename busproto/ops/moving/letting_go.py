"""Letting go: the one operation by which every command and the bench page make actuators limp, and report their states.

No actuator answers a broadcast, and a release sent to one address may be lost. So the operation releases all, asks
every actuator for its state, releases those that hold by their addresses, and asks again. It ends when every actuator
known to be there was *seen* limp after a release, or a stated time is over. The result (`LetGo`) is what the actuators
reported, never what was sent.

*Seen limp* is an actuator that reported the state "released", which nothing but engage or a restart ends; or another
limp state, if it also answered a release to its address. An actuator that reports limp but has not answered a release
is released again: a demand could engage it.

*Known to be there* are the actuators that the caller lists (from a roster or a plan), and any other that answers within
the rows of addresses asked; without a list, every actuator that answers at any address. An actuator without an address
is limp by the format and cannot be asked: it is counted, never called seen.

Several actuators at one address are distinguished by the tags of their replies. Where their number is not known, the
address is reported as shared, as nothing tells whether one of them did not answer. An actuator that sends each answer
twice, and two actuators with one uid, give two answers with one tag: the worse of the two counts.

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
"""ns. A burst of noise from a motor or a bad contact lasts up to about a second, and an actuator that lost power is
back within half a second (common practice, no source): this is several times both. After a longer wait beside arms that
hold, taking the pack off is the right thing to do."""
RELEASES: Final = 3
"""Number of broadcasts sent that count: those with a whole echo, or sent on a line without echo."""
MOST_RELEASES: Final = 8
ANSWER_ENDS_NS: Final = 12 * MS
"""ns. The longest frame takes 11 ms at 115 200 Bd: a release after one that fell into an answer waits for its end."""
PAUSES_NS: Final = (0, 5 * MS, 20 * MS, 50 * MS, 100 * MS)
"""ns. The pauses between turns; the last one is repeated."""
TAKE_THE_PACK_OFF: Final = "Take the pack off before you touch anything they move"


@dataclass(frozen=True, slots=True)
class OnLine:
    """One actuator that is known to be there.

    Attributes:
        address: 1..239, or 240 (F0h) for none: it cannot be asked.
        uid: 8 bytes; empty if it is not known.
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
        """The addresses at which it can be asked."""
        return tuple(one for one in (self.address, self.or_at) if one not in {0, UNADDRESSED})


@dataclass(frozen=True, slots=True)
class Holding:
    """An actuator whose last report was not limp."""

    address: int
    state: State


@dataclass(frozen=True, slots=True)
class LetGo:
    """What the actuators reported after the last release. One entry for each actuator.

    Attributes:
        limp: addresses of those that were seen limp.
        holding: those that reported another state.
        not_seen: addresses of those known to be there that did not answer.
        shared: addresses at which several answer, where their number is not known.
        without_address: number of actuators without an address: limp by the format, not seen.
        was_any_known: False if the caller listed no actuator and none answered.
    """

    limp: tuple[int, ...] = ()
    holding: tuple[Holding, ...] = ()
    not_seen: tuple[int, ...] = ()
    shared: tuple[int, ...] = ()
    without_address: int = 0
    was_any_known: bool = True

    @property
    def is_limp(self) -> bool:
        """Whether every actuator that is known to be there, and has an address, was seen limp."""
        return self.was_any_known and not (self.holding or self.not_seen or self.shared)

    @property
    def note(self) -> str:
        """What was seen, and what to do next, as a part of a line."""
        if not self.was_any_known:
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
        """The note as a sentence, with a capital and a full stop."""
        return f"{self.note[:1].upper()}{self.note[1:]}."

    def as_json(self) -> dict[str, Any]:
        """For ``--json``: the value of the key "let_go" in every command."""
        return {
            "all_seen_limp": self.is_limp,
            "limp": list(self.limp),
            "holding": [{"address": one.address, "state": state_word(one.state)} for one in self.holding],
            "not_seen": list(self.not_seen),
            "shared": list(self.shared),
            "without_address_count": self.without_address,
        }


def seen_by(error: BaseException) -> LetGo | None:
    """What was seen when the operation that raised this error let go; None if it did not."""
    found = getattr(error, "let_go", None)
    return found if isinstance(found, LetGo) else None


def _tell(error: BaseException, seen: LetGo, note: str = "") -> None:
    """Attach to an error what was seen, once."""
    if seen_by(error) is None:
        error.let_go = seen  # type: ignore[attr-defined]
        error.add_note(note or seen.note)


def holding_actuators(actuators: Iterable[OnLine]) -> Steps[tuple[Holding, ...]]:
    """The actuators that report a state other than limp. Asks once and changes nothing; without an answer: not in
    it."""
    party = _Party(actuators)
    yield from _look(party, None, unlisted=True)
    return party.result().holding


# --- the operation ----------------------------------------------------------------------------------------------


def let_go(
    actuators: Iterable[OnLine] | None, *, to_all: bool = True, others: bool = False, longest_ns: int = LONGEST_NS
) -> Steps[LetGo]:
    """Let actuators go until each was seen limp, or for `longest_ns`.

    Args:
        actuators: those known to be there; None if nothing is known: then all addresses are asked.
        to_all: release all by broadcast. Otherwise release `actuators` by their addresses, and all only if one of them
            is not seen limp then.
        others: ask all addresses even if `actuators` is given, as the address of one of them is not known now.
        longest_ns: ends after this time, whatever was seen.

    Raises:
        PortClosedError: the port went away; its notes name the actuators that could not be released, and their loss
            actions.
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
    except BaseException as error:  # came while letting go
        _tell(error, seen)
        raise
    return seen


def require_limp(seen: LetGo) -> None:
    """Raise NotLimpError unless all were seen limp."""
    if not seen.is_limp:
        where = [*(one.address for one in seen.holding), *seen.not_seen, *seen.shared, 0]
        raise NotLimpError(where[0], seen.note)


def not_looked_at(actuators: Iterable[OnLine] | None) -> LetGo:
    """The result if no port is left: none of these actuators was seen limp."""
    return _Party(actuators).result()


def could_not_be_told(actuators: Iterable[OnLine] | None) -> str:
    """The note for a lost port: which actuators may hold, what each does without demands, and what to do now."""
    return _Party(actuators).could_not_be_told()


def let_go_after(
    error: BaseException, actuators: Iterable[OnLine] | None, *, to_all: bool = True, others: bool = False
) -> Steps[None]:
    """Let go after an error ended an operation, and attach to it what was seen. Args: as `let_go`."""
    _tell(error, (yield from let_go(actuators, to_all=to_all, others=others)))


def ending_limp(
    steps: Steps[T], actuators: Collection[OnLine] | None, *, to_all: bool = True
) -> Steps[tuple[T, LetGo]]:
    """Run an operation, and let go however it ends. Returns its result and what was seen; an error carries what was
    seen.

    Args: as `let_go`; `actuators` is read when the operation has ended, so the operation may add to it.
    """
    try:
        result = yield from steps
    except GeneratorExit:
        raise  # the link has closed this generator, so nothing can be sent
    except BaseException as error:
        yield from let_go_after(error, actuators, to_all=to_all)
        raise
    return result, (yield from let_go(actuators, to_all=to_all))


@dataclass
class _Member:
    """One actuator while its state is being asked for. `is_named`: the caller gave its uid."""

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
        """The address at which it answered, or is asked first."""
        return self.at or self.addresses[0]

    def judge(self) -> None:
        """Take its answers of this turn; the worst counts."""
        answers, self.answers = self.answers, []
        if not answers:
            return
        self.state = next((state for state in answers if state not in LIMP_STATES), answers[-1])
        stays = self.was_told or all(state is State.RELEASED for state in answers)
        self.were_all_heard |= len(answers) >= self.count
        self.is_settled = self.state in LIMP_STATES and stays and len(answers) >= self.count

    @property
    def was_seen_limp(self) -> bool:
        """Whether its last report was limp; of several with one uid, that of each."""
        return self.state in LIMP_STATES and self.were_all_heard

    @property
    def was_seen_to_hold(self) -> bool:
        """Whether its last report was not limp."""
        return self.state is not None and self.state not in LIMP_STATES


class _Party:
    """The actuators known to be there, and those that answered besides."""

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
        """The actuators that were not seen limp so far."""
        return [member for member in self.members if not member.is_settled]

    def is_alone(self, address: int) -> bool:
        """Whether at most one actuator is known at this address, so that it may be asked there."""
        return self._counts[address] == 1 and address not in self.shared

    def mark_shared(self, address: int) -> None:
        """Note that several answer at this address, in unknown number."""
        self.shared.add(address)

    def at(self, address: int, tag: int, *, unlisted: bool) -> _Member | None:
        """The actuator that sent an answer. With `unlisted` an unknown one is added; otherwise it gives None."""
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
            self.mark_shared(address)
        return self._add(_Member((address,), tag))

    def result(self) -> LetGo:
        """What was seen so far."""
        seen = sorted(self.members, key=lambda one: one.address)
        return LetGo(
            limp=tuple(one.address for one in seen if one.was_seen_limp),
            holding=tuple(Holding(one.address, one.state) for one in seen if one.state and one.was_seen_to_hold),
            not_seen=tuple(one.address for one in seen if not (one.was_seen_limp or one.was_seen_to_hold)),
            shared=tuple(sorted(self.shared)),
            without_address=self.without_address,
            was_any_known=bool(self.members) or not self.is_scan,
        )

    def could_not_be_told(self) -> str:
        """As the function of that name; actuators that were seen limp are left out."""
        names = [
            f"address {one.address}" + (f" (its loss action is {one.loss_action})" if one.loss_action else "")
            for one in sorted(self.unsettled, key=lambda one: one.address)
        ]
        if not names and not self.is_scan:
            return self.result().note
        text = ", ".join(names) or "whatever is on the line"
        return f"could not be released: {text}. {TAKE_THE_PACK_OFF}"


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
        passes += bool(party.members)  # a pass without any answer may have been lost in noise as a whole
        is_scanning = party.is_scan and passes < SCAN_PASSES
        if (not party.unsettled and not is_scanning) or (yield from now()) - began_ns >= longest_ns:
            return party.result()
        yield Pause(PAUSES_NS[min(turn, len(PAUSES_NS)) - 1])


def release_all() -> Steps[None]:
    """Release every actuator by broadcast, sent several times; no actuator answers it.

    A broadcast that falls into an answer or into noise does not count. Whether the actuators are limp is not known
    afterwards: `let_go` finds out."""
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
    """Release by address the actuators that were not seen limp; several at one address may all take it."""
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
    """Ask all that were not seen limp in report rounds, then each one that did not answer alone."""
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
    except AddressConflictError:  # the link refuses an address known to be shared
        party.mark_shared(address)
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
