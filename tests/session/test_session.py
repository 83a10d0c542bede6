"""One exchange after another by hand: what came back, and what it is called.

All at 1 MBd, where a byte lasts 10,000 ns. A report request has 14 bytes on the wire, the answer to an empty link
test 17, the longest frame 128. A request that is handed over at 1 ms has left at 1.14 ms."""

from __future__ import annotations

import pytest

from busproto.session import Ask, Expect, Heard, SessionState, Verdict
from busproto.wire import decode_frame, encode_frame, request_frame
from busproto.wire.frame import Frame
from busproto.wire.messages import DemandAll, LinkTest, Report
from tests.session.helpers import ASK, MS, OTHER_TAG, TAG, answer, outcome, session, start

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
