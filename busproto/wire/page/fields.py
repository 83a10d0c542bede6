"""Messages, their fields and parameters in words and as data, read from their `construct` definitions."""

from __future__ import annotations

import inspect
from typing import Any

from construct import Bytes, FormatField, GreedyBytes, GreedyRange

from busproto.wire.definition.layout import Coded, Counted, Label, Limits
from busproto.wire.message import BARE_REPLIES, Message, Operation, fields_of
from busproto.wire.page.rules import CORE, TEACHING
from busproto.wire.parameters import Parameter

TEACHING_OPERATIONS = frozenset({0x04, 0x05, 0x06})
"""Operations of the optional extension; all others belong to the core."""


def part_of(number: int) -> str:
    """The part of the format that an operation belongs to."""
    return TEACHING if number in TEACHING_OPERATIONS else CORE


def kind_of(subcon: Any) -> str:
    """How a field stands in the payload, in words."""
    if isinstance(subcon, Limits | Coded):
        return kind_of(subcon.subcon)
    if isinstance(subcon, Counted):
        inner = kind_of(subcon.subcon).removesuffix(" to the end")
        return f"{inner}, {subcon.low}..{subcon.high} of them"
    if isinstance(subcon, Label):
        return f"text of {subcon.size} bytes, filled up with zeros"
    if isinstance(subcon, GreedyRange):
        return f"list of {kind_of(subcon.subcon)}"
    if subcon is GreedyBytes:
        return "bytes to the end"
    if isinstance(subcon, Bytes):
        return f"{subcon.length} bytes"
    assert isinstance(subcon, FormatField)
    sign = "i" if str(subcon.fmtstr)[-1].islower() else "u"
    return f"{sign}{8 * subcon.length}"


def range_of(subcon: Any) -> str:
    """What values a field may have, in words; "" where all that fit."""
    if isinstance(subcon, Limits):
        return f"{subcon.low}..{subcon.high}" + (f" or {subcon.also}" if subcon.also is not None else "")
    if isinstance(subcon, Coded):
        inner = subcon.subcon
        members = [one for one in subcon.members if not isinstance(inner, Limits) or inner.low <= one <= inner.high]
        return ", ".join(f"{int(one)} {words(one.name)}" for one in members)
    if isinstance(subcon, Counted | GreedyRange):
        return range_of(subcon.subcon)
    return ""


def words(name: str) -> str:
    """A name of the code as the page has it."""
    return name.lower().replace("_", " ")


def text_of(thing: Any) -> str:
    """A docstring in one line."""
    return " ".join((inspect.getdoc(thing) or "").split())


def first_sentence(thing: Any) -> str:
    """The first sentence of a docstring: what an operation's own clause says."""
    text = text_of(thing)
    return text[: text.index(".") + 1] if "." in text else text


def message_data(message: type[Message]) -> dict[str, Any]:
    """The text and the fields of a message, for ``spec --json``."""
    return {
        "text": text_of(message),
        "fields": [
            {
                "name": field.name,
                "kind": kind_of(field.subcon),
                "range": range_of(field.subcon),
                "unit": field.unit,
                "meaning": field.doc,
            }
            for field in fields_of(message)
        ],
    }


def operation_data(operation: Operation) -> dict[str, Any]:
    """An operation with its request and reply, for ``spec --json``."""
    return {
        "number": operation.number,
        "name": operation.name,
        "to": operation.audience,
        "part": part_of(operation.number),
        "clause": f"op.{operation.number:02X}",
        "request": message_data(operation.request),
        "reply": message_data(operation.reply) if operation.reply else None,
        "reply_begins_with_outcome": operation.reply is not None and operation.number not in BARE_REPLIES,
    }


def parameter_data(row: Parameter) -> dict[str, Any]:
    """A row of the parameter table, for ``spec --json``."""
    return {
        "number": row.number,
        "name": row.name,
        "kind": f"table of up to {row.points} {kind_of(row.subcon)}" if row.points else kind_of(row.subcon),
        "unit": row.unit,
        "counts_per_unit": row.counts_per_unit,
        "low": row.value(row.low) if not row.choices else row.low,
        "high": row.value(row.high) if not row.choices else row.high,
        "default": row.value(row.default),
        "choices": dict(row.choices),
        "meaning": row.doc,
    }
