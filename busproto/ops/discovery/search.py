"""Finding every actuator on the line, and proving that none is missing.

Backoff: one broadcast opens a window of slots; every actuator not yet acknowledged answers once with its uid; the next
broadcast acknowledges those that were understood, by a digest each. The window ends when one brings nothing that cannot
be read. The proof is the member list: the digests of all that were found are broadcast; each that finds its own answers
one byte in its position, every other powered actuator speaks up behind. A list is called proven only when each one in
it was confirmed in at least two passes with fresh salts, and no other spoke up in at least two. Anything odd makes the
proof a long one: calls and member lists in turn, spread over a time longer than what is likely to be the cause. Where
something came that no listed actuator accounts for, no number of quiet passes behind it makes the list a proven one: it
is "not proven", with the reason.

The host's rules use bytes and their order only; a USB adapter hides when they came.
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
"""One in the member list that has not answered in so many passes has gone away, or was never there. So many passes are
made over an empty list too, before it is said that nobody answers."""
LOST_PASSES: Final = 20
"""After so many passes one that has said who it is, and does not answer as it should, is waited for no longer."""
MOST_ERROR: Final = 1e-4
"""Unless told otherwise, passes are added until the chance that one is missing is no greater than this."""

LEAST_NS: Final = 55 * MS
"""A search and proof last at least so long, however few there are: what is left behind the first member list goes into
listening for what comes late, and into calls. 16 take as long anyway."""
LATE_NS: Final = 30 * MS
"""For so long at most it listens then."""
CALL_NS: Final = SHORT_CALL_BYTES * 10 * 1_000_000_000 // 115_200
"""A short call at 115 200 Bd."""
MOST_SAYINGS: Final = 6
PATIENCE_NS: Final = 250 * MS
"""So much longer than it needs a search lasts where something is decided by its list, or a person reads it: what is
deaf for a while, late, or hears few of the requests, is likely to say something in it."""
PATIENT_PAUSES_NS: Final = (10 * MS, 45 * MS)
"""Between two calls then, drawn evenly: longer than what is late by 30 ms takes, and no rhythm."""
PATIENT_SAYINGS: Final = 3
ODD_PASSES: Final = 16
"""Quiet passes wanted where one that is listed was missed, or an echo was. With 6, two with one uid that drowned each
other in the first passes stood in the list as one, and one that answers one time in ten was missed (virtual bus, in
one search of 100 000 each)."""
DOUBT_PASSES: Final = 6
"""Quiet passes in a row where something came that no listed actuator accounts for: whoever it was has had so many
chances to be listed, and none makes the list a proven one. Quiet passes prove little against one that speaks rarely:
when 30 of them, and 4 more for each such sign, were taken for a proof, 4 of 101 653 lists lacked one that had contact
for 1 ms in 20 to 50 or had met with noise, and each of them had given signs (virtual bus)."""
CALL_SAYINGS: Final = 3
"""How often a call is said in one burst where anything was odd."""
SPREAD_NS: Final = 300 * MS
"""From the first quiet pass behind the last doubt to the last, where anything was odd: longer than an actuator is
likely to be deaf, without power or late at a time."""
MOST_PAUSE_NS: Final = 80 * MS
"""Before a call, and between it and the member list, then: up to so long, by chance, so that no rhythm is met."""
LAST_PASSES: Final = 4
"""Within so many passes at the end each in the list must have been confirmed."""

NO_ANSWER: Final = (
    "no actuator answers, and a line without an answer looks like one that no actuator hears: check power, wiring and "
    "line rate (--baud)"
)
NO_SIGN: Final = "no actuator answers, and without an echo there is no sign that the line carries anything"
SOMETHING_WAS_HEARD: Final = (
    "no actuator is found, but something was heard: noise, a stuck line, another line rate (--baud), or an actuator "
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
        expected: about how many there are, 1..239, where that is known: a better first window. Never trusted.
        rng: where epoch and salts come from; None for the system's.
        wanted_error: add passes until `Roster.remaining_error` is at most this, 0 < wanted_error < 1; None for 1e-4.
        max_passes: 2..; give up after so many. It ends after MOST_NS and one exchange in any case.
        patience_ns: 0..; go on calling and listening for so long though nothing is odd, see PATIENCE_NS.

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
        who = ", ".join(sorted(uid.hex() for uid in search.twins))
        proof = _Proof(f"several actuators seem to share one uid ({who}): that cannot be proven or mended by software")
    elif gone and search.addresses:
        proof = _Proof(
            f"{len(gone)} said who they are, and answer no more, or too late: " + ", ".join(map(bytes.hex, gone))
        )
    elif search.out_of_turn and not proof.reason:
        who = ", ".join(uid.hex() for uid in sorted(search.out_of_turn))
        proof = _Proof(
            f"{who} was said when it was not asked for: too late, by another of the same uid, or to another host"
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
    # a clash that was known before is over only where the list is proven
    for address in range(MIN_ADDRESS, MAX_ADDRESS + 1) if roster.proven else roster.clashes:
        yield Clash(address, by_address.get(address, ()))
    return roster


@dataclass
class _Proof:
    """Why there is none, or how good it is.

    Attributes:
        since_ns: from then on each in the list was confirmed.
    """

    reason: str
    remaining_error: float = 1.0
    since_ns: int = 0


@dataclass
class _Progress:
    """How far a proof is.

    Attributes:
        asked: who was in the last member list.
        passes: when each began, and who was confirmed in it.
        confirmed: how often each was since the last doubt.
        silent: how many passes in a row each was silent.
        quiet: quiet passes since the last doubt.
        quiet_ns: when the first of them began.
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
        """Something came that nobody in the list accounts for."""
        self.confirmed.clear()
        self.quiet = 0

    def found_more(self) -> None:
        """Silence before that proves nothing."""
        self.odds.forget_silence()
        self.doubted()

    def each_since_ns(self, every_uid: frozenset[bytes]) -> int | None:
        """From when on each was confirmed within the last passes; None where that is too long ago."""
        seen: frozenset[bytes] = frozenset()
        for began_ns, those in reversed(self.passes[-LAST_PASSES:]):
            seen |= those
            if every_uid <= seen:
                return began_ns
        return None


def _prove(search: Search, wanted_error: float | None, max_passes: int, patience_ns: int) -> Steps[_Proof]:
    """Passes of the member list until the list is proven, or cannot be."""
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
            # what is late gives way to the next request: it shows behind a call, or behind a member list
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
        # silence proves nothing where the member list itself may have been lost: half of those in it must have heard it
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
    """Whether anything was odd so far. On a line without faults nothing is."""
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
    """How often something came that no listed actuator accounts for."""
    return search.strange + len(calls.unexplained)


def _quiet_wanted(search: Search, calls: Account) -> int:
    """Quiet passes wanted where anything was odd."""
    return DOUBT_PASSES if _doubts(search, calls) else ODD_PASSES


def _is_enough(search: Search, at: _Progress, calls: Account) -> Steps[bool]:
    """Whether the quiet passes are enough, for what was odd."""
    if not _is_doubtful(search, at.odds):
        return at.quiet >= MIN_PASSES
    ended_ns = yield from now()
    return at.quiet >= _quiet_wanted(search, calls) and ended_ns - at.quiet_ns >= SPREAD_NS


def _doubted(times: int) -> str:
    """Why a list is not proven in whose search something came that no listed actuator accounts for."""
    how_often = "once" if times == 1 else f"{times} times"
    return (
        f"something came {how_often} that no listed actuator accounts for: noise, a bad contact, an actuator that "
        "restarts, a device of another kind, or a twin; search again"
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
        return f"not each one was confirmed {MIN_PASSES} times in {max_passes} passes: too much noise"
    return f"the line did not come to rest in {max_passes} passes: too much noise"


def _one_pass(search: Search, at: _Progress, began_ns: int, ahead: int) -> Steps[tuple[Heard, ListAnswers]]:
    """One pass of the member list, and note who answered."""
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
    # noise changes bytes, it adds none: where there are more than positions, one that came again was said by two
    if heard.verdict is not Verdict.ECHO_BROKEN:
        times = MIN_PASSES if len(heard.raw) > len(order) else 1
        search.doubled.update({order[position]: times for position in answers.doubled})
    search.twins |= {uid for uid, times in search.doubled.items() if times >= MIN_PASSES}
    search.answered = {list_answer(values[position]): order[position] for position in answers.confirmed}
    return heard, answers


def _drop_gone(search: Search, at: _Progress) -> None:
    """Those that were silent too often are in the list no longer."""
    others = [uid for uid in search.addresses if at.silent[uid] < SILENT_PASSES]
    for uid in [uid for uid in search.addresses if at.silent[uid] >= SILENT_PASSES]:
        if at.odds.is_gone(at.silent[uid], others, MOST_ERROR):
            del search.addresses[uid]
            search.gone.append(uid)
            at.silent[uid] = 0


def _line_is_silent(search: Search, at: _Progress, times: int) -> Steps[bool]:
    """A short call to all who are not acknowledged, said several times in one burst. Returns whether it stayed silent.

    The member list acknowledges those who find themselves in it, so hardly anyone answers. A member list is long and
    easily missed; without this call 16 of 100 000 searches at a byte error of 1e-3 were wrong and sure, as one that had
    missed the roll call missed two member lists as well.
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
    """Call and listen in turn. Returns whether it stayed silent all the while, and how often it was called."""
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
    """Listen for what is late, as far as there is time. Returns how many short calls may go ahead of the next list."""
    now_ns = yield from now()
    left_ns = search.began_ns + LEAST_NS - now_ns - (now_ns - at.passes[-1][0]) // 2
    if left_ns <= 0:
        return 0
    pause_ns = min(left_ns, LATE_NS)
    yield Pause(pause_ns)
    return min(MOST_SAYINGS, (left_ns - pause_ns) // CALL_NS)


def _salt_without_equal_digests(search: Search, order: list[bytes]) -> tuple[int, list[int]]:
    """A salt under which all in the member list have different digests, and their hashes."""
    best: tuple[int, list[int]] = (0, [])
    for _ in range(64):
        salt = search.fresh_salt()
        values = [uid_hash(uid, search.epoch, salt) for uid in order]
        best = (salt, values)
        if len({digest_of(value) for value in values}) == len(values):
            break
    return best


def _send_member_list(search: Search, salt: int, digests: list[int], sayings: int) -> Steps[tuple[Heard, int]]:
    """Send all parts of the member list; returns what came back and the length of all parts on the wire.

    Short calls may go ahead of it in the same burst: whoever is not acknowledged and hears one, but not the member
    list, answers among the bytes that come back.
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
    """The exchange for a member list: one byte may come for each position, and for those who speak up behind."""
    idle_ns = FIRST_SLOT_NS + (positions + UNLISTED_SLOTS + 1) * ORDERED_SLOT_NS
    # a byte stands in a slot that is counted already, but may break a second one
    return Ask(
        message, BROADCAST_ADDRESS, Expect.BYTES, window_ns=idle_ns, idle_ns_per_byte=ORDERED_SLOT_NS // 2, ahead=ahead
    )
