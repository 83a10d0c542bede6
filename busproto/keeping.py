"""Files that must never be lost: written whole or not at all, and on the disk when the call returns."""

from __future__ import annotations

import contextlib
import errno
import os
import tempfile
from datetime import datetime
from pathlib import Path

from busproto.errors import InputError
from busproto.reading import read_text as read_text


def now_text() -> str:
    """Date and time of this place, to the second, as files carry it: ISO 8601."""
    return datetime.now().astimezone().isoformat(timespec="seconds")


def write_whole(path: Path, text: str) -> None:
    """Put `text` into the file; a power cut at any moment leaves the old content or the new one.

    Raises:
        InputError: it cannot be written; what was there before is unchanged. Only where the system fails in its very
            last step, to make the new name last, the new content may be there.
    """
    temporary = ""
    try:
        handle, temporary = tempfile.mkstemp(dir=path.parent, prefix=f".{path.name}.")
        with os.fdopen(handle, "w", encoding="utf-8", newline="\n") as file:
            file.write(text)
            file.flush()
            os.fsync(file.fileno())
        if path.exists():
            os.chmod(temporary, path.stat().st_mode & 0o777)
        else:
            os.chmod(temporary, 0o666 & ~_umask())
        os.replace(temporary, path)
        temporary = ""
        _sync_directory(path.parent)
    except (OSError, ValueError) as error:  # ValueError: the system has no such names
        raise InputError(f"'{path}' cannot be written: {_why(error)}") from error
    finally:  # also when interrupted
        if temporary:
            with contextlib.suppress(OSError):
                os.unlink(temporary)


def append_line(path: Path, line: str) -> None:
    """Add a line; it is on the disk when this returns. A line that a power cut has torn ends without a newline.

    Raises:
        InputError: it cannot be written.
    """
    try:
        is_new = not path.exists()
        with path.open("ab") as file:
            if not is_new and file.tell() and not _ends_with_newline(path):
                file.write(b"\n")
            file.write(line.encode() + b"\n")
            file.flush()
            os.fsync(file.fileno())
        if is_new:
            _sync_directory(path.parent)
    except (OSError, ValueError) as error:
        raise InputError(f"'{path}' cannot be written: {_why(error)}") from error


def _why(error: Exception) -> str:
    return getattr(error, "strerror", None) or str(error)


def _ends_with_newline(path: Path) -> bool:
    with path.open("rb") as file:
        file.seek(-1, os.SEEK_END)
        return file.read(1) == b"\n"


def _umask() -> int:
    mask = os.umask(0o022)
    os.umask(mask)
    return mask


def _sync_directory(path: Path) -> None:
    """Make a new name last too, where the system lets a directory be synced."""
    if hasattr(os, "O_DIRECTORY"):
        handle = os.open(path, os.O_RDONLY | os.O_DIRECTORY)
        try:
            os.fsync(handle)
        except OSError as error:
            if error.errno not in {errno.EINVAL, errno.ENOTSUP}:  # some network drives sync no directories
                raise
        finally:
            os.close(handle)
