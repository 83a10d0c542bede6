"""Two programs on one port: the second is told who is there, and the first, in mid-motion, notices nothing."""

from __future__ import annotations

import json
import os
import shutil
import signal
import socket
import subprocess
import sys
import termios
from collections.abc import Iterator
from pathlib import Path
from typing import Any, Final

import pytest

from busproto.capture.pcapng import read
from busproto.cli import exit_codes
from busproto.wire import Decoder, Frame, message_of
from busproto.wire.messages import DemandAll, Engage
from tests.cli.helpers import PATIENCE_S, CommandLine, running_bus
from tests.plan.airframes import EXAMPLE

FIRSTS: Final = {
    "apply": ("apply", "rudder.toml", "--yes", "--by-address", "--latency-ms", "60"),
    "match": ("match", "rudder.toml", "rudder", "--clear", "--stations", "12", "--looks", "1"),
    "move": ("move", "31", "10%", "--clear", "--hold", "1"),
    "trial": ("trial", "rudder.toml", "--clear", "--part", "centre"),
}
LONG: Final = {"match"}
"""What would take half a minute is told to end once the second has been refused; it releases then, as ever."""
SECONDS: Final = ("find", "move 32 -20% --clear --baud 9600", "serve --no-browser --listen 127.0.0.1:0")


class Side:
    """What was on the line, as the bus itself tells."""

    def __init__(self, at: str) -> None:
        host, _, number = at.rpartition(":")
        self._socket = socket.create_connection((host, int(number)), PATIENCE_S)
        self._lines = self._socket.makefile("rw")

    def sent_since(self, since_ns: int) -> tuple[bytes, int]:
        """What hosts have sent since then, and the time now."""
        self._lines.write(f"heard {since_ns}\n")
        self._lines.flush()
        told: Any = json.loads(self._lines.readline())
        data = b"".join(bytes.fromhex(one["bytes"]) for one in told["heard"] if one["by"] == "host")
        return data, told["now_ns"]

    def close(self) -> None:
        self._lines.close()
        self._socket.close()


@pytest.fixture(scope="module")
def ready() -> Iterator[dict[str, Any]]:
    with running_bus("rudder-gang", "--pty", "--side", "127.0.0.1:0", "--json") as (_, line):
        yield json.loads(line)


@pytest.fixture
def side(ready: dict[str, Any]) -> Iterator[Side]:
    made = Side(ready["side"])
    yield made
    made.close()


@pytest.mark.realtime
@pytest.mark.parametrize("first", FIRSTS)
def test_the_second_is_refused_by_name_and_nothing_of_the_first_is_disturbed(
    first: str, ready: dict[str, Any], side: Side, cli: CommandLine, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Every byte that a host brought onto the line is one of those that the first has recorded as its own."""
    for file in (EXAMPLE.parent / "rudder").iterdir():
        shutil.copy(file, tmp_path / file.name)
    monkeypatch.chdir(tmp_path)
    monkeypatch.setenv("BUSPROTO_PORT", ready["port"])
    _, begin_ns = side.sent_since(1 << 62)
    process = subprocess.Popen(
        [sys.executable, "-m", "busproto", *FIRSTS[first], "--capture", "first.pcapng"],
        stdin=subprocess.DEVNULL,
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
        text=True,
    )
    with process:
        while not is_at_work(first, side.sent_since(begin_ns)[0]) and process.poll() is None:
            pass  # the question itself waits for the bus
        before = settings_of(ready["port"])
        for second in SECONDS:
            refused = cli(second)
            assert refused.code == exit_codes.FAILED, refused.transcript()
            assert refused.out == ""
            said = refused.err.splitlines()[-1]  # the one before are cautions
            assert said.startswith(f"busproto: port '{ready['port']}' is in use by 'busproto {first}' (process ")
            assert f"process {process.pid}, since 20" in said
        assert settings_of(ready["port"]) == before
        if first in LONG:
            process.send_signal(signal.SIGINT)
        out, err = process.communicate(timeout=PATIENCE_S)
    wanted = {exit_codes.INTERRUPTED} if first in LONG else {exit_codes.DONE, exit_codes.NOT_AS_WANTED}
    assert process.returncode in wanted, out + err
    recorded = b"".join(one.data for one in read("first.pcapng").packets if one.is_sent)
    assert len(recorded) > 100
    assert side.sent_since(begin_ns)[0] == recorded


def is_at_work(first: str, sent: bytes) -> bool:
    """Whether it has begun to move something, or, where it moves nothing, to talk at all."""
    frames = [found for found in Decoder().feed(sent) if isinstance(found, Frame)]
    return bool(frames) if first == "apply" else any(isinstance(message_of(one), Engage | DemandAll) for one in frames)


def settings_of(device: str) -> list[Any]:
    handle = os.open(device, os.O_RDWR | os.O_NOCTTY)
    try:
        return termios.tcgetattr(handle)
    finally:
        os.close(handle)
