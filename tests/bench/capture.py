"""A capture of many frames: read many at once, one by one, and by tshark with the dissector that we print.

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

from busproto.capture import bulk
from busproto.capture.decoding import decode
from busproto.capture.pcapng import Packet, head_bytes, packet_bytes, read
from busproto.capture.statistics import statistics_of
from busproto.wire import encode_frame, reply_frame, request_frame
from busproto.wire.frame import RUNNING_BAUD
from busproto.wire.generators.lua_source import lua_source
from busproto.wire.messages import Report, State, Status

MANY: Final = 1_000_000
FEW: Final = 20_000
"""What the slow ones are given."""
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


def many_at_once(path: Path) -> int:
    """Everything as columns: headers, checks, and the fields of all messages of fixed size."""
    found = bulk.load(path)
    assert found is not None, "numpy is not installed"
    for row in bulk.FIXED_ROWS:
        found.columns(row)
    return found.good


def one_by_one(path: Path) -> int:
    """The plain decoder, messages and fields."""
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
        large, small, script = (Path(folder) / name for name in ("large.pcapng", "small.pcapng", "busproto.lua"))
        make_file(large, MANY)
        make_file(small, FEW)
        script.write_text(lua_source(), "ascii")
        print(f"captures, processor seconds of one core, best of {rounds} rounds\n")
        print(f"{'':44}{'packets':>10}{'seconds':>10}{'a second':>13}")
        rows: list[tuple[str, Path, int, Callable[[Path], int]]] = [
            ("many at once (numpy), all fields", large, MANY, many_at_once),
            ("many at once, counted (stats)", large, MANY, lambda path: statistics_of(path)[0].kinds["frame"]),
            ("many at once, all fields", small, FEW, many_at_once),
            ("one by one", small, FEW, one_by_one),
        ]
        seconds: dict[str, float] = {}
        good: dict[Path, set[int]] = {large: set(), small: set()}
        for name, path, count, call in rows:
            taken, found = _best(lambda call=call, path=path: call(path), rounds, time.process_time)  # type: ignore[misc]
            good[path].add(found)
            seconds[name] = taken
            print(f"  {name:42}{count:10}{taken:10.3f}{count / taken:13,.0f}")
        if shutil.which("tshark") is None:
            print("  tshark is not installed")
        else:
            fields = ("operation", "check")
            empty = Path(folder) / "empty.pcapng"
            make_file(empty, 0)
            start, _ = _best(lambda: by_tshark(empty, script, fields), rounds, time.perf_counter)
            taken, found = _best(lambda: by_tshark(small, script, fields), rounds, time.perf_counter)
            good[small].add(found)
            ours = seconds["many at once (numpy), all fields"] / MANY
            theirs = (taken - start) / FEW
            print(f"  {'tshark, our dissector (start not counted)':42}{FEW:10}{taken - start:10.3f}{1 / theirs:13,.0f}")
            print(f"  {'tshark, its start':42}{'':10}{start:10.3f}")
            print(f"\ntshark takes {theirs / ours:.0f} times as long a frame as many at once")
        for found_by in good.values():
            assert len(found_by) == 1, f"they do not agree on how many frames are good: {found_by}"


if __name__ == "__main__":
    run(3)
