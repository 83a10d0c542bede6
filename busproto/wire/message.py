"""What a message class is: a frozen dataclass whose fields carry their own `construct` definition.

``on_wire(Int16ul, "what it is", unit="ms")`` is both the field and the only definition of its place in the payload. The
decorators `request` and `reply` make the dataclass, put its fields together as one construct `Struct` (``LAYOUT``) and
generate parser, builder and check from it.
"""

from __future__ import annotations

import dataclasses
from collections.abc import Callable
from dataclasses import dataclass
from typing import Any, ClassVar, Final, dataclass_transform

from construct import Const, Construct, Int8ul, Struct, Terminated

from busproto.wire.definition.generate import make_builder, make_check, make_parser


class Message:
    """Base of all requests and replies. Values are frozen; a bad one raises `EncodeError` when it is made."""

    __slots__ = ()
    OPERATION: ClassVar[int]
    IS_REPLY: ClassVar[bool]
    LAYOUT: ClassVar[Any]
    parse: ClassVar[Callable[[bytes], Any]]
    build: ClassVar[Callable[[Any], bytes]]

    def payload(self) -> bytes:
        """The payload bytes of this message, at most 112."""
        return type(self).build(self)


@dataclass(frozen=True, slots=True)
class FieldInfo:
    """One field of a message as the format page prints it."""

    name: str
    subcon: Any
    doc: str
    unit: str


@dataclass(frozen=True, slots=True)
class Operation:
    """One operation: its number, its request and its reply.

    Attributes:
        number: 0..255, as in the frame.
        name: one or two words.
        request: the message that the host sends.
        reply: the message that answers it, None where no actuator answers with a frame.
        audience: which destinations the host may use: "one", "all" or "one or all".
    """

    number: int
    name: str
    request: type[Message]
    reply: type[Message] | None
    audience: str


OPERATIONS: Final[dict[int, Operation]] = {}
"""Every operation by its number; filled by the decorators below."""

BARE_REPLIES: Final[set[int]] = set()
"""Operations whose reply has no outcome byte, to save time on the line."""

REQUESTS: Final[dict[int, type[Message]]] = {}
REPLIES: Final[dict[int, type[Message]]] = {}


def on_wire(subcon: Construct[Any, Any], doc: str, *, unit: str = "") -> Any:
    """A message field: its definition in the payload, its meaning, its unit."""
    return dataclasses.field(metadata={"subcon": subcon, "doc": doc, "unit": unit})


def fields_of(message: type[Message]) -> list[FieldInfo]:
    """The fields of a message class in wire order."""
    return [
        FieldInfo(field.name, field.metadata["subcon"], field.metadata["doc"], field.metadata["unit"])
        for field in dataclasses.fields(message)  # type: ignore[arg-type]
    ]


def finish(cls: type, label: str, lead: tuple[Any, ...] = ()) -> Any:
    """Make the dataclass, its layout and its generated code."""
    made: Any = None

    def check_fields(self: Any) -> None:
        check(self)

    cls.__post_init__ = check_fields  # type: ignore[attr-defined]
    made = dataclass(frozen=True, slots=True)(cls)
    members = [field.name / field.subcon for field in fields_of(made)]
    made.LAYOUT = Struct(*lead, *members, Terminated)
    check = make_check(label, made.LAYOUT)
    made.parse = staticmethod(make_parser(label, made.LAYOUT, made))
    made.build = staticmethod(make_builder(label, made.LAYOUT))
    return made


@dataclass_transform(frozen_default=True, field_specifiers=(on_wire,))
def request(number: int, name: str, *, audience: str = "one") -> Callable[[type[Any]], type[Any]]:
    """Class decorator: marks the request of operation `number`."""

    def decorate(cls: type) -> type:
        cls.OPERATION, cls.IS_REPLY = number, False  # type: ignore[attr-defined]
        made = finish(cls, name)
        if number in OPERATIONS:
            raise ValueError(f"operation {number:#04x} is defined twice")
        REQUESTS[number] = made
        OPERATIONS[number] = Operation(number, name, made, None, audience)
        return made  # type: ignore[no-any-return]

    return decorate


@dataclass_transform(frozen_default=True, field_specifiers=(on_wire,))
def reply(number: int, *, outcome: bool = True) -> Callable[[type[Any]], type[Any]]:
    """Class decorator: marks the reply of operation `number`. Its first byte is 0 (done) unless `outcome` is False."""

    def decorate(cls: type) -> type:
        cls.OPERATION, cls.IS_REPLY = number, True  # type: ignore[attr-defined]
        made = finish(cls, f"{OPERATIONS[number].name} reply", ("outcome" / Const(0, Int8ul),) if outcome else ())
        REPLIES[number] = made
        if not outcome:
            BARE_REPLIES.add(number)
        OPERATIONS[number] = dataclasses.replace(OPERATIONS[number], reply=made)
        return made  # type: ignore[no-any-return]

    return decorate


@dataclass_transform(frozen_default=True, field_specifiers=(on_wire,))
def refusal(cls: type[Any]) -> type[Any]:
    """Class decorator: marks the message that may answer any request in place of its reply."""
    cls.IS_REPLY = True
    return finish(cls, "refusal")  # type: ignore[no-any-return]
