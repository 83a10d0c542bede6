"""Our captures in tools that others wrote, with the decoders that we print for them: every field of every frame.

The packet analyser (tshark) runs the Lua dissector, the logic analyser (sigrok-cli) the stacked decoder. Both must say
what our own decoder says: the same fields in the same order, the same values, the same text, at the same place.
"""

from __future__ import annotations

import re
import subprocess
from collections.abc import Iterable, Sequence
from pathlib import Path

import pytest
from hypothesis import Phase, given, settings
from hypothesis import strategies as st

from busproto.capture.decoding import ANSWER, BYTE, GOOD, Entry, decode
from busproto.capture.pcapng import Capture, Packet, head_bytes, packet_bytes, read
from busproto.capture.pieces import MAX_RUN_BYTES
from busproto.capture.recorder import airtime_ns
from busproto.sim.line.waveform import level_at, of_bytes, rate_of
from busproto.sim.wave_out import write_vcd
from busproto.wire import encode_frame
from busproto.wire.field_rows import Cell
from busproto.wire.frame import Frame
from busproto.wire.generators.sigrok_source import DECODER_NAME, sigrok_files
from tests.capture.make import CAPTURES, MADE, Made, made_again
from tests.outside import sigrok, tshark
from tests.strategies import frames, message_frames, spoiled

WORKED_OUT = {"request_in", "since_request"}
"""Cells that are no bytes of the packet."""
NOT_CELLS = {"echo", "reply_in"}
"""What the analyser shows beside the cells."""
BY_WORD = {"problem"}
"""Cells whose text is a word in the other tools, and a sentence here."""
SAMPLES_PER_BIT = 10

FEW = settings(max_examples=4, phases=(Phase.explicit, Phase.reuse, Phase.generate))
"""Each example is a run of a tool, and full of messages; one that fails is not shrunk, which would take minutes."""

CAPTURED = pytest.mark.parametrize("made", MADE, ids=lambda made: made.name)


def shipped(made: Made) -> Path:
    return CAPTURES / f"{made.name}.pcapng"


def bytes_value(value: str) -> str:
    """A value as the analyser shows it, as a cell holds it: bytes without colons, hexadecimal numbers as decimal."""
    if re.fullmatch(r"[0-9a-f]{2}(:[0-9a-f]{2})+", value):
        return value.replace(":", "")
    return str(int(value, 16)) if value.startswith("0x") else value


# --- the packet analyser ---------------------------------------------------------------------------------------


def compare_with_tshark(entries: Sequence[Entry], file: Path, script: Path) -> int:
    """Hold every field of every packet against our own; gives how many fields that were."""
    shown = tshark.fields(file, script)
    assert len(shown) == len(entries)
    compared = 0
    for entry, fields in zip(entries, shown, strict=True):
        cells = entry.cells()
        theirs = [one for one in fields if one.name not in NOT_CELLS and not one.name.startswith("note.")]
        assert [one.name for one in theirs] == [cell.name for cell in cells], f"packet {entry.number}"
        assert [bytes_value(one.value) for one in theirs] == [cell.value for cell in cells], f"packet {entry.number}"
        for one, cell in zip(theirs, cells, strict=True):
            if cell.name not in WORKED_OUT:
                word = cell.value if cell.name in BY_WORD else cell.text
                assert one.text == f"{cell.name}: {word}", f"packet {entry.number}"
            if cell.at is not None and cell.size:
                in_body = 0 if cell.name in {"check", "raw", "byte"} else 1 + entry.lead
                assert (one.at + in_body, one.size) == (cell.at, cell.size), f"packet {entry.number}: {cell.name}"
            compared += 1
        assert any(one.name == "echo" for one in fields) == (entry.packet.is_echo and entry.frame is not None)
    return compared


@CAPTURED
def test_the_analyser_shows_every_field_of_every_packet(made: Made, tmp_path: Path) -> None:
    tshark.require()
    entries = list(decode(read(shipped(made))))
    assert compare_with_tshark(entries, shipped(made), tmp_path / "busproto.lua") > 5 * len(entries)


any_wires = st.lists(
    message_frames().map(encode_frame)
    | frames().map(encode_frame)
    | spoiled(message_frames().map(encode_frame))
    | st.binary(min_size=1, max_size=MAX_RUN_BYTES),
    min_size=30,
    max_size=120,
)
"""Messages of every kind, frames with any payload, damaged ones, and no frames at all."""


def written(wires: Iterable[bytes], path: Path, baud: int = 115_200) -> Capture:
    """A capture of these, one millisecond apart; requests are sent, all else is heard."""
    data = head_bytes(baud, "test", "")
    for number, wire in enumerate(wires, 1):
        is_sent = len(wire) > 13 and wire[:1] == b"\x00" and wire[2] & 0x10 == 0
        data += packet_bytes(Packet(number * 100_000_000, wire, is_sent))
    path.write_bytes(data)
    return read(path)


@given(any_wires)
@FEW
def test_the_analyser_shows_any_message_and_any_bytes(
    tmp_path_factory: pytest.TempPathFactory, wires: list[bytes]
) -> None:
    tshark.require()
    folder = tmp_path_factory.mktemp("any")
    entries = list(decode(written(wires, folder / "any.pcapng")))
    compare_with_tshark(entries, folder / "any.pcapng", folder / "busproto.lua")


@CAPTURED
def test_filters_and_notes_find_what_is_wrong(made: Made, tmp_path: Path) -> None:
    tshark.require()
    entries = list(decode(read(shipped(made))))

    def numbers(filtered: str) -> list[int]:
        out = tshark.run(
            tmp_path / "busproto.lua", "-r", str(shipped(made)), "-Y", filtered, "-T", "fields", "-e", "frame.number"
        )
        return [int(line) for line in out.split()]

    no_frames = [one.number for one in entries if one.kind not in {GOOD, BYTE, ANSWER}]
    assert numbers("busproto.problem") == no_frames
    assert numbers('_ws.expert.message == "no frame"') == [
        one.number for one in entries if one.reason in {"too short", "too long", "check", "content"}
    ]
    refused = [one.number for one in entries if any(cell.name == "refused.code" for cell in one.cells())]
    assert numbers('_ws.expert.message == "refused"') == refused
    assert numbers("frame.packet_flags_crc_error == 1") == [one.number for one in entries if one.reason == "check"]
    assert numbers("busproto.operation == 0x44 && busproto.control_reply == 1 && !busproto.echo") == [
        one.number for one in entries if one.frame is not None and one.frame.operation == 0x44 and one.frame.is_reply
    ]


# --- the logic analyser ----------------------------------------------------------------------------------------


@pytest.fixture
def decoder(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """The stacked decoder, where sigrok-cli finds it."""
    sigrok.require()
    install(tmp_path / "decoders")
    monkeypatch.setenv("SIGROKDECODE_DIR", str(tmp_path / "decoders"))


def install(folder: Path) -> None:
    (folder / DECODER_NAME).mkdir(parents=True)
    for name, text in sigrok_files().items():
        (folder / DECODER_NAME / name).write_text(text, "utf-8")


def waveform(pieces: Iterable[tuple[int, bytes]], baud: int, path: Path) -> Path:
    """Bytes at their times as samples; where two overlap the later one waits."""
    rate, free_ns = rate_of(baud), airtime_ns(2, baud)
    edges: list[int] = []
    for start_ns, data in pieces:
        start_ns = max(start_ns, free_ns)
        edges += of_bytes(start_ns, data, rate)
        free_ns = start_ns + airtime_ns(len(data), baud) + 1
    step = 10**9 / (baud * SAMPLES_PER_BIT)
    count = round((free_ns + airtime_ns(30, baud)) / step)
    samples, level, at = bytearray(), 1, 0
    for edge in edges:
        until = round(edge / step)
        samples += bytes([level]) * (until - at)
        at, level = until, 1 - level
    samples += bytes([1]) * (count - at)
    assert level == level_at(edges, free_ns + 10**9) == 1
    return sigrok.raw_file(path, bytes(samples))


def told(file: Path, form: str, baud: int, line: str = "0") -> list[str]:
    """What the stacked decoder says, in its order."""
    decoders = f"uart:rx={line}:baudrate={baud},{DECODER_NAME}"
    done = subprocess.run(
        [sigrok.TOOL, "-i", str(file), "-I", form, "-P", decoders, "-A", DECODER_NAME],
        capture_output=True,
        text=True,
        check=False,
        timeout=tshark.PATIENCE_S,
    )
    assert (done.returncode, done.stderr) == (0, "")
    return [line.partition(": ")[2] for line in done.stdout.splitlines()]


def lines_of(entry: Entry) -> list[str]:
    """What it must say of a frame: its title, then every cell that stands in bytes."""
    lines = [entry.title]
    for cell in entry.cells():
        if cell.name not in WORKED_OUT:
            lines.append(f"{cell.name}: {cell.value if cell.name in BY_WORD else cell.text}")
    return lines


def frames_told(lines: list[str]) -> tuple[list[list[str]], str]:
    """The lines of each frame, and all bytes that are in none, but for delimiters."""
    frames: list[list[str]] = []
    others = ""
    for line in lines:
        name, _, text = line.partition(": ")
        if ": " not in line:
            frames.append([line])
        elif name == "raw":
            others += "".join(byte for byte in re.findall("..", text) if byte != "00")
        elif name == "byte":
            others += text.split(" ")[1]
        elif name == "problem" and text != "message":
            continue
        else:
            frames[-1].append(line)
    return frames, others


def compare_with_sigrok(entries: list[Entry], lines: list[str]) -> int:
    """Hold every field of every good frame against our own, and the bytes that are in none; gives how many fields."""
    theirs, others = frames_told(lines)
    ours = [lines_of(entry) for entry in entries if entry.frame is not None]
    for their, our in zip(theirs, ours, strict=False):  # one by one: a difference of all would take minutes to show
        assert [line.strip() for line in their] == [line.strip() for line in our]
    assert len(theirs) == len(ours)
    left = "".join(entry.packet.data.replace(b"\x00", b"").hex() for entry in entries if entry.frame is None)
    assert others == left
    return sum(map(len, ours))


@pytest.mark.needs_sigrok
@CAPTURED
@pytest.mark.usefixtures("decoder")
def test_the_logic_analyser_tells_every_field_of_every_frame(made: Made, tmp_path: Path) -> None:
    """What the host heard, put on a line again as a waveform, each packet at its time."""
    capture = read(shipped(made))
    entries = [entry for entry in decode(capture) if not entry.packet.is_sent]
    packets = [entry.packet for entry in entries]
    pieces = [(one.time_ns - airtime_ns(len(one.data), capture.baud), one.data) for one in packets]
    file = waveform(pieces, capture.baud, tmp_path / "wave")
    form = f"binary:numchannels=1:samplerate={capture.baud * SAMPLES_PER_BIT}"
    assert compare_with_sigrok(entries, told(file, form, capture.baud)) > 50


@pytest.mark.needs_sigrok
@pytest.mark.usefixtures("decoder")
@pytest.mark.parametrize("made", [made for made in MADE if made.is_clean], ids=lambda made: made.name)
def test_the_logic_analyser_reads_the_line_itself(made: Made, tmp_path: Path) -> None:
    """The waveform that the bus wrote while the capture was made: its frames are those of the capture."""
    with made_again(made) as (path, bus):
        capture = read(path)
        vcd = tmp_path / "line.vcd"
        with vcd.open("w", encoding="utf-8") as out:
            write_vcd(bus, out)
    entries = [entry for entry in decode(capture) if not entry.packet.is_sent]
    downsample = 10 if capture.baud > 200_000 else 100
    lines = told(vcd, f"vcd:downsample={downsample}", capture.baud, "host_sees")
    assert compare_with_sigrok(entries, lines) > 50


@pytest.mark.needs_sigrok
@given(st.lists(message_frames() | frames(), min_size=20, max_size=60))
@FEW
def test_the_logic_analyser_tells_any_message(tmp_path_factory: pytest.TempPathFactory, some: list[Frame]) -> None:
    sigrok.require()
    folder = tmp_path_factory.mktemp("any")
    install(folder / "decoders")
    capture = written(map(encode_frame, some), folder / "any.pcapng")
    entries = list(decode(capture))
    file = waveform([(0, one.packet.data) for one in entries], capture.baud, folder / "wave")
    with pytest.MonkeyPatch.context() as patch:
        patch.setenv("SIGROKDECODE_DIR", str(folder / "decoders"))
        form = f"binary:numchannels=1:samplerate={capture.baud * SAMPLES_PER_BIT}"
        compare_with_sigrok(entries, told(file, form, capture.baud))


def test_a_cell_of_each_name_is_known_to_both_tools() -> None:
    """A name with blanks or capitals would be no name of a field in a filter."""
    for made in MADE:
        for entry in decode(read(shipped(made))):
            for cell in entry.cells():
                assert isinstance(cell, Cell)
                assert re.fullmatch(r"[a-z0-9_.]+", cell.name)
