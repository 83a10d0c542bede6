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
"""How much is written to see whether there is room: more than a result of any airframe needs."""
MAX_KEPT: Final = 9999
MAX_COPIED_BYTES: Final = 64 << 20


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
    _require_place(path)
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
        lasting.note_change(f"'{path}' was written")
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
        lasting.note_change(f"'{path}' was written")
        if is_new:
            _sync_directory(path.parent)
    except (OSError, ValueError) as error:
        raise InputError(f"'{path}' cannot be written: {_why(error)}") from error


def check_writable(path: Path) -> None:
    """Find out beforehand whether a file can be written whole here: a temporary one is made beside it and taken away.

    For whoever is about to do what cannot be had again, such as a movement, and must keep what comes of it. That
    it can be written now is no promise that it can be then: see `kept`.

    Raises:
        InputError: it could not be written; nothing was changed.
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
    """As `check_writable`, for a file to which lines are added: one that is there must take them itself."""
    check_writable(path)
    if path.exists() and not os.access(path, os.R_OK | os.W_OK):
        raise InputError(f"'{path}' cannot be read and written: Permission denied; nothing was changed")


def kept(write: Callable[[], T]) -> T | None:
    """Write a result that cannot be had again. Where that fails, None: the caller goes on and shows the result.

    The command line then says why, behind the result, and ends with exit code 1.
    """
    try:
        return write()
    except InputError as error:
        lasting.note_unkept(f"{error}; this result is not kept: what is printed here is all there is of it")
        return None


def keep_numbered(path: Path) -> Path | None:
    """A copy of what is there under the next free number: ``tow.record.1.json`` beside ``tow.record.json``.

    Returns:
        Where the copy is; None where there was nothing.

    Raises:
        InputError: it cannot be read, or the copy cannot be written.
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
    """Refuse a name that can be none of a file. Those of os.path know also names that the system does not have."""
    if "\0" in str(path):
        raise InputError("a name with a zero byte in it is the name of no file")
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
