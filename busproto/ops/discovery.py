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
from collections.abc import Iterable
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
from busproto.wire.timing import FIRST_SLOT_NS, PLACE_NS, STRANGER_SLOTS

FIRST_WINDOW_SLOTS: Final = 128
SLOTS_PER_ACTUATOR: Final = 3
MIN_WINDOW_SLOTS: Final = 8
LATECOMER_SLOTS: Final = 16
MAX_CALLS: Final = 60
MAX_OVERRUNS: Final = 3
"""Windows in which bytes never ceased to come, before a search is given up."""
MIN_PASSES: Final = 2
ADDRESS_PASSES: Final = 3
"""Quiet passes of the address book: two at one address look like one in up to one pass in 20 (virtual bus)."""
QUIET_PER_DOUBT: Final = 2
"""A pass in which someone answers whom no call then finds asks for so many quiet passes more. A few quiet ones among
many that are not prove little: without this rule, two with one uid passed as one in 106 of 1000 searches (27 with
it), and two at one address in half of all address books (virtual bus)."""
MAX_PASSES: Final = 40
SHORT_CALL_BYTES: Final = 19
SILENT_PASSES: Final = 8
"""One in the book that has not answered in so many passes has gone away, or was never there. So many quiet passes are
also wanted for an empty book, and not one byte in all the search: nothing else tells whether anybody could hear."""
ASSUMED_BYTE_ERROR: Final = 1e-3
"""Least chance that a byte of the book is not understood by an actuator, for the figure of what remains."""
SOMETHING_WAS_HEARD: Final = (
    "nobody is found, but something was heard: noise, a stuck line, another line rate (--baud), or someone who "
    "answers no more"
)
MOST_ERROR: Final = 1e-4
"""Unless told otherwise, passes are added until the chance that one is missing is no greater than this."""


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
        remaining_error: chance that a powered actuator is missing all the same, for the byte error that was seen,
            or 1e-3 where less was; 1 where nothing is proven.
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

    @property
    def summary(self) -> str:
        """What was found, and whether that is proven, in a line."""
        count = f"{len(self.found)} {'actuator' if len(self.found) == 1 else 'actuators'}"
        if not self.proven:
            return f"{count} found, NOT PROVEN complete: {self.reason}."
        if not self.found:
            return "Nobody answers: check power, wiring and line rate."
        ms = (self.searching_ns + self.proving_ns) / 1e6
        return f"{count}, proven complete in {ms:.0f} ms (chance that one is missing: {self.remaining_error:.1e})."

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
    overruns: int = 0

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
        wanted_error: add passes until `Roster.remaining_error` is at most this, 0 < wanted_error < 1; None for 1e-4.
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
    if enough:
        proof = yield from _prove(search, wanted_error, max_passes)
    else:
        proof = _Proof("the roll calls did not come to an end: too much noise, or someone keeps talking")
    ended_ns = yield from now()
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
        if search.overruns >= MAX_OVERRUNS:
            return False
        yield Progress("finding", len(search.addresses))
        if garbled is None:
            continue
        if not garbled:
            return True
        slots = min(MAX_WINDOW_SLOTS, max(MIN_WINDOW_SLOTS, SLOTS_PER_ACTUATOR * _estimated_rest(search, garbled)))
    return False


def _estimated_rest(search: _Search, garbled_bytes: int) -> int:
    """How many actuators were not understood in the last window, from the bytes that could not be read.

    A collision is heard as about one answer. How many are in it was measured on the virtual bus: 2.2 where nearly all
    were understood, up to 4.5 where nearly none were.
    """
    collisions = max(1.0, garbled_bytes / PRESENT_BYTES)
    understood = max(1, len(search.to_enrol))
    return max(2, round(collisions * (2.2 + 0.7 * math.sqrt(collisions / understood))))


def _roll_call(search: _Search, slots: int, *, times: int = 1) -> Steps[int | None]:
    """One roll call, which also enrols those of the one before. Returns how many bytes could not be read, delimiters
    among them, as little else is left where very many collide; None where the call itself was not heard.
    """
    marks = search.to_enrol
    ahead: list[Message] = []
    while len(marks) > MAX_MARKS_PER_CALL:
        part, marks = marks[:MAX_MARKS_PER_CALL], marks[MAX_MARKS_PER_CALL:]
        ahead.append(RollCall(search.epoch, search.fresh_salt(), 0, tuple(part)))
    salt = search.fresh_salt()
    call = RollCall(search.epoch, salt, slots, tuple(marks))
    heard = yield from exchange(window(call, ahead=(*ahead, *[call] * (times - 1))))
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
    search.overruns += heard.overran
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
    odds = _Odds()
    doubts = 0
    strangers = False
    for _ in range(max_passes):
        order = list(search.addresses)
        salt, values = _salt_without_equal_marks(search, order)
        heard, sent_bytes = yield from _send_book(search, salt, [mark_of(value) for value in values])
        search.passes += 1
        search.heard_anything |= bool(heard.raw)
        answers = read_answers(heard.raw, [book_answer(value) for value in values])
        strangers = bool(answers.extras) or heard.verdict is Verdict.ECHO_BROKEN
        # silence proves nothing where the book itself may have been lost: half of those in it must have heard it, and
        # where nobody is in it, the line must have carried it
        was_heard = 2 * len(answers.confirmed) >= len(order) if order else heard.echoed
        odds.book(sent_bytes, {uid: place in answers.confirmed for place, uid in enumerate(order)})
        if not strangers and was_heard:
            odds.quiet.append((sent_bytes, len(order)))
            if len(odds.quiet) == 1:
                strangers = yield from _ask_for_the_rest(search)
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
        heard_lately = [uid for uid in order if silent[uid] < SILENT_PASSES]
        for uid in [uid for uid in order if odds.is_gone(silent[uid], heard_lately)]:
            del search.addresses[uid]
            search.gone.append(uid)
        if order and not search.addresses:
            odds.quiet.clear()
        waiting = [uid for uid in search.addresses if confirmed[uid] < MIN_PASSES]
        yield Progress("proving", len(search.addresses) - len(waiting), len(search.addresses))
        least = MIN_PASSES if search.addresses else SILENT_PASSES
        is_quiet = len(odds.quiet) >= least + QUIET_PER_DOUBT * doubts
        miss = odds.one_is_missing(search.addresses)
        if not waiting and is_quiet and miss <= (MOST_ERROR if wanted_error is None else wanted_error):
            if search.heard_anything and not search.addresses:
                return _Proof(SOMETHING_WAS_HEARD)
            return _Proof("", miss)
        if strangers:
            search.to_enrol = []
            before = len(search.addresses)
            yield from _search(search, LATECOMER_SLOTS)
            if len(search.addresses) > before:
                odds.quiet.clear()
                doubts = 0
            elif heard.verdict is not Verdict.ECHO_BROKEN:
                doubts += 1
    if not search.addresses and not strangers:
        if search.heard_anything:
            return _Proof(SOMETHING_WAS_HEARD)
        return _Proof("nobody answers, and without an echo there is no sign that the line carries anything")
    if strangers:
        return _Proof("someone who is not in the list keeps answering: noise, a device of another kind, or a twin")
    return _Proof(f"not everyone was confirmed {MIN_PASSES} times in {max_passes} passes: too much noise")


def _ask_for_the_rest(search: _Search) -> Steps[bool]:
    """A short call to all who are not enrolled, said twice in one breath. Returns whether anyone new answered.

    The book enrols those who find themselves in it, so hardly anyone does. A book is long and easily missed; without
    this call 16 of 100 000 searches at a byte error of 1e-3 were wrong and sure, as one that had missed the roll call
    missed two books as well.
    """
    before = len(search.addresses)
    search.to_enrol = []
    garbled = yield from _roll_call(search, MIN_WINDOW_SLOTS, times=2)
    return bool(garbled) or garbled is None or len(search.addresses) > before


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
    """Send all parts of the book; returns what came back and the length of all parts on the wire."""
    total = len(marks)
    parts = [
        Book(search.epoch, salt, first, total, tuple(marks[first : first + MAX_MARKS_PER_PART]))
        for first in range(0, max(1, total), MAX_MARKS_PER_PART)
    ]
    heard = yield from exchange(_answered_by_bytes(parts[-1], total, tuple(parts[:-1])))
    return heard, sum(HEADER_BYTES + len(part.payload()) + FRAMING_BYTES for part in parts)


def _answered_by_bytes(message: Message, places: int, ahead: tuple[Message, ...] = ()) -> Ask:
    """The exchange for a book: one byte may come for each place, and for those who speak up behind."""
    idle_ns = FIRST_SLOT_NS + (places + STRANGER_SLOTS + 1) * PLACE_NS
    # a byte stands in a slot that is counted already, but may break a second one
    return Ask(message, BROADCAST_ADDRESS, Expect.BYTES, window_ns=idle_ns, idle_ns_per_byte=PLACE_NS // 2, ahead=ahead)


@dataclass
class _Odds:
    """The chance that a powered actuator which is not in the book has stayed unnoticed.

    It has if it missed every quiet book, or its mark fitted a listed one by chance, and missed both sayings of the
    short call, or believes by chance to be enrolled. How often a byte is not understood is taken from how many of
    those in the book did not answer, and never less than ASSUMED_BYTE_ERROR: on a line so noisy that many miss a
    book, one that is missing may well have missed it too.

    Attributes:
        quiet: bytes and places of each quiet book.
    """

    quiet: list[tuple[int, int]] = field(default_factory=list)
    asked: Counter[bytes] = field(default_factory=Counter)
    missed: Counter[bytes] = field(default_factory=Counter)
    sent_bytes: list[int] = field(default_factory=list)

    def book(self, sent_bytes: int, answered: dict[bytes, bool]) -> None:
        """Note who answered a book."""
        self.sent_bytes.append(sent_bytes)
        self.asked.update(answered.keys())
        self.missed.update(uid for uid, has in answered.items() if not has)

    def byte_error(self, present: Iterable[bytes]) -> float:
        """Chance that a byte is not understood, from those who are there."""
        present = list(present)
        asked, missed = (sum(counts[uid] for uid in present) for counts in (self.asked, self.missed))
        if not missed:
            return ASSUMED_BYTE_ERROR
        mean_bytes = sum(self.sent_bytes) / len(self.sent_bytes)
        return max(ASSUMED_BYTE_ERROR, 1 - float((1 - min(0.99, missed / asked)) ** (1 / mean_bytes)))

    def is_gone(self, times: int, heard_lately: Iterable[bytes]) -> bool:
        """Whether one that was silent so many books in a row has gone: what the others missed does not explain it."""
        understood = 1 - self.byte_error(heard_lately)
        missed_by_chance = (1 - understood ** (max(self.sent_bytes) + 1)) ** times
        return times >= SILENT_PASSES and missed_by_chance <= MOST_ERROR

    def one_is_missing(self, present: Iterable[bytes]) -> float:
        """The chance by what is known now; 1 before the first quiet book."""
        if not self.quiet:
            return 1.0
        understood = 1 - self.byte_error(present)
        books: float = math.prod(min(1.0, 1 - understood**size + places / 0x10000) for size, places in self.quiet)
        calls: float = min(1.0, (1 - understood**SHORT_CALL_BYTES) ** 2 + 1 / 0x10000)
        return books * calls


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
