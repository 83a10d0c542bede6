"""Files that must never be lost: written whole or not at all, and on the disk when the call returns."""

from __future__ import annotations

import contextlib
import errno
import os
import tempfile
from collections.abc import Callable
from datetime import datetime
from pathlib import Path
from typing import Final, TypeVar

from busproto import lasting
from busproto.errors import InputError
from busproto.reading import read_bytes
from busproto.reading import read_text as read_text

T = TypeVar("T")
TRIED_BYTES: Final = 65_536
"""Bytes written to test for free space: more than a result of any airframe needs."""
MAX_KEPT: Final = 9999
MAX_COPIED_BYTES: Final = 64 << 20


def now_text() -> str:
    """Local date and time to the second, ISO 8601, as written into files."""
    return datetime.now().astimezone().isoformat(timespec="seconds")


OWN_WITHIN: Final = 4096
"""A file's mark is looked for within this many bytes from its beginning."""


def require_own(path: Path, mark: str, what: str, *, within: int = OWN_WITHIN) -> None:
    """Refuse a path at which another program's file stands, or no file can be.

    Args:
        path: the path to be written.
        mark: text that every file of that kind has, and no other.
        what: the kind with its article, for the message.
        within: how many bytes of the file are searched.

    Raises:
        InputError: a file may not be written there. An empty file may be overwritten.
    """
    _require_place(path)
    if os.path.exists(path):  # a dangling link is replaced, and nothing is lost
        head = read_bytes(path, within, is_cut=True)
        if head and mark.encode() not in head:
            raise InputError(f"'{path}' is there already and is not {what} of this program; name another file")


def write_whole(path: Path, text: str | bytes) -> None:
    """Write `text` as the whole file; a power cut at any moment leaves the old content or the new one.

    Raises:
        InputError: the file cannot be written; the old content is unchanged. Only if the very last step fails (syncing
            the directory) may the new content be there.
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
        lasting.note_change(f"'{path}' was written")
        _sync_directory(path.parent)
    except (OSError, ValueError) as error:  # ValueError: a name that the system cannot have
        raise InputError(f"'{path}' cannot be written: {_why(error)}") from error
    finally:  # also after an interrupt
        if temporary:
            with contextlib.suppress(OSError):
                os.unlink(temporary)


def append_line(path: Path, line: str) -> None:
    """Append a line; it is on the disk when this returns. A line cut off by a power cut ends without a newline.

    Raises:
        InputError: the file cannot be written.
    """
    try:
        is_new = not path.exists()
        with path.open("ab") as file:
            if not is_new and file.tell() and not _ends_with_newline(path):
                file.write(b"\n")
            file.write(line.encode() + b"\n")
            file.flush()
            os.fsync(file.fileno())
        lasting.note_change(f"'{path}' was written")
        if is_new:
            _sync_directory(path.parent)
    except (OSError, ValueError) as error:
        raise InputError(f"'{path}' cannot be written: {_why(error)}") from error


def check_writable(path: Path) -> None:
    """Check whether a file can be written here, by a temporary file beside it, which is removed again.

    To be called before something that cannot be repeated, such as a movement, whose result must be kept. Success is no
    promise for later: see `kept`.

    Raises:
        InputError: the file cannot be written; nothing was changed.
    """
    _require_place(path)
    temporary = ""
    try:
        handle, temporary = tempfile.mkstemp(dir=path.parent, prefix=f".{path.name}.")
        with os.fdopen(handle, "wb") as file:
            file.write(bytes(TRIED_BYTES))
            file.flush()
            os.fsync(file.fileno())
    except (OSError, ValueError) as error:
        raise InputError(f"'{path}' cannot be written: {_why(error)}; nothing was changed") from error
    finally:
        if temporary:
            with contextlib.suppress(OSError):
                os.unlink(temporary)


def check_appendable(path: Path) -> None:
    """As `check_writable`, for a file to which lines are appended: an existing file must itself be writable."""
    check_writable(path)
    if path.exists() and not os.access(path, os.R_OK | os.W_OK):
        raise InputError(f"'{path}' cannot be read and written: Permission denied; nothing was changed")


def kept(write: Callable[[], T]) -> T | None:
    """Write a result that cannot be measured again. Returns None if that fails: the caller goes on and shows the
    result.

    The command line then prints the reason after the result, and ends with exit code 1.
    """
    try:
        return write()
    except InputError as error:
        lasting.note_unkept(f"{error}; this result is not kept: what is printed here is all there is of it")
        return None


def keep_numbered(path: Path) -> Path | None:
    """Copy an existing file to the next free number: ``tow.record.1.json`` beside ``tow.record.json``.

    Returns:
        The path of the copy; None if there was no file.

    Raises:
        InputError: the file cannot be read, or the copy cannot be written.
    """
    if not os.path.exists(path):
        return None
    old = read_bytes(path, MAX_COPIED_BYTES)
    for number in range(1, MAX_KEPT + 1):
        copy = path.with_name(f"{path.stem}.{number}{path.suffix}")
        try:
            with copy.open("xb") as file:
                file.write(old)
                file.flush()
                os.fsync(file.fileno())
        except FileExistsError:
            continue
        except OSError as error:
            copy.unlink(missing_ok=True)
            raise InputError(f"'{copy}' cannot be written: {_why(error)}") from error
        lasting.note_change(f"'{copy}' was written")
        return copy
    raise InputError(f"'{path}': {MAX_KEPT} older ones are kept beside it already; move some away")


def _require_place(path: Path) -> None:
    """Refuse a name that cannot be that of a file."""
    if "\0" in str(path):
        raise InputError("a file name cannot contain a zero byte")
    if os.path.isdir(path):
        raise InputError(f"'{path}' is a directory; the name of a file is wanted")
    if not os.path.isdir(path.absolute().parent):
        raise InputError(f"'{path}': there is no directory '{path.parent}'")


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
    """Sync the directory, so that a new name lasts too, if the system can sync directories."""
    if hasattr(os, "O_DIRECTORY"):
        handle = os.open(path, os.O_RDONLY | os.O_DIRECTORY)
        try:
            os.fsync(handle)
        except OSError as error:
            if error.errno not in {errno.EINVAL, errno.ENOTSUP}:  # some network drives cannot sync directories
                raise
        finally:
            os.close(handle)
