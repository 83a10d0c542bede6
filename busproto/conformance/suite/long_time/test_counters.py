"""What is counted: frames behind 65535 of them, and sequence numbers."""

from __future__ import annotations

from busproto.conformance.clauses import clause
from busproto.conformance.dut import MS, Dut, not_checked
from busproto.conformance.suite.test_frame import body_of, framed
from busproto.wire import messages as m
from busproto.wire.codec import encode_frame
from busproto.wire.frame import BROADCAST_ADDRESS, HOST_ADDRESS, Frame
from busproto.wire.parameters import BY_NAME

RANGE = 1 << 16
PIECE = b"\x01\x00"
"""The shortest piece that is dropped."""
IN_ONE = 1 << 12
"""Pieces in one transmission."""


def send_many(dut: Dut, piece: bytes, count: int) -> None:
    """Send a piece so often, behind a delimiter."""
    if not dut.is_virtual:
        seconds = count * len(piece) * 10 // dut.transport.baud
        not_checked(f"{count} frames take {seconds} s at this line rate")
    dut.say(b"\x00")
    for first in range(0, count, IN_ONE):
        said = dut.say(piece * min(IN_ONE, count - first))
        dut.hear(said.end_ns + 1 * MS)
    dut.drain()


@clause("frame.counts", "op.44", "does.drop")
def test_bad_frames_wrap_around(dut: Dut) -> None:
    begin = dut.report().bad_frames
    send_many(dut, PIECE, RANGE - 2)
    for number in range(5):
        told, wanted = dut.report().bad_frames, (begin + RANGE - 2 + number) % RANGE
        assert told == wanted, f"{wanted} bad frames were expected, it tells {told}"
        send_many(dut, PIECE, 1)


@clause("frame.counts", "op.44")
def test_good_frames_wrap_around(dut: Dut) -> None:
    other = dut.address % 200 + 1
    wire = encode_frame(Frame(other, HOST_ADDRESS, 1, m.Describe.OPERATION, b""))
    begin = dut.report().good_frames
    send_many(dut, wire[1:], RANGE - 3)
    for number in range(4):
        told, wanted = dut.report().good_frames, (begin + RANGE - 2 + number) % RANGE
        assert told == wanted, f"{wanted} good frames were expected, it tells {told}"


@clause("frame.sequence", "does.reply")
def test_a_request_is_done_whatever_its_sequence(dut: Dut) -> None:
    """A sequence that was used before is no reason to leave a request undone, or to answer it from memory."""
    for sequence in (*range(256), 0, 0, 255, 255):
        data = bytes([sequence ^ 0x5A, sequence])
        frame = dut.ask_frame(m.LinkTest(data), sequence=sequence)
        assert frame.payload[1:] == data
    row = BY_NAME["neutral"]
    for neutral in (100, -200):
        frame = dut.ask_frame(m.Write(row.number, row.encode(neutral)), sequence=7)
        assert frame.payload[0] == m.Outcome.DONE
        assert dut.get("neutral") == neutral


@clause("frame.counts", "op.44", "frame.source")
def test_what_counts_as_good_and_what_as_bad(dut: Dut) -> None:
    """Requests in good frames, whatever their destination and operation; pieces that are dropped; nothing else."""
    other = dut.address % 200 + 1
    good = {
        "an unknown operation": Frame(dut.address, HOST_ADDRESS, 1, 0x7E, b""),
        "an unknown operation to another": Frame(other, HOST_ADDRESS, 1, 0x7E, b""),
        "a malformed payload": Frame(dut.address, HOST_ADDRESS, 1, m.Describe.OPERATION, b"x"),
        "a malformed payload to all": Frame(BROADCAST_ADDRESS, HOST_ADDRESS, 1, m.RollCall.OPERATION, b"x"),
        "to those without an address": Frame(0xF0, HOST_ADDRESS, 1, m.Describe.OPERATION, b""),
        "from 0xF0": Frame(other, 0xF0, 1, m.Describe.OPERATION, b""),
        "to the host": Frame(HOST_ADDRESS, other, 1, m.Describe.OPERATION, b""),
    }
    replies = {
        "a reply to another": Frame(HOST_ADDRESS, other, 1, m.LinkTest.OPERATION, b"\x00", 0x1234),
        "a reply to it": Frame(dut.address, other, 1, m.LinkTest.OPERATION, b"\x00", 0x1234),
    }
    whole = encode_frame(good["to the host"])
    bad = {
        "a wrong check": whole[:-2] + bytes([whole[-2] ^ 1]) + b"\x00",
        "one byte": b"\x00\x07\x00",
        "many bytes": b"\x00" + b"\x55" * 300 + b"\x00",
        "a reserved destination": framed(body_of(dut, to=0xF1)),
        "a wrong length": framed(body_of(dut, length=7)),
        "another version": framed(body_of(dut, control=0x40)),
        "all as a source": framed(body_of(dut, source=0xFF)),
    }
    cases = [(what, encode_frame(frame), 1, 0) for what, frame in good.items()]
    cases += [(what, encode_frame(frame), 0, 0) for what, frame in replies.items()]
    cases += [(what, wire, 0, 1) for what, wire in bad.items()] + [("delimiters", bytes(5), 0, 0)]
    before = dut.report()
    for what, wire, more_good, more_bad in cases:
        said = dut.say(wire)
        dut.hear(said.end_ns + 8 * MS + (0 if dut.is_virtual else dut.slack_ns + 30 * MS))
        after = dut.report()
        told = ((after.good_frames - before.good_frames) % RANGE, (after.bad_frames - before.bad_frames) % RANGE)
        assert told == (more_good + 1, more_bad), (
            f"{what}: {more_good + 1} good and {more_bad} bad frames were expected with the report, it tells {told}"
        )
        before = after
