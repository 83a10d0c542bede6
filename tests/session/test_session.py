"""One exchange after another by hand: what came back, what it is called, and when to stop listening.

All at 1 MBd, where a byte lasts 10,000 ns. A report request has 14 bytes on the wire, the answer to an empty link
test 17, the longest frame 128. A request that is handed over at 1 ms has left at 1.14 ms.
"""

from __future__ import annotations

import pytest

from busproto.session import Ask, Expect, Heard, Session, SessionState, Verdict
from busproto.wire import decode_frame, encode_frame, reply_frame, request_frame
from busproto.wire.frame import Frame
from busproto.wire.messages import (
    DemandAll,
    Describe,
    LinkTest,
    LinkTested,
    Present,
    Release,
    Report,
    RollCall,
    Suppress,
)

MS = 1_000_000
SENT_NS = 1 * MS
REQUEST_END_NS = 1_140_000
TAG, OTHER_TAG = 0x1234, 0xBEEF


def session(*, echoes: bool | None = False, latency_ns: int = 0, first_sequence: int = 0) -> Session:
    made = Session(baud=1_000_000, latency_ns=latency_ns, first_sequence=first_sequence)
    made.echoes = echoes
    return made


def start(one: Session, ask: Ask) -> bytes:
    """Begin and send an exchange at 1 ms; returns the request's bytes."""
    wire = one.begin(ask, 900_000)
    one.sent(SENT_NS)
    return wire


def answer(wire: bytes, *, source: int = 5, tag: int = TAG, data: bytes = b"", sequence: int | None = None) -> bytes:
    """What an actuator answers to a link test."""
    to = decode_frame(wire)
    made = reply_frame(LinkTested(data), to, source, tag)
    if sequence is not None:
        made = Frame(made.destination, source, sequence, made.operation, made.payload, tag)
    return encode_frame(made)


def outcome(one: Session) -> Heard:
    """Let the deadline pass and take the outcome."""
    one.expire(one.deadline_ns)
    return one.take()


ASK = Ask.one(LinkTest(b""), 5)


# --- one reply ---


def test_answered() -> None:
    one = session()
    wire = start(one, ASK)
    reply = answer(wire)
    one.heard(reply, 1_500_000)
    assert one.state is SessionState.SETTLED
    heard = one.take()
    assert heard == Heard(
        ask=ASK,
        sequence=0,
        replies=(decode_frame(reply),),
        strays=b"",
        raw=reply,
        echoed=False,
        overran=False,
        stale=0,
        verdict=Verdict.ANSWERED,
        began_ns=900_000,
        ended_ns=1_500_000,
    )
    assert one.counts == {"answered": 1}
    assert one.begin(ASK, 2 * MS)  # idle again


def test_answered_byte_by_byte_settles_with_the_last_byte() -> None:
    one = session()
    reply = answer(start(one, ASK))
    for at, byte in enumerate(reply):
        assert one.state is SessionState.LISTENING
        one.heard(bytes([byte]), 1_300_000 + 10_000 * at)
    heard = one.take()
    assert heard.verdict is Verdict.ANSWERED
    assert heard.raw == reply
    assert heard.ended_ns == 1_300_000 + 10_000 * (len(reply) - 1)


def test_silent() -> None:
    one = session()
    start(one, ASK)
    heard = outcome(one)
    assert (heard.verdict, heard.replies, heard.raw, heard.strays) == (Verdict.SILENT, (), b"", b"")


@pytest.mark.parametrize(
    "noise",
    [b"\x55", b"\x00\x55\x00", bytes.fromhex("000200220701010344f0e3bdf082"), b"\x01" * 300],
    ids=["one byte", "a piece", "a frame cut short", "more than any frame"],
)
def test_garbled(noise: bytes) -> None:
    one = session()
    start(one, ASK)
    one.heard(noise, 1_200_000)
    heard = outcome(one)
    assert heard.verdict is Verdict.GARBLED
    assert heard.raw == noise
    assert heard.strays.replace(b"\x00", b"") == heard.strays
    assert heard.strays in noise.replace(b"\x00", b"")


def test_a_reply_with_one_flipped_bit_is_garbled_not_answered() -> None:
    for bit in range(8 * 17):
        one = session()
        spoiled = bytearray(answer(start(one, ASK)))
        spoiled[bit // 8] ^= 1 << bit % 8
        one.heard(bytes(spoiled), 1_400_000)
        heard = outcome(one)
        assert not heard.replies
        assert heard.verdict is Verdict.GARBLED


def test_noise_before_the_reply_is_told_but_the_reply_counts() -> None:
    one = session()
    reply = answer(start(one, ASK))
    one.heard(b"\x7e" + reply, 1_400_000)
    heard = one.take()
    assert (heard.verdict, heard.strays, len(heard.replies)) == (Verdict.CROWDED, b"\x7e", 1)


def test_pending_bytes_behind_the_reply_are_strays() -> None:
    one = session()
    reply = answer(start(one, ASK))
    one.heard(reply + b"\x01\x02\x03", 1_400_000)
    heard = one.take()
    assert (heard.verdict, heard.strays) == (Verdict.CROWDED, b"\x01\x02\x03")


# --- what does not fit ---


@pytest.mark.parametrize(
    "unfit",
    [
        lambda wire: answer(wire, sequence=255),
        lambda wire: answer(wire, source=6),
        lambda wire: encode_frame(Frame(0, 5, 0, Report.OPERATION, b"\x00", TAG)),
        lambda wire: encode_frame(Frame(7, 5, 0, LinkTest.OPERATION, b"\x00", TAG)),
        lambda wire: encode_frame(Frame(0, 5, 0, LinkTest.OPERATION, b"\x00")),
        lambda wire: encode_frame(request_frame(LinkTest(b""), 6, 0)),
    ],
    ids=["sequence", "source", "operation", "destination", "no reply", "another host's request"],
)
def test_a_good_frame_that_does_not_fit_is_stale_and_ends_nothing(unfit: object) -> None:
    one = session()
    wire = start(one, ASK)
    assert callable(unfit)
    one.heard(unfit(wire), 1_300_000)
    assert one.state is SessionState.LISTENING
    reply = answer(wire)
    one.heard(reply, 1_600_000)
    heard = one.take()
    assert (heard.replies, heard.stale, heard.verdict) == ((decode_frame(reply),), 1, Verdict.ANSWERED)
    assert one.counts == {"answered": 1, "stale": 1}


def test_only_stale_frames_are_no_answer_but_no_silence_either() -> None:
    one = session()
    wire = start(one, ASK)
    one.heard(answer(wire, sequence=77), 1_300_000)
    heard = outcome(one)
    assert (heard.replies, heard.stale, heard.strays) == ((), 1, b"")
    assert heard.verdict is Verdict.GARBLED


def test_any_source_may_answer_where_none_is_named() -> None:
    one = session()
    wire = start(one, Ask(LinkTest(b""), 0xFF, Expect.ONE))
    one.heard(answer(wire, source=200), 1_300_000)
    assert one.take().verdict is Verdict.ANSWERED


def test_bytes_that_come_too_late_are_refused_and_do_not_reach_the_next_exchange() -> None:
    one = session()
    late = answer(start(one, ASK))
    one.expire(one.deadline_ns)
    taken = one.state
    with pytest.raises(Exception, match="'heard' is not allowed while the session is 'settled'"):
        one.heard(late, 9 * MS)
    assert one.state is taken
    one.take()
    start(one, ASK)
    one.heard(late, 10 * MS)  # the same bytes, now under the next sequence number
    heard = outcome(one)
    assert (heard.replies, heard.stale, heard.sequence) == ((), 1, 1)


def test_half_a_frame_of_an_earlier_exchange_does_not_join_the_next() -> None:
    one = session()
    reply = answer(start(one, ASK))
    one.heard(reply[:9], 1_300_000)
    assert outcome(one).verdict is Verdict.GARBLED
    start(one, ASK)
    one.heard(reply[9:], 1_300_000)
    heard = outcome(one)
    assert (heard.replies, heard.verdict, heard.strays) == ((), Verdict.GARBLED, reply[9:-1])


# --- more than one ---


def test_two_that_answer_one_after_the_other_show_by_their_tags() -> None:
    one = session()
    wire = start(one, Ask.one(LinkTest(b""), 5, listen_out=True))
    one.heard(answer(wire), 1_400_000)
    assert one.state is SessionState.LISTENING
    one.heard(answer(wire, tag=OTHER_TAG), 1_700_000)
    heard = outcome(one)
    assert (heard.verdict, heard.tags) == (Verdict.CROWDED, {TAG, OTHER_TAG})


def test_without_listening_out_the_first_answer_ends_it() -> None:
    one = session()
    one.heard(answer(start(one, ASK)), 1_400_000)
    assert one.state is SessionState.SETTLED
    assert one.take().tags == {TAG}


def test_two_that_arrive_in_one_piece_are_crowded_also_without_listening_out() -> None:
    one = session()
    wire = start(one, ASK)
    one.heard(answer(wire) + answer(wire, tag=OTHER_TAG), 1_700_000)
    heard = one.take()
    assert (heard.verdict, heard.tags) == (Verdict.CROWDED, {TAG, OTHER_TAG})


def test_listening_out_alone_is_answered() -> None:
    one = session()
    wire = start(one, Ask.one(LinkTest(b""), 5, listen_out=True))
    one.heard(answer(wire), 1_400_000)
    assert outcome(one).verdict is Verdict.ANSWERED


def test_the_wired_and_of_two_answers_is_no_answer() -> None:
    """Two whole answers on one another, bit by bit: what an open-drain line makes of them."""
    one = session()
    wire = start(one, ASK)
    pair = zip(answer(wire), answer(wire, tag=OTHER_TAG), strict=True)
    one.heard(bytes(a & b for a, b in pair), 1_400_000)
    assert outcome(one).verdict is Verdict.GARBLED


# --- echo ---


def test_echo_is_learned_from_the_first_that_comes_back() -> None:
    one = session(echoes=None)
    wire = start(one, ASK)
    one.heard(wire + answer(wire), 1_500_000)
    heard = one.take()
    assert one.echoes is True
    assert (heard.verdict, heard.raw) == (Verdict.ANSWERED, answer(wire))


def test_an_answer_without_an_echo_means_that_there_is_none() -> None:
    one = session(echoes=None)
    one.heard(answer(start(one, ASK)), 1_500_000)
    one.take()
    assert one.echoes is False


def test_silence_teaches_nothing_about_the_echo() -> None:
    one = session(echoes=None)
    start(one, ASK)
    assert outcome(one).verdict is Verdict.SILENT
    assert one.echoes is None


def test_noise_alone_teaches_nothing_about_the_echo() -> None:
    one = session(echoes=None)
    start(one, ASK)
    one.heard(b"\x21\x00\x43", 1_500_000)
    assert outcome(one).verdict is Verdict.GARBLED
    assert one.echoes is None


def test_the_echo_alone_is_silence_and_teaches_that_there_is_one() -> None:
    one = session(echoes=None)
    wire = start(one, ASK)
    one.heard(wire, 1_170_000)
    heard = outcome(one)
    assert (one.echoes, heard.verdict, heard.raw) == (True, Verdict.SILENT, b"")


@pytest.mark.parametrize("back", [b"", b"\x00\x01\x02\x00"], ids=["missing", "another"])
def test_an_echo_that_is_not_what_was_sent_is_broken(back: bytes) -> None:
    one = session(echoes=True)
    start(one, ASK)
    if back:
        one.heard(back, 1_170_000)
    heard = outcome(one)
    assert heard.verdict is Verdict.ECHO_BROKEN
    assert one.echoes is True


def test_every_flipped_bit_of_an_echo_shows() -> None:
    for bit in range(8 * 14):
        one = session(echoes=True)
        spoiled = bytearray(start(one, Ask.all(Release())))
        spoiled[bit // 8] ^= 1 << bit % 8
        one.heard(bytes(spoiled), 1_170_000)
        assert outcome(one).verdict is Verdict.ECHO_BROKEN


def test_a_good_answer_behind_a_broken_echo_counts_but_is_crowded() -> None:
    one = session(echoes=True)
    wire = start(one, ASK)
    one.heard(b"\x00\x55\x00" + answer(wire), 1_500_000)
    heard = one.take()
    assert (heard.verdict, len(heard.replies), heard.strays) == (Verdict.CROWDED, 1, b"\x55")


def test_an_echo_on_a_line_that_was_thought_to_have_none_is_taken_off() -> None:
    one = session(echoes=False)
    wire = start(one, ASK)
    one.heard(wire + answer(wire), 1_500_000)
    heard = one.take()
    assert (heard.verdict, heard.raw) == (Verdict.ANSWERED, answer(wire))


def test_own_request_is_never_taken_for_a_reply() -> None:
    one = session(echoes=True)
    wire = start(one, Ask(RollCall(1, 2, 8, ()), 0xFF, Expect.WINDOW, window_ns=MS))
    one.heard(wire, 1_400_000)
    heard = outcome(one)
    assert (heard.verdict, heard.replies, heard.stale) == (Verdict.SILENT, (), 0)


# --- nothing, windows, bytes ---


def test_a_broadcast_without_answers_settles_with_its_echo() -> None:
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


# --- deadlines, calculated by hand ---


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


# --- sequence numbers, counts ---


def test_sequence_counts_round() -> None:
    one = session(first_sequence=254)
    numbers = []
    for _ in range(4):
        wire = start(one, ASK)
        numbers.append(decode_frame(wire).sequence)
        one.heard(answer(wire), 1_400_000)
        heard = one.take()
        assert heard.sequence == numbers[-1]
        assert heard.verdict is Verdict.ANSWERED
    assert numbers == [254, 255, 0, 1]
    assert one.next_sequence == 2


def test_counts_tell_how_often_each_verdict_came() -> None:
    one = session()
    start(one, ASK)
    outcome(one)
    start(one, ASK)
    outcome(one)
    one.heard(answer(start(one, ASK)), 1_400_000)
    one.take()
    start(one, Ask.all(DemandAll((0,))))
    outcome(one)
    assert one.counts == {"silent": 2, "answered": 1, "sent": 1}


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
