"""Many frames at once, held against the plain decoder."""

from __future__ import annotations

import random
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from busproto.capture import bulk
from busproto.capture.bulk_count import count_bulk
from busproto.capture.decoding import decode
from busproto.capture.pcapng import Packet, head_bytes, packet_bytes, read
from busproto.capture.pieces import BAD, BYTE, RUN
from busproto.capture.statistics import Fact, count, facts_of, statistics_of
from busproto.wire import Frame, encode_frame, reply_frame, request_frame
from busproto.wire import messages as m
from tests.capture.make import CAPTURES, MADE, Made
from tests.strategies import frames, message_frames, spoiled

pytest.importorskip("numpy", reason="numpy is not installed (extra 'fast')")

wires = st.lists(
    frames().map(encode_frame)
    | message_frames().map(encode_frame)
    | spoiled(frames().map(encode_frame))
    | st.binary(max_size=200),
    max_size=60,
)


def many_of(path: Path) -> bulk.Bulk:
    found = bulk.load(path)
    assert found is not None
    return found


def hold_against_plain(path: Path) -> None:
    capture, many = read(path), many_of(path)
    entries = list(decode(capture))
    assert len(many) == len(entries)
    rows = list(map(Fact._make, bulk.facts_of(many)))
    for row, fact in zip(rows, facts_of(capture), strict=True):
        assert row == fact
    reasons = [bulk.REASONS[number] for number in many.status.tolist()]
    plain = [entry.reason if entry.kind in {BAD, RUN, BYTE} else "" for entry in entries]
    assert reasons == plain
    _hold_columns(many, entries)
    assert count_bulk(many) == count(facts_of(capture), capture.baud)


def _hold_columns(many: bulk.Bulk, entries: list) -> None:  # type: ignore[type-arg]
    for row in bulk.FIXED_ROWS:
        places, columns = many.columns(row)
        wanted = [
            entry
            for entry in entries
            if entry.message is not None
            and entry.frame.operation == row.operation
            and entry.frame.is_reply == row.is_reply
            and type(entry.message).__name__.lower() == row.key.replace("_", "")
            and entry.number - 1 not in many.plain
        ]
        found = {place: at for at, place in enumerate(places.tolist())}
        for entry in wanted:
            at = found[entry.number - 1]
            for field in row.fields:
                value = getattr(entry.message, field.name)
                theirs = columns[field.name][at]
                if field.kind == "number":
                    assert theirs == value
                else:
                    raw = value if isinstance(value, bytes) else value.encode().ljust(field.size, b"\x00")
                    assert theirs.tobytes() == raw


@pytest.mark.parametrize("made", MADE, ids=lambda made: made.name)
def test_the_same_of_every_shipped_capture(made: Made) -> None:
    path = CAPTURES / f"{made.name}.pcapng"
    hold_against_plain(path)
    plain = read(path)
    assert statistics_of(path)[0] == count(facts_of(plain), plain.baud)


@given(wires)
def test_the_same_of_any_bytes(tmp_path_factory: pytest.TempPathFactory, some: list[bytes]) -> None:
    path = tmp_path_factory.mktemp("any") / "a.pcapng"
    data = head_bytes(9600, "", "")
    for number, wire in enumerate(some):
        data += packet_bytes(Packet(number << 30, wire, number % 3 == 0, False, 0, "x" * (number % 5)))
    path.write_bytes(data)
    if some:
        hold_against_plain(path)


def test_data_that_look_like_a_packet_do_not_fool_it(tmp_path: Path) -> None:
    inner = packet_bytes(Packet(1, b"\x00" * 40, False))
    path = tmp_path / "a.pcapng"
    path.write_bytes(
        head_bytes(9600, "", "") + packet_bytes(Packet(2, inner, False)) + packet_bytes(Packet(3, b"a", True))
    )
    many = many_of(path)
    assert many.size.tolist() == [len(inner), 1]
    hold_against_plain(path)


def test_what_it_does_not_know_is_left_to_the_plain_way(tmp_path: Path) -> None:
    path = tmp_path / "a.pcapng"
    whole = head_bytes(9600, "", "") + packet_bytes(Packet(2, b"abc", False))
    path.write_bytes(whole[:-1])
    assert bulk.load(path) is None
    assert statistics_of(path)[1].startswith("it ends in the middle of a packet")
    path.write_bytes(whole + b"\x05\x00\x00\x00\x0c\x00\x00\x00\x0c\x00\x00\x00")
    assert bulk.load(path) is None
    path.write_bytes(head_bytes(9600, "", ""))
    assert bulk.load(path) is None
    assert statistics_of(path)[0].packets == 0


def test_without_numpy_the_plain_way_counts_the_same(monkeypatch: pytest.MonkeyPatch) -> None:
    path = CAPTURES / "noise.pcapng"
    quick = statistics_of(path)
    monkeypatch.setattr(bulk, "is_available", lambda: False)
    assert bulk.load(path) is None
    assert statistics_of(path) == quick


def test_random_talk_is_counted_the_same(tmp_path: Path) -> None:
    """Requests, answers, second answers, refusals, repeats, noise and echoes in any order."""
    for seed in range(30):
        rng = random.Random(seed)
        data = head_bytes(100_000, "", "")
        asked = request_frame(m.Report(), 1, 0)
        for number in range(200):
            kind = rng.choice(["ask", "again", "answer", "answer", "refuse", "noise", "byte", "call", "echo", "lead"])
            frame: Frame | None = None
            if kind in {"ask", "call"}:
                to = rng.randrange(1, 4) if kind == "ask" else 255
                message = rng.choice([m.Report(), m.Write(17, b"\x01"), m.Write(17, b"\x02"), m.LinkTest(b"")])
                frame = asked = request_frame(message, to, rng.randrange(4))
            elif kind == "again":
                frame = asked = Frame(asked.destination, 0, rng.randrange(4), asked.operation, asked.payload)
            elif kind == "answer":
                payload = b"\x00" + rng.randbytes(rng.randrange(3))
                sequence = rng.choice([asked.sequence, 9])
                frame = Frame(0, rng.randrange(1, 4), sequence, asked.operation, payload, rng.randrange(2))
            elif kind == "refuse":
                frame = reply_frame(m.Refused(m.Outcome.OUT_OF_RANGE, 0, 1), asked, 2, 1)
            wire = {"noise": b"\x00abcdefghijklmn\x00", "byte": b"\x81"}.get(kind) or encode_frame(frame or asked)
            is_sent = kind in {"ask", "again", "call"}
            wire = wire[1:] if kind == "lead" else wire
            data += packet_bytes(Packet(number * 10**7, wire, is_sent, kind == "echo"))
        path = tmp_path / f"{seed}.pcapng"
        path.write_bytes(data)
        hold_against_plain(path)
