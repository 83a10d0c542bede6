"""Building blocks that the format's `construct` definitions need beyond construct's own.

Each is an ordinary construct class, so that interpreting a definition and running the code generated from it
(`busproto.wire.definition.generate`) mean the same thing. None of them knows an operation or a parameter.
"""

from __future__ import annotations

import enum
import io
from typing import Any, Final

from construct import (
    Adapter,
    Bytes,
    Construct,
    StreamError,
    Subconstruct,
    Tunnel,
    ValidationError,
    Validator,
)

from busproto.wire.crc import TRAILER_BYTES, trailer

DELIMITER: Final = 0x00
_MAX_ZEROS_REMOVED_BYTES: Final = 0xFD
_LENGTH_BYTE: Final = tuple(bytes([size + 1]) for size in range(_MAX_ZEROS_REMOVED_BYTES + 1))


def remove_zeros(body: bytes) -> bytes:
    """COBS: `body` (0..253 bytes) as a string one byte longer that holds no zero byte.

    Source: Cheshire & Baker, IEEE/ACM Transactions on Networking 7(2), 1999. Below 254 bytes the price is
    exactly one byte, whatever the content, so a frame's time on the line depends on its length alone.

    Raises:
        ValueError: the body is longer than 253 bytes.
    """
    if len(body) > _MAX_ZEROS_REMOVED_BYTES:
        raise ValueError(f"{len(body)} bytes, zeros are removed from {_MAX_ZEROS_REMOVED_BYTES} bytes at most")
    return b"".join([_LENGTH_BYTE[len(run)] + run for run in body.split(b"\x00")])


def restore_zeros(encoded: bytes) -> bytes:
    """The inverse of `remove_zeros`.

    Raises:
        ValueError: the run lengths do not add up to the length of the string, or there is a zero byte in it.
    """
    if DELIMITER in encoded:
        raise ValueError("there is a zero byte where all were removed")
    body = bytearray(encoded)
    end = len(body)
    at = 0
    while at < end:
        run = body[at]
        body[at] = 0
        at += run
    if at != end or not end:
        raise ValueError("run lengths of the zero-byte removal do not add up")
    del body[0]
    return bytes(body)


class Limits(Validator):  # type: ignore[type-arg]
    """An integer that must lie in low..high, or be `also` (a single marked value outside)."""

    def __init__(self, subcon: Construct[Any, Any], low: int, high: int, *, also: int | None = None) -> None:
        super().__init__(subcon)
        self.low = low
        self.high = high
        self.also = also

    def _validate(self, obj: int, context: Any, path: Any) -> bool:
        return self.low <= obj <= self.high or obj == self.also


class Counted(Validator):  # type: ignore[type-arg]
    """A string of bytes or a list whose length must lie in low..high."""

    def __init__(self, subcon: Construct[Any, Any], low: int, high: int) -> None:
        super().__init__(subcon)
        self.low = low
        self.high = high

    def _validate(self, obj: Any, context: Any, path: Any) -> bool:
        return self.low <= len(obj) <= self.high


class Coded(Adapter):  # type: ignore[type-arg]
    """An integer that stands for one member of `members`; any other number is refused."""

    def __init__(self, subcon: Construct[Any, Any], members: type[enum.IntEnum]) -> None:
        super().__init__(subcon)
        self.members = members

    def _decode(self, obj: int, context: Any, path: Any) -> enum.IntEnum:
        try:
            return self.members(obj)
        except ValueError as error:
            raise ValidationError(str(error), path=path) from error

    def _encode(self, obj: int, context: Any, path: Any) -> int:
        return int(self._decode(obj, context, path))


class Label(Adapter):  # type: ignore[type-arg]
    """Printable ASCII text in a field of `size` bytes, filled up with zero bytes at the end."""

    def __init__(self, size: int) -> None:
        super().__init__(Bytes(size))
        self.size = size

    def _decode(self, obj: bytes, context: Any, path: Any) -> str:
        try:
            return label_text(obj)
        except ValueError as error:
            raise ValidationError(str(error), path=path) from error

    def _encode(self, obj: str, context: Any, path: Any) -> bytes:
        try:
            return label_bytes(obj, self.size)
        except ValueError as error:
            raise ValidationError(str(error), path=path) from error


def label_text(raw: bytes) -> str:
    """Text of a `Label` field. Raises ValueError where a byte is not printable ASCII or a zero stands inside."""
    text = raw.rstrip(b"\x00")
    if not all(0x20 <= byte <= 0x7E for byte in text):
        raise ValueError(f"{raw!r} is not printable ASCII text filled up with zeros")
    return text.decode("ascii")


def label_bytes(text: object, size: int) -> bytes:
    """Bytes of a `Label` field. Raises ValueError where the text is too long or not printable ASCII."""
    if not isinstance(text, str) or len(text) > size or not all(" " <= letter <= "~" for letter in text):
        raise ValueError(f"{text!r} is not printable ASCII text of at most {size} letters")
    return text.encode("ascii").ljust(size, b"\x00")


class WithoutZeros(Tunnel):  # type: ignore[type-arg]
    """The bytes of `subcon`, sent with the zero bytes removed (COBS)."""

    def _decode(self, data: bytes, context: Any, path: Any) -> bytes:
        try:
            return restore_zeros(data)
        except ValueError as error:
            raise ValidationError(str(error), path=path) from error

    def _encode(self, data: bytes, context: Any, path: Any) -> bytes:
        return remove_zeros(data)


class Sealed(Subconstruct):  # type: ignore[type-arg]
    """The bytes of `subcon`, followed by the check bytes over exactly the bytes sent."""

    def _parse(self, stream: Any, context: Any, path: Any) -> Any:
        data = stream.read()
        if len(data) <= TRAILER_BYTES:
            raise StreamError("too short to hold the check bytes", path=path)
        encoded = data[:-TRAILER_BYTES]
        if data[-TRAILER_BYTES:] != trailer(encoded):
            raise ValidationError("check bytes differ", path=path)
        return self.subcon._parsereport(io.BytesIO(encoded), context, path)

    def _build(self, obj: Any, stream: Any, context: Any, path: Any) -> Any:
        inner = io.BytesIO()
        built = self.subcon._build(obj, inner, context, path)
        encoded = inner.getvalue()
        stream.write(encoded + trailer(encoded))
        return built
