"""Lists by digest and by address, and the report round: answers, slots, and what acknowledges an actuator."""

from __future__ import annotations

import pytest

from busproto.conformance.calls import (
    EPOCH,
    LIST_SALT,
    acknowledge,
    address_list,
    answers_as_unlisted,
    answers_listed,
    assert_begins,
    byte_after,
    called,
    digest,
    member_list,
    parts,
    says_nothing,
    unheard,
)
from busproto.conformance.clauses import clause
from busproto.conformance.dut import MS, Dut
from busproto.wire import messages as m
from busproto.wire.codec import message_of
from busproto.wire.frame import BROADCAST_ADDRESS, UNADDRESSED
from busproto.wire.timing import FIRST_SLOT_NS, ORDERED_SLOT_LEAD_NS, ORDERED_SLOT_NS, UNLISTED_SLOTS

SPREAD_NS = (UNLISTED_SLOTS - 1) * ORDERED_SLOT_NS


@clause("op.02", "find.list", "find.hash", "find.position")
@pytest.mark.parametrize(("place", "total"), [(0, 1), (0, 5), (4, 5), (30, 53)])
def test_in_the_list_it_answers_at_its_position(dut: Dut, place: int, total: int) -> None:
    since_ns = dut.line_ns()
    answers_listed(dut, member_list(dut, place, total), places=total)
    assert_begins(dut, since_ns, FIRST_SLOT_NS + place * ORDERED_SLOT_NS + ORDERED_SLOT_LEAD_NS)


@clause("op.02", "find.list", "find.hash")
@pytest.mark.parametrize("total", [0, 1, 6])
def test_not_in_the_list_it_answers_behind_the_last_position(dut: Dut, total: int) -> None:
    since_ns = dut.line_ns()
    answers_as_unlisted(dut, member_list(dut, None, total), places=total)
    assert_begins(dut, since_ns, FIRST_SLOT_NS + total * ORDERED_SLOT_NS + ORDERED_SLOT_LEAD_NS, SPREAD_NS)


@clause("op.02", "find.list")
def test_unlisted_spread_over_the_slots_behind(dut: Dut) -> None:
    dut.beside("heard")
    seen = []
    for salt in range(24):
        since_ns = dut.line_ns()
        byte_after(dut, member_list(dut, None, 2, salt), places=2)
        assert_begins(dut, since_ns, FIRST_SLOT_NS + 2 * ORDERED_SLOT_NS + ORDERED_SLOT_LEAD_NS, SPREAD_NS)
        seen.append(dut.behind(since_ns))
    assert max(seen) - min(seen) > ORDERED_SLOT_NS, "a slot at random was expected, it always takes the same one"


@clause("op.02", "op.01", "find.list")
def test_a_list_that_lacks_it_ends_its_acknowledgement(dut: Dut) -> None:
    acknowledge(dut)
    answers_as_unlisted(dut, member_list(dut, None, 2), places=2)
    called(dut, m.RollCall(EPOCH, 3, 16, ()))


@clause("op.02", "op.01", "find.list")
def test_a_list_with_it_acknowledges_it(dut: Dut) -> None:
    answers_listed(dut, member_list(dut, 1, 2), places=2)
    unheard(dut, m.RollCall(EPOCH, 3, 16, ()))


@clause("op.02", "find.twice")
def test_where_its_digest_stands_twice_the_first_position_counts(dut: Dut) -> None:
    own = digest(dut, LIST_SALT)
    since_ns = dut.line_ns()
    answers_listed(dut, m.MemberList(EPOCH, LIST_SALT, 0, 4, (own ^ 1, own, own ^ 2, own)), places=4)
    assert_begins(dut, since_ns, FIRST_SLOT_NS + 1 * ORDERED_SLOT_NS + ORDERED_SLOT_LEAD_NS)


@clause("op.02", "find.twice", "find.parts")
def test_where_its_digest_stands_in_two_parts_the_later_one_counts(dut: Dut) -> None:
    own = digest(dut, LIST_SALT)
    first = m.MemberList(EPOCH, LIST_SALT, 0, 4, (own, own ^ 1))
    later = m.MemberList(EPOCH, LIST_SALT, 2, 4, (own ^ 2, own))
    since_ns = dut.line_ns()
    answers_listed(dut, first, later, places=4)
    assert_begins(dut, since_ns, FIRST_SLOT_NS + 3 * ORDERED_SLOT_NS + ORDERED_SLOT_LEAD_NS)


@clause("op.02", "find.parts")
@pytest.mark.parametrize("place", [0, 3, 4, 5])
def test_a_list_in_parts_is_one_list(dut: Dut, place: int) -> None:
    answers_listed(dut, *parts(dut, place))


@clause("op.02", "find.parts")
def test_a_part_that_is_not_the_last_is_not_answered(dut: Dut) -> None:
    says_nothing(dut, parts(dut, 0)[0])
    answers_listed(dut, parts(dut, 5)[1])


@clause("find.parts")
def test_one_that_missed_a_part_says_nothing(dut: Dut) -> None:
    says_nothing(dut, parts(dut, None)[1])
    says_nothing(dut, parts(dut, 1)[1])
    answers_as_unlisted(dut, *parts(dut, None))


@clause("find.parts")
def test_one_that_missed_a_part_keeps_its_acknowledgement(dut: Dut) -> None:
    acknowledge(dut)
    says_nothing(dut, parts(dut, None)[1])
    unheard(dut, m.RollCall(EPOCH, 3, 16, ()))


@clause("find.parts")
def test_one_that_missed_a_part_and_stands_in_another_answers(dut: Dut) -> None:
    answers_listed(dut, parts(dut, 5)[1])


@clause("op.03", "find.addresses")
@pytest.mark.parametrize("others", [set(), {1, 2}, {1, 239}, {200, 201}])
def test_its_address_marked_it_answers_at_its_rank(dut: Dut, others: set[int]) -> None:
    marked = (others | {dut.address}) & set(range(1, 240))
    since_ns = dut.line_ns()
    answers_listed(dut, address_list(marked), places=len(marked))
    rank = sorted(marked).index(dut.address)
    assert_begins(dut, since_ns, FIRST_SLOT_NS + rank * ORDERED_SLOT_NS + ORDERED_SLOT_LEAD_NS)


@clause("op.03", "find.addresses")
def test_its_address_not_marked_it_answers_as_an_unlisted_actuator(dut: Dut) -> None:
    answers_as_unlisted(dut, address_list({1, 2, 3} - {dut.address}))


@clause("op.03", "find.addresses", "find.list")
def test_an_address_list_acknowledges_it_or_ends_its_acknowledgement(dut: Dut) -> None:
    answers_listed(dut, address_list({dut.address}))
    unheard(dut, m.RollCall(EPOCH, 3, 16, ()))
    answers_as_unlisted(dut, address_list({dut.address ^ 1}))
    called(dut, m.RollCall(EPOCH, 4, 16, ()))


@clause("op.03", "find.addresses", "frame.unaddressed")
def test_without_an_address_it_is_unlisted_to_every_address_list(dut: Dut) -> None:
    dut.require_alone()
    dut.ask(m.Assign(dut.uid, UNADDRESSED), m.Assigned, to=BROADCAST_ADDRESS, slow=True)
    answers_as_unlisted(dut, address_list(set(range(1, 6))))
    for salt in range(12 if dut.can("heard") else 1):
        since_ns = dut.line_ns()
        answers_as_unlisted(dut, address_list({1, 240}, salt), places=2, salt=salt)
        assert_begins(dut, since_ns, FIRST_SLOT_NS + 2 * ORDERED_SLOT_NS + ORDERED_SLOT_LEAD_NS, SPREAD_NS)


@clause("op.02", "line.echo", "frame.counts")
def test_its_own_byte_is_not_counted(dut: Dut) -> None:
    before = dut.report().bad_frames
    for _ in range(3):
        answers_listed(dut, member_list(dut, 0, 1), places=1)
    after = dut.report().bad_frames
    assert after == before, f"its own bytes were counted: {before} bad frames were expected, it tells {after}"


@clause("op.46", "find.position", "does.asked")
def test_a_report_round_is_answered_in_turn(dut: Dut) -> None:
    dut.require_alone()
    for first, count in ((dut.address, 1), (max(1, dut.address - 3), 7), (dut.address, 239)):
        since_ns = dut.line_ns()
        _, frames, _ = dut.frames_after(
            dut.wire(m.ReportRound(first, count, ()), BROADCAST_ADDRESS), window_ns=10 * MS, count=1
        )
        assert_begins(dut, since_ns, FIRST_SLOT_NS + (dut.address - first) * ORDERED_SLOT_NS + ORDERED_SLOT_LEAD_NS)
        assert len(frames) == 1, f"one answer to the round was expected, {len(frames)} came"
        status = message_of(frames[0])
        assert isinstance(status, m.BriefStatus), f"a brief status was expected, {status} came"
        assert status.state is m.State.LIMP
        assert frames[0].source == dut.address
        assert abs(status.position_cdeg - dut.report().position_cdeg) <= 50
    dut.silent(dut.wire(m.ReportRound(dut.address + 1, 3, ()), BROADCAST_ADDRESS), window_ns=10 * MS)
    if dut.address > 1:
        dut.silent(dut.wire(m.ReportRound(1, dut.address - 1, ()), BROADCAST_ADDRESS), window_ns=10 * MS)
