"""Recording: the port stays what it is, and the file holds what went over it, also of a program that was killed."""

from __future__ import annotations

import contextlib
import signal
import subprocess
import sys
from collections.abc import Callable, Iterator
from contextlib import AbstractContextManager
from functools import partial
from pathlib import Path
from typing import Any

import pytest

from busproto.capture.decoding import decode
from busproto.capture.pcapng import CRC_ERROR, START_ERROR, TOO_SHORT, Capture, Packet, read
from busproto.capture.pieces import GOOD
from busproto.capture.recorder import PacketWriter, Recorder, RecordingTransport
from busproto.errors import FileError
from busproto.ops import Link, find, report
from busproto.sim.scene.scenario import load
from busproto.wire import encode_frame, reply_frame, request_frame
from busproto.wire import messages as m
from tests.contract import suite
from tests.contract.ports import host_port, loop_url, pseudo_terminal, sim_url, tcp
from tests.contract.suite import CHECKS, EchoPort

MS = 1_000_000
BAUD = 115_200
ASK = request_frame(m.Release(), 5, 7)
WIRE = encode_frame(ASK)


# --- the port ---


@contextlib.contextmanager
def recorded(factory: Callable[[], AbstractContextManager[EchoPort]], folder: Path) -> Iterator[EchoPort]:
    with factory() as port:
        path = folder / f"{len(list(folder.iterdir()))}.pcapng"
        transport = RecordingTransport(port.transport, path)
        try:
            yield EchoPort(transport, port.turn, port.is_virtual)
        finally:
            transport.close()
        read(path)


@pytest.mark.parametrize("check", CHECKS, ids=lambda check: check.__name__)
@pytest.mark.parametrize("factory", [host_port, sim_url, loop_url, pseudo_terminal, tcp], ids=lambda one: one.__name__)
def test_a_recorded_port_is_a_port(factory: Any, check: Callable[[suite.Factory], None], tmp_path: Path) -> None:
    check(partial(recorded, factory, tmp_path))


def test_all_bytes_that_went_over_the_port_are_in_the_file(tmp_path: Path) -> None:
    bus = load("bench-four").build(1)
    came, went = bytearray(), bytearray()
    inner_read, inner_write = bus.host.read_until, bus.host.write

    def read_until(deadline_ns: int) -> bytes:
        data = inner_read(deadline_ns)
        came.extend(data)
        return data

    def write(data: bytes) -> None:
        went.extend(data)
        inner_write(data)

    bus.host.read_until, bus.host.write = read_until, write  # type: ignore[method-assign]
    with Link(RecordingTransport(bus.host, tmp_path / "a.pcapng")) as link:
        link.run(find())
        with pytest.raises(Exception, match="shared by several"):
            link.run(report(7))
        link.run(report(3))
    packets = read(tmp_path / "a.pcapng").packets
    assert b"".join(one.data for one in packets if one.is_sent) == went
    assert b"".join(one.data for one in packets if not one.is_sent) == came


def test_a_file_that_is_there_is_left_alone_and_so_is_the_port(tmp_path: Path) -> None:
    path = tmp_path / "a.pcapng"
    path.write_text("mine", "utf-8")
    host = load("bench-four").build(1).host
    with pytest.raises(FileError, match="the file exists"):
        RecordingTransport(host, path)
    with pytest.raises(FileError, match="it cannot be written: No such file"):
        RecordingTransport(host, tmp_path / "no" / "a.pcapng")
    assert path.read_text("utf-8") == "mine"
    host.write(WIRE)


def test_a_full_disk_is_told_of_and_does_not_stop_the_port(tmp_path: Path) -> None:
    writer = PacketWriter(tmp_path / "a.pcapng", BAUD, "")
    writer._file.close()
    with open("/dev/full", "wb", buffering=0) as writer._file:
        writer.write(Packet(1, WIRE, True))
        assert writer.failure == "No space left on device"
        writer.write(Packet(2, WIRE, True))
    assert writer.failure == "No space left on device"


KILLED = """
import sys
import busproto.sim
from pathlib import Path
from busproto.capture.recorder import RecordingTransport
from busproto.ops import Link, report
from busproto.transport import open_transport
link = Link(RecordingTransport(open_transport("sim://bench-four?seed=1"), Path(sys.argv[1])))
while True:
    link.run(report(3))
    print(flush=True)
"""


def test_a_program_that_is_killed_leaves_a_file_that_can_be_read(tmp_path: Path) -> None:
    path = tmp_path / "a.pcapng"
    process = subprocess.Popen([sys.executable, "-c", KILLED, str(path)], stdout=subprocess.PIPE)
    assert process.stdout is not None
    for _ in range(5):
        process.stdout.readline()
    process.send_signal(signal.SIGKILL)
    process.communicate(timeout=60)
    capture = read(path)
    entries = list(decode(capture))
    assert capture.cut == ""
    assert sum(isinstance(entry.message, m.Status) for entry in entries) >= 5
    assert all(entry.kind == GOOD for entry in entries)


# --- what becomes a packet ---


class Tape:
    """A recorder with a file behind it, driven by hand."""

    def __init__(self, folder: Path) -> None:
        self._path = folder / "tape.pcapng"
        self._writer = PacketWriter(self._path, BAUD, "")
        self.recorder = Recorder(self._writer, BAUD)

    def end(self) -> Capture:
        self.recorder.end()
        self._writer.close()
        return read(self._path)


@pytest.fixture
def tape(tmp_path: Path) -> Tape:
    return Tape(tmp_path)


def test_requests_of_one_burst_begin_when_the_line_is_free(tape: Tape) -> None:
    tape.recorder.sent(WIRE + WIRE, 1000)
    tape.recorder.sent(WIRE, 2000)
    # 14 bytes at 115 200 Bd last 1,215,277 ns
    assert [one.time_ns for one in tape.end().packets] == [1000, 1000 + 1_215_277, 1000 + 2 * 1_215_277]


def test_an_echo_is_one_only_if_it_is_whole_and_only_once(tape: Tape) -> None:
    tape.recorder.sent(WIRE, 0)
    tape.recorder.heard(WIRE, 2 * MS)
    tape.recorder.heard(WIRE, 4 * MS)
    broken = WIRE[:6] + bytes([WIRE[6] ^ 1]) + WIRE[7:]
    tape.recorder.sent(WIRE, 5 * MS)
    tape.recorder.heard(broken, 7 * MS)
    packets = tape.end().packets
    assert [one.is_echo for one in packets] == [False, True, False, False, False]
    assert packets[-1].errors == CRC_ERROR


def test_two_that_answer_one_request_are_told_of(tape: Tape) -> None:
    tape.recorder.sent(WIRE, 0)
    answers = [encode_frame(reply_frame(m.Released(m.State.RELEASED), ASK, 5, tag)) for tag in (1, 2)]
    tape.recorder.heard(b"".join(answers), 9 * MS)
    assert [one.comment for one in tape.end().packets] == ["", "", "clash: answer 2 to one request"]


def test_replies_in_a_window_are_no_clash(tape: Tape) -> None:
    call = request_frame(m.RollCall(1, 2, 8, ()), 0xFF, 3)
    tape.recorder.sent(encode_frame(call), 0)
    for tag in (1, 2):
        tape.recorder.heard(encode_frame(reply_frame(m.Present(bytes(8)), call, 240, tag)), 9 * MS)
    assert [one.comment for one in tape.end().packets] == ["", "", ""]


def test_silence_ends_a_run_and_a_short_one_does_not(tape: Tape) -> None:
    tape.recorder.heard(b"\x81\x82", MS)
    tape.recorder.heard(b"", MS + 100_000)
    tape.recorder.heard(b"\x83", MS + 200_000)
    tape.recorder.heard(b"", 9 * MS)
    tape.recorder.heard(b"\x84", 10 * MS)
    packets = tape.end().packets
    assert [(one.time_ns, one.data) for one in packets] == [(MS + 200_000, b"\x81\x82\x83"), (10 * MS, b"\x84")]
    assert [one.errors for one in packets] == [START_ERROR, 0]


def test_answers_of_a_member_list_are_one_packet_each_with_its_time(tape: Tape) -> None:
    tape.recorder.sent(encode_frame(request_frame(m.MemberList(1, 2, 0, 2, (3, 4)), 0xFF, 3)), 0)
    tape.recorder.heard(b"\x81", 5 * MS)
    tape.recorder.heard(b"\x82\x83", 6 * MS)
    assert [(one.time_ns, one.data, one.comment) for one in tape.end().packets[1:]] == [
        (5 * MS, b"\x81", ""),
        (6 * MS, b"\x82", ""),
        (6 * MS, b"\x83", ""),
    ]


def test_what_is_behind_a_request_to_one_says_so(tape: Tape) -> None:
    tape.recorder.sent(WIRE, 0)
    tape.recorder.heard(b"\x00abc\x00", MS)
    (packet,) = tape.end().packets[1:]
    assert packet.errors == TOO_SHORT
    assert packet.comment.startswith("3 bytes, a frame has 12 at least; behind a request to address 5: ")
