"""Finding every actuator on the line, and proving that none is missing.

Countdown: one broadcast opens a window of slots; every actuator not yet enrolled answers once with its uid; the next
broadcast enrols those that were understood, by a mark each. The window ends when one brings nothing that cannot be
read. The proof is the book: the marks of all that were found are broadcast; each that finds its own answers one byte
in its place, every other powered actuator speaks up behind. A list is called proven only when each one in it was
confirmed in at least two passes with fresh salts, and nobody spoke up in at least two. Otherwise it is "not proven",
with the reason.

The host's rules use bytes and their order only; a USB adapter hides when they came.
"""

from __future__ import annotations

import math
import random
from collections import Counter
from dataclasses import dataclass, field
from typing import Final

from busproto.ops.steps import Clash, Progress, Steps, exchange, now
from busproto.ops.transact import PRESENT_BYTES, uid_of, window
from busproto.session.exchange import Ask, Expect, Heard, Verdict
from busproto.wire.frame import BROADCAST_ADDRESS, FRAMING_BYTES, HEADER_BYTES, MAX_ADDRESS, MIN_ADDRESS, UNADDRESSED
from busproto.wire.hash import BOOK_ANSWER_BIT, book_answer, mark_of, uid_hash
from busproto.wire.message import Message
from busproto.wire.messages import (
    ADDRESS_MAP_BYTES,
    MAX_MARKS_PER_CALL,
    MAX_MARKS_PER_PART,
    MAX_WINDOW_SLOTS,
    AddressBook,
    Book,
    RollCall,
)
from busproto.wire.timing import FIRST_SLOT_NS, MINI_SLOT_NS, STRANGER_SLOTS

FIRST_WINDOW_SLOTS: Final = 64
SLOTS_PER_ACTUATOR: Final = 4
MIN_WINDOW_SLOTS: Final = 8
LATECOMER_SLOTS: Final = 16
MAX_CALLS: Final = 60
MIN_PASSES: Final = 2
ADDRESS_PASSES: Final = 3
"""Quiet passes of the address book: two at one address look like one in up to one pass in 20 (virtual bus)."""
QUIET_PER_DOUBT: Final = 2
"""A pass in which someone answers whom no call then finds asks for so many quiet passes more. A few quiet ones among
many that are not prove little: without this rule, two with one uid passed as one in 106 of 1000 searches (27 with
it), and two at one address in half of all address books (virtual bus)."""
MAX_PASSES: Final = 40
SILENT_PASSES: Final = 8
"""One in the book that has not answered in so many passes has gone away, or was never there. So many quiet passes are
also wanted for an empty book, and not one byte in all the search: nothing else tells whether anybody could hear."""
ASSUMED_BYTE_ERROR: Final = 1e-3
"""Chance that a byte of the book is not understood by an actuator, for the figure of what remains."""


@dataclass(frozen=True, slots=True)
class Found:
    """One actuator.

    Attributes:
        uid: 8 bytes.
        address: 1..239, or 240 (F0h) while it has none.
    """

    uid: bytes
    address: int


@dataclass(frozen=True, slots=True)
class Roster:
    """Who is on the line.

    Attributes:
        found: every actuator heard, by address, then uid.
        proven: nobody is missing from `found`, and all in it are there.
        reason: why it is not proven; "" where it is.
        remaining_error: chance that a powered actuator is missing all the same, for a byte error of 1e-3; 1 where
            nothing is proven.
        gone: uids that answered once and then no more.
        twins: uids that several actuators seem to share.
        calls, passes: roll calls and passes of the book sent.
        searching_ns, proving_ns: time of both by the transport's clock.
    """

    found: tuple[Found, ...]
    proven: bool
    reason: str
    remaining_error: float
    gone: tuple[bytes, ...] = ()
    twins: tuple[bytes, ...] = ()
    calls: int = 0
    passes: int = 0
    searching_ns: int = 0
    proving_ns: int = 0

    @property
    def clashes(self) -> dict[int, tuple[bytes, ...]]:
        """Addresses that several actuators share, and their uids. Those without an address are not among them."""
        return {address: uids for address, uids in self.by_address.items() if len(uids) > 1 and address != UNADDRESSED}

    @property
    def by_address(self) -> dict[int, tuple[bytes, ...]]:
        """The uids at each address."""
        addresses = sorted({one.address for one in self.found})
        return {at: tuple(one.uid for one in self.found if one.address == at) for at in addresses}

    @property
    def unaddressed(self) -> tuple[bytes, ...]:
        """The uids of those that have no address yet."""
        return self.by_address.get(UNADDRESSED, ())

    def address_of(self, uid: bytes) -> int | None:
        """Where this uid was found, None where it was not."""
        return next((one.address for one in self.found if one.uid == uid), None)


@dataclass
class _Search:
    """What a search knows while it runs."""

    rng: random.Random
    epoch: int
    addresses: dict[bytes, int] = field(default_factory=dict)
    twins: set[bytes] = field(default_factory=set)
    gone: list[bytes] = field(default_factory=list)
    to_enrol: list[int] = field(default_factory=list)
    heard_anything: bool = False
    calls: int = 0
    passes: int = 0

    def fresh_salt(self) -> int:
        return self.rng.randrange(0x100)


def find(
    *,
    expected: int | None = None,
    rng: random.Random | None = None,
    wanted_error: float | None = None,
    max_passes: int = MAX_PASSES,
) -> Steps[Roster]:
    """Find every actuator, also several at one address, and prove that the list is complete.

    Changes nothing on any actuator.

    Args:
        expected: about how many there are, 1..239, where that is known: a better first window. Never trusted.
        rng: where epoch and salts come from; None for the system's.
        wanted_error: add passes until `Roster.remaining_error` is at most this, 0 < wanted_error < 1.
        max_passes: 2..; give up after so many.

    Returns:
        The roster; `proven` is False, with a reason, wherever there is any doubt.
    """
    rng = rng or random.SystemRandom()
    search = _Search(rng, rng.randrange(1, 0x10000))
    began_ns = yield from now()
    slots = FIRST_WINDOW_SLOTS if expected is None else 2 * max(1, expected)
    enough = yield from _search(search, slots)
    searched_ns = yield from now()
    proof = yield from _prove(search, wanted_error, max_passes)
    ended_ns = yield from now()
    if not enough:
        proof = _Proof("the roll calls did not come to an end: too much noise, or someone keeps talking")
    if search.twins:
        who = ", ".join(sorted(uid.hex() for uid in search.twins))
        proof = _Proof(f"several actuators seem to share one uid ({who}): that cannot be proven or mended by software")
    found = sorted((Found(uid, at) for uid, at in search.addresses.items()), key=lambda one: (one.address, one.uid))
    roster = Roster(
        found=tuple(found),
        proven=not proof.reason,
        reason=proof.reason,
        remaining_error=proof.remaining_error,
        gone=tuple(uid for uid in dict.fromkeys(search.gone) if uid not in search.addresses),
        twins=tuple(sorted(search.twins)),
        calls=search.calls,
        passes=search.passes,
        searching_ns=searched_ns - began_ns,
        proving_ns=ended_ns - searched_ns,
    )
    by_address = roster.by_address
    # a clash that was known before is over only where the list is proven
    for address in range(MIN_ADDRESS, MAX_ADDRESS + 1) if roster.proven else roster.clashes:
        yield Clash(address, by_address.get(address, ()))
    return roster


def _search(search: _Search, slots: int) -> Steps[bool]:
    """Roll calls until one brings nothing that cannot be read. Returns False where that does not happen."""
    for _ in range(MAX_CALLS):
        garbled = yield from _roll_call(search, slots)
        yield Progress("finding", len(search.addresses))
        if garbled is None:
            continue
        if not garbled:
            return True
        slots = min(
            MAX_WINDOW_SLOTS, max(MIN_WINDOW_SLOTS, SLOTS_PER_ACTUATOR * _estimated_rest(search, garbled, slots))
        )
    return False


def _estimated_rest(search: _Search, garbled_bytes: int, slots: int) -> int:
    """How many actuators were not understood in the last window, from the bytes that could not be read.

    A collision is about as long as one answer and holds two or more; where most slots were busy, more.
    """
    collisions = max(1, round(garbled_bytes / PRESENT_BYTES))
    understood = len(search.to_enrol)
    busy = min(0.97, (collisions + understood) / slots)
    load = -math.log(1 - busy) * slots
    return max(2 * collisions, round(load) - understood)


def _roll_call(search: _Search, slots: int) -> Steps[int | None]:
    """One roll call, which also enrols those of the one before. Returns how many bytes could not be read, delimiters
    among them, as little else is left where very many collide; None where the call itself was not heard.
    """
    marks = search.to_enrol
    while len(marks) > MAX_MARKS_PER_CALL:
        part, marks = marks[:MAX_MARKS_PER_CALL], marks[MAX_MARKS_PER_CALL:]
        yield from exchange(Ask.all(RollCall(search.epoch, search.fresh_salt(), 0, tuple(part))))
    salt = search.fresh_salt()
    heard = yield from exchange(window(RollCall(search.epoch, salt, slots, tuple(marks))))
    search.calls += 1
    search.heard_anything |= bool(heard.raw)
    search.to_enrol = []
    seen: Counter[bytes] = Counter()
    for frame in heard.replies:
        uid = uid_of(frame)
        if uid is None:
            continue
        seen[uid] += 1
        search.addresses[uid] = frame.source
        search.to_enrol.append(mark_of(uid_hash(uid, search.epoch, salt)))
    search.twins |= {uid for uid, times in seen.items() if times > 1}
    if heard.verdict is Verdict.ECHO_BROKEN:
        return None
    return heard.unread_bytes


@dataclass
class _Proof:
    """Why there is none, or how good it is."""

    reason: str
    remaining_error: float = 1.0


def _prove(search: _Search, wanted_error: float | None, max_passes: int) -> Steps[_Proof]:
    """Passes of the book until every one in it is confirmed twice and nobody spoke up twice."""
    confirmed: Counter[bytes] = Counter()
    silent: Counter[bytes] = Counter()
    doubled: Counter[bytes] = Counter()
    quiet = doubts = 0
    miss = 1.0
    strangers = False
    for _ in range(max_passes):
        order = list(search.addresses)
        salt, values = _salt_without_equal_marks(search, order)
        heard, sent_bytes = yield from _send_book(search, salt, [mark_of(value) for value in values])
        search.passes += 1
        search.heard_anything |= bool(heard.raw)
        answers = read_answers(heard.raw, [book_answer(value) for value in values])
        strangers = bool(answers.extras) or heard.verdict is Verdict.ECHO_BROKEN
        # silence proves nothing where the book itself may have been lost: half of those in it must have heard it
        if not strangers and 2 * len(answers.confirmed) >= len(order):
            quiet += 1
            miss *= _miss_chance(sent_bytes, len(order))
        for place, uid in enumerate(order):
            if place in answers.confirmed:
                confirmed[uid] += 1
                silent[uid] = 0
            elif heard.verdict is not Verdict.ECHO_BROKEN:
                silent[uid] += 1
            if place in answers.doubled:
                doubled[uid] += 1
        search.twins |= {uid for uid, times in doubled.items() if times >= MIN_PASSES}
        if search.twins:
            return _Proof("")
        for uid in [uid for uid, times in silent.items() if times >= SILENT_PASSES and uid in search.addresses]:
            del search.addresses[uid]
            search.gone.append(uid)
        if order and not search.addresses:
            quiet, miss = 0, 1.0
        waiting = [uid for uid in search.addresses if confirmed[uid] < MIN_PASSES]
        yield Progress("proving", len(search.addresses) - len(waiting), len(search.addresses))
        least = MIN_PASSES if search.addresses else SILENT_PASSES
        is_quiet = quiet >= least + QUIET_PER_DOUBT * doubts
        if not waiting and is_quiet and (wanted_error is None or miss <= wanted_error):
            if search.heard_anything and not search.addresses:
                return _Proof("nobody is found, but something was heard: noise, or someone who answers no more")
            return _Proof("", miss)
        if strangers:
            search.to_enrol = []
            before = len(search.addresses)
            yield from _search(search, LATECOMER_SLOTS)
            if len(search.addresses) > before:
                quiet, miss, doubts = 0, 1.0, 0
            elif heard.verdict is not Verdict.ECHO_BROKEN:
                doubts += 1
    if strangers:
        return _Proof("someone who is not in the list keeps answering: noise, a device of another kind, or a twin")
    return _Proof(f"not everyone was confirmed {MIN_PASSES} times in {max_passes} passes: too much noise")


def _salt_without_equal_marks(search: _Search, order: list[bytes]) -> tuple[int, list[int]]:
    """A salt under which all in the book have different marks, and their hashes."""
    best: tuple[int, list[int]] = (0, [])
    for _ in range(64):
        salt = search.fresh_salt()
        values = [uid_hash(uid, search.epoch, salt) for uid in order]
        best = (salt, values)
        if len({mark_of(value) for value in values}) == len(values):
            break
    return best


def _send_book(search: _Search, salt: int, marks: list[int]) -> Steps[tuple[Heard, int]]:
    """Send all parts of the book; returns what came back and the length of the last part on the wire."""
    total = len(marks)
    first = 0
    while total - first > MAX_MARKS_PER_PART:
        part = tuple(marks[first : first + MAX_MARKS_PER_PART])
        yield from exchange(Ask.all(Book(search.epoch, salt, first, total, part)))
        first += len(part)
    last = Book(search.epoch, salt, first, total, tuple(marks[first:]))
    heard = yield from exchange(_answered_by_bytes(last, total))
    return heard, HEADER_BYTES + len(last.payload()) + FRAMING_BYTES


def _answered_by_bytes(message: Message, places: int) -> Ask:
    """The exchange for a book: one byte may come for each place, and for those who speak up behind."""
    idle_ns = FIRST_SLOT_NS + (places + STRANGER_SLOTS + 1) * MINI_SLOT_NS
    return Ask(message, BROADCAST_ADDRESS, Expect.BYTES, window_ns=idle_ns, idle_ns_per_byte=MINI_SLOT_NS)


def _miss_chance(book_bytes: int, places: int) -> float:
    """Chance that one who is not in the book stays unnoticed in a pass: not understood, or its mark fits by chance."""
    not_understood = 1 - (1 - ASSUMED_BYTE_ERROR) ** book_bytes
    return min(1.0, not_understood + places / 0x10000)


@dataclass(frozen=True, slots=True)
class BookAnswers:
    """How the bytes after a book fit it.

    Attributes:
        confirmed: places whose answer came for certain.
        doubled: places whose answer came twice in a row.
        extras: number of bytes that no place accounts for.
    """

    confirmed: frozenset[int]
    doubled: frozenset[int]
    extras: int


def read_answers(raw: bytes, expected: list[int]) -> BookAnswers:
    """Fit the bytes that came back, in their order, to the answers that the book's places should give.

    A place counts as confirmed only if every way of fitting agrees on it: the earliest and the latest.
    """
    if raw == bytes(expected):
        return BookAnswers(frozenset(range(len(expected))), frozenset(), 0)
    answers = [byte for byte in raw if byte & BOOK_ANSWER_BIT]
    strangers = len(raw) - len(answers)
    earliest, unfit = _fit(answers, expected)
    backwards, _ = _fit(answers[::-1], expected[::-1])
    latest = {len(answers) - 1 - at: len(expected) - 1 - place for at, place in backwards.items()}
    confirmed = frozenset(place for at, place in earliest.items() if latest.get(at) == place)
    doubled = frozenset(earliest[at - 1] for at in unfit if at - 1 in earliest and answers[at] == answers[at - 1])
    return BookAnswers(confirmed, doubled, strangers + len(unfit))


def _fit(answers: list[int], expected: list[int]) -> tuple[dict[int, int], list[int]]:
    """Place of each answer when each takes the first place still open that fits; and those that fit nowhere."""
    places: dict[int, int] = {}
    unfit = []
    place = 0
    for at, answer in enumerate(answers):
        try:
            place = expected.index(answer, place)
        except ValueError:
            unfit.append(at)
            continue
        places[at] = place
        place += 1
    return places, unfit


def prove_addresses(
    addresses: dict[bytes, int], *, rng: random.Random | None = None, max_passes: int = MAX_PASSES
) -> Steps[str]:
    """Prove that the actuators on the line are exactly these, each alone at its address.

    Args:
        addresses: address of each uid, all different and 1..239.

    Returns:
        "" where it is proven; otherwise the reason why not.
    """
    rng = rng or random.SystemRandom()
    order = sorted(addresses, key=lambda uid: addresses[uid])
    if len(set(addresses.values())) != len(order) or any(not 0 < at <= MAX_ADDRESS for at in addresses.values()):
        return "the plan itself gives one address twice, or leaves someone without one"
    marked = sum(1 << (at - 1) for at in addresses.values()).to_bytes(ADDRESS_MAP_BYTES, "little")
    epoch = rng.randrange(1, 0x10000)
    confirmed: Counter[bytes] = Counter()
    quiet = doubts = 0
    extras = 0
    for _ in range(max_passes):
        salt = rng.randrange(0x100)
        expected = [book_answer(uid_hash(uid, epoch, salt)) for uid in order]
        heard = yield from exchange(_answered_by_bytes(AddressBook(epoch, salt, marked), len(order)))
        answers = read_answers(heard.raw, expected)
        extras = answers.extras
        if heard.verdict is not Verdict.ECHO_BROKEN:
            doubts += bool(extras)
            quiet += not extras and 2 * len(answers.confirmed) >= len(order)
        if doubts and not order:
            break
        confirmed.update(order[place] for place in answers.confirmed)
        twice = sum(confirmed[uid] >= MIN_PASSES for uid in order)
        yield Progress("proving the addresses", twice, len(order))
        least = ADDRESS_PASSES if order else SILENT_PASSES
        if quiet >= least + QUIET_PER_DOUBT * doubts and twice == len(order):
            return ""
    missing = [f"{addresses[uid]}" for uid in order if confirmed[uid] < MIN_PASSES]
    if missing:
        return f"no certain answer from address {', '.join(missing)}"
    return "someone answers who has no address of the map, or shares one" if extras else "too much noise"
