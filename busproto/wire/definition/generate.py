"""Turns a `construct` definition into straight-line Python on `struct`, once, at import.

Interpreting a definition field by field costs tens of microseconds a frame; the code made here does the same with
one `struct` call and a few comparisons. It knows the pieces that the definitions of busproto use and refuses any other
at import, so a definition cannot silently have two meanings. Tests compare both results.
"""

from __future__ import annotations

import itertools
import re
import struct
from collections.abc import Callable
from dataclasses import dataclass, field
from typing import Any, Final

import construct as c

from busproto.errors import DecodeError, EncodeError, TruncatedFrameError
from busproto.wire.definition.layout import Coded, Counted, Label, Limits, label_bytes, label_text

_INTEGER_FORMATS: Final = "bBhHiIlLqQ"


@dataclass
class _Item:
    """One member of a definition: its place and its conditions."""

    name: str
    kind: str
    format: str = ""
    size: int = 0
    limits: Limits | None = None
    allowed: frozenset[int] | None = None
    members: dict[int, Any] | None = None
    constant: int | None = None
    rebuilt: bool = False
    condition: str = ""
    length: str = ""
    count: tuple[int, int] | None = None
    bits: list[_Item] = field(default_factory=list)

    @property
    def is_fixed(self) -> bool:
        return self.kind in {"int", "bytes", "label", "bits"}

    @property
    def struct_format(self) -> str:
        return f"{self.size}s" if self.kind in {"bytes", "label"} else self.format


def _local_name(expression: Any) -> str:
    """``this.control.reply`` as the local variable ``control_reply``."""
    return "_".join(re.findall(r"\['(\w+)'\]", repr(expression)))


def _item(name: str, subcon: Any) -> _Item | None:
    """Describe one member; None where it has no bytes (``Terminated``)."""
    if isinstance(subcon, c.Renamed):
        return _item("_".join(filter(None, (name, str(subcon.name)))), subcon.subcon)
    if subcon is c.Terminated:
        return None
    if subcon is c.GreedyBytes:
        return _Item(name, "rest")
    if isinstance(subcon, Limits):
        return _changed(_item(name, subcon.subcon), limits=subcon)
    if isinstance(subcon, Counted):
        return _changed(_item(name, subcon.subcon), count=(subcon.low, subcon.high))
    if isinstance(subcon, Coded):
        item = _changed(_item(name, subcon.subcon))
        inside = item.limits
        allowed = [m for m in subcon.members if inside is None or inside.low <= m <= inside.high]
        return _changed(item, members={int(m): m for m in allowed})
    if isinstance(subcon, Label):
        return _Item(name, "label", size=subcon.size)
    if isinstance(subcon, c.Const):
        return _changed(_item(name, subcon.subcon), constant=subcon.value)
    if isinstance(subcon, c.Rebuild):
        return _changed(_item(name, subcon.subcon), rebuilt=True)
    if isinstance(subcon, c.FormatField):
        order, format_letter = str(subcon.fmtstr)[0], str(subcon.fmtstr)[1]
        if (order == ">" and subcon.length > 1) or format_letter not in _INTEGER_FORMATS:
            raise NotImplementedError(f"{name}: the format is little endian, {subcon.fmtstr} is not")
        return _Item(name, "int", format=format_letter, size=subcon.length)
    if isinstance(subcon, c.Bytes):
        if isinstance(subcon.length, int):
            return _Item(name, "bytes", size=subcon.length)
        return _Item(name, "counted bytes", length=_local_name(subcon.length))
    if isinstance(subcon, c.IfThenElse):
        return _changed(_item(name, subcon.thensubcon), condition=_local_name(subcon.condfunc))
    if isinstance(subcon, c.GreedyRange):
        element = _item(name, subcon.subcon)
        assert element is not None
        return _changed(element, kind="list")
    if isinstance(subcon, c.Transformed):
        inner: Any = subcon.subcon
        members = [_bit_item(name, bit) for bit in inner.subcons]
        return _Item(name, "bits", format="B", size=1, bits=members)
    if isinstance(subcon, c.ExprValidator):  # what construct makes of OneOf
        validate: Any = subcon._validate
        numbers = frozenset(value for value in range(256) if validate(value, None, ""))
        return _changed(_item(name, subcon.subcon), allowed=numbers)
    raise NotImplementedError(f"{name}: no code can be generated for {subcon!r}")


def _changed(item: _Item | None, **changes: Any) -> _Item:
    """The item with some attributes changed; every wrapped member has bytes, so the result is never None."""
    assert item is not None
    for key, value in changes.items():
        setattr(item, key, value)
    return item


def _bit_item(group: str, subcon: Any) -> _Item:
    name = f"{group}_{subcon.name}"
    inner = subcon.subcon
    constant = None
    if isinstance(inner, c.Const):
        constant, inner = inner.value, inner.subcon
    size = 1 if inner is c.Flag else inner.length
    return _Item(name, "flag" if inner is c.Flag else "bit field", size=size, constant=constant)


def describe(definition: Any) -> list[_Item]:
    """The members of a Struct that have bytes, in wire order."""
    return [item for item in (_item("", member) for member in definition.subcons) if item is not None]


class _Writer:
    """Collects the source of one function and the objects it refers to."""

    def __init__(self, label: str) -> None:
        self.label = label
        self.lines: list[str] = []
        self.names: dict[str, Any] = {
            "DecodeError": DecodeError,
            "TruncatedFrameError": TruncatedFrameError,
            "EncodeError": EncodeError,
            "unpack_from": struct.unpack_from,
            "pack": struct.pack,
            "label_text": label_text,
            "label_bytes": label_bytes,
        }

    def add(self, line: str, indent: int = 1) -> None:
        self.lines.append("    " * indent + line)

    def refer(self, value: Any, hint: str) -> str:
        name = f"_{hint}{len(self.names)}"
        self.names[name] = value
        return name

    def function(self, head: str) -> Callable[..., Any]:
        source = "\n".join([head, *self.lines]) + "\n"
        exec(compile(source, f"<generated from {self.label}>", "exec"), self.names)
        made: Callable[..., Any] = self.names[head.split("(")[0].removeprefix("def ")]
        made.__doc__ = source
        return made


def _outside(item: _Item, value: str, writer: _Writer) -> tuple[str, str] | None:
    """(condition that is true for a bad value, what is allowed), or None where every raw value is good."""
    if item.allowed is not None:
        return f"{value} not in {writer.refer(item.allowed, 'allowed')}", "one of the defined numbers"
    if item.members is not None:
        known = ", ".join(f"{number} {member.name.lower()}" for number, member in item.members.items())
        return f"{value} not in {writer.refer(item.members, 'members')}", known
    if item.limits is None:
        return None
    low, high, also = item.limits.low, item.limits.high, item.limits.also
    condition = f"not {low} <= {value} <= {high}"
    return (
        (condition, f"{low}..{high}")
        if also is None
        else (
            f"{condition} and {value} != {also}",
            f"{low}..{high} or {also}",
        )
    )


def _check(item: _Item, value: str, writer: _Writer, *, error: str, indent: int = 1) -> None:
    outside = _outside(item, value, writer)
    if outside is None:
        return
    condition, allowed = outside
    text = f"f'{{{value}}} is not {allowed}'"
    first = f"{item.name!r}, {text}" if error == "EncodeError" else f"'{item.name}: ' + {text}"
    writer.add(f"if {condition}: raise {error}({first})", indent)


def make_parser(
    label: str, definition: Any, make: type, rename: dict[str, str] | None = None
) -> Callable[[bytes], Any]:
    """A function of bytes that returns an instance of `make`, or raises `DecodeError`.

    `make` is a slotted class; its fields are set directly (the checks of its constructor are those made here).
    """
    items = describe(definition)
    if any(name.endswith("_") for name in _value_names(items)):
        raise NotImplementedError(f"{label}: a field's name may not end with _, those are the parser's own")
    writer = _Writer(label)
    fixed = [item for item in items if item.is_fixed and not item.condition]
    tail = items[len(fixed) :]
    if tail and any(item.is_fixed and not item.condition for item in tail):
        raise NotImplementedError(f"{label}: a fixed member after one of variable size")
    record = struct.Struct("<" + "".join(item.struct_format for item in fixed))
    writer.add("size_ = len(data_)")
    short = f"raise TruncatedFrameError(f'{label}: {{size_}} bytes, {record.size} belong there', raw=data_)"
    if tail:
        writer.add(f"if size_ < {record.size}: {short}")
    else:
        writer.add(f"if size_ < {record.size}: {short}")
        excess = f"f'{label}: {{size_ - {record.size}}} bytes too many'"
        writer.add(f"if size_ > {record.size}: raise DecodeError({excess}, raw=data_)")
    if fixed:
        targets = "".join(f"{item.name or '_'}, " for item in fixed)
        unpack = writer.refer(record.unpack_from if tail else record.unpack, "unpack")
        writer.add(f"{targets}= {unpack}(data_)")
    for item in fixed:
        _parse_fixed(item, writer)
    at = str(record.size)
    for item in tail:
        at = _parse_tail(item, at, writer)
    if tail and at != "size_":
        writer.add(f"if {at} != size_: raise DecodeError(f'{label}: {{size_ - ({at})}} bytes too many', raw=data_)")
    writer.add(f"made_ = {writer.refer(object.__new__, 'new')}({writer.refer(make, 'cls')})")
    values = {(rename or {}).get(name, name): name for name in _value_names(items)}
    for slot in make.__slots__:  # type: ignore[attr-defined]
        setter = writer.refer(getattr(make, slot).__set__, "set")
        writer.add(f"{setter}(made_, {values[slot]})")
    writer.add("return made_")
    return writer.function("def parse(data_):")


def _value_names(items: list[_Item]) -> list[str]:
    names: list[str] = []
    for item in items:
        names += [bit.name for bit in item.bits] if item.bits else [item.name]
    return [name for name in names if name]


def _parse_fixed(item: _Item, writer: _Writer) -> None:
    if item.bits:
        shift = 8 * item.size
        for bit in item.bits:
            shift -= bit.size
            value = f"{item.name} >> {shift} & {(1 << bit.size) - 1}"
            if bit.constant is not None:
                message = f"f'{bit.name}: {{{value}}} is not {bit.constant}'"
                writer.add(f"if {value} != {bit.constant}: raise DecodeError({message}, raw=data_)")
            else:
                writer.add(f"{bit.name} = {value}")
    elif item.constant is not None:
        name = item.name or "_"
        message = f"f'{name}: {{{name}}} is not {item.constant}'"
        writer.add(f"if {name} != {item.constant!r}: raise DecodeError({message}, raw=data_)")
    elif item.kind == "label":
        writer.add(f"try: {item.name} = label_text({item.name})")
        writer.add(f"except ValueError as error: raise DecodeError('{item.name}: ' + str(error), raw=data_) from error")
    else:
        _check(item, item.name, writer, error="DecodeError")
        if item.members is not None:
            writer.add(f"{item.name} = {writer.refer(item.members, 'members')}[{item.name}]")


def _parse_tail(item: _Item, at: str, writer: _Writer) -> str:
    if item.condition:
        stop = writer.refer(0, "unused")
        record = struct.Struct("<" + item.struct_format)
        writer.add(f"if {item.condition}:")
        writer.add(f"{stop} = {at} + {record.size}", 2)
        writer.add(f"if size_ < {stop}: raise TruncatedFrameError('{item.name}: is not there', raw=data_)", 2)
        writer.add(f"{item.name}, = {writer.refer(record.unpack_from, 'unpack')}(data_, {at})", 2)
        writer.add("else:")
        writer.add(f"{item.name}, {stop} = None, {at}", 2)
        return stop
    if item.kind == "counted bytes":
        stop = writer.refer(0, "unused")
        writer.add(f"{stop} = {at} + {item.length}")
        writer.add(
            f"if size_ < {stop}: raise TruncatedFrameError("
            f"f'{item.name}: {{size_ - {at}}} bytes where {{{item.length}}} are announced', raw=data_)"
        )
        writer.add(f"{item.name} = data_[{at}:{stop}]")
        return stop
    if item.kind == "rest":
        writer.add(f"{item.name} = data_[{at}:]")
    else:
        writer.add(f"count_, odd_ = divmod(size_ - {at}, {item.size})")
        writer.add(f"if odd_: raise DecodeError(f'{item.name}: {{odd_}} bytes too many', raw=data_)")
        writer.add(f"{item.name} = unpack_from(f'<{{count_}}{item.format}', data_, {at})")
    _check_tail(item, item.name, writer, error="DecodeError")
    return "size_"


def _check_tail(item: _Item, value: str, writer: _Writer, *, error: str) -> None:
    if item.count is not None:
        low, high = item.count
        text = f"f'{{len({value})}} elements, {low}..{high} are allowed'"
        first = f"{item.name!r}, {text}" if error == "EncodeError" else f"'{item.name}: ' + {text}"
        writer.add(f"if not {low} <= len({value}) <= {high}: raise {error}({first})")
    if item.kind == "list" and item.limits is not None:
        low, high = item.limits.low, item.limits.high
        writer.add(f"if {value} and (min({value}) < {low} or max({value}) > {high}):")
        writer.add(f"for element_ in {value}:", 2)
        _check(item, "element_", writer, error=error, indent=3)


def make_builder(label: str, definition: Any, rename: dict[str, str] | None = None) -> Callable[[Any], bytes]:
    """A function of an instance (already checked when it was made) that returns its bytes."""
    items = describe(definition)
    writer = _Writer(label)
    rename = rename or {}

    def source(item: _Item) -> str:
        if item.bits:
            shift, parts = 8 * item.size, []
            for bit in item.bits:
                shift -= bit.size
                value = str(bit.constant) if bit.constant is not None else f"bool({attribute(bit.name)})"
                parts.append(f"{value} << {shift}")
            return " | ".join(parts)
        if item.constant is not None:
            return repr(item.constant)
        if item.rebuilt:
            return f"len({attribute(_rebuilt_from(items, item))})"
        if item.kind == "label":
            return f"label_bytes({attribute(item.name)}, {item.size})"
        return attribute(item.name)

    def attribute(name: str) -> str:
        return name if name in conditions else f"made.{rename.get(name, name)}"

    def joined(chosen: list[_Item]) -> str:
        record = struct.Struct("<" + "".join(item.struct_format for item in chosen))
        packed = f"{writer.refer(record.pack, 'pack')}({', '.join(source(item) for item in chosen)})"
        return " + ".join([packed, *rest] if chosen else rest) or repr(b"")

    head = list(itertools.takewhile(lambda item: item.is_fixed, items))
    conditions = list({item.condition: None for item in items if item.condition})
    if len(conditions) > 1 or any(item.condition for item in items[len(head) :]):
        raise NotImplementedError(f"{label}: only members before the first of variable size may have a condition")
    rest = [
        f"pack(f'<{{len({source(item)})}}{item.format}', *{source(item)})" if item.kind == "list" else source(item)
        for item in items[len(head) :]
    ]
    for condition in conditions:
        writer.add(f"{condition} = made.{rename.get(condition, condition)}")
        writer.add(f"if {condition}: return {joined(head)}")
    writer.add(f"return {joined([item for item in head if not item.condition])}")
    return writer.function("def build(made):")


def _rebuilt_from(items: list[_Item], item: _Item) -> str:
    """The member whose length `item` holds."""
    return next(other.name for other in items if other.length == item.name)


_INTEGER_RANGES: Final = {
    letter: (
        (-(1 << 8 * struct.calcsize("<" + letter) - 1), (1 << 8 * struct.calcsize("<" + letter) - 1) - 1)
        if letter.islower()
        else (0, (1 << 8 * struct.calcsize("<" + letter)) - 1)
    )
    for letter in _INTEGER_FORMATS
}


def make_check(label: str, definition: Any) -> Callable[[Any], None]:
    """A function of an instance that raises `EncodeError` where a field cannot be sent as it is."""
    writer = _Writer(label)
    writer.add("pass")
    for item in describe(definition):
        if not item.name or item.constant is not None:
            continue
        value = f"made.{item.name}"
        name = repr(item.name)
        if item.kind == "int":
            writer.add(f"if not isinstance({value}, int) or isinstance({value}, bool):")
            writer.add(f"raise EncodeError({name}, f'{{{value}!r}} is not a whole number')", 2)
            if item.limits is None and item.members is None:
                item.limits = Limits(c.Int8ul, *_INTEGER_RANGES[item.format])
            _check(item, value, writer, error="EncodeError")
        elif item.kind == "bytes":
            writer.add(f"if not isinstance({value}, bytes) or len({value}) != {item.size}:")
            writer.add(f"raise EncodeError({name}, f'{{{value}!r}} is not a string of {item.size} bytes')", 2)
        elif item.kind == "label":
            writer.add(f"try: label_bytes({value}, {item.size})")
            writer.add(f"except ValueError as error: raise EncodeError({name}, str(error)) from error")
        elif item.kind == "rest":
            writer.add(f"if not isinstance({value}, bytes):")
            writer.add(f"raise EncodeError({name}, f'{{{value}!r}} is not a string of bytes')", 2)
            _check_tail(item, value, writer, error="EncodeError")
        elif item.kind == "list":
            whole = f"isinstance(one, int) and not isinstance(one, bool) for one in {value}"
            writer.add(f"if not isinstance({value}, tuple) or not all({whole}):")
            writer.add(f"raise EncodeError({name}, f'{{{value}!r}} is not a tuple of whole numbers')", 2)
            if item.limits is None:
                item.limits = Limits(c.Int8ul, *_INTEGER_RANGES[item.format])
            _check_tail(item, value, writer, error="EncodeError")
        else:  # pragma: no cover - refused at import, not at run time
            raise NotImplementedError(f"{label}: {item.name}")
    return writer.function("def check(made):")
