"""Only one program uses a port at a time; a second one gets an error that names the first.

A device is locked in two ways: by the system's own exclusive lock on it (pyserial's ``exclusive``, and on a real serial
port `TIOCEXCL` too, which also keeps out programs that ask for no lock), and by a lock file of busproto, which names
the process. The file is locked first, so that a second busproto never opens the device: opening alone can move control
lines or change the settings of the port.

Both locks are the system's (`flock`): they end with the process however it ends, so nothing stale is ever in the way.
The file stays behind, empty. Its name is made from the device itself, not from the name that was typed, so that all
links to one device share it. `TIOCEXCL` is not used on a pseudo-terminal: it would outlast a crash there, as long as
the other end is open. Windows opens serial ports exclusively by itself; there is no lock file there.
"""

from __future__ import annotations

import contextlib
import errno
import json
import os
import stat
import sys
import tempfile
from dataclasses import dataclass
from pathlib import Path
from typing import Any, Final

from busproto.atomic_files import now_text
from busproto.errors import PortBusyError

DIRECTORY: Final = "busproto"
MAX_HOLDER_BYTES: Final = 4096
MAX_COMMAND_LETTERS: Final = 60
PSEUDO_TERMINALS: Final = ("/dev/pts/", "/dev/ttyp", "/dev/ttys0")
LOCKED_ERRORS: Final = frozenset({errno.EAGAIN, errno.EACCES, errno.EWOULDBLOCK})
IN_USE_ERRORS: Final = frozenset({errno.EAGAIN, errno.EWOULDBLOCK, errno.EBUSY})
"""The system errors of opening a device that another program has exclusively."""


@dataclass(frozen=True, slots=True)
class Holder:
    """The process that has a port.

    Attributes:
        pid: of the process; 0 if it is not known.
        command: the command it runs; "" if it is not known.
        since: when it took the port, ISO 8601; "" if it is not known.
    """

    pid: int = 0
    command: str = ""
    since: str = ""

    def __str__(self) -> str:
        name = f"'{self.command}'" if self.command else "another program"
        known = [f"process {self.pid}"] if self.pid else []
        known += [f"since {self.since}"] if self.since else []
        return f"{name} ({', '.join(known)})" if known else name


class PortLock:
    """The lock of one device; held from `take` to `release`, or to the end of the process."""

    def __init__(self, handle: int) -> None:
        self._handle = handle

    def release(self) -> None:
        """Release the lock; may be called twice. The file stays, empty: removing it would allow two holders."""
        if self._handle >= 0:
            import fcntl

            with contextlib.suppress(OSError):
                os.ftruncate(self._handle, 0)
                fcntl.flock(self._handle, fcntl.LOCK_UN)  # also if a child process still has the handle
            os.close(self._handle)
            self._handle = -1


def take(device: str, url: str = "") -> PortLock | None:
    """Lock a device for this process.

    Args:
        device: the name as typed, which may be a link.
        url: the name of the port for the message; `device` if empty.

    Returns:
        The lock; None if there is nothing to lock (not a device of this machine), or no place for lock files: then only
        the system's own lock on the device protects it.

    Raises:
        PortBusyError: another busproto has it. The device was not touched.
    """
    name = _name_of(device)
    directory = _directory() if name else None
    if directory is None:
        return None
    import fcntl

    try:
        handle = os.open(directory / f"{name}.lock", os.O_RDWR | os.O_CREAT | os.O_NOFOLLOW, 0o600)
    except OSError:
        return None
    try:
        fcntl.flock(handle, fcntl.LOCK_EX | fcntl.LOCK_NB)
    except OSError as error:
        holder = _told(handle)
        os.close(handle)
        if error.errno in LOCKED_ERRORS:
            raise PortBusyError(url or device, str(holder)) from None
        return None  # a file system without locks
    said = json.dumps({"pid": os.getpid(), "command": own_command(), "since": now_text()})
    with contextlib.suppress(OSError):
        os.ftruncate(handle, 0)
        os.pwrite(handle, said.encode(), 0)
    return PortLock(handle)


def require_free(device: str) -> None:
    """Raise PortBusyError if another busproto has that device now; touches nothing."""
    lock = take(device)
    if lock is not None:
        lock.release()


def keep_others_out(port: Any) -> None:
    """Refuse every further opening of a real serial port, also by programs that ask for no lock."""
    if os.name == "nt" or os.path.realpath(port.port).startswith(PSEUDO_TERMINALS):
        return
    import fcntl
    import termios

    with contextlib.suppress(OSError):
        fcntl.ioctl(port.fileno(), termios.TIOCEXCL)


def let_others_in(port: Any) -> None:
    """Undo what `keep_others_out` and the exclusive opening did, before the port is closed."""
    if os.name == "nt":
        return
    import fcntl
    import termios

    with contextlib.suppress(OSError, AttributeError, TypeError):  # the port may be gone already
        handle = port.fileno()
        fcntl.flock(handle, fcntl.LOCK_UN)
        fcntl.ioctl(handle, termios.TIOCNXCL)


def is_device(name: str) -> bool:
    """Whether this is a character device of this machine, by any of its names."""
    return bool(_name_of(name))


def some_holder(device: str) -> Holder:
    """The process that has a device open without a busproto lock, as far as the system shows it."""
    try:
        wanted = os.stat(device).st_rdev
        processes = [int(one) for one in os.listdir("/proc") if one.isdecimal()]
    except OSError:
        return Holder()
    for pid in processes:
        if pid == os.getpid():
            continue
        with contextlib.suppress(OSError), os.scandir(f"/proc/{pid}/fd") as handles:
            for one in handles:
                with contextlib.suppress(OSError):
                    found = one.stat()
                    if stat.S_ISCHR(found.st_mode) and found.st_rdev == wanted:
                        return Holder(
                            pid, Path(f"/proc/{pid}/comm").read_bytes()[:40].decode("utf-8", "replace").strip()
                        )
    return Holder()


def own_command() -> str:
    """The program and command of this process, for the lock file; arguments are left out."""
    program = Path(sys.argv[0] or "python").name if sys.argv else "python"
    words = ["busproto" if program == "__main__.py" else program, *sys.argv[1:2]]
    return " ".join(words)[:MAX_COMMAND_LETTERS]


def _name_of(device: str) -> str:
    """The file name of a device's lock; "" if it is not a device of this machine."""
    if os.name == "nt":
        return ""
    try:
        found = os.stat(device)
    except (OSError, ValueError):
        return ""
    return f"{os.major(found.st_rdev)}-{os.minor(found.st_rdev)}" if stat.S_ISCHR(found.st_mode) else ""


def _directory() -> Path | None:
    """A directory that only this user can write; None if there is none."""
    own = os.environ.get("XDG_RUNTIME_DIR", "")
    path = Path(own) / DIRECTORY if os.path.isabs(own) else Path(tempfile.gettempdir()) / f"{DIRECTORY}-{os.getuid()}"
    try:
        path.mkdir(mode=0o700, exist_ok=True)
        found = path.lstat()
    except OSError:
        return None
    is_ours = stat.S_ISDIR(found.st_mode) and found.st_uid == os.getuid() and not found.st_mode & 0o022
    return path if is_ours else None


def _told(handle: int) -> Holder:
    """What the holder has written into the lock file; empty fields if it has not yet."""
    try:
        body = json.loads(os.pread(handle, MAX_HOLDER_BYTES, 0))
        return Holder(int(body["pid"]), str(body["command"]), str(body["since"]))
    except (OSError, ValueError, KeyError, TypeError, RecursionError):
        return Holder()
