"""Every field of every message as plain rows, and what each value reads as; decoders for other tools are made of them.

The rows come out of the same `construct` definitions as the codec (`busproto.wire.definition.generate.describe`), so a
new operation or parameter appears in them without further code. `cells_of` gives a frame as named values with their
place on the wire. The dissector (`lua_source`) and the stacked decoder (`sigrok_source`) give the same for the same
bytes; tests compare them field by field.
"""

from __future__ import annotations

import inspect
import re
import struct
from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from types import MappingProxyType
from typing import Any, Final

from busproto.errors import DecodeError
from busproto.wire.codec import encode_frame, message_of
from busproto.wire.definition.generate import describe
from busproto.wire.frame import (
    BODY,
    BROADCAST_ADDRESS,
    FRAME_VERSION,
    HEADER_BYTES,
    HOST_ADDRESS,
    TAG_BYTES,
    UNADDRESSED,
    Frame,
)
from busproto.wire.message import BARE_REPLIES, OPERATIONS, REPLIES, REQUESTS, Message, fields_of
from busproto.wire.messages import Fault, Outcome, Read, Refused
from busproto.wire.parameters import PARAMETERS, Parameter

BODY_AT: Final = 2
"""Place of the body's first byte in a frame with both delimiters: after the delimiter and the first run length."""

PARAMETER, PARAMETERS_LISTED, SETTING, SETTINGS = "parameter", "parameters", "setting", "settings"
ROLES: Final[Mapping[str, str]] = MappingProxyType(
    {"number": PARAMETER, "numbers": PARAMETERS_LISTED, "value": SETTING, "values": SETTINGS}
)
"""Fields, by name, that hold numbers of parameters or raw values of them, in whatever message they stand."""

FLAGS: Final[Mapping[str, Any]] = MappingProxyType({"faults": Fault})
"""Fields, by name, whose bits mean something each."""

ADDRESS_WORDS: Final[Mapping[int, str]] = MappingProxyType(
    {HOST_ADDRESS: "host", UNADDRESSED: "no address", BROADCAST_ADDRESS: "all"}
)
ADDRESS_FIELDS: Final = frozenset({"destination", "source", "address"})

_NO_WORDS: Final[Mapping[int, str]] = MappingProxyType({})
_SCALED_UNIT: Final = re.compile(r"(\d+(?:\.(\d+))?) (\S.*)")


@dataclass(frozen=True, slots=True)
class FieldRow:
    """One field of a payload.

    Attributes:
        name: as in the message class.
        kind: "number", "bytes" or "text" of `size` bytes, "rest" (bytes to the end) or "list" (numbers to the end).
        size: bytes; of one element of a list; 1 for the rest.
        signed: of numbers.
        low, high, also: limits of a number, both allowed; `also` is one marked value outside, or None.
        words: what single values are called; where `closed`, any other value is refused.
        flags: what single bits are called.
        count: least and most elements of a list, or bytes of the rest.
        unit: as on the format page, such as "0.01 deg".
        doc: what it means.
        role: see `ROLES`; "" for most.
    """

    name: str
    kind: str
    size: int
    signed: bool
    low: int
    high: int
    also: int | None
    words: Mapping[int, str]
    closed: bool
    flags: Mapping[int, str]
    count: tuple[int, int]
    unit: str
    doc: str
    role: str

    @property
    def scale(self) -> tuple[int, int, int, str]:
        """(times, by, digits, unit): value x times / by is in the unit, printed with that many digits."""
        scaled = _SCALED_UNIT.fullmatch(self.unit)
        if scaled is None:
            return 1, 1, 0, self.unit
        digits = len(scaled[2] or "")
        return round(float(scaled[1]) * 10**digits), 10**digits, digits, scaled[3]

    def number_text(self, value: int) -> str:
        """One number as a person reads it."""
        if self.flags:
            return f"{value} {', '.join(word for bit, word in self.flags.items() if value & bit) or 'none'}"
        if value in self.words:
            return f"{value} {self.words[value]}"
        if value == self.also:
            return f"{value} none"
        times, by, digits, unit = self.scale
        return f"{value * times / by:.{digits}f} {unit}" if unit else str(value)


@dataclass(frozen=True, slots=True)
class MessageRow:
    """One message.

    Attributes:
        key: its class in small letters, such as "roll_call".
        title: a few words, such as "report reply".
        operation: its number; None for the refusal, which answers any.
        is_reply: whether an actuator sends it.
        has_outcome: whether the outcome byte 0 comes first.
        fields: in wire order.
        text: its purpose.
    """

    key: str
    title: str
    operation: int | None
    is_reply: bool
    has_outcome: bool
    fields: tuple[FieldRow, ...]
    text: str


@dataclass(frozen=True, slots=True)
class Cell:
    """One named value of a packet.

    Attributes:
        name: such as "source" or "status.position_cdeg"; the filter name in the analyser, behind "busproto.".
        value: decimal number, hexadecimal bytes or text.
        text: the value as a person reads it.
        at: of its first byte in the packet; None where it was calculated and is not in the packet.
        size: bytes.
    """

    name: str
    value: str
    text: str
    at: int | None = None
    size: int = 0


def key_of(message: type[Message]) -> str:
    """The name of a message class in small letters, with underscores."""
    return re.sub(r"(?<=[a-z0-9])(?=[A-Z])", "_", message.__name__).lower()


def words_of(name: str) -> str:
    """The name of a member as words."""
    return name.lower().replace("_", " ")


def _field_row(item: Any, unit: str, doc: str) -> FieldRow:
    number = item.kind in {"int", "list"}
    signed = number and str(item.format).islower()
    bits = 8 * item.size
    low, high = (-(1 << bits - 1), (1 << bits - 1) - 1) if signed else (0, (1 << bits) - 1)
    limits = item.limits
    members = {int(one): words_of(member.name) for one, member in (item.members or {}).items()}
    flags = {int(bit): words_of(bit.name) for bit in FLAGS.get(item.name, ())}
    role = ROLES.get(item.name, "")
    words = dict(members)
    if item.name in ADDRESS_FIELDS and item.kind == "int":
        words = dict(ADDRESS_WORDS)
    if role == PARAMETER:
        words = {row.number: row.name for row in PARAMETERS.values()}
    return FieldRow(
        name=item.name,
        kind={"int": "number", "label": "text"}.get(item.kind, item.kind),
        size=item.size or 1,
        signed=signed,
        low=low if limits is None or not number else int(limits.low),
        high=high if limits is None or not number else int(limits.high),
        also=None if limits is None else limits.also,
        words=MappingProxyType(words),
        closed=bool(members),
        flags=MappingProxyType(flags),
        count=item.count or (0, 255),
        unit=unit,
        doc=doc,
        role=role,
    )


def _message_row(message: type[Message], operation: int | None, title: str, has_outcome: bool) -> MessageRow:
    facts = {info.name: (info.unit, info.doc) for info in fields_of(message)}
    items = [item for item in describe(message.LAYOUT) if item.name in facts]
    return MessageRow(
        key_of(message),
        title,
        operation,
        message.IS_REPLY,
        has_outcome,
        tuple(_field_row(item, *facts[item.name]) for item in items),
        " ".join((inspect.getdoc(message) or "").split()),
    )


REQUEST_ROWS: Final[Mapping[int, MessageRow]] = MappingProxyType(
    {number: _message_row(one, number, OPERATIONS[number].name, False) for number, one in REQUESTS.items()}
)
REPLY_ROWS: Final[Mapping[int, MessageRow]] = MappingProxyType(
    {
        number: _message_row(one, number, f"{OPERATIONS[number].name} reply", number not in BARE_REPLIES)
        for number, one in REPLIES.items()
    }
)
REFUSAL_ROW: Final = _message_row(Refused, None, "refusal", False)
OPERATION_WORDS: Final[Mapping[int, str]] = MappingProxyType({number: one.name for number, one in OPERATIONS.items()})
OUTCOME_WORDS: Final[Mapping[int, str]] = MappingProxyType({int(one): words_of(one.name) for one in Outcome})


@dataclass(frozen=True, slots=True)
class HeaderRow:
    """One field of the frame's header: where it stands in the body, which bits of it, what values are called."""

    name: str
    at: int
    size: int
    shift: int
    bits: int
    words: Mapping[int, str]
    is_hex: bool = False


def _header_rows() -> tuple[HeaderRow, ...]:
    rows, at = [], 0
    for item in describe(BODY):
        if item.kind == "bits":
            shift = 8
            for bit in item.bits:
                shift -= bit.size
                rows.append(HeaderRow(bit.name, at, 1, shift, bit.size, _NO_WORDS))
        elif item.kind == "int":
            words = ADDRESS_WORDS if item.name in ADDRESS_FIELDS else _NO_WORDS
            if item.name == "operation":
                words = OPERATION_WORDS
            rows.append(HeaderRow(item.name, at, item.size, 0, 8 * item.size, words, bool(item.condition)))
        at += item.size
    return tuple(rows)


HEADER_ROWS: Final = _header_rows()
"""The header in wire order; the last one, the tag, stands in replies only."""
TAG_ROW: Final = HEADER_ROWS[-1]
if not (TAG_ROW.is_hex and TAG_ROW.at == HEADER_BYTES and TAG_ROW.size == TAG_BYTES):  # pragma: no cover
    raise NotImplementedError("decoders for other tools expect the tag behind the header")


def row_of(frame: Frame) -> MessageRow | None:
    """The row of the message that a frame carries, None where no such operation is known."""
    if frame.tag is None:
        return REQUEST_ROWS.get(frame.operation)
    if frame.payload and frame.payload[0] and frame.operation not in BARE_REPLIES:
        return REFUSAL_ROW
    return REPLY_ROWS.get(frame.operation)


def setting_text(row: Parameter, raw: bytes) -> str | None:
    """A raw value of a parameter as bytes, as a person reads it; None where the bytes are not whole values."""
    count, odd = divmod(len(raw), row.size)
    if odd or (not row.points and count != 1):
        return None
    values = struct.unpack(f"<{count}{row.format}", raw)
    return row.text(values if row.points else values[0])


def _settings(numbers: bytes, values: bytes) -> Iterator[tuple[str, int, int]]:
    """(text, at, size) of each parameter in the answer to a read of these numbers, as far as they are known."""
    at = 0
    for number in numbers:
        row = PARAMETERS.get(number)
        if row is None:
            return
        size = len(values) - at if row.points else row.size
        text = setting_text(row, values[at : at + size])
        if text is None:
            return
        yield f"{row.name}: {text}", at, size
        at += size


def cells_of(frame: Frame, request: Frame | None = None, *, lead: int = 1) -> list[Cell]:
    """All values of a valid frame, in wire order, the check bytes last.

    Args:
        frame: the frame.
        request: the one that it answers, if known: the values of a read can only be named with it.
        lead: delimiters before it in the packet: 1, or 0 where the first one was lost.

    A frame that holds no known message ends in its payload as bytes and a cell "problem".
    """
    shift = BODY_AT - 1 + lead
    wire = encode_frame(frame)
    head = _header_bytes(frame)
    cells = []
    for row in HEADER_ROWS if frame.is_reply else HEADER_ROWS[:-1]:
        value = int.from_bytes(head[row.at : row.at + row.size], "little") >> row.shift & (1 << row.bits) - 1
        text = f"{value:0{2 * row.size}x}" if row.is_hex else _worded(value, row.words)
        if row.name == "operation" and value not in row.words:
            text += " unknown"
        cells.append(Cell(row.name, str(value), text, shift + row.at, row.size))
    at = shift + len(head)
    try:
        message_of(frame)
    except DecodeError as error:
        if frame.payload:
            cells.append(Cell("payload", frame.payload.hex(), frame.payload.hex(), at, len(frame.payload)))
        cells.append(Cell("problem", "message", str(error)))
    else:
        cells += _payload_cells(frame, request, at)
    check_at = len(wire) - 2 + lead - 5
    check = wire[-6:-1]
    return [*cells, Cell("check", check.hex(), check.hex(), check_at, len(check))]


def _worded(value: int, words: Mapping[int, str]) -> str:
    return f"{value} {words[value]}" if value in words else str(value)


def _header_bytes(frame: Frame) -> bytes:
    control = FRAME_VERSION << 5 | frame.is_reply << 4
    head = bytes([control, len(frame.payload), frame.destination, frame.source, frame.sequence, frame.operation])
    return head if frame.tag is None else head + frame.tag.to_bytes(TAG_BYTES, "little")


def _payload_cells(frame: Frame, request: Frame | None, at: int) -> Iterator[Cell]:
    row = row_of(frame)
    assert row is not None  # the message was read
    payload = frame.payload
    where = 0
    if row.has_outcome:
        yield Cell("outcome", "0", _worded(0, OUTCOME_WORDS), at, 1)
        where = 1
    parameter: Parameter | None = None
    for field in row.fields:
        name = f"{row.key}.{field.name}"
        size = len(payload) - where if field.kind in {"rest", "list"} else field.size
        raw = payload[where : where + size]
        if field.kind == "number":
            number = int.from_bytes(raw, "little", signed=field.signed)
            yield Cell(name, str(number), field.number_text(number), at + where, size)
            for bit, word in field.flags.items():
                isset = int(bool(number & bit))
                yield Cell(f"{name}.{word.replace(' ', '_')}", str(isset), str(isset), at + where, size)
            parameter = PARAMETERS.get(number) if field.role == PARAMETER else parameter
        elif field.kind == "list":
            for place in range(0, size, field.size):
                number = int.from_bytes(raw[place : place + field.size], "little", signed=field.signed)
                yield Cell(name, str(number), field.number_text(number), at + where + place, field.size)
        elif field.kind == "text":
            text = raw.rstrip(b"\x00").decode("ascii")
            yield Cell(name, text, text, at + where, size)
        else:
            yield Cell(name, raw.hex(), raw.hex(), at + where, size)
        yield from _meaning(field, raw, parameter, request, at + where)
        where += size


def _meaning(
    field: FieldRow, raw: bytes, parameter: Parameter | None, request: Frame | None, at: int
) -> Iterator[Cell]:
    """Names and values of the parameters in a field, with the place of their bytes."""
    if field.role == PARAMETERS_LISTED:
        for place, number in enumerate(raw):
            name = PARAMETERS[number].name if number in PARAMETERS else "unknown"
            yield Cell("parameter", name, name, at + place, 1)
    elif field.role == SETTING and parameter is not None:
        text = setting_text(parameter, raw)
        if text is not None:
            told = f"{parameter.name}: {text}"
            yield Cell("setting", told, told, at, len(raw))
    elif field.role == SETTINGS and request is not None and request.operation == Read.OPERATION:
        for told, place, size in _settings(request.payload[1:], raw):
            yield Cell("setting", told, told, at + place, size)
