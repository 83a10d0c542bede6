"""The shipped captures: made again they are the same, and they hold what was on the line, as the bus itself kept it."""

from __future__ import annotations

import pytest

from busproto.capture.decoding import BYTE, GOOD, decode
from busproto.capture.pcapng import read
from busproto.wire import Decoder, Frame
from busproto.wire import messages as m
from tests.capture.make import CAPTURES, MADE, SHIPPED_BYTES, Made, index, made_again, page

EACH = pytest.mark.parametrize("made", MADE, ids=lambda made: made.name)


@EACH
def test_it_is_what_is_made_now(made: Made) -> None:
    """`python -m tests.capture.make` makes it again where the simulator or the format has changed on purpose."""
    shipped = CAPTURES / f"{made.name}.pcapng"
    with made_again(made) as (path, bus):
        assert path.read_bytes() == shipped.read_bytes()
        assert len(path.read_bytes()) < SHIPPED_BYTES
        line = sorted(bus.line.record or [], key=lambda one: one.end_ns)
    packets = read(shipped).packets
    sent = b"".join(one.data for one in line if one.sender is bus.host)
    assert b"".join(one.data for one in packets if one.is_sent) == sent
    if made.is_clean:
        heard = [one for one in packets if not one.is_sent]
        assert b"".join(one.data for one in heard) == b"".join(one.data for one in line)
        ends = {one.data: one.end_ns for one in line if one.sender is not bus.host}
        times = {one.data: one.time_ns for one in heard if not one.is_echo}
        assert ends.keys() == times.keys()


@EACH
def test_its_frames_are_those_that_the_decoder_finds(made: Made) -> None:
    capture = read(CAPTURES / f"{made.name}.pcapng")
    entries = list(decode(capture))
    heard = b"".join(one.data for one in capture.packets if not one.is_sent)
    found = [one for one in Decoder().feed(heard) if isinstance(one, Frame)]
    assert [one.frame for one in entries if one.kind == GOOD and not one.packet.is_sent] == found
    assert all(one.kind in {GOOD, "answer"} for one in entries) == made.is_clean


@EACH
def test_its_page_is_the_one_that_is_made(made: Made) -> None:
    assert (CAPTURES / f"{made.name}.md").read_text("utf-8") == page(made)
    assert (CAPTURES / f"{made.name}.pcapng").stat().st_size < SHIPPED_BYTES


def test_the_page_of_the_folder_is_the_one_that_is_made() -> None:
    assert (CAPTURES / "README.md").read_text("utf-8") == index()
    names = {made.name for made in MADE}
    assert {path.stem for path in CAPTURES.glob("*.pcapng")} == names
    assert {path.stem for path in CAPTURES.glob("*.md")} == names | {"README"}


def messages(name: str) -> list[m.Message]:
    entries = decode(read(CAPTURES / f"{name}.pcapng"))
    return [one.message for one in entries if one.message is not None and not one.packet.is_echo]


def test_they_show_what_their_pages_say() -> None:
    found = [one.uid.hex() for one in messages("find-tow-plane") if isinstance(one, m.Present)]
    assert len(found) == len(set(found)) == 11
    uids = {one.uid for one in messages("clash") if isinstance(one, m.Present)}
    assert len(uids) == 2
    (assigned,) = (one for one in messages("address-by-uid") if isinstance(one, m.Assigned))
    assert (assigned.uid.hex(), assigned.address) == ("b0a7000000000102", 12)
    states = {one.state for one in messages("signal-loss") if isinstance(one, m.BriefStatus)}
    assert states >= {m.State.LOST_HOLD, m.State.LOST_PRESET, m.State.LOST_LIMP}
    (refused,) = (one for one in messages("settings") if isinstance(one, m.Refused))
    assert (refused.code, refused.low, refused.high) == (m.Outcome.OUT_OF_RANGE, 20, 10_000)
    noise = list(decode(read(CAPTURES / "noise.pcapng")))
    assert {"check"} <= {one.reason for one in noise}
    assert any(one.is_retry for one in noise)
    stuck = list(decode(read(CAPTURES / "stuck-line.pcapng")))
    silent = [one for one in stuck if 0.022 < one.packet.time_ns / 1e9 < 0.06]
    assert silent
    assert all(one.packet.is_sent or one.kind != GOOD for one in silent[1:])
    assert BYTE not in {one.kind for one in silent[:1]}
