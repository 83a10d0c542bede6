"""Finding every actuator on the line, and proving that none is missing.

The search: a broadcast opens a window of slots. Every actuator that is not yet acknowledged answers once with its uid.
The next broadcast acknowledges the actuators that were read, by a digest each. The search ends with a window in which
every byte could be read.

The proof: the digests of all actuators found are broadcast as the member list. An actuator that finds its own digest
answers one byte in its position; every other powered actuator sends a byte behind the last position. The list is
called proven only if each actuator in it was confirmed in at least two passes with fresh salts, and no other actuator
answered in at least two passes.

Anything odd makes the proof a long one: calls and member lists in turn, spread over a time longer than the likely cause
lasts. Where bytes came that no listed actuator accounts for, no number of quiet passes afterwards makes the list a
proven one: it is "not proven", with the reason.

The host's rules use bytes and their order only: a USB adapter hides the times at which they came.
"""

from __future__ import annotations

import random
from collections import Counter
from dataclasses import dataclass, field
from typing import Final

from busproto.ops.discovery.evidence import SHORT_CALL_BYTES, Account, Odds, poor_text
from busproto.ops.discovery.list_answers import ListAnswers, is_noise, read_answers
from busproto.ops.discovery.roll_call import (
    FIRST_WINDOW_SLOTS,
    MAX_OVERRUNS,
    MIN_PASSES,
    MIN_WINDOW_SLOTS,
    MOST_NS,
    Search,
    call_latecomers,
    call_until_read,
    roll_call,
    wire_bytes,
)
from busproto.ops.discovery.roster import Found, Roster
from busproto.ops.steps import Clash, Pause, Progress, Steps, exchange, now
from busproto.session.exchange import Ask, Expect, Heard, Verdict
from busproto.wire.frame import BROADCAST_ADDRESS, MAX_ADDRESS, MIN_ADDRESS
from busproto.wire.hash import digest_of, list_answer, uid_hash
from busproto.wire.message import Message
from busproto.wire.messages import MAX_DIGESTS_PER_PART, MemberList, RollCall
from busproto.wire.timing import FIRST_SLOT_NS, ORDERED_SLOT_NS, UNLISTED_SLOTS

__all__ = ["Found", "Roster", "find"]

MS: Final = 1_000_000
MAX_PASSES: Final = 120
SILENT_PASSES: Final = 8
"""After this many passes without an answer an actuator is taken off the member list: it has gone, or was never there.
An empty list gets as many passes, before the roster says that no actuator answers."""
LOST_PASSES: Final = 20
"""After this many passes the search stops waiting for an actuator that sent its uid and then does not answer as it
should."""
MOST_ERROR: Final = 1e-4
"""Default of `wanted_error`: passes are added until the probability that an actuator is missing is at most this."""

LEAST_NS: Final = 55 * MS
"""ns. A search and proof last at least this long, however few actuators there are. The time left after the first member
list goes into listening for late answers, and into calls. 16 actuators take as long anyway."""
LATE_NS: Final = 30 * MS
"""ns. The longest time of that listening."""
CALL_NS: Final = SHORT_CALL_BYTES * 10 * 1_000_000_000 // 115_200
"""ns. The length of a short call at 115 200 Bd."""
MOST_SAYINGS: Final = 6
PATIENCE_NS: Final = 250 * MS
"""ns. A search whose list decides something, or is read by a person, lasts this much longer than it needs. An actuator
that receives nothing for a while, answers late, or receives few requests is likely to answer in that time."""
PATIENT_PAUSES_NS: Final = (10 * MS, 45 * MS)
"""ns. The pause between two calls of that time, drawn evenly from this range: longer than an answer that is 30 ms late
needs, and without a rhythm."""
PATIENT_SAYINGS: Final = 3
ODD_PASSES: Final = 16
"""Quiet passes wanted where an answer of a listed actuator, or an echo, was missed. With 6, two actuators with one uid
that collided in the first passes were listed as one, and an actuator that answers one time in ten was missed (virtual
bus, in one search of 100 000 each)."""
DOUBT_PASSES: Final = 6
"""Quiet passes in a row after bytes that no listed actuator accounts for. They give the actuator that sent the bytes
this many chances to be listed; they do not make the list a proven one. Quiet passes prove little against an actuator
that rarely answers: when 30 of them, and 4 more for each such sign, were taken for a proof, 4 of 101 653 lists lacked
an actuator that had contact for 1 ms in 20 to 50 or had met with noise, and each had given signs (virtual bus)."""
CALL_SAYINGS: Final = 3
"""How often a call is sent in one burst where anything was odd."""
SPREAD_NS: Final = 300 * MS
"""ns. Where anything was odd, the quiet passes after the last doubt are spread over at least this time: longer than an
actuator is likely to receive nothing, lack power or answer late at a time."""
MOST_PAUSE_NS: Final = 80 * MS
"""ns. The longest pause before a call and between it and the member list then, drawn at random, so that no rhythm is
met."""
LAST_PASSES: Final = 4
"""Each actuator in the list must have been confirmed within this many passes at the end."""

NO_ANSWER: Final = (
    "no actuator answers, and a line without an answer looks like one on which no actuator receives: check power, "
    "wiring and line rate (--baud)"
)
NO_SIGN: Final = "no actuator answers, and without an echo there is no sign that the line carries anything"
SOMETHING_WAS_HEARD: Final = (
    "no actuator was found, but bytes were received: noise, a stuck line, another line rate (--baud), or an actuator "
    "that answers no more"
)
NO_END: Final = "the roll calls did not come to an end: too much noise, or a device that keeps talking"
TOO_LONG: Final = f"it was not done within {MOST_NS / 1e9:.0f} s: too much noise, or a device that keeps talking"


def find(
    *,
    expected: int | None = None,
    rng: random.Random | None = None,
    wanted_error: float | None = None,
    max_passes: int = MAX_PASSES,
    patience_ns: int = 0,
) -> Steps[Roster]:
    """Find every actuator, also several at one address, and prove that the list is complete.

    Changes nothing on any actuator.

    Args:
        expected: about how many actuators there are, 1..239, if that is known: it sets the first window. Never relied
            on.
        rng: source of epoch and salts; None for the system's.
        wanted_error: add passes until `Roster.remaining_error` is at most this, 0 < wanted_error < 1; None for 1e-4.
        max_passes: 2..; give up after this many. The search ends after MOST_NS and one exchange in any case.
        patience_ns: 0..; go on calling and listening this long though nothing is odd, see PATIENCE_NS.

    Returns:
        The roster; `proven` is False, with a reason, wherever there is any doubt.
    """
    rng = rng or random.SystemRandom()
    began_ns = yield from now()
    search = Search(rng, rng.randrange(1, 0x10000), began_ns)
    slots = FIRST_WINDOW_SLOTS if expected is None else 2 * max(1, expected)
    enough = yield from call_until_read(search, slots)
    searched_ns = yield from now()
    if enough:
        proof = yield from _prove(search, wanted_error, max_passes, patience_ns)
    else:
        proof = _Proof(NO_END)
    ended_ns = yield from now()
    gone = tuple(
        uid for uid in dict.fromkeys([*search.gone, *sorted(search.out_of_turn)]) if uid not in search.addresses
    )
    if search.twins:
        names = ", ".join(sorted(uid.hex() for uid in search.twins))
        proof = _Proof(
            f"several actuators seem to share one uid ({names}): that cannot be proven or mended by software"
        )
    elif gone and search.addresses:
        proof = _Proof(
            f"{len(gone)} sent their uid, and answer no more, or too late: " + ", ".join(map(bytes.hex, gone))
        )
    elif search.out_of_turn and not proof.reason:
        names = ", ".join(uid.hex() for uid in sorted(search.out_of_turn))
        proof = _Proof(
            f"{names} came outside a window: too late, from another actuator of the same uid, or for another host"
        )
    found = sorted((Found(uid, at) for uid, at in search.addresses.items()), key=lambda one: (one.address, one.uid))
    roster = Roster(
        found=tuple(found),
        proven=not proof.reason,
        reason=proof.reason,
        remaining_error=proof.remaining_error,
        gone=gone,
        twins=tuple(sorted(search.twins)),
        calls=search.calls,
        passes=search.passes,
        searching_ns=searched_ns - began_ns,
        proving_ns=ended_ns - searched_ns,
        answered_within_ns=ended_ns - proof.since_ns if not proof.reason else 0,
        doubts=_doubts(search, search.account()),
    )
    by_address = roster.by_address
    # a clash that was known before counts as ended only if the list is proven
    for address in range(MIN_ADDRESS, MAX_ADDRESS + 1) if roster.proven else roster.clashes:
        yield Clash(address, by_address.get(address, ()))
    return roster


@dataclass
class _Proof:
    """The outcome of the passes: why the list is not proven, or how good the proof is.

    Attributes:
        since_ns: from this time on each actuator in the list was confirmed.
    """

    reason: str
    remaining_error: float = 1.0
    since_ns: int = 0


@dataclass
class _Progress:
    """How far the passes of a proof have come.

    Attributes:
        asked: the uids in the last member list.
        passes: when each began, ns, and the uids confirmed in it.
        confirmed: how often each uid was confirmed since the last doubt.
        silent: how many passes in a row each uid was silent.
        quiet: quiet passes since the last doubt.
        quiet_ns: when the first of these began.
        empty: passes over an empty list.
    """

    odds: Odds = field(default_factory=Odds)
    asked: list[bytes] = field(default_factory=list)
    passes: list[tuple[int, frozenset[bytes]]] = field(default_factory=list)
    confirmed: Counter[bytes] = field(default_factory=Counter)
    silent: Counter[bytes] = field(default_factory=Counter)
    quiet: int = 0
    quiet_ns: int = 0
    empty: int = 0

    def doubted(self) -> None:
        """Begin to count anew: bytes came that no listed actuator accounts for."""
        self.confirmed.clear()
        self.quiet = 0

    def found_more(self) -> None:
        """Begin to count anew: an actuator was found, so the silence before proves nothing."""
        self.odds.forget_silence()
        self.doubted()

    def each_since_ns(self, every_uid: frozenset[bytes]) -> int | None:
        """The time, ns, since which each was confirmed; None unless each was within the last `LAST_PASSES` passes."""
        seen: frozenset[bytes] = frozenset()
        for began_ns, those in reversed(self.passes[-LAST_PASSES:]):
            seen |= those
            if every_uid <= seen:
                return began_ns
        return None


def _prove(search: Search, wanted_error: float | None, max_passes: int, patience_ns: int) -> Steps[_Proof]:
    """Send passes of the member list until the list is proven, or cannot be."""
    at = _Progress()
    wanted = MOST_ERROR if wanted_error is None else wanted_error
    for number in range(max_passes):
        began_ns = yield from now()
        if began_ns >= search.began_ns + MOST_NS:
            return _Proof(TOO_LONG)
        strange = search.strange
        is_doubtful = _is_doubtful(search, at.odds)
        sayings = ahead = 0
        is_silent = True
        if is_doubtful:
            yield Pause(round(MOST_PAUSE_NS * search.rng.random()))
            sayings = CALL_SAYINGS
            is_silent = yield from _line_is_silent(search, at, sayings)
            # a late actuator drops its answer when it receives the next request: it then answers that call or list
            yield Pause(round(MOST_PAUSE_NS * search.rng.random()))
            if not is_silent and search.only_echo:
                is_silent, sayings = True, 0
        elif number == 1:
            sayings = 2
            is_silent = yield from _line_is_silent(search, at, sayings)
            if is_silent and patience_ns:
                is_silent, more = yield from _call_for_a_while(search, at, patience_ns)
                sayings += more
            elif is_silent:
                ahead = yield from _fill(search, at)
        elif number:
            ahead = 2
        if search.overruns >= MAX_OVERRUNS:
            return _Proof(NO_END)
        began_ns = yield from now()
        heard, answers = yield from _one_pass(search, at, began_ns, ahead)
        if search.twins:
            return _Proof("")
        is_broken = heard.verdict is Verdict.ECHO_BROKEN
        if answers.extras and not is_broken and not is_noise(heard.raw, len(at.asked)):
            before = len(search.addresses)
            search.to_acknowledge = []
            yield from call_latecomers(search)
            if len(search.addresses) > before:
                at.found_more()
            else:
                search.strange += 1
        # silence proves nothing if the member list itself was lost: at least half of the actuators in it must answer
        was_heard = 2 * len(at.passes[-1][1]) >= len(search.addresses) > 0
        if search.strange > strange:
            at.doubted()
        elif is_silent and was_heard and not answers.extras and not is_broken:
            at.odds.quiet.append((at.odds.sent_bytes[-1], len(at.asked)))
            at.odds.sayings += sayings + ahead
            at.quiet_ns = at.quiet_ns if at.quiet else began_ns
            at.quiet += 1
        _drop_gone(search, at)
        every_uid = frozenset(search.addresses)
        waiting = [uid for uid in every_uid if at.confirmed[uid] < MIN_PASSES]
        yield Progress("proving", len(every_uid) - len(waiting), len(every_uid))
        if number >= LOST_PASSES and (search.out_of_turn or not every_uid.issuperset(search.gone)):
            break
        if not every_uid:
            at.empty += not at.asked
            if at.empty >= SILENT_PASSES:
                break
            continue
        calls = search.account()
        if not waiting and (yield from _is_enough(search, at, calls)):
            if _doubts(search, calls):
                break
            miss = at.odds.one_is_missing(every_uid, calls)
            since_ns = at.each_since_ns(every_uid)
            if miss <= wanted and since_ns is not None:
                poor = at.odds.poor(every_uid)
                return _Proof(poor_text(poor, search.addresses)) if poor else _Proof("", miss, since_ns)
        if at.quiet + max_passes - number - 1 < MIN_PASSES or (
            _is_doubtful(search, at.odds) and at.quiet + max_passes - number - 1 < _quiet_wanted(search, calls)
        ):
            break
    return _Proof(_why_not(search, at, max_passes))


def _is_doubtful(search: Search, odds: Odds) -> bool:
    """Whether anything was odd so far: a miss, a doubt or a broken echo. On a line without faults nothing is."""
    calls = search.account()
    return bool(
        not search.addresses
        or search.strange
        or search.is_odd
        or search.gone
        or search.out_of_turn
        or calls.unexplained
        or calls.missed
        or odds.missed
    )


def _doubts(search: Search, calls: Account) -> int:
    """How often bytes came that no listed actuator accounts for."""
    return search.strange + len(calls.unexplained)


def _quiet_wanted(search: Search, calls: Account) -> int:
    """How many quiet passes are wanted, given what was odd."""
    return DOUBT_PASSES if _doubts(search, calls) else ODD_PASSES


def _is_enough(search: Search, at: _Progress, calls: Account) -> Steps[bool]:
    """Whether the quiet passes are enough, given what was odd: their number, and the time they are spread over."""
    if not _is_doubtful(search, at.odds):
        return at.quiet >= MIN_PASSES
    ended_ns = yield from now()
    return at.quiet >= _quiet_wanted(search, calls) and ended_ns - at.quiet_ns >= SPREAD_NS


def _doubted(times: int) -> str:
    """The reason "not proven" where bytes came that no listed actuator accounts for."""
    how_often = "once" if times == 1 else f"{times} times"
    return (
        f"bytes came {how_often} that no listed actuator accounts for: noise, a bad contact, an actuator that "
        "restarts, a device of another kind, or a second actuator with the same uid; search again"
    )


def _why_not(search: Search, at: _Progress, max_passes: int) -> str:
    if not search.addresses:
        if search.heard_anything:
            return SOMETHING_WAS_HEARD
        return NO_ANSWER if search.echoes == {True} else NO_SIGN
    doubts = _doubts(search, search.account())
    if doubts:
        return _doubted(doubts)
    if any(at.confirmed[uid] < MIN_PASSES for uid in search.addresses):
        return f"not every actuator was confirmed {MIN_PASSES} times in {max_passes} passes: too much noise"
    return f"the line did not come to rest in {max_passes} passes: too much noise"


def _one_pass(search: Search, at: _Progress, began_ns: int, ahead: int) -> Steps[tuple[Heard, ListAnswers]]:
    """Send the member list once, and note which actuators answered."""
    at.asked = order = list(search.addresses)
    salt, values = _salt_without_equal_digests(search, order)
    heard, sent_bytes = yield from _send_member_list(search, salt, [digest_of(value) for value in values], ahead)
    search.passes += 1
    search.note(heard)
    answers = read_answers(heard.raw, [list_answer(value) for value in values])
    at.odds.member_list(sent_bytes, {uid: position in answers.confirmed for position, uid in enumerate(order)})
    at.passes.append((began_ns, frozenset(order[position] for position in answers.confirmed)))
    for position, uid in enumerate(order):
        if position in answers.confirmed:
            at.confirmed[uid] += 1
            at.silent[uid] = 0
        elif heard.verdict is not Verdict.ECHO_BROKEN:
            at.silent[uid] += 1
    # noise changes bytes, it adds none: with more bytes than positions, a repeated one came from two actuators
    if heard.verdict is not Verdict.ECHO_BROKEN:
        times = MIN_PASSES if len(heard.raw) > len(order) else 1
        search.note_doubled({order[position]: times for position in answers.doubled})
    search.answered = {list_answer(values[position]): order[position] for position in answers.confirmed}
    return heard, answers


def _drop_gone(search: Search, at: _Progress) -> None:
    """Take the actuators that were silent in `SILENT_PASSES` passes off the list."""
    others = [uid for uid in search.addresses if at.silent[uid] < SILENT_PASSES]
    for uid in [uid for uid in search.addresses if at.silent[uid] >= SILENT_PASSES]:
        if at.odds.is_gone(at.silent[uid], others, MOST_ERROR):
            del search.addresses[uid]
            search.gone.append(uid)
            at.silent[uid] = 0


def _line_is_silent(search: Search, at: _Progress, times: int) -> Steps[bool]:
    """Send a short call to the actuators that are not acknowledged, several times in one burst. Returns whether the
    line stayed silent.

    A member list acknowledges every actuator that finds its digest in it, so normally none answers. The call is there
    because a member list is long and easily missed: without it, at a byte error rate of 1e-3, 16 of 100 000 searches
    proved a list that lacked an actuator, which had missed the roll call and two member lists as well.
    """
    before = len(search.addresses)
    search.to_acknowledge = []
    search.only_echo = False
    garbled = yield from roll_call(search, MIN_WINDOW_SLOTS, times=times)
    if garbled or search.to_acknowledge:
        yield from call_latecomers(search)
    if len(search.addresses) > before:
        at.found_more()
    elif garbled:
        at.doubted()
    return garbled == 0 and len(search.addresses) == before


def _call_for_a_while(search: Search, at: _Progress, patience_ns: int) -> Steps[tuple[bool, int]]:
    """Call and listen in turn for `patience_ns`. Returns whether the line stayed silent, and the number of calls."""
    until_ns = (yield from now()) + patience_ns
    sayings = 0
    while (yield from now()) < until_ns:
        yield Pause(round(search.rng.uniform(*PATIENT_PAUSES_NS)))
        strange = search.strange
        is_silent = yield from _line_is_silent(search, at, PATIENT_SAYINGS)
        sayings += PATIENT_SAYINGS
        if not is_silent or search.strange > strange:
            return False, sayings
    return True, sayings


def _fill(search: Search, at: _Progress) -> Steps[int]:
    """Listen for late answers, as far as there is time. Returns how many short calls may go ahead of the next list."""
    now_ns = yield from now()
    left_ns = search.began_ns + LEAST_NS - now_ns - (now_ns - at.passes[-1][0]) // 2
    if left_ns <= 0:
        return 0
    pause_ns = min(left_ns, LATE_NS)
    yield Pause(pause_ns)
    return min(MOST_SAYINGS, (left_ns - pause_ns) // CALL_NS)


def _salt_without_equal_digests(search: Search, order: list[bytes]) -> tuple[int, list[int]]:
    """Find a salt under which all listed actuators have different digests. Returns it, and their hashes."""
    best: tuple[int, list[int]] = (0, [])
    for _ in range(64):
        salt = search.fresh_salt()
        values = [uid_hash(uid, search.epoch, salt) for uid in order]
        best = (salt, values)
        if len({digest_of(value) for value in values}) == len(values):
            break
    return best


def _send_member_list(search: Search, salt: int, digests: list[int], sayings: int) -> Steps[tuple[Heard, int]]:
    """Send all parts of the member list. Returns what was received, and the length of all parts on the wire, bytes.

    `sayings` short calls go ahead of it in the same burst. An actuator that is not acknowledged and receives one of
    them, but not the member list, answers within the same window.
    """
    total = len(digests)
    parts = [
        MemberList(search.epoch, salt, first, total, tuple(digests[first : first + MAX_DIGESTS_PER_PART]))
        for first in range(0, max(1, total), MAX_DIGESTS_PER_PART)
    ]
    call = RollCall(search.epoch, search.fresh_salt(), MIN_WINDOW_SLOTS, ())
    heard = yield from exchange(answered_by_bytes(parts[-1], total, (*[call] * sayings, *parts[:-1])))
    return heard, sum(map(wire_bytes, parts))


def answered_by_bytes(message: Message, positions: int, ahead: tuple[Message, ...] = ()) -> Ask:
    """The exchange for a member list: one byte may come for each position, and one from each unlisted actuator
    behind."""
    idle_ns = FIRST_SLOT_NS + (positions + UNLISTED_SLOTS + 1) * ORDERED_SLOT_NS
    # a byte in a slot is counted already, but may run into the next slot
    return Ask(
        message, BROADCAST_ADDRESS, Expect.BYTES, window_ns=idle_ns, idle_ns_per_byte=ORDERED_SLOT_NS // 2, ahead=ahead
    )
