"""Lists in parts: in order, out of order, repeated, torn; and what may come between two parts."""

from __future__ import annotations

import dataclasses
from collections.abc import Callable, Sequence

import pytest

from busproto.conformance.calls import (
    EPOCH,
    LIST_SALT,
    acknowledge,
    answers_as_unlisted,
    answers_listed,
    assert_begins,
    called,
    digest,
    member_list,
    says_nothing,
    unheard,
)
from busproto.conformance.clauses import clause
from busproto.conformance.dut import Dut
from busproto.wire import messages as m
from busproto.wire.codec import encode_frame
from busproto.wire.frame import BROADCAST_ADDRESS, HOST_ADDRESS, Frame
from busproto.wire.message import Message
from busproto.wire.timing import FIRST_SLOT_NS, ORDERED_SLOT_LEAD_NS, ORDERED_SLOT_NS, UNLISTED_SLOTS

SPREAD_NS = (UNLISTED_SLOTS - 1) * ORDERED_SLOT_NS


def cut(dut: Dut, place: int | None, sizes: Sequence[int], salt: int = LIST_SALT) -> list[m.MemberList]:
    """A list in parts of these sizes; its digest is at position `place`, or nowhere (None)."""
    total = sum(sizes)
    own = digest(dut, salt)
    digests = [(own + 1 + number * 257) & 0xFFFF for number in range(total)]
    assert own not in digests
    if place is not None:
        digests[place] = own
    found, first = [], 0
    for size in sizes:
        found.append(m.MemberList(EPOCH, salt, first, total, tuple(digests[first : first + size])))
        first += size
    return found


def tell(dut: Dut, *messages: Message) -> None:
    """Send messages to all in one burst; nothing is to come back."""
    dut.silent(b"".join(dut.wire(one, BROADCAST_ADDRESS) for one in messages))


@clause("find.parts", "find.position", "op.02")
@pytest.mark.parametrize(
    ("sizes", "place"),
    [
        ((1, 1), 0), ((1, 1), 1), ((53, 1), 52), ((53, 1), 53), ((1, 53), 1), ((2, 2, 2), 3), ((2, 2, 2), 5),
        ((53, 53, 53, 53, 27), 238), ((53, 53, 53, 53, 27), 106), ((3, 0, 2), 4), ((0, 2), 1), ((2, 2, 0, 1), 1),
    ],
    ids=str,
)  # fmt: skip
def test_in_parts_of_any_size_it_answers_at_its_position(dut: Dut, sizes: tuple[int, ...], place: int) -> None:
    since_ns = dut.line_ns()
    answers_listed(dut, *cut(dut, place, sizes), places=sum(sizes))
    assert_begins(dut, since_ns, FIRST_SLOT_NS + place * ORDERED_SLOT_NS + ORDERED_SLOT_LEAD_NS)


@clause("find.parts", "find.list", "op.02")
@pytest.mark.parametrize("sizes", [(1, 1), (53, 1), (2, 2, 2), (53, 53, 53, 53, 27), (3, 0, 2)], ids=str)
def test_in_no_part_of_a_whole_list_it_answers_behind_the_last_position(dut: Dut, sizes: tuple[int, ...]) -> None:
    since_ns = dut.line_ns()
    answers_as_unlisted(dut, *cut(dut, None, sizes), places=sum(sizes))
    assert_begins(dut, since_ns, FIRST_SLOT_NS + sum(sizes) * ORDERED_SLOT_NS + ORDERED_SLOT_LEAD_NS, SPREAD_NS)


ORDERS: dict[str, tuple[int, ...]] = {
    "the first is missing": (1, 2),
    "the middle is missing": (0, 2),
    "only the last": (2,),
    "one comes twice": (0, 1, 1, 2),
    "out of order": (1, 0, 2),
    "the first again, then the last": (0, 1, 0, 2),
}
"""Orders in which three parts of two come that do not make a list whole; each ends with the last."""


@clause("find.parts", "find.list")
@pytest.mark.parametrize("order", ORDERS.values(), ids=ORDERS)
def test_where_the_list_was_not_whole_one_that_is_in_no_part_says_nothing(dut: Dut, order: tuple[int, ...]) -> None:
    three = cut(dut, None, (2, 2, 2))
    says_nothing(dut, *(three[at] for at in order))
    called(dut, m.RollCall(EPOCH, 3, 16, ()))
    dut.tell(m.RollCall(EPOCH, 4, 0, (digest(dut, 3),)))
    says_nothing(dut, *(three[at] for at in order))
    unheard(dut, m.RollCall(EPOCH, 5, 16, ()))


@clause("find.parts", "find.twice", "find.position")
@pytest.mark.parametrize("order", ORDERS.values(), ids=ORDERS)
@pytest.mark.parametrize("place", [1, 3, 4])
def test_where_the_list_was_not_whole_one_that_is_in_a_part_answers(
    dut: Dut, order: tuple[int, ...], place: int
) -> None:
    three = cut(dut, place, (2, 2, 2))
    since_first = order[len(order) - order[::-1].index(0) - 1 :] if 0 in order else order
    since_ns = dut.line_ns()
    if place // 2 not in since_first:
        says_nothing(dut, *(three[at] for at in order))
        return
    answers_listed(dut, *(three[at] for at in order))
    assert_begins(dut, since_ns, FIRST_SLOT_NS + place * ORDERED_SLOT_NS + ORDERED_SLOT_LEAD_NS)
    unheard(dut, m.RollCall(EPOCH, 5, 16, ()))


@clause("find.parts")
def test_a_first_part_begins_anew_whatever_came_before(dut: Dut) -> None:
    with_it, without_it = cut(dut, 1, (2, 2, 2)), cut(dut, None, (2, 2, 2))
    answers_as_unlisted(dut, with_it[0], with_it[1], *without_it)
    answers_as_unlisted(dut, with_it[0], *without_it)
    answers_listed(dut, without_it[0], without_it[1], *with_it)
    answers_listed(dut, *without_it[:1], *with_it)


OTHERS: dict[str, Callable[[m.MemberList], m.MemberList]] = {
    "epoch": lambda part: dataclasses.replace(part, epoch=part.epoch ^ 0x0100),
    "salt": lambda part: dataclasses.replace(part, salt=part.salt ^ 0x10),
    "total": lambda part: dataclasses.replace(part, total=part.total - 1, digests=part.digests[:-1]),
}


@clause("find.parts")
@pytest.mark.parametrize("what", OTHERS)
def test_a_part_with_other_values_begins_another_list(dut: Dut, what: str) -> None:
    """So it is not whole; what was found under the values before does not count."""
    without_it, with_it = cut(dut, None, (2, 3)), cut(dut, 1, (2, 3))
    says_nothing(dut, without_it[0], OTHERS[what](without_it[1]))
    says_nothing(dut, with_it[0], OTHERS[what](with_it[1]))
    answers_listed(dut, *with_it)


@clause("find.parts")
@pytest.mark.parametrize("what", OTHERS)
def test_parts_of_two_lists_do_not_make_one(dut: Dut, what: str) -> None:
    first, middle, last = cut(dut, None, (2, 2, 2))
    says_nothing(dut, first, OTHERS[what](middle), last)
    answers_as_unlisted(dut, first, middle, last)


@clause("find.parts", "find.list")
def test_a_last_part_that_is_repeated_is_answered_by_one_that_stood_in_any(dut: Dut) -> None:
    first, last = cut(dut, 1, (2, 2))
    answers_listed(dut, first, last)
    answers_listed(dut, last)
    first, last = cut(dut, None, (2, 2), salt=LIST_SALT + 1)
    answers_as_unlisted(dut, first, last, salt=LIST_SALT + 1)
    says_nothing(dut, last)


@clause("find.parts", "does.drop", "line.next")
@pytest.mark.parametrize("place", [1, 4, None])
def test_what_comes_between_two_parts_does_not_tear_the_list(dut: Dut, place: int | None) -> None:
    """The parts of a list are known by their values, not by what else is on the line."""
    first, middle, last = cut(dut, place, (2, 2, 2))
    tell(dut, first)
    dut.silent(dut.wire(m.LinkTest(b"x"), dut.address % 200 + 1))
    tell(dut, m.DemandAll((m.NO_DEMAND,)))
    tell(dut, middle)
    dut.silent(b"\x00\x01\x02\x00")
    dut.alive()
    dut.silent(dut.wire(m.RollCall(EPOCH, 9, 0, ()), BROADCAST_ADDRESS))
    if place is None:
        answers_as_unlisted(dut, last)
    else:
        answers_listed(dut, last)


@clause("find.parts", "does.refuse", "does.drop")
@pytest.mark.parametrize("how", ["malformed", "with a bad check"])
def test_a_part_that_is_dropped_is_missing(dut: Dut, how: str) -> None:
    first, middle, last = cut(dut, None, (2, 2, 2))
    tell(dut, first)
    if how == "malformed":
        odd = Frame(BROADCAST_ADDRESS, HOST_ADDRESS, 1, m.MemberList.OPERATION, middle.payload() + b"\x01")
        dut.silent(encode_frame(odd))
    else:
        wire = bytearray(dut.wire(middle, BROADCAST_ADDRESS))
        wire[-4] ^= 4
        dut.silent(bytes(wire))
    says_nothing(dut, last)
    answers_as_unlisted(dut, first, middle, last)


@clause("find.parts", "find.list")
def test_an_unanswered_list_leaves_it_and_the_next_one_is_whole(dut: Dut) -> None:
    acknowledge(dut)
    says_nothing(dut, cut(dut, None, (2, 2, 2))[2])
    unheard(dut, m.RollCall(EPOCH, 9, 16, ()))
    answers_as_unlisted(dut, *cut(dut, None, (2, 2, 2)))
    called(dut, m.RollCall(EPOCH, 9, 16, ()))


@clause("find.twice", "find.position")
def test_where_its_digest_stands_in_three_parts_the_latest_first_position_counts(dut: Dut) -> None:
    own = digest(dut, LIST_SALT)
    three = [
        m.MemberList(EPOCH, LIST_SALT, 0, 9, (own, own ^ 1, own)),
        m.MemberList(EPOCH, LIST_SALT, 3, 9, (own ^ 2, own, own)),
        m.MemberList(EPOCH, LIST_SALT, 6, 9, (own ^ 3, own ^ 4, own ^ 5)),
    ]
    since_ns = dut.line_ns()
    answers_listed(dut, *three, places=9)
    assert_begins(dut, since_ns, FIRST_SLOT_NS + 4 * ORDERED_SLOT_NS + ORDERED_SLOT_LEAD_NS)


@clause("find.parts", "find.list", "find.hash")
def test_a_digest_of_another_salt_or_epoch_is_not_its_own(dut: Dut) -> None:
    whole = member_list(dut, None, 6)
    others = ((LIST_SALT ^ 1, EPOCH), (LIST_SALT, EPOCH ^ 1), (LIST_SALT, 0), (0, 0))
    wrong = tuple(digest(dut, salt, epoch) for salt, epoch in others)
    own = digest(dut, LIST_SALT)
    near = (own ^ 1, own ^ 0x8000)
    answers_as_unlisted(dut, dataclasses.replace(whole, digests=(*wrong, *near)))
