"""Read the user's files. Every file that the tool reads is read here, and gives data or an error of one line.

A device, a pipe or a directory is not read: a pipe may never give any data, and a device may never end. Files have a
size limit, which also limits the work; JSON and TOML have a depth limit. A byte order mark for UTF-8 is skipped; any
other is an error that names the encoding.
"""

from __future__ import annotations

import os
import stat
from collections.abc import Callable
from pathlib import Path
from typing import Any, Final, TypeVar, cast

from busproto.errors import InputError

T = TypeVar("T")
MAX_TEXT_BYTES: Final = 8 << 20
"""Largest text that the tool wrote itself, bytes: the record of 239 actuators takes about 1 MB."""
MAX_WRITTEN_BYTES: Final = 256 << 10
"""Largest text that a person writes, bytes: the largest scenario, 239 actuators with every key, takes about 100 kB."""
MAX_DEPTH: Final = 32
"""Deepest nesting of lists and tables; the files of busproto need 6."""

HEAD_BYTES: Final = 64

_KINDS: Final = (
    (stat.S_ISDIR, "a directory"),
    (stat.S_ISFIFO, "a pipe"),
    (stat.S_ISCHR, "a device"),
    (stat.S_ISBLK, "a device"),
    (stat.S_ISSOCK, "a socket"),
)
_BOM: Final = "\N{ZERO WIDTH NO-BREAK SPACE}"
_OTHER_MARKS: Final = (b"\xff\xfe", b"\xfe\xff")


def size_text(count: int) -> str:
    """A number of bytes as text, such as "1.05 MB"."""
    for unit, size in (("GB", 1 << 30), ("MB", 1 << 20), ("kB", 1 << 10)):
        if count >= size:
            return f"{count / size:.3g} {unit}"
    return f"{count} bytes"


def _anything(_: bytes) -> str:
    return ""


def read_bytes(
    path: Path | str, most: int, why_not: Callable[[bytes], str] = _anything, *, is_cut: bool = False
) -> bytes:
    """Read the bytes of a file.

    Args:
        path: of the file.
        most: most bytes the file may have.
        why_not: takes the first bytes, before the rest is read, and returns what is wrong with them; "" for nothing.
        is_cut: read the first `most` bytes of a larger file instead of raising.

    Raises:
        InputError: it cannot be read, is not a file, is too large, or its first bytes are wrong.
    """
    try:
        handle = os.open(path, os.O_RDONLY | getattr(os, "O_NONBLOCK", 0) | getattr(os, "O_BINARY", 0))
        try:
            return _bytes_of(handle, path, most, why_not, is_cut)
        finally:
            os.close(handle)
    except (OSError, ValueError) as error:  # ValueError: a name that the system cannot have
        if isinstance(error, InputError):
            raise
        raise InputError(f"'{path}' cannot be read: {getattr(error, 'strerror', None) or error}") from error


def _bytes_of(handle: int, path: Path | str, most: int, why_not: Callable[[bytes], str], is_cut: bool) -> bytes:
    found = os.fstat(handle)
    for is_kind, what in _KINDS:
        if is_kind(found.st_mode):
            raise InputError(f"'{path}' cannot be read: it is {what}")
    if found.st_size > most and not is_cut:
        raise InputError(f"'{path}' is too large: {size_text(found.st_size)}, at most {size_text(most)} are read")
    with os.fdopen(handle, "rb", closefd=False) as file:
        data = file.read(min(HEAD_BYTES, most))
        wrong = why_not(data)
        if wrong:
            raise InputError(f"'{path}' cannot be used: {wrong if data else 'it is empty'}")
        data += file.read(most + (not is_cut) - len(data))
    if len(data) > most:  # the system gave no size, or a wrong one
        raise InputError(f"'{path}' is too large: at most {size_text(most)} are read")
    return data


def read_text(path: Path | str, most: int = MAX_TEXT_BYTES) -> str:
    """Read the text of a UTF-8 file, without its byte order mark.

    Raises:
        InputError: it cannot be read, is not a file, is too large, or is not UTF-8 text.
    """
    data = read_bytes(path, most)
    if data.startswith(_OTHER_MARKS):
        raise InputError(f"'{path}' cannot be read: it is UTF-16 or UTF-32 text; save it as UTF-8")
    try:
        return data.decode("utf-8").removeprefix(_BOM).replace("\r\n", "\n").replace("\r", "\n")
    except UnicodeDecodeError as error:
        raise InputError(f"'{path}' cannot be read: it is not UTF-8 text (byte {error.start})") from error


def decode_json(text: str, kind: type[T] | Any = Any) -> T:
    """The data of a JSON text.

    Args:
        text: the whole text.
        kind: the type, as for msgspec.

    Raises:
        msgspec.DecodeError: it is not JSON, or nested too deeply.
        msgspec.ValidationError: it is not of that kind, or has a number that no field could hold.
    """
    import msgspec  # not needed for the help texts

    try:
        data = msgspec.json.decode(text)
    except (RecursionError, UnicodeEncodeError) as error:
        what = "lists or objects are nested too deeply" if isinstance(error, RecursionError) else str(error)
        raise msgspec.DecodeError(what) from None
    if is_too_deep(data):
        raise msgspec.DecodeError("lists or objects are nested too deeply")
    return cast("T", data) if kind is Any else cast("T", msgspec.json.decode(text, type=kind))


def is_too_deep(data: Any) -> bool:
    """Whether lists and tables are nested more than `MAX_DEPTH` deep; without recursion."""
    level = [data] if isinstance(data, dict | list) else []
    for _ in range(MAX_DEPTH):
        inner = (one for value in level for one in (value.values() if isinstance(value, dict) else value))
        level = [one for one in inner if isinstance(one, dict | list)]
    return bool(level)
