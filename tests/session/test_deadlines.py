"""When to stop listening: deadlines, calculated by hand.

All at 1 MBd, where a byte lasts 10,000 ns. A report request has 14 bytes on the wire, the answer to an empty link
test 17, the longest frame 128. A request that is handed over at 1 ms has left at 1.14 ms."""

from __future__ import annotations

import pytest

from busproto.session import Ask, Expect, Session, SessionState
from busproto.wire.messages import Describe, LinkTest, Release, Report, RollCall
from tests.session.helpers import ASK, MS, REQUEST_END_NS, SENT_NS, answer, outcome, session, start


def test_deadline_of_one_reply() -> None:
    one = session()
    wire = start(one, ASK)
    end = SENT_NS + 10_000 * len(wire)
    window = 2_000_000 + 30_000
    assert one.deadline_ns == end + window + 14 * 10_000  # the shortest frame, begun at the last moment
    one.heard(b"\x00", 1_300_000)
    assert one.deadline_ns == end + window + 128 * 10_000  # something has begun: the longest frame


def test_deadline_when_listening_out_is_that_of_a_second_answer_as_long_as_the_first() -> None:
    one = session()
    wire = start(one, Ask.one(LinkTest(b""), 5, listen_out=True))
    one.heard(answer(wire), 1_400_000)
    assert one.deadline_ns == SENT_NS + 10_000 * len(wire) + 2_030_000 + 18 * 10_000


def test_deadline_of_one_that_writes_its_memory_first() -> None:
    one = session()
    wire = start(one, Ask.one(Describe(), 5, slow=True))
    assert len(wire) == 14
    assert one.deadline_ns == REQUEST_END_NS + 52_030_000 + 140_000


def test_the_echo_does_not_count_as_the_begin_of_an_answer() -> None:
    one = session(echoes=True)
    wire = start(one, Ask.one(Report(), 5))
    before = one.deadline_ns
    one.heard(wire, 1_140_000)
    assert one.deadline_ns == before == REQUEST_END_NS + 2_030_000 + 140_000
    one.heard(b"\x00", 1_300_000)
    assert one.deadline_ns == REQUEST_END_NS + 2_030_000 + 1_280_000


@pytest.mark.parametrize(
    ("echoes", "latency_ns", "deadline_ns"),
    [
        (None, 0, REQUEST_END_NS + 10_000),
        (None, 5 * MS, REQUEST_END_NS + 5 * MS + 10_000),
        (True, 0, REQUEST_END_NS),
        (True, 5 * MS, REQUEST_END_NS + 5 * MS),
        (False, 0, REQUEST_END_NS),
        (False, 5 * MS, REQUEST_END_NS),
    ],
)
def test_deadline_of_nothing(echoes: bool | None, latency_ns: int, deadline_ns: int) -> None:
    one = session(echoes=echoes, latency_ns=latency_ns)
    start(one, Ask.all(Release()))
    assert one.deadline_ns == deadline_ns


@pytest.mark.parametrize("expect", [Expect.WINDOW, Expect.BYTES])
def test_deadline_of_a_window(expect: Expect) -> None:
    one = session(latency_ns=3 * MS)
    wire = start(one, Ask(RollCall(1, 2, 8, ()), 0xFF, expect, window_ns=1_000_000, idle_ns_per_byte=100))
    assert len(wire) == 19
    end = 1_000_000 + 190_000
    assert one.deadline_ns == end + 3_000_000 + 1_020_000 + 20_000  # 2 % for a slow clock, two bytes
    one.heard(bytes(24), 1_500_000)
    # busy: 24 bytes of 10,000 and 100 each = 242,400; 1.02 x 1,242,400 = 1,267,248
    assert one.deadline_ns == end + 3_000_000 + 1_267_248 + 20_000


@pytest.mark.parametrize("expect", [Expect.WINDOW, Expect.BYTES])
def test_bytes_that_a_broken_off_read_may_have_taken_count_as_heard(expect: Expect) -> None:
    """12 bytes may have come in the 125,000 ns since the request was begun: 10,000 ns each, and 100 of idle time."""
    one = session()
    wire = start(one, Ask(RollCall(1, 2, 8, ()), 0xFF, expect, window_ns=1_000_000, idle_ns_per_byte=100))
    assert len(wire) == 19
    one.heard(b"\x00", 1_200_000)
    one.interrupted(1_325_000)
    # 1 byte and 12 that are lost: 1.02 x (1,000,000 + 13 x 10,100) = 1,153,926
    assert one.deadline_ns == 1_190_000 + 1_153_926 + 20_000
    one.heard(b"\x00", 1_400_000)
    assert one.deadline_ns == 1_190_000 + 1_164_228 + 20_000


def test_a_read_that_was_broken_off_at_once_has_lost_nothing() -> None:
    one = session()
    start(one, Ask(RollCall(1, 2, 8, ()), 0xFF, Expect.WINDOW, window_ns=1_000_000))
    before = one.deadline_ns
    one.heard(b"", 1_200_000)
    one.interrupted(1_209_999)
    one.interrupted(1_100_000)  # a clock that stood still
    assert one.deadline_ns == before


def test_what_was_lost_of_one_exchange_is_not_missing_in_the_next() -> None:
    one = session()
    start(one, ASK)
    one.interrupted(2_000_000)
    assert one.deadline_ns == REQUEST_END_NS + 2_030_000 + 1_280_000  # an answer may have begun: the longest
    outcome(one)
    start(one, ASK)
    assert one.deadline_ns == REQUEST_END_NS + 2_030_000 + 140_000


def test_a_write_that_was_broken_off_counts_as_sent() -> None:
    """Who knows how much of it went out: it is heard out from then on."""
    one = session()
    wire = one.begin(ASK, 900_000)
    one.interrupted(950_000)
    assert one.state is SessionState.LISTENING
    # the 5 bytes since it was begun may be lost, so an answer may have begun
    assert one.deadline_ns == 950_000 + 10_000 * len(wire) + 2_030_000 + 1_280_000


def test_deadline_of_a_window_leaves_the_echo_out() -> None:
    one = session(echoes=True)
    wire = start(one, Ask(RollCall(1, 2, 8, ()), 0xFF, Expect.WINDOW, window_ns=1_000_000, idle_ns_per_byte=100))
    before = one.deadline_ns
    one.heard(wire, 1_190_000)
    assert one.deadline_ns == before == 1_190_000 + 1_020_000 + 20_000


def test_latency_is_added_to_every_wait_for_an_answer() -> None:
    plain, late = session(), session(latency_ns=16 * MS)
    for one in (plain, late):
        start(one, ASK)
    assert late.deadline_ns - plain.deadline_ns == 16 * MS


def test_airtime() -> None:
    assert Session(baud=115_200).airtime_ns(24) == 2_083_333
    assert Session(baud=1_000_000).airtime_ns(1) == 10_000
