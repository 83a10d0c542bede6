"""A device is used by one program at a time: its locks, by every name, after a crash, and without our lock file."""

from __future__ import annotations

import fcntl
import os
import subprocess
import sys
import termios
import tty
from collections.abc import Iterator
from pathlib import Path
from typing import Final

import pytest

from busproto.errors import PortBusyError
from busproto.transport import SerialTransport, port_lock

HOLDS: Final = """\
import sys
from busproto.transport import SerialTransport
sys.argv[:] = ["/opt/bin/a tool", "--secret"]
transport = SerialTransport(sys.stdin.readline().strip())
print("held", flush=True)
sys.stdin.readline()
"""


@pytest.fixture(autouse=True)
def locks(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """A place for lock files of this test alone."""
    monkeypatch.setenv("XDG_RUNTIME_DIR", str(tmp_path))
    return tmp_path / port_lock.DIRECTORY


@pytest.fixture
def device() -> Iterator[str]:
    """A pseudo-terminal whose both ends stay open, as `bus run` keeps them."""
    ours, theirs = os.openpty()
    tty.setraw(theirs)
    yield os.ttyname(theirs)
    os.close(ours)
    os.close(theirs)


def holder_of(device: str) -> str:
    with pytest.raises(PortBusyError) as caught:
        SerialTransport(device, 9600)
    assert caught.value.url == device
    return caught.value.holder


def settings_of(device: str) -> list[object]:
    handle = os.open(device, os.O_RDWR | os.O_NOCTTY)
    try:
        return termios.tcgetattr(handle)
    finally:
        os.close(handle)


def test_another_process_has_it_by_every_name_and_a_crash_frees_it(device: str, tmp_path: Path, locks: Path) -> None:
    link = tmp_path / "my adapter"
    link.symlink_to(device)
    other = subprocess.Popen([sys.executable, "-c", HOLDS], stdin=subprocess.PIPE, stdout=subprocess.PIPE, text=True)
    with other:
        assert other.stdin is not None
        assert other.stdout is not None
        print(link, file=other.stdin, flush=True)
        assert other.stdout.readline() == "held\n"
        before = settings_of(device)
        for name in (device, str(link)):
            holder = holder_of(name)
            assert holder.startswith(f"'a tool --secret' (process {other.pid}, since 20")
        with pytest.raises(PortBusyError):
            port_lock.require_free(device)
        assert settings_of(device) == before  # 9600 Bd was not set
        other.kill()
    (file,) = locks.iterdir()
    assert str(other.pid) in file.read_text("utf-8")  # it had no time to tidy up
    SerialTransport(device).close()
    assert file.read_text("utf-8") == ""
    assert locks.stat().st_mode & 0o777 == 0o700


def test_it_is_free_as_soon_as_it_is_closed(device: str) -> None:
    first = SerialTransport(device)
    assert str(os.getpid()) in holder_of(device)
    first.close()
    first.close()
    port_lock.require_free(device)
    SerialTransport(device).close()


@pytest.mark.parametrize("place", ["is a file", "is open to others", "is a link"])
def test_without_a_place_for_lock_files_the_system_still_keeps_others_out(device: str, locks: Path, place: str) -> None:
    """A place that others may write to is none: they could say there what they like."""
    if place == "is a file":
        locks.write_text("", "utf-8")
    elif place == "is a link":
        locks.symlink_to(locks.parent)
    else:
        locks.mkdir()
        locks.chmod(0o777)
    first = SerialTransport(device)
    assert port_lock.take(device) is None
    assert holder_of(device) == "another program"  # it is this process that has it; no other
    first.close()
    SerialTransport(device).close()


def test_a_program_that_knows_only_the_systems_lock_is_named(device: str) -> None:
    code = "import fcntl, sys; f = open(sys.argv[1], 'rb+', 0); fcntl.flock(f, fcntl.LOCK_EX); print(); input()"
    with subprocess.Popen(
        [sys.executable, "-c", code, device], stdin=subprocess.PIPE, stdout=subprocess.PIPE, text=True
    ) as other:
        assert other.stdout is not None
        other.stdout.readline()
        holder = holder_of(device)
        other.communicate("\n")
    if sys.platform == "linux":
        assert holder.endswith(f"(process {other.pid})")
    port_lock.require_free(device)


def test_what_a_lock_file_says_is_only_told(device: str, locks: Path) -> None:
    """One that took the lock and has not yet said who it is, or a damaged file."""
    SerialTransport(device).close()
    (file,) = locks.iterdir()
    with file.open("r+") as held:
        fcntl.flock(held, fcntl.LOCK_EX)
        for text in ("", "{", '{"pid": "x"}', "[" * 3000, '{"pid": 1, "command": 2}'):
            file.write_text(text, "utf-8")
            assert holder_of(device) == "another program"


@pytest.mark.parametrize("name", ["loop://", "/dev/nosuch", "", "COM1", "a\0b"])
def test_what_is_no_device_needs_no_lock(name: str, locks: Path) -> None:
    assert port_lock.take(name) is None
    assert not port_lock.is_device(name)
    assert not locks.exists()
