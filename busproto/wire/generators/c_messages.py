"""The C of the messages: a struct for each, pack and unpack with every limit of the definition, the operations.

It reads the same description of a definition as the Python code generator
(`busproto.wire.definition.generate.describe`).
"""

from __future__ import annotations

import inspect
from collections.abc import Iterator
from typing import Any, Final

from busproto.wire import messages as m
from busproto.wire.definition.generate import describe
from busproto.wire.generators.c_text import (
    c_type,
    comment,
    getter,
    good,
    member,
    putter,
    refuse_unless,
    snake,
    string,
    upper,
)
from busproto.wire.generators.template import filled
from busproto.wire.message import BARE_REPLIES, OPERATIONS, Message, fields_of

AUDIENCES: Final = {"one": 1, "all": 2, "one or all": 3}
CODES: Final = (m.Outcome, m.State, m.Memory, m.Fault)


def classes() -> list[type[Message]]:
    """Every message class, requests and replies in the order of their numbers, the refusal last."""
    found: list[type[Message]] = []
    for _, operation in sorted(OPERATIONS.items()):
        found.append(operation.request)
        if operation.reply is not None:
            found.append(operation.reply)
    return [*found, m.Refused]


def c_name(message: type[Message]) -> str:
    """The C name of a message, without the prefix."""
    return snake(message.__name__)


def _members(message: type[Message]) -> list[Any]:
    layout: Any = message.LAYOUT
    return describe(layout)


# --- declarations ----------------------------------------------------------------------------------------------


def codes() -> Iterator[str]:
    """The enumerations used in messages."""
    for kind in CODES:
        yield from comment(inspect.getdoc(kind) or "")
        rows = [f"    BP_{upper(kind.__name__)}_{one.name} = {int(one)}" for one in kind]
        yield f"enum bp_{snake(kind.__name__)} {{"
        yield ",\n".join(rows)
        yield "};"
        yield ""


def declarations() -> Iterator[str]:
    """Structs and functions of every message."""
    for message in classes():
        name = c_name(message)
        yield from comment(inspect.getdoc(message) or "")
        yield f"typedef struct bp_{name} {{"
        docs = {field.name: (field.doc, field.unit) for field in fields_of(message)}
        fields = [item for item in _members(message) if item.name in docs]
        if not fields:
            yield "    uint8_t nothing; /* C has no empty structs */"
        for item in fields:
            doc, unit = docs[item.name]
            yield from comment(f"{doc}, {unit}" if unit else doc, 1)
            yield from (f"    {line};" for line in _fields(item))
        yield f"}} bp_{name};"
        yield ""
        yield f"bp_result bp_pack_{name}(const bp_{name} *message, uint8_t *payload, size_t *length);"
        yield f"bp_result bp_unpack_{name}(bp_{name} *message, const uint8_t *payload, size_t length);"
        yield ""
    yield from comment("Which message a bp_message holds.")
    yield "typedef enum bp_kind {"
    yield ",\n".join(f"    BP_KIND_{upper(message.__name__)} = {at}" for at, message in enumerate(classes(), 1))
    yield "} bp_kind;"
    yield ""
    yield "typedef struct bp_message {"
    yield "    bp_kind kind;"
    yield "    union {"
    for message in classes():
        yield f"        bp_{c_name(message)} {member(c_name(message))};"
    yield "    } as;"
    yield "} bp_message;"
    yield ""
    yield from _operation_declarations()


def _operation_declarations() -> Iterator[str]:
    yield from comment("Numbers of the operations.")
    yield "enum bp_operation_number {"
    yield ",\n".join(f"    BP_OPERATION_{upper(one.name)} = {number}" for number, one in sorted(OPERATIONS.items()))
    yield "};"
    yield ""
    yield from comment("Destinations that the host may use for a request.")
    yield "enum bp_audience {"
    yield ",\n".join(f"    BP_TO_{upper(name)} = {number}" for name, number in AUDIENCES.items())
    yield "};"
    yield ""
    yield "typedef struct bp_operation {"
    yield "    uint8_t number;"
    yield "    uint8_t audience; /* bit 0: to one, bit 1: to all */"
    yield "    uint8_t has_reply; /* 1 where a frame answers it */"
    yield "    uint8_t is_bare; /* 1 where that frame has no outcome byte, so that it cannot refuse */"
    yield "    const char *name;"
    yield "} bp_operation;"
    yield ""
    yield f"#define BP_OPERATIONS {len(OPERATIONS)}U"
    yield "extern const bp_operation bp_operations[BP_OPERATIONS];"
    yield ""
    yield from comment("The operation of that number, a null pointer where there is none.")
    yield "const bp_operation *bp_operation_of(uint8_t number);"
    yield ""
    yield from comment(
        "The message in a good frame. BP_UNKNOWN: there is no such operation; BP_BAD_CONTENT: it is not as it belongs."
    )
    yield "bp_result bp_unpack_message(bp_message *message, const bp_frame *frame);"
    yield ""
    yield from comment("The payload of a message into the frame; all else in the frame stays as it is.")
    yield "bp_result bp_pack_message(const bp_message *message, bp_frame *frame);"
    yield ""


def _fields(item: Any) -> list[str]:
    if item.kind == "int":
        return [f"{c_type(item.format)} {member(item.name)}"]
    if item.kind == "bytes":
        return [f"uint8_t {member(item.name)}[{item.size}]"]
    if item.kind == "label":
        return [f"char {member(item.name)}[{item.size + 1}]"]
    most = _most(item)
    element = "uint8_t" if item.kind == "rest" else c_type(item.format)
    return [f"uint8_t {item.name}_count", f"{element} {member(item.name)}[{most}]"]


def _most(item: Any) -> int:
    if item.kind not in {"rest", "list"} or item.count is None or item.count[1] > 0xFF:
        raise NotImplementedError(f"{item.name}: C needs to know how many there are at most (255 or fewer)")
    most: int = item.count[1]
    return most


# --- functions -------------------------------------------------------------------------------------------------


def functions() -> Iterator[str]:
    """Pack and unpack of every message, and of any."""
    for message in classes():
        yield from _pack(message)
        yield ""
        yield from _unpack(message)
        yield ""
    yield from _operation_table()
    yield from _any()


def _pack(message: type[Message]) -> Iterator[str]:
    name, items = c_name(message), _members(message)
    fixed = [item for item in items if item.is_fixed]
    yield f"bp_result bp_pack_{name}(const bp_{name} *message, uint8_t *payload, size_t *length)"
    yield "{"
    if items[len(fixed) :]:
        yield "    size_t at;"
    if not any(item.constant is None for item in items):
        yield "    (void)message;"
    for item in fixed:
        if item.kind == "int" and item.constant is None:
            yield from refuse_unless(good(item, f"message->{member(item.name)}"), "BP_BAD_CONTENT")
    for item in items[len(fixed) :]:
        yield from _count_check(item, f"message->{item.name}_count")
        yield from _element_check(item)
    at = 0
    for item in fixed:
        value = str(item.constant) if item.constant is not None else f"message->{member(item.name)}"
        if item.kind == "int":
            yield (
                f"    {putter(item.format)}(payload + {at}, {value});"
                if at
                else (f"    {putter(item.format)}(payload, {value});")
            )
        elif item.kind == "bytes":
            yield f"    memcpy(payload + {at}, {value}, {item.size});"
        else:
            yield f"    if (!bp_put_text(payload + {at}, {value}, {item.size})) {{"
            yield "        return BP_BAD_CONTENT;"
            yield "    }"
        at += item.size
    if not fixed and not items:
        yield "    (void)payload;"
    for item in items[len(fixed) :]:
        count = f"message->{item.name}_count"
        if item.kind == "rest":
            yield f"    at = {at};"
            yield f"    memcpy(payload + at, message->{member(item.name)}, {count});"
            yield f"    *length = at + {count};"
        else:
            yield f"    for (at = 0; at < {count}; at++) {{"
            yield f"        {putter(item.format)}({_behind(at, item.size)}, message->{member(item.name)}[at]);"
            yield "    }"
            yield f"    *length = {at}U + (size_t){item.size} * {count};"
    if items[len(fixed) :] == []:
        yield f"    *length = {at};"
    yield "    return BP_OK;"
    yield "}"


def _unpack(message: type[Message]) -> Iterator[str]:
    name, items = c_name(message), _members(message)
    fixed = [item for item in items if item.is_fixed]
    tail = items[len(fixed) :]
    size = sum(item.size for item in fixed)
    yield f"bp_result bp_unpack_{name}(bp_{name} *message, const uint8_t *payload, size_t length)"
    yield "{"
    if tail:
        yield "    size_t at;"
        yield ""
    if tail and size:
        yield from refuse_unless(f"length >= {size}U", "BP_BAD_CONTENT")
    elif not tail:
        yield from refuse_unless(f"length == {size}U", "BP_BAD_CONTENT")
    if not any(item.constant is None for item in items):
        yield "    message->nothing = 0;"
    if not items:
        yield "    (void)payload;"
    at = 0
    for item in fixed:
        where = f"payload + {at}" if at else "payload"
        if item.constant is not None:
            yield from refuse_unless(f"{getter(item.format)}({where}) == {item.constant}U", "BP_BAD_CONTENT")
        elif item.kind == "int":
            yield f"    message->{member(item.name)} = {getter(item.format)}({where});"
            yield from refuse_unless(good(item, f"message->{member(item.name)}"), "BP_BAD_CONTENT")
        elif item.kind == "bytes":
            yield f"    memcpy(message->{member(item.name)}, {where}, {item.size});"
        else:
            text = f"bp_get_text(message->{member(item.name)}, {where}, {item.size})"
            yield from refuse_unless(text, "BP_BAD_CONTENT")
        at += item.size
    for item in tail:
        rest = f"(length - {size}U)" if size else "length"
        if item.kind == "rest":
            yield f"    at = {rest};"
        else:
            yield from refuse_unless(f"{rest} % {item.size}U == 0U", "BP_BAD_CONTENT")
            yield f"    at = {rest} / {item.size}U;"
        yield from _count_check(item, "at")
        yield f"    message->{item.name}_count = (uint8_t)at;"
        if item.kind == "rest":
            yield f"    memcpy(message->{member(item.name)}, payload + {size}, at);"
        else:
            yield f"    for (at = 0; at < message->{item.name}_count; at++) {{"
            yield f"        message->{member(item.name)}[at] = {getter(item.format)}({_behind(size, item.size)});"
            yield "    }"
            yield from _element_check(item)
    yield "    return BP_OK;"
    yield "}"


def _count_check(item: Any, value: str) -> list[str]:
    low, high = item.count[0], _most(item)
    parts = [f"{value} >= {low}U"] if low else []
    return refuse_unless(" && ".join([*parts, f"{value} <= {high}U"]), "BP_BAD_CONTENT")


def _element_check(item: Any) -> Iterator[str]:
    condition = good(item, f"message->{member(item.name)}[at]") if item.kind == "list" else ""
    if condition:
        yield f"    for (at = 0; at < message->{item.name}_count; at++) {{"
        yield from refuse_unless(condition, "BP_BAD_CONTENT", 2)
        yield "    }"


def _operation_table() -> Iterator[str]:
    yield "const bp_operation bp_operations[BP_OPERATIONS] = {"
    rows = []
    for number, one in sorted(OPERATIONS.items()):
        has_reply, is_bare = int(one.reply is not None), int(number in BARE_REPLIES)
        rows.append(f"    {{{number}, {AUDIENCES[one.audience]}, {has_reply}, {is_bare}, {string(one.name)}}}")
    yield ",\n".join(rows)
    yield "};"
    yield ""
    yield filled("bp_operation_of.c.in")


def _any() -> Iterator[str]:
    yield "bp_result bp_unpack_message(bp_message *message, const bp_frame *frame)"
    yield "{"
    yield "    const uint8_t *payload = frame->payload;"
    yield "    size_t length = frame->payload_length;"
    yield "    const bp_operation *operation = bp_operation_of(frame->operation);"
    yield ""
    yield "    if (!frame->is_reply) {"
    yield "        switch (frame->operation) {"
    for number, operation in sorted(OPERATIONS.items()):
        yield from _unpack_case(number, operation.request)
    yield "        default:"
    yield "            return BP_UNKNOWN;"
    yield "        }"
    yield "    }"
    yield "    if (length > 0 && payload[0] != 0 && (operation == NULL || !operation->is_bare)) {"
    yield "        message->kind = BP_KIND_REFUSED;"
    yield "        return bp_unpack_refused(&message->as.refused, payload, length);"
    yield "    }"
    yield "    switch (frame->operation) {"
    for number, operation in sorted(OPERATIONS.items()):
        if operation.reply is not None:
            yield from (line.removeprefix("    ") for line in _unpack_case(number, operation.reply))
    yield "    default:"
    yield "        return BP_UNKNOWN;"
    yield "    }"
    yield "}"
    yield ""
    yield "bp_result bp_pack_message(const bp_message *message, bp_frame *frame)"
    yield "{"
    yield "    size_t length = 0;"
    yield "    bp_result result;"
    yield ""
    yield "    switch (message->kind) {"
    for message in classes():
        yield f"    case BP_KIND_{upper(message.__name__)}:"
        name = c_name(message)
        yield f"        result = bp_pack_{name}(&message->as.{member(name)}, frame->payload, &length);"
        yield "        break;"
    yield "    default:"
    yield "        return BP_UNKNOWN;"
    yield "    }"
    yield "    frame->payload_length = (uint8_t)length;"
    yield "    return result;"
    yield "}"


def _unpack_case(number: int, message: type[Message]) -> Iterator[str]:
    name = c_name(message)
    yield f"        case BP_OPERATION_{upper(OPERATIONS[number].name)}:"
    yield f"            message->kind = BP_KIND_{upper(message.__name__)};"
    yield f"            return bp_unpack_{name}(&message->as.{member(name)}, payload, length);"


def _behind(first: int, size: int) -> str:
    """C for the place of element `at` of a list that begins behind `first` bytes."""
    return f"payload + {first} + {size}U * at" if first else f"payload + {size}U * at"
