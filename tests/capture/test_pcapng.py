"""The file: what is written is read again, another library reads it too, and bad, cut or foreign ones are told of."""

from __future__ import annotations

import io
import struct
import warnings
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from busproto.capture.pcapng import (
    CRC_ERROR,
    ECHO,
    ERROR_BITS,
    LINE,
    LINK_TYPE,
    START_ERROR,
    SYMBOL_ERROR,
    TOO_LONG,
    TOO_SHORT,
    Packet,
    head_bytes,
    packet_bytes,
    read,
)
from busproto.errors import FileError

with warnings.catch_warnings():
    warnings.simplefilter("ignore")  # it uses what its own dependencies have given up
    import pcapng

HEAD = head_bytes(115_200, "a program", "a comment")
ERRORS = (CRC_ERROR, TOO_LONG, TOO_SHORT, START_ERROR, SYMBOL_ERROR)

packets = st.builds(
    Packet,
    st.integers(0, 2**63 - 1),
    st.binary(max_size=300),
    st.booleans(),
    st.just(False),
    st.sampled_from(ERRORS) | st.just(0),
    st.text(max_size=40).filter(lambda text: "\x00" not in text),
)


def written(path: Path, *some: Packet) -> Path:
    path.write_bytes(HEAD + b"".join(map(packet_bytes, some)))
    return path


@given(st.lists(packets, max_size=20))
def test_what_is_written_is_read_again(tmp_path_factory: pytest.TempPathFactory, some: list[Packet]) -> None:
    capture = read(written(tmp_path_factory.mktemp("round") / "a.pcapng", *some))
    assert capture.packets == tuple(some)
    assert (capture.baud, capture.cut) == (115_200, "")


@pytest.mark.filterwarnings("ignore:Field type should not be:DeprecationWarning")
def test_another_library_reads_the_same(tmp_path: Path) -> None:
    """python-pcapng, a library for this format, is the judge of blocks, options and flags."""
    some = [
        Packet(1_700_000_000_123_456_789, b"\x00abc\x00", True),
        Packet(7, b"\x01\x02\x03", False, False, CRC_ERROR, "check differs"),
        Packet(8, b"", False, False, TOO_SHORT),
        Packet(9, b"\xff" * 8, False, True),
        Packet(10, b"x", False, False, START_ERROR),
        Packet(11, b"y", False, False, SYMBOL_ERROR),
        Packet(12, b"y", False, False, TOO_LONG),
    ]
    blocks = list(pcapng.FileScanner(io.BytesIO(written(tmp_path / "a.pcapng", *some).read_bytes())))
    section, line, echo, *theirs = blocks
    assert section.options["opt_comment"] == "a comment"
    assert section.options["shb_userappl"] == "a program"
    assert [(one.link_type, one.options["if_name"]) for one in (line, echo)] == [
        (LINK_TYPE, "line"),
        (LINK_TYPE, "echo"),
    ]
    assert [one.options["if_speed"] for one in (line, echo)] == [115_200, 115_200]
    assert [one.timestamp_resolution for one in (line, echo)] == [1e-9, 1e-9]
    flags = {CRC_ERROR: "err_crc", TOO_SHORT: "err_short", TOO_LONG: "err_long", SYMBOL_ERROR: "err_symbol"}
    for packet, block in zip(some, theirs, strict=True):
        assert block.interface_id == (ECHO if packet.is_echo else LINE)
        assert block.timestamp_high << 32 | block.timestamp_low == packet.time_ns
        assert block.packet_data == packet.data
        assert block.options["epb_flags"].inout == ("outbound" if packet.is_sent else "inbound")
        for bit, name in flags.items():
            assert bool(getattr(block.options["epb_flags"], name)) == (packet.errors == bit)
        assert (block.options["opt_comment"] if packet.comment else "") == packet.comment


def test_a_file_of_another_program_is_read(tmp_path: Path) -> None:
    """Big endian, microseconds, an unknown block, no options, no rate."""

    def block(kind: int, body: bytes) -> bytes:
        size = struct.pack(">I", len(body) + 12)
        return struct.pack(">I", kind) + size + body + size

    data = block(0x0A0D0D0A, struct.pack(">IHHq", 0x1A2B3C4D, 1, 0, -1))
    data += block(1, struct.pack(">HHI", LINK_TYPE, 0, 0))
    data += block(5, bytes(12))  # interface statistics
    data += block(6, struct.pack(">IIIII", 0, 0, 1_500_000, 3, 3) + b"abc\x00")
    path = tmp_path / "big.pcapng"
    path.write_bytes(data)
    capture = read(path)
    assert capture.packets == (Packet(1_500_000_000, b"abc", False),)
    assert (capture.baud, capture.cut) == (115_200, "")


def test_a_file_that_was_cut_at_any_byte_is_read_up_to_there(tmp_path: Path) -> None:
    some = [Packet(number, bytes([number]) * (number + 5), bool(number % 2)) for number in range(3)]
    whole = written(tmp_path / "whole.pcapng", *some).read_bytes()
    path = tmp_path / "cut.pcapng"
    ends = [len(HEAD) + len(b"".join(map(packet_bytes, some[:count]))) for count in range(4)]
    assert ends[-1] == len(whole)
    for size in range(len(HEAD), len(whole) + 1):
        path.write_bytes(whole[:size])
        capture = read(path)
        count = sum(end <= size for end in ends) - 1
        assert capture.packets == tuple(some[:count])
        assert bool(capture.cut) == (size not in ends), size
        if capture.cut:
            assert f"{count} packets before that are whole" in capture.cut


@given(st.binary(max_size=60), st.integers(0, 400))
def test_a_damaged_file_is_read_or_told_of_and_never_crashes(
    tmp_path_factory: pytest.TempPathFactory, junk: bytes, at: int
) -> None:
    path = written(tmp_path_factory.mktemp("damaged") / "a.pcapng", *[Packet(1, b"\x00abcdef\x00", True, False)] * 4)
    data = bytearray(path.read_bytes())
    data[at : at + len(junk)] = junk
    path.write_bytes(data)
    told = ""
    try:
        read(path)
    except FileError as error:
        told = str(error)
    assert "\n" not in told


@pytest.mark.parametrize(
    ("data", "says"),
    [
        (b"", "it is empty"),
        (b"hello, world", "it does not begin as a pcapng file does"),
        (bytes.fromhex("d4c3b2a1020004000000000000000000ffff000093000000"), "pcap file of the old kind"),
        (HEAD.replace(struct.pack("<HHI", LINK_TYPE, 0, 0), struct.pack("<HHI", 1, 0, 0)), "link type 1;"),
        (HEAD[:8] + b"????" + HEAD[12:], "byte order mark is wrong"),
    ],
)
def test_a_foreign_file_is_refused_on_one_line(data: bytes, says: str, tmp_path: Path) -> None:
    path = tmp_path / "foreign"
    path.write_bytes(data)
    with pytest.raises(FileError) as caught:
        read(path)
    assert says in str(caught.value)
    assert str(caught.value).startswith(f"'{path}': ")
    assert "\n" not in str(caught.value)


def test_a_file_that_is_not_there(tmp_path: Path) -> None:
    with pytest.raises(FileError, match="cannot be read: No such file"):
        read(tmp_path / "none")
    with pytest.raises(FileError, match="cannot be read: it is a directory"):
        read(tmp_path)


def test_the_error_bits_are_apart_from_the_direction() -> None:
    assert all(bit & ERROR_BITS == bit for bit in ERRORS)
    assert len({*ERRORS}) == len(ERRORS)
