"""What packets mean: requests and their answers, retries, filters; and the counts of a capture."""

from __future__ import annotations

from pathlib import Path

import pytest

from busproto.capture.decoding import Entry, Filter, Reader, decode
from busproto.capture.pcapng import Packet, read
from busproto.capture.statistics import Statistics, Tally, count, facts_of, statistics_of
from busproto.wire import Frame, encode_frame, reply_frame, request_frame
from busproto.wire import messages as m
from tests.capture.make import CAPTURES

MS = 1_000_000
BAUD = 100_000
"""A byte lasts 100 us."""
ASK = request_frame(m.Release(), 5, 7)
ANSWER = reply_frame(m.Released(m.State.RELEASED), ASK, 5, 0x1234)
SPOILT = b"\x00" + b"\x41" * 14 + b"\x00"


def sent(frame: Frame, at_ms: float) -> Packet:
    return Packet(round(at_ms * MS), encode_frame(frame), True)


def heard(frame: Frame | bytes, at_ms: float, *, echo: bool = False) -> Packet:
    return Packet(round(at_ms * MS), frame if isinstance(frame, bytes) else encode_frame(frame), False, echo)


def read_all(*packets: Packet) -> list[Entry]:
    reader = Reader(BAUD)
    return [reader.take(packet) for packet in packets]


def test_an_answer_knows_its_request_and_its_time() -> None:
    """A request of 14 bytes ends 1.4 ms after it began, an answer of 18 bytes began 1.8 ms before it was there."""
    request, echo, answer = read_all(sent(ASK, 1), heard(ASK, 2.4, echo=True), heard(ANSWER, 4.5))
    assert (len(request.packet.data), len(answer.packet.data)) == (14, 18)
    assert (request.request, echo.request, answer.request) == (None, 1, 1)
    assert (answer.since_request_ns, answer.reply_ns) == (3_500_000, 300_000)
    assert (echo.reply_ns, answer.request_frame) == (None, ASK)


def test_an_answer_to_nothing_has_no_request() -> None:
    other = Frame(0, 5, 99, ANSWER.operation, ANSWER.payload, 1)
    _, answer = read_all(sent(ASK, 1), heard(other, 4))
    assert (answer.request, answer.reply_ns) == (None, None)


def test_a_request_that_is_said_again_is_a_retry_only_where_no_answer_came() -> None:
    again = Frame(5, 0, 8, ASK.operation, ASK.payload)
    assert [one.is_retry for one in read_all(sent(ASK, 1), sent(again, 9))] == [False, True]
    assert [one.is_retry for one in read_all(sent(ASK, 1), heard(SPOILT, 3), sent(again, 9))] == [False, False, True]
    assert not any(one.is_retry for one in read_all(sent(ASK, 1), heard(ANSWER, 3), sent(again, 9)))
    call = request_frame(m.Restart(), 0xFF, 1)
    assert not any(one.is_retry for one in read_all(sent(call, 1), sent(call, 2)))


def test_values_are_told_with_the_question() -> None:
    ask = request_frame(m.Read(m.Memory.WORKING, bytes([17, 15])), 5, 3)
    answer = reply_frame(m.Values((500).to_bytes(2, "little") + b"\x01"), ask, 5, 1)
    _, told = read_all(sent(ask, 1), heard(answer, 9))
    assert [one.text for one in told.cells() if one.name == "setting"] == ["loss-time-out: 500 ms", "loss-action: hold"]
    (alone,) = read_all(heard(answer, 9))
    assert not any(one.name == "setting" for one in alone.cells())


def test_every_byte_of_a_good_frame_is_told_once() -> None:
    for name in ("settings", "signal-loss", "find-tow-plane"):
        for entry in decode(read(CAPTURES / f"{name}.pcapng")):
            if entry.frame is None:
                continue
            places = {
                place for one in entry.cells() if one.at is not None for place in range(one.at, one.at + one.size)
            }
            assert places == set(range(entry.lead + 1, len(entry.packet.data) - 1))


@pytest.mark.parametrize(
    ("wanted", "numbers"),
    [
        (Filter(), [1, 3, 4, 5, 6]),
        (Filter(with_echoes=True), [1, 2, 3, 4, 5, 6]),
        (Filter(addresses=frozenset({5})), [1, 3]),
        (Filter(addresses=frozenset({6})), [4, 5]),
        (Filter(operations=frozenset({m.Report.OPERATION})), [4, 5]),
        (Filter(errors_only=True), [5]),
        (Filter(from_ns=9 * MS), [4, 5, 6]),
        (Filter(to_ns=9 * MS), [1, 3, 4]),
        (Filter(from_ns=4 * MS, to_ns=19 * MS), [4, 5]),
        (Filter(uids=frozenset({bytes(7) + b"\x01"})), []),
    ],
)
def test_filters(wanted: Filter, numbers: list[int]) -> None:
    call = request_frame(m.Restart(), 0xFF, 9)
    entries = read_all(
        sent(ASK, 1),
        heard(ASK, 2.4, echo=True),
        heard(ANSWER, 4.5),
        sent(request_frame(m.Report(), 6, 8), 10),
        heard(SPOILT, 14),
        sent(call, 30),
    )
    assert [one.number for one in wanted.choose(entries)] == numbers


def test_a_uid_is_followed_to_its_address() -> None:
    """In the capture the fresh one tells its uid, and gets address 12; in the clash the tag tells who it was."""
    uid = bytes.fromhex("b0a7000000000102")
    entries = list(decode(read(CAPTURES / "address-by-uid.pcapng")))
    chosen = list(Filter(uids=frozenset({uid})).choose(entries))
    assert [one.title for one in chosen] == ["assign", "assign reply", *["describe", "describe reply"] * 2]
    clash = list(decode(read(CAPTURES / "clash.pcapng")))
    one_of_them = next(one.message.uid for one in clash if isinstance(one.message, m.Present))
    found = [one for one in Filter(uids=frozenset({one_of_them})).choose(clash) if one.frame is not None]
    assert {one.message.uid for one in found if isinstance(one.message, m.Present)} == {one_of_them}


# --- counting ---


def counted(path: Path, *packets: Packet) -> Statistics:
    from busproto.capture.pcapng import head_bytes, packet_bytes

    path.write_bytes(head_bytes(BAUD, "", "") + b"".join(map(packet_bytes, packets)))
    capture = read(path)
    found = count(facts_of(capture), BAUD)
    assert statistics_of(path) == (found, "")
    return found


def test_counts_by_hand(tmp_path: Path) -> None:
    """Asked three times, answered once, by two: 3 x 14 + 2 x 18 + 16 bytes of 100 us in 31.4 ms."""
    again = Frame(5, 0, 8, ASK.operation, ASK.payload)
    third = Frame(5, 0, 9, ASK.operation, ASK.payload)
    answer = Frame(0, 5, 8, ANSWER.operation, ANSWER.payload, 0x1234)
    other = Frame(0, 5, 8, ANSWER.operation, ANSWER.payload, 0x4321)
    found = counted(
        tmp_path / "a.pcapng",
        sent(ASK, 0),
        heard(ASK, 1.4, echo=True),
        heard(SPOILT, 4),
        sent(again, 10),
        heard(answer, 13.5),
        heard(other, 16),
        sent(third, 30),
    )
    assert found.actuators == {5: found.total}
    assert found.operations == {ASK.operation: found.total}
    assert found.total == Tally(
        requests=3,
        replies=2,
        unanswered=2,
        retries=1,
        refused=0,
        clashes=1,
        bad=1,
        fastest_ns=300_000,
        slowest_ns=300_000,
        total_ns=300_000,
        timed=1,
    )
    assert (found.span_ns, found.sent_ns, found.heard_ns) == (31_400_000, 4_200_000, 5_200_000)
    assert (found.echoes, found.kinds) == (1, {"frame": 5, "bad frame": 1, "run": 0, "byte": 0})
    told = found.as_json()
    assert (told["load_percent"], told["sent_percent"], told["heard_percent"]) == (29.94, 13.38, 16.56)


def test_a_refusal_is_counted_and_a_bare_answer_is_none(tmp_path: Path) -> None:
    call = request_frame(m.RollCall(1, 2, 8, ()), 0xFF, 3)
    found = counted(
        tmp_path / "a.pcapng",
        sent(ASK, 0),
        heard(reply_frame(m.Refused(m.Outcome.NOT_ADDRESSED, 0, 0), ASK, 5, 1), 6),
        sent(call, 10),
        heard(reply_frame(m.Present(b"\x09" * 8), call, 240, 1), 16),
        heard(reply_frame(m.Present(b"\x08" * 8), call, 240, 2), 20),
    )
    assert (found.total.refused, found.total.replies, found.total.clashes, found.total.unanswered) == (1, 3, 0, 0)
    assert (found.total.timed, found.actuators[240].timed) == (1, 0)


def test_nothing_is_counted_of_nothing(tmp_path: Path) -> None:
    found = counted(tmp_path / "a.pcapng")
    assert (found.packets, found.load, found.span_ns, found.total) == (0, 0.0, 0, Tally())
