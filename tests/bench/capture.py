"""A capture of many frames: counted, read with all fields, and read by tshark with the dissector that we print.

What is compared is what each makes of the same file: headers, checks and all fields of every frame. tshark starts a
process and runs the dissector in Lua; its start is timed by itself and shown. Also ``python -m tests.bench.capture``.
"""

from __future__ import annotations

import random
import shutil
import subprocess
import tempfile
import time
from collections.abc import Callable
from pathlib import Path
from typing import Final

from busproto.capture.decoding import decode
from busproto.capture.pcapng import Packet, head_bytes, packet_bytes, read
from busproto.capture.statistics import statistics_of
from busproto.wire import encode_frame, reply_frame, request_frame
from busproto.wire.frame import RUNNING_BAUD
from busproto.wire.generators.lua_source import lua_source
from busproto.wire.messages import Report, State, Status

PACKETS: Final = 20_000
DIFFERENT: Final = 10_000
GAP_NS: Final = 500_000


def make_file(path: Path, count: int) -> None:
    """Reports asked of 32 actuators and answered; one answer in fifty is hit by noise."""
    rng = random.Random("bench of captures")
    frames: list[tuple[bytes, bool]] = []
    for number in range(DIFFERENT // 2):
        address = 1 + number % 32
        ask = request_frame(Report(), address, number & 0xFF)
        position = rng.randrange(-9000, 9000)
        status = Status(State.FOLLOWING, 0, position, position, rng.randrange(3000), 7400, 2500, 10, number, 0, 0)
        wire = bytearray(encode_frame(reply_frame(status, ask, address, 0x4000 + address)))
        if rng.random() < 0.02:
            wire[rng.randrange(len(wire))] ^= 1 << rng.randrange(8)
        frames += [(encode_frame(ask), True), (bytes(wire), False)]
    with path.open("wb") as out:
        out.write(head_bytes(RUNNING_BAUD, "benchmark", ""))
        for number in range(count):
            wire_bytes, is_sent = frames[number % len(frames)]
            out.write(packet_bytes(Packet(number * GAP_NS, wire_bytes, is_sent)))


def read_all(path: Path) -> int:
    """Messages and their fields. Gives how many there are."""
    return sum(entry.message is not None for entry in decode(read(path)))


def by_tshark(path: Path, script: Path, fields: tuple[str, ...]) -> int:
    """Good frames as tshark counts them."""
    command = ["tshark", "-n", "-X", f"lua_script:{script}", "-r", str(path), "-T", "fields"]
    for name in fields:
        command += ["-e", f"busproto.{name}"]
    done = subprocess.run(command, capture_output=True, check=True)
    return sum(1 for line in done.stdout.splitlines() if line.strip())


def _best(call: Callable[[], int], rounds: int, clock: Callable[[], float]) -> tuple[float, int]:
    best, found = float("inf"), 0
    for _ in range(rounds):
        begin = clock()
        found = call()
        best = min(best, clock() - begin)
    return best, found


def run(rounds: int) -> None:
    """Print frames a second of each, and how many times as long as ours tshark takes."""
    with tempfile.TemporaryDirectory() as folder:
        capture, empty, script = (Path(folder) / name for name in ("some.pcapng", "empty.pcapng", "busproto.lua"))
        make_file(capture, PACKETS)
        make_file(empty, 0)
        script.write_text(lua_source(), "ascii")
        print(f"captures of {PACKETS} packets, best of {rounds} rounds\n")
        print(f"{'':44}{'seconds':>10}{'a second':>13}")

        def row(name: str, seconds: float) -> None:
            print(f"  {name:42}{seconds:10.3f}{PACKETS / seconds:13,.0f}")

        counting, counted = _best(lambda: statistics_of(capture)[0].kinds["frame"], rounds, time.process_time)
        reading, read_by_us = _best(lambda: read_all(capture), rounds, time.process_time)
        assert counted == read_by_us, "counting and decoding do not agree on how many frames are good"
        row("counted (stats)", counting)
        row("all messages and fields (decode)", reading)
        if shutil.which("tshark") is None:
            print("  tshark is not installed")
            return
        fields = ("operation", "check")
        start, _ = _best(lambda: by_tshark(empty, script, fields), rounds, time.perf_counter)
        taken, read_by_tshark = _best(lambda: by_tshark(capture, script, fields), rounds, time.perf_counter)
        assert read_by_tshark == read_by_us, "tshark does not agree on how many frames are good"
        row("tshark, our dissector (start not counted)", taken - start)
        print(f"\ntshark takes {(taken - start) / reading:.1f} times as long a frame as `decode`")


if __name__ == "__main__":
    run(3)
