"""What a search may conclude from what it has seen: the bound against another library, the account by hand."""

from __future__ import annotations

import random

import pytest

from busproto.ops.discovery.evidence import CallHeard, Odds, account, lower_bound, poor_text, upper_bound
from busproto.wire.hash import slot_of, uid_hash
from tests.ops.helpers import uid_of

EPOCH = 0x1234


@pytest.mark.parametrize("trials", [1, 2, 3, 7, 48, 500, 4000])
def test_the_bound_is_that_of_another_library(trials: int) -> None:
    """The upper end of scipy's exact (Clopper-Pearson) interval; one-sided 95 % is the two-sided one of 90 %."""
    stats = pytest.importorskip("scipy.stats")
    for misses in sorted({0, 1, trials // 3, trials - 1, trials}):
        interval = stats.binomtest(misses, trials).proportion_ci(0.90, method="exact")
        assert upper_bound(misses, trials) == pytest.approx(interval.high, rel=1e-7)


def test_the_bound_by_hand() -> None:
    """None of three: 1 - 0.05^(1/3). Without an observation nothing is bounded."""
    assert upper_bound(0, 3) == pytest.approx(0.631597, abs=1e-6)
    assert upper_bound(0, 0) == 1.0


def uids_by_slot(slots: int, salt: int, *, apart: bool) -> tuple[bytes, bytes]:
    """Two uids whose slots are the same, or at least half the window apart."""
    first = uid_of(1)
    at = slot_of(uid_hash(first, EPOCH, salt), slots)
    for number in range(2, 10_000):
        gap = abs(slot_of(uid_hash(uid_of(number), EPOCH, salt), slots) - at)
        if gap == 0 if not apart else gap >= slots // 2:
            return first, uid_of(number)
    raise AssertionError


@pytest.mark.parametrize(("slots", "near"), [(8, 2), (40, 2), (41, 3), (128, 5), (255, 8)])
def test_two_in_one_window_may_meet_where_clocks_of_one_per_cent_bring_their_slots_together(
    slots: int, near: int
) -> None:
    """One slot by themselves, and 2.5 % of the window by their clocks, rounded up."""
    first = uid_of(1)
    at = slot_of(uid_hash(first, EPOCH, 7), slots)
    for gap, may_meet in ((near, True), (near + 1, False)):
        other = next(
            uid
            for uid in (uid_of(number) for number in range(2, 10_000))
            if abs(slot_of(uid_hash(uid, EPOCH, 7), slots) - at) == gap
        )
        garbled = CallHeard(7, slots, frozenset(), 24, 1)
        found = account([garbled, call((first, other), 0, 8)], [first, other], EPOCH)
        assert (found.unexplained == ()) is may_meet
        assert sum(found.missed.values()) == (0 if may_meet else 2)


def call(read: tuple[bytes, ...], unread: int, salt: int = 7) -> CallHeard:
    return CallHeard(salt, 128, frozenset(read), unread, 1)


@pytest.mark.parametrize(
    ("is_apart", "read", "unread", "later", "doubt", "missed"),
    [
        (False, 0, 24, 2, False, 0),  # two in one slot: a collision
        (True, 0, 48, 2, True, 2),  # two in slots of their own: each was hit by something else
        (False, 0, 24, 1, True, 1),  # one of them was never understood: the other met with what?
        (False, 0, 24, 0, True, 0),  # bytes, and none was ever found
        (True, 2, 0, 0, False, 0),  # both understood
        (True, 2, 3, 0, True, 0),  # both understood, and more came
        (True, 1, 0, 1, False, 1),  # nothing came of the other: it missed the call
        (False, 0, 60, 2, True, 0),  # more than two can have said
    ],
)
def test_what_a_window_brought_is_held_against_those_found(
    is_apart: bool, read: int, unread: int, later: int, doubt: bool, missed: int
) -> None:
    both = uids_by_slot(128, 7, apart=is_apart)
    first, rest = both[:read], both[read : read + later]
    found = account([call(first, unread), call(rest, 0, 8)], both, EPOCH)
    assert found.unexplained == ((0,) if doubt else ())
    assert sum(found.missed.values()) == missed
    assert sum(found.heard.values()) == read + later


@pytest.mark.parametrize(("unread", "doubt", "missed"), [(24, False, 1), (52, False, 1), (53, True, 1), (0, False, 3)])
def test_one_that_had_no_power_yet_spoils_nothing_where_two_others_met(unread: int, doubt: bool, missed: int) -> None:
    """What two in one slot had to say is no doubt because a third, far from them, did not say anything."""
    both = uids_by_slot(128, 7, apart=False)
    at = slot_of(uid_hash(both[0], EPOCH, 7), 128)
    third = next(
        uid
        for uid in (uid_of(number) for number in range(2, 10_000))
        if abs(slot_of(uid_hash(uid, EPOCH, 7), 128) - at) >= 64
    )
    found = account([call((), unread), call((*both, third), 0, 8)], [*both, third], EPOCH)
    assert found.unexplained == ((0,) if doubt else ())
    assert sum(found.missed.values()) == missed
    assert not unread or found.missed[third] == 1


def test_one_that_answers_again_has_missed_that_it_was_understood() -> None:
    one = uid_of(1)
    found = account([call((one,), 0), call((one,), 0, 8)], [one], EPOCH)
    assert (found.missed[one], found.heard[one], found.unexplained) == (1, 2, ())


def test_the_worst_of_them_counts_not_the_mean() -> None:
    """One of ten misses half of its member lists: the chance is calculated with its bound, not with that of all."""
    draw, uids = random.Random(1), [uid_of(number) for number in range(10)]
    even, one_bad = Odds(), Odds()
    for _ in range(20):
        even.member_list(40, dict.fromkeys(uids, True))
        one_bad.member_list(40, {uid: uid != uids[0] or draw.random() < 0.5 for uid in uids})
    none = account([], uids, EPOCH)
    assert even.worst(uids, none) == upper_bound(0, 200)
    assert one_bad.worst(uids, none) == upper_bound(one_bad.missed[uids[0]], 20) > 0.5
    for odds in (even, one_bad):
        odds.quiet = [(40, 10)] * 20
    assert even.one_is_missing(uids, none) < 1e-20 < one_bad.one_is_missing(uids, none)


def test_quiet_passes_and_calls_of_before_one_turned_up_count_no_more() -> None:
    uids, nothing = [uid_of(number) for number in range(4)], account([], [uid_of(number) for number in range(4)], EPOCH)
    odds, afresh = Odds(), Odds()
    for one in (odds, afresh):
        for _ in range(12):
            one.member_list(30, dict.fromkeys(uids, True))
    odds.quiet, odds.sayings = [(30, 4)] * 3, 5
    before = odds.one_is_missing(uids, nothing)
    odds.forget_silence()
    assert before < odds.one_is_missing(uids, nothing) == 1.0
    for one in (odds, afresh):
        one.quiet = [(30, 4)]
    assert odds.one_is_missing(uids, nothing) == afresh.one_is_missing(uids, nothing)


def test_nothing_is_known_of_an_empty_list() -> None:
    odds = Odds()
    odds.member_list(21, {})
    odds.quiet = [(21, 0)] * 100
    assert odds.one_is_missing([], account([], [], EPOCH)) == 1.0


def test_one_that_answers_fewer_than_three_of_five_is_named_once_that_is_certain() -> None:
    """The bound from below is that of the binomial test of scipy."""
    odds = Odds()
    for number in range(40):
        odds.member_list(
            20, {b"good----": number % 10 != 0, b"poor----": number % 3 == 0, b"so-so---": number % 3 != 0}
        )
    assert odds.poor([b"good----", b"poor----", b"so-so---"]) == {b"poor----": (14, 40)}
    few = Odds()
    for _ in range(3):
        few.member_list(20, {b"poor----": False})
    assert few.poor([b"poor----"]) == {}, "three misses are chance"
    stats = pytest.importorskip("scipy.stats")
    wanted = stats.binomtest(26, 40, alternative="greater").proportion_ci(0.99, method="exact").low
    assert lower_bound(26, 40, 0.99) == pytest.approx(wanted, abs=1e-9)
    assert poor_text({b"poor----": (14, 40)}, {b"poor----": 7}) == (
        "706f6f722d2d2d2d at address 7 answered 14 of 40 times: too seldom to prove anything; look at its connector, "
        "lead and supply"
    )
    many = {bytes([number]) * 8: (1, 9) for number in range(1, 6)}
    text = poor_text(many, dict.fromkeys(many, 240))
    assert "0101010101010101 answered 1 of 9 times, " in text
    assert ", and 2 more as seldom: too seldom to prove anything; look at connectors, leads and supply" in text
