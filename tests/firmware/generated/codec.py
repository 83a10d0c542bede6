"""The generated C codec for tests: messages in and out of its structs by the definitions, so no field is named here."""

from __future__ import annotations

import functools
import re
from pathlib import Path
from typing import Any, Final

from busproto.sim.native.device_build import codec_library
from busproto.wire import Frame, Message
from busproto.wire.definition.generate import describe
from busproto.wire.generators.c_messages import c_name, classes
from busproto.wire.generators.c_source import HEADER_NAME, sources
from busproto.wire.generators.c_text import member, upper

RESULTS: Final = ("ok", "too short", "too long", "check", "content", "unknown", "out of range")
"""The results of the C in the words of the Python decoder, by number."""


def declarations(header: str) -> str:
    """A header as cffi takes it: without what only a preprocessor understands."""
    text = re.sub(r'extern "C" \{', "", header.replace("\\\n", " "))
    text = re.sub(r"#ifdef __cplusplus\n}\n#endif", "", text)
    kept = []
    for line in text.splitlines():
        constant = re.match(r"#define (BP_\w+) (?:UINT32_C)?\(?(-?(?:0x[0-9A-F]+|\d+))U?\)?(?: /\*.*)?$", line)
        if constant:
            kept.append(f"#define {constant[1]} {constant[2]}")
        elif not line.startswith("#"):
            kept.append(line)
    return "\n".join(kept)


class Codec:
    """The C library, with Python values in and out."""

    def __init__(self, path: Path) -> None:
        from cffi import FFI

        self.ffi: Any = FFI()
        self.ffi.cdef(declarations(sources()[HEADER_NAME]))
        self.lib: Any = self.ffi.dlopen(str(path))
        self.kinds = {message: getattr(self.lib, f"BP_KIND_{upper(message.__name__)}") for message in classes()}
        self.by_kind = {kind: message for message, kind in self.kinds.items()}

    # --- frames -----------------------------------------------------------------------------------------------

    def c_frame(self, frame: Frame) -> Any:
        made = self.ffi.new("bp_frame *")
        made.is_reply = frame.is_reply
        made.destination, made.source = frame.destination, frame.source
        made.sequence, made.operation, made.tag = frame.sequence, frame.operation, frame.tag or 0
        made.payload_length = len(frame.payload)
        self.ffi.memmove(made.payload, frame.payload, len(frame.payload))
        return made

    def frame(self, made: Any) -> Frame:
        payload = bytes(self.ffi.buffer(made.payload, made.payload_length))
        tag = made.tag if made.is_reply else None
        return Frame(made.destination, made.source, made.sequence, made.operation, payload, tag)

    def encode(self, frame: Frame) -> bytes:
        wire = self.ffi.new("uint8_t[]", self.lib.BP_MAX_WIRE_BYTES)
        size = self.lib.bp_encode_frame(self.c_frame(frame), wire)
        return bytes(self.ffi.buffer(wire, size))

    def decode_chunk(self, chunk: bytes) -> Frame | str:
        made = self.ffi.new("bp_frame *")
        result = self.lib.bp_decode_chunk(made, chunk, len(chunk))
        return self.frame(made) if result == 0 else RESULTS[result]

    # --- messages ---------------------------------------------------------------------------------------------

    def fill(self, message: Message) -> Any:
        """A message as a C struct."""
        kind = type(message)
        made = self.ffi.new(f"bp_{c_name(kind)} *")
        for item in _fields(kind):
            self.put(made, item, getattr(message, item.name))
        return made

    def put(self, made: Any, item: Any, value: Any) -> None:
        name = member(item.name)
        if item.kind == "int":
            setattr(made, name, int(value))
        elif item.kind in {"bytes", "label"}:
            self.ffi.memmove(getattr(made, name), value if isinstance(value, bytes) else value.encode(), len(value))
        else:
            setattr(made, f"{item.name}_count", len(value))
            into = getattr(made, name)
            for at, one in enumerate(value):
                into[at] = one

    def take(self, made: Any, kind: Any) -> Message:
        """A C struct as a message."""
        values = {}
        for item in _fields(kind):
            got = getattr(made, member(item.name))
            if item.kind == "bytes":
                got = bytes(self.ffi.buffer(got))
            elif item.kind == "label":
                got = self.ffi.string(got).decode("ascii")
            elif item.kind == "rest":
                got = bytes(self.ffi.buffer(got, getattr(made, f"{item.name}_count")))
            elif item.kind == "list":
                got = tuple(got[at] for at in range(getattr(made, f"{item.name}_count")))
            elif item.members is not None:
                got = item.members[got]
            values[item.name] = got
        message: Message = kind(**values)
        return message

    def pack(self, kind: Any, made: Any) -> bytes | str:
        payload = self.ffi.new("uint8_t[]", self.lib.BP_MAX_PAYLOAD_BYTES)
        length = self.ffi.new("size_t *")
        result = getattr(self.lib, f"bp_pack_{c_name(kind)}")(made, payload, length)
        return bytes(self.ffi.buffer(payload, length[0])) if result == 0 else RESULTS[result]

    def unpack(self, kind: Any, payload: bytes) -> Message | str:
        made = self.ffi.new(f"bp_{c_name(kind)} *")
        result = getattr(self.lib, f"bp_unpack_{c_name(kind)}")(made, payload, len(payload))
        return self.take(made, kind) if result == 0 else RESULTS[result]

    def unpack_any(self, frame: Frame) -> Message | str:
        made = self.ffi.new("bp_message *")
        result = self.lib.bp_unpack_message(made, self.c_frame(frame))
        if result:
            return RESULTS[result]
        kind = self.by_kind[made.kind]
        return self.take(getattr(getattr(made, "as"), member(c_name(kind))), kind)

    def pack_any(self, message: Message, frame: Frame) -> Frame | str:
        made, into = self.ffi.new("bp_message *"), self.c_frame(frame)
        kind = type(message)
        made.kind = self.kinds[kind]
        setattr(getattr(made, "as"), member(c_name(kind)), self.fill(message)[0])
        result = self.lib.bp_pack_message(made, into)
        return RESULTS[result] if result else self.frame(into)


class CReceiver:
    """The byte-by-byte receiver of the C, in the words of the Python decoder."""

    def __init__(self, codec: Codec) -> None:
        self._codec = codec
        self._made = codec.ffi.new("bp_receiver *")
        self._frame = codec.ffi.new("bp_frame *")
        codec.lib.bp_receiver_start(self._made)

    def byte(self, value: int) -> Frame | str | None:
        """What one byte completes: a frame, why a piece is bad, or nothing."""
        event = self._codec.lib.bp_receiver_byte(self._made, value, self._frame)
        if event == self._codec.lib.BP_FRAME:
            return self._codec.frame(self._frame)
        return RESULTS[self._made.why] if event == self._codec.lib.BP_BAD_PIECE else None

    @property
    def counts(self) -> tuple[int, int]:
        return self._made.good, self._made.bad


def _fields(kind: Any) -> list[Any]:
    return [item for item in describe(kind.LAYOUT) if item.name and item.constant is None]


@functools.cache
def codec() -> Codec:
    """The codec, built once."""
    return Codec(codec_library())
