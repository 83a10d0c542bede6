"""Frames: which bytes are one, which are none, and how a frame is found in a stream."""

from __future__ import annotations

import pytest
from hypothesis import HealthCheck, given, settings

from busproto.conformance import strategies
from busproto.conformance.clauses import clause
from busproto.conformance.dut import MS, Dut, not_checked, replies_in
from busproto.wire import messages as m
from busproto.wire.codec import encode_frame, reply_frame, request_frame
from busproto.wire.crc import trailer
from busproto.wire.decoder import Decoder
from busproto.wire.definition.layout import remove_zeros
from busproto.wire.frame import BROADCAST_ADDRESS, HOST_ADDRESS, MAX_PAYLOAD_BYTES, UNADDRESSED, Frame

PATTERNS = {
    "nothing": b"",
    "one zero byte": b"\x00",
    "zeros": bytes(64),
    "no zero": bytes(range(1, 65)),
    "zeros between": bytes([0, 1] * 32),
    "all ones": b"\xff" * 64,
    "ends in zero": b"\x41" * 63 + b"\x00",
    "begins with zero": b"\x00" + b"\x41" * 63,
}


def framed(body: bytes) -> bytes:
    """Any body with the check that belongs to it."""
    encoded = remove_zeros(body)
    return b"\x00" + encoded + trailer(encoded) + b"\x00"


def body_of(
    dut: Dut, *, control: int = 0x20, length: int | None = None, to: int | None = None, source: int = 0
) -> bytes:
    """A link test with one thing changed; three bytes of payload."""
    payload = b"abc"
    size = len(payload) if length is None else length
    return bytes([control, size, dut.address if to is None else to, source, 0x33, m.LinkTest.OPERATION]) + payload


@clause("frame.layout", "frame.check", "op.50")
@pytest.mark.parametrize("name", PATTERNS)
def test_every_byte_of_an_answer_is_as_it_belongs(dut: Dut, name: str) -> None:
    request = request_frame(m.LinkTest(PATTERNS[name]), dut.address, 0x42)
    _, _, heard = dut.frames_after(encode_frame(request), count=1)
    assert heard == encode_frame(reply_frame(m.LinkTested(PATTERNS[name]), request, dut.address, dut.tag))


@clause("frame.layout", "frame.check")
@pytest.mark.parametrize(
    "wire",
    [
        "00 02 20 02 05 03 07 44 dd fd b5 e4 82 00",
        "00 04 20 03 05 05 09 31 11 0f 01 9d b2 e6 e7 83 00",
    ],
    ids=["report", "write out of range"],
)
def test_the_examples_of_the_page_are_understood(dut: Dut, wire: str) -> None:
    if dut.address != 5:
        not_checked("the examples are for address 5, and it has another")
    assert dut.ask_wire(bytes.fromhex(wire)).tag == dut.tag


@clause("frame.size", "frame.layout")
def test_the_longest_frame_is_taken(dut: Dut) -> None:
    dut.refused_wire(0x7E, b"\x55" * MAX_PAYLOAD_BYTES, m.Outcome.UNKNOWN_OPERATION)
    dut.refused_wire(0x7E, bytes(MAX_PAYLOAD_BYTES), m.Outcome.UNKNOWN_OPERATION)


@clause("frame.size", "does.drop")
def test_one_byte_more_is_dropped(dut: Dut) -> None:
    body = bytes([0x20, MAX_PAYLOAD_BYTES + 1, dut.address, 0, 1, 0x7E]) + b"\x55" * (MAX_PAYLOAD_BYTES + 1)
    dut.silent(framed(body))
    dut.silent(framed(body[:1] + bytes([MAX_PAYLOAD_BYTES]) + body[2:] + bytes(3)))
    dut.alive()


@clause("frame.check", "does.drop")
@pytest.mark.parametrize("at", range(5))
def test_a_wrong_check_byte_is_dropped(dut: Dut, at: int) -> None:
    wire = bytearray(dut.wire(m.LinkTest(b"abc")))
    wire[-6 + at] ^= 0x02
    dut.silent(bytes(wire))
    dut.alive()


@clause("frame.check", "does.drop")
def test_the_count_of_zero_bits_is_checked(dut: Dut) -> None:
    good = dut.wire(m.LinkTest(b"abc"))
    v = sum((byte & 0x7F) << 7 * at for at, byte in enumerate(good[-6:-1]))
    for by in (-1, 1, 16):
        other = v + (by << 24)
        wrong = bytes(0x80 | other >> 7 * at & 0x7F for at in range(5))
        dut.silent(good[:-6] + wrong + b"\x00")
    dut.alive()


@clause("frame.check")
def test_the_marking_bits_of_the_check_are_checked(dut: Dut) -> None:
    good = dut.wire(m.LinkTest(b"abd"), sequence=0x21)
    for at in range(5):
        wire = bytearray(good)
        wire[-6 + at] &= 0x7F
        if wire[-6 + at]:
            dut.silent(bytes(wire))
    dut.alive()


@clause("frame.length", "does.drop")
@pytest.mark.parametrize("length", [0, 1, 2, 4, 5, 112, 113, 255])
def test_a_wrong_length_is_dropped(dut: Dut, length: int) -> None:
    dut.silent(framed(body_of(dut, length=length)))
    dut.alive()


@clause("frame.version", "does.drop")
@pytest.mark.parametrize("version", [0, 2, 3, 4, 7])
def test_another_version_is_dropped(dut: Dut, version: int) -> None:
    dut.silent(framed(body_of(dut, control=version << 5)))
    dut.alive()


@clause("frame.version", "does.drop")
@pytest.mark.parametrize("flag", [1, 2, 4, 8])
def test_an_unknown_flag_is_dropped(dut: Dut, flag: int) -> None:
    dut.silent(framed(body_of(dut, control=0x20 | flag)))
    dut.alive()


@clause("frame.reserved", "frame.counts", "does.drop")
@pytest.mark.parametrize("to", [0xF1, 0xF8, 0xFE])
def test_a_reserved_address_is_dropped(dut: Dut, to: int) -> None:
    before = dut.report().bad_frames
    dut.silent(framed(body_of(dut, to=to)))
    assert dut.report().bad_frames == (before + 1) & 0xFFFF or not dut.is_virtual


@clause("frame.all", "does.drop")
def test_a_frame_from_all_is_dropped(dut: Dut) -> None:
    dut.silent(framed(body_of(dut, source=BROADCAST_ADDRESS)))
    dut.alive()


@clause("does.asked", "frame.unaddressed")
def test_it_does_not_answer_for_another_address(dut: Dut) -> None:
    dut.require_alone()
    for to in {1, dut.address ^ 1, dut.address + 1, 0xEF, HOST_ADDRESS, UNADDRESSED} - {dut.address}:
        dut.silent(framed(body_of(dut, to=to)))


@clause("does.asked", "frame.reply")
def test_it_does_not_answer_an_answer(dut: Dut) -> None:
    for operation, payload in (
        (m.LinkTest.OPERATION, b"\x00x"),
        (m.Describe.OPERATION, b""),
        (0x7E, b""),
        (0x44, b"\x03"),
    ):
        dut.silent(encode_frame(Frame(dut.address, HOST_ADDRESS, 9, operation, payload, 0x1234)))
    dut.alive()


@clause("frame.resync", "does.drop")
@pytest.mark.parametrize(
    "garbage",
    [b"\x01", b"\x00", b"\x00" * 9, b"\xff" * 40, b"\x55" * 300, bytes(range(1, 126)), bytes(range(1, 127)) + b"\x07"],
    ids=["one byte", "delimiter", "delimiters", "forty", "three hundred", "just fits", "just too long"],
)
def test_a_frame_behind_garbage_is_found(dut: Dut, garbage: bytes) -> None:
    assert dut.ask_wire(garbage + dut.wire(m.LinkTest(b"here"))).payload == b"\x00here"
    dut.alive()


@clause("frame.resync", "does.drop")
@pytest.mark.parametrize("length", [1, 3, *range(110, 131), 254, 255, 256])
def test_a_frame_glued_to_garbage_is_no_frame(dut: Dut, length: int) -> None:
    if not dut.is_virtual and length % 5:
        not_checked("a few lengths are enough for a port, where silence takes time")
    dut.silent(b"\x00" + b"\x55" * length + dut.wire(m.LinkTest(b"glued"))[1:])
    dut.alive()


@clause("frame.resync", "frame.counts")
def test_empty_pieces_are_ignored(dut: Dut) -> None:
    before = dut.report()
    dut.silent(b"\x00" * 20)
    after = dut.report()
    assert after.bad_frames == before.bad_frames
    assert after.good_frames == (before.good_frames + 1) & 0xFFFF


@clause("frame.resync")
@pytest.mark.parametrize("kept", [1, 5, 13])
def test_a_frame_behind_a_torn_one_is_found(dut: Dut, kept: int) -> None:
    torn = dut.wire(m.LinkTest(b"torn off"))[:kept]
    assert dut.ask_wire(torn + dut.wire(m.LinkTest(b"whole"))).payload == b"\x00whole"


@clause("frame.resync", "line.next")
def test_frames_back_to_back_are_all_taken(dut: Dut) -> None:
    suppress = m.Suppress(1, bytes(7) + b"\x01")
    before = dut.report().good_frames
    wire = dut.wire(suppress, BROADCAST_ADDRESS) * 6 + dut.wire(m.LinkTest(b"last"))
    assert dut.ask_wire(wire).payload == b"\x00last"
    assert dut.report().good_frames == (before + 8) & 0xFFFF


@clause("op.44", "frame.counts")
def test_requests_for_others_are_counted_and_replies_are_not(dut: Dut) -> None:
    other = dut.address % 239 + 1
    before = dut.report().good_frames
    reply = reply_frame(m.LinkTested(b"said by another"), request_frame(m.LinkTest(b""), other, 9), other, 0x5A)
    dut.silent(dut.wire(m.LinkTest(b"for another"), other) + encode_frame(reply))
    assert dut.report().good_frames == (before + 2) & 0xFFFF


@clause("frame.resync", "line.next")
def test_two_frames_may_fraction_a_delimiter(dut: Dut) -> None:
    first, second = dut.wire(m.Suppress(1, bytes(7) + b"\x01"), BROADCAST_ADDRESS), dut.wire(m.LinkTest(b"second"))
    assert dut.ask_wire(first + second[1:]).payload == b"\x00second"


@clause("page.gaps")
@pytest.mark.parametrize("gap_ms", [1, 40])
def test_gaps_within_a_frame_do_not_matter(dut: Dut, gap_ms: int) -> None:
    wire = dut.wire(m.LinkTest(b"slow"))
    dut.drain()
    for byte in wire[:-1]:
        said = dut.say(bytes([byte]))
        heard = dut.hear(said.end_ns + gap_ms * MS)
        assert heard == b"", f"it spoke within a request: {heard.hex(' ')}"
    assert dut.ask_wire(wire[-1:]).payload == b"\x00slow"


@clause("frame.sequence", "frame.operation", "frame.tag")
@pytest.mark.parametrize("sequence", [0, 1, 0x7F, 0x80, 0xFF])
def test_the_header_of_an_answer_fits_the_request(dut: Dut, sequence: int) -> None:
    for message in (m.Describe(), m.Report(), m.LinkTest(b"")):
        frame = dut.ask_frame(message, sequence=sequence)
        assert frame.source == dut.address


@clause("frame.tag", "find.hash")
def test_the_tag_is_the_digest_of_the_uid(dut: Dut) -> None:
    assert dut.ask_wire(dut.wire(m.Describe())).tag == dut.tag
    assert dut.ask(m.Describe(), m.Description).uid == dut.uid


@clause("frame.check", "frame.counts", "op.44")
def test_good_and_bad_frames_are_counted(dut: Dut) -> None:
    before = dut.report()
    wire = bytearray(dut.wire(m.LinkTest(b"abc")))
    wire[4] ^= 0x10
    for _ in range(3):
        dut.silent(bytes(wire))
    after = dut.report()
    assert (after.bad_frames - before.bad_frames) & 0xFFFF == 3
    assert (after.good_frames - before.good_frames) & 0xFFFF == 1


@clause("frame.source")
@pytest.mark.parametrize("source", [HOST_ADDRESS, 1, 0xEF, UNADDRESSED])
def test_its_reply_goes_to_the_source_of_the_request(dut: Dut, source: int) -> None:
    frame = dut.ask_wire(framed(body_of(dut, source=source)))
    assert frame.destination == source, f"a reply to 0x{source:02X} was expected, it goes to 0x{frame.destination:02X}"


@clause("line.echo", "frame.counts")
def test_its_own_bytes_are_not_counted(dut: Dut) -> None:
    dut.require_alone()
    before = dut.report()
    for _ in range(4):
        dut.alive()
    after = dut.report()
    assert after.bad_frames == before.bad_frames, "its own replies were counted as bad frames"
    assert after.good_frames == (before.good_frames + 5) & 0xFFFF, "its own replies were counted as requests"


@clause("frame.resync", "frame.check", "does.drop")
@settings(
    max_examples=25,
    deadline=None,
    derandomize=True,
    database=None,
    suppress_health_check=[HealthCheck.function_scoped_fixture, HealthCheck.too_slow],
)
@given(wire=strategies.spoiled_wires())
def test_nothing_that_is_no_frame_is_answered(dut: Dut, wire: bytes) -> None:
    good = [one for one in Decoder().feed(b"\x00" + wire + b"\x00") if isinstance(one, Frame)]
    if not good:
        dut.silent(b"\x00" + wire + b"\x00")
    assert dut.ask_wire(b"\x00" + dut.wire(m.LinkTest(b"on"))).payload == b"\x00on"


@clause("frame.resync")
def test_a_storm_of_garbage_is_survived(dut: Dut) -> None:
    for number in range(8):
        garbage = bytes((number * 89 + at * 57) % 255 + 1 for at in range(400))
        dut.say(garbage)
    assert dut.ask_wire(b"\x00" + dut.wire(m.LinkTest(b"calm"))).payload == b"\x00calm"
    assert replies_in(dut.drain()) == []
