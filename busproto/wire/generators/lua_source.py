"""A dissector in Lua for the common open packet analyser, made from the rows of `busproto.wire.field_rows`.

The contents of messages are tables printed here from the definitions; only the code that reads them is written in Lua
by hand. The names of the fields are those of `Cell.name` behind "busproto.", and each shows the same text.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from typing import Any, Final

from busproto.wire import crc, frame
from busproto.wire.field_rows import (
    FLAGS,
    HEADER_ROWS,
    OUTCOME_WORDS,
    REFUSAL_ROW,
    REPLY_ROWS,
    REQUEST_ROWS,
    FieldRow,
    HeaderRow,
    MessageRow,
)
from busproto.wire.generators.template import filled
from busproto.wire.message import BARE_REPLIES
from busproto.wire.messages import Read
from busproto.wire.parameters import PARAMETERS, Parameter

_BODY_KINDS: Final = {1: "uint8", 2: "uint16"}


def lua_text(value: object) -> str:
    """A value as Lua writes it: text, numbers, tables of both."""
    if isinstance(value, bool):
        return "true" if value else "false"
    if isinstance(value, int):
        return str(value)
    if isinstance(value, str):
        escaped = "".join(
            letter if " " <= letter <= "~" and letter not in '\\"' else "".join(f"\\{b:03d}" for b in letter.encode())
            for letter in value
        )
        return f'"{escaped}"'
    if isinstance(value, Mapping):
        items = (f"[{lua_text(key)}]={lua_text(one)}" for key, one in value.items())
        return "{" + ", ".join(items) + "}"
    if isinstance(value, Sequence):
        return "{" + ", ".join(lua_text(one) for one in value) + "}"
    raise TypeError(f"{value!r} has no form in Lua")


def field_table(row: FieldRow) -> dict[str, Any]:
    """One field of a payload as plain data."""
    times, by, digits, unit = row.scale
    return {
        "name": row.name,
        "kind": row.kind,
        "size": row.size,
        "signed": row.signed,
        "low": row.low,
        "high": row.high,
        "words": dict(row.words),
        "closed": row.closed,
        "flags": [[bit, word, word.replace(" ", "_")] for bit, word in row.flags.items()],
        "least": row.count[0],
        "most": row.count[1],
        "times": times,
        "by": by,
        "digits": digits,
        "unit": unit,
        "role": row.role,
        **({} if row.also is None else {"also": row.also}),
    }


def message_table(row: MessageRow) -> dict[str, Any]:
    """One message as plain data."""
    return {
        "key": row.key,
        "title": row.title,
        "outcome": row.has_outcome,
        "fields": [field_table(field) for field in row.fields],
    }


def header_table(row: HeaderRow) -> dict[str, Any]:
    """One field of the header as plain data."""
    return {
        "name": row.name,
        "at": row.at,
        "size": row.size,
        "shift": row.shift,
        "bits": row.bits,
        "words": dict(row.words),
        "hex": row.is_hex,
    }


def parameter_table(row: Parameter) -> dict[str, Any]:
    """One parameter as plain data."""
    return {
        "name": row.name,
        "size": row.size,
        "signed": row.format.islower(),
        "points": row.points,
        "per_unit": row.counts_per_unit,
        "digits": max(0, len(str(row.counts_per_unit)) - 1),
        "unit": row.unit,
        "choices": {value: name for name, value in row.choices.items()},
    }


def tables() -> dict[str, Any]:
    """The data about the format that the decoders for other tools use."""
    return {
        "header": [header_table(row) for row in HEADER_ROWS],
        "requests": {number: message_table(row) for number, row in REQUEST_ROWS.items()},
        "replies": {number: message_table(row) for number, row in REPLY_ROWS.items()},
        "refusal": message_table(REFUSAL_ROW),
        "bare": dict.fromkeys(sorted(BARE_REPLIES), True),
        "outcomes": dict(OUTCOME_WORDS),
        "parameters": {number: parameter_table(row) for number, row in PARAMETERS.items()},
        "read": Read.OPERATION,
        "crc": crc.CRC_MODEL.table(8),
        "version": frame.FRAME_VERSION,
        "min_chunk": frame.MIN_CHUNK_BYTES,
        "max_chunk": frame.MAX_CHUNK_BYTES,
        "check_bytes": crc.TRAILER_BYTES,
        "header_bytes": frame.HEADER_BYTES,
        "tag_bytes": frame.TAG_BYTES,
        "max_payload": frame.MAX_PAYLOAD_BYTES,
        "last_address": frame.UNADDRESSED,
        "broadcast": frame.BROADCAST_ADDRESS,
    }


def _all_messages() -> Iterable[MessageRow]:
    return (*REQUEST_ROWS.values(), *REPLY_ROWS.values(), REFUSAL_ROW)


def _declared(name: str, kind: str, label: str, *more: str) -> str:
    arguments = ", ".join([lua_text(f"busproto.{name}"), lua_text(label), *more])
    return f"field[{lua_text(name)}] = ProtoField.{kind}({arguments})"


def _declarations() -> list[str]:
    """One line for each field that a filter may name."""
    lines = []
    for row in HEADER_ROWS:
        base = "base.HEX" if row.is_hex else "base.DEC"
        lines.append(_declared(row.name, _BODY_KINDS[row.size], row.name, base))
    lines.append(_declared("outcome", "uint8", "outcome", "base.DEC"))
    for message in _all_messages():
        for one in message.fields:
            name = f"{message.key}.{one.name}"
            doc = lua_text(one.doc)
            if one.kind in {"number", "list"}:
                kind = f"{'int' if one.signed else 'uint'}{8 * one.size}"
                lines.append(_declared(name, kind, one.name, "base.DEC", "nil", "nil", doc))
                for word in one.flags.values():
                    lines.append(_declared(f"{name}.{word.replace(' ', '_')}", "uint8", word, "base.DEC"))
            elif one.kind == "text":
                lines.append(_declared(name, "string", one.name, "base.ASCII", doc))
            else:
                lines.append(_declared(name, "bytes", one.name, "base.NONE", doc))
    return lines


def lua_source() -> str:
    """The dissector as one file of Lua source."""
    lines = []
    for name, value in tables().items():
        if name in {"requests", "replies", "parameters"}:
            lines.append(f"T.{name} = {{}}")
            lines += [f"T.{name}[{number}] = {lua_text(one)}" for number, one in value.items()]
        else:
            lines.append(f"T.{name} = {lua_text(value)}")
    return filled("busproto.lua", {"tables": lines, "fields": _declarations()})


assert set(FLAGS) <= {one.name for message in _all_messages() for one in message.fields}
