"""The echo of what the host sends: learned, taken off, broken.

All at 1 MBd, where a byte lasts 10,000 ns. A report request has 14 bytes on the wire, the answer to an empty link
test 17, the longest frame 128. A request that is handed over at 1 ms has left at 1.14 ms."""

from __future__ import annotations

import pytest

from busproto.session import Ask, Expect, Verdict
from busproto.wire.messages import Release, RollCall
from tests.session.helpers import ASK, MS, answer, outcome, session, start


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
