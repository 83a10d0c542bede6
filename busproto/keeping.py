"""Files that must never be lost: written whole or not at all, and on the disk when the call returns."""

from __future__ import annotations

import contextlib
import errno
import os
import tempfile
from datetime import datetime
from pathlib import Path
from typing import Final

from busproto.errors import InputError
from busproto.reading import read_bytes
from busproto.reading import read_text as read_text


def now_text() -> str:
    """Date and time of this place, to the second, as files carry it: ISO 8601."""
    return datetime.now().astimezone().isoformat(timespec="seconds")


OWN_WITHIN: Final = 4096
"""Where in a file its mark is looked for, in bytes from its beginning."""


def require_own(path: Path, mark: str, what: str, *, within: int = OWN_WITHIN) -> None:
    """Refuse a place where something stands that we did not make, or where no file can be.

    Args:
        path: where a file is going to be written.
        mark: what stands in every earlier file of that kind, and in no other.
        what: the kind, with its article, for the message.
        within: how many bytes of it are looked at.

    Raises:
        InputError: it may not be written there. An empty file may be.
    """
    if "\0" in str(path):
        raise InputError("a name with a zero byte in it is the name of no file")
    if os.path.isdir(path):  # as below also where the system has no such names; those of Path would raise
        raise InputError(f"'{path}' is a directory; the name of a file is wanted")
    if not os.path.isdir(path.absolute().parent):
        raise InputError(f"'{path}': there is no directory '{path.parent}'")
    if os.path.exists(path):  # a link that leads nowhere is replaced, and nothing is lost
        head = read_bytes(path, within, is_cut=True)
        if head and mark.encode() not in head:
            raise InputError(f"'{path}' is there already and is not {what} of this program; name another file")


def write_whole(path: Path, text: str | bytes) -> None:
    """Put `text` into the file; a power cut at any moment leaves the old content or the new one.

    Raises:
        InputError: it cannot be written; what was there before is unchanged. Only where the system fails in its very
            last step, to make the new name last, the new content may be there.
    """
    temporary = ""
    try:
        handle, temporary = tempfile.mkstemp(dir=path.parent, prefix=f".{path.name}.")
        with os.fdopen(handle, "wb") as file:
            file.write(text.encode() if isinstance(text, str) else text)
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
