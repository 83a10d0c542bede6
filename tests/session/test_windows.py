"""Windows for the answers of many, and exchanges that nothing answers.

All at 1 MBd, where a byte lasts 10,000 ns. A report request has 14 bytes on the wire, the answer to an empty link
test 17, the longest frame 128. A request that is handed over at 1 ms has left at 1.14 ms."""

from __future__ import annotations

from busproto.session import Ask, Expect, Session, SessionState, Verdict
from busproto.wire import decode_frame, encode_frame, reply_frame, request_frame
from busproto.wire.messages import LinkTest, Present, Release, RollCall, Suppress
from tests.session.helpers import ASK, MS, REQUEST_END_NS, SENT_NS, outcome, session, start

# --- nothing, windows, bytes ---


def test_a_broadcast_that_no_actuator_answers_settles_with_its_echo() -> None:
    one = session(echoes=True)
    one.heard(start(one, Ask.all(Release())), 1_140_000)
    assert one.state is SessionState.SETTLED
    assert one.take().verdict is Verdict.SENT


def test_a_broadcast_without_echo_settles_when_it_has_left() -> None:
    one = session(echoes=False)
    start(one, Ask.all(Release()))
    assert one.deadline_ns == REQUEST_END_NS
    assert outcome(one).verdict is Verdict.SENT


def present(wire: bytes, number: int, source: int = 0xF0) -> bytes:
    """What an actuator answers to a roll call."""
    return encode_frame(reply_frame(Present(number.to_bytes(8, "big")), decode_frame(wire), source, number))


def test_a_window_takes_any_number_of_answers_until_its_deadline() -> None:
    one = session()
    wire = start(one, Ask(RollCall(1, 2, 8, ()), 0xFF, Expect.WINDOW, window_ns=MS))
    for number in (1, 2, 3):
        one.heard(present(wire, number), 1_300_000)
        assert one.state is SessionState.LISTENING
    heard = outcome(one)
    assert (heard.verdict, len(heard.replies), heard.tags) == (Verdict.ANSWERED, 3, {1, 2, 3})


def test_an_answer_to_the_same_request_earlier_in_the_burst_counts_and_to_another_one_does_not() -> None:
    """A call that is said twice in one burst, behind a word to all: sequences 7 (the word), 8 and 9."""
    one = session(first_sequence=7)
    call = RollCall(1, 2, 8, ())
    start(one, Ask(call, 0xFF, Expect.WINDOW, window_ns=MS, ahead=(Suppress(1, bytes(8)), call)))
    said = [encode_frame(request_frame(call, 0xFF, sequence)) for sequence in (7, 8, 9)]
    one.heard(b"".join(present(wire, number) for number, wire in enumerate(said)), 2_000_000)
    heard = outcome(one)
    assert [frame.sequence for frame in heard.replies] == [8, 9]
    assert (heard.sequence, heard.stale, one.next_sequence) == (9, 1, 10)


def test_echoes_of_all_that_went_out_in_one_burst_and_the_answer_may_come_in_one_piece() -> None:
    one = session(echoes=True, first_sequence=7)
    call = RollCall(1, 2, 8, ())
    wire = start(
        one, Ask(call, 0xFF, Expect.WINDOW, window_ns=MS, ahead=(Suppress(1, bytes(8)), Suppress(2, bytes(8))))
    )
    request = encode_frame(request_frame(call, 0xFF, 9))
    assert wire.endswith(request)
    one.heard(wire + present(request, 1), 2_000_000)
    heard = outcome(one)
    assert (heard.verdict, len(heard.replies), heard.echoed, heard.stale) == (Verdict.ANSWERED, 1, True, 0)


def test_a_window_with_a_collision_in_it_is_crowded() -> None:
    one = session()
    wire = start(one, Ask(RollCall(1, 2, 8, ()), 0xFF, Expect.WINDOW, window_ns=MS))
    one.heard(present(wire, 1) + b"\x00\x91\x92\x00" + present(wire, 2), 1_300_000)
    heard = outcome(one)
    assert (heard.verdict, len(heard.replies), heard.strays) == (Verdict.CROWDED, 2, b"\x91\x92")


def test_bytes_are_given_as_they_came() -> None:
    one = session(echoes=True)
    wire = start(one, Ask(Suppress(1, bytes(8)), 0xFF, Expect.BYTES, window_ns=MS, idle_ns_per_byte=100))
    one.heard(wire, 1_300_000)
    one.heard(b"\x81", 1_500_000)
    one.heard(b"\x00\xff", 1_600_000)
    heard = outcome(one)
    assert (heard.verdict, heard.raw, heard.replies) == (Verdict.ANSWERED, b"\x81\x00\xff", ())


def test_no_bytes_are_silence() -> None:
    one = session(echoes=True)
    one.heard(start(one, Ask(Suppress(1, bytes(8)), 0xFF, Expect.BYTES, window_ns=MS)), 1_300_000)
    assert outcome(one).verdict is Verdict.SILENT


# --- windows in which many collide ---


def test_bytes_that_no_reply_accounts_for_are_counted_with_their_delimiters() -> None:
    one = session(echoes=True)
    wire = start(one, Ask(RollCall(1, 2, 8, ()), 0xFF, Expect.WINDOW, window_ns=MS))
    one.heard(wire + present(wire, 1) + b"\x00\x00\x91\x00" + present(wire, 2) + b"\x00", 1_300_000)
    heard = outcome(one)
    assert len(heard.replies) == 2
    assert heard.unread_bytes == 5


def test_a_window_of_whole_answers_leaves_nothing_unread() -> None:
    one = session()
    wire = start(one, Ask(RollCall(1, 2, 8, ()), 0xFF, Expect.WINDOW, window_ns=MS))
    one.heard(present(wire, 1) + present(wire, 2), 1_300_000)
    assert outcome(one).unread_bytes == 0


def test_a_window_lasts_while_bytes_come_that_cannot_be_read() -> None:
    """Answers that collide are heard as fewer bytes than they last: the end by bytes alone would come too early."""
    one = session(latency_ns=3 * MS)
    quiet_ns = 500_000
    wire = start(one, Ask(RollCall(1, 2, 8, ()), 0xFF, Expect.WINDOW, window_ns=1_000_000, quiet_ns=quiet_ns))
    assert len(wire) == 19
    by_bytes_ns = 1_190_000 + 3_000_000 + 20_000 + 1_020_000
    assert one.deadline_ns == by_bytes_ns
    one.heard(b"\x00", 5_000_000)
    assert one.deadline_ns == 5_000_000 + 3_000_000 + quiet_ns
    one.heard(b"\x00", 8_400_000)
    assert one.deadline_ns == 8_400_000 + 3_000_000 + quiet_ns


def test_who_goes_on_for_longer_than_all_can_answer_is_not_waited_for_any_more() -> None:
    """240 answers of 24 bytes of 10,000 ns, each with 100 of idle time, behind a window of 1 ms, by a slow clock."""
    one = session()
    wire = start(one, Ask(RollCall(1, 2, 8, ()), 0xFF, Expect.WINDOW, window_ns=MS, idle_ns_per_byte=100, quiet_ns=MS))
    assert len(wire) == 19
    end_ns = 1_190_000 + round(1.02 * (1_000_000 + 240 * 24 * 10_100))
    for at_ns in range(2 * MS, end_ns, MS // 2):
        one.heard(b"\x55", at_ns)
        assert one.deadline_ns <= end_ns
    assert one.deadline_ns == end_ns
    heard = outcome(one)
    assert (heard.overran, heard.verdict) == (True, Verdict.GARBLED)
    start(one, ASK)
    assert not outcome(one).overran


def test_a_window_in_which_all_can_be_read_ends_by_its_bytes() -> None:
    one = session()
    wire = start(one, Ask(RollCall(1, 2, 8, ()), 0xFF, Expect.WINDOW, window_ns=1_000_000, quiet_ns=500_000))
    reply = present(wire, 1)
    assert len(reply) == 24
    one.heard(reply, 2_100_000)
    assert one.deadline_ns == 1_190_000 + 1_264_800 + 20_000  # 1.02 x (1,000,000 + 240,000)


def test_a_port_of_which_nothing_is_said_keeps_no_byte_back() -> None:
    ask, made = Ask.one(LinkTest(b""), 5), Session(baud=1_000_000)
    start(made, ask)
    plain = session(echoes=None)
    start(plain, ask)
    assert made.deadline_ns == plain.deadline_ns


def test_a_window_of_which_nothing_is_said_grows_by_no_idle_time() -> None:
    """24 bytes of 10,000 ns each, and 2 % for a slow clock."""
    one = session()
    wire = start(one, Ask(RollCall(1, 2, 8, ()), 0xFF, Expect.WINDOW, window_ns=1_000_000))
    one.heard(bytes(24), 1_500_000)
    end = SENT_NS + 10_000 * len(wire)
    assert one.deadline_ns == end + round(1.02 * (1_000_000 + 240_000)) + 20_000
