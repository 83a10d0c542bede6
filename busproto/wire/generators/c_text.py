"""Building blocks of the generated C: names, types, comparisons without compiler warnings, comments.

The C is C99 for any compiler of a small controller: no heap, nothing of the library but memcpy and memset, no
bit fields, no assumption about byte order or alignment.
"""

from __future__ import annotations

import re
import textwrap
from collections.abc import Iterable, Iterator
from typing import Any, Final

LINE_LETTERS: Final = 110

_C_TYPES: Final = {
    "B": "uint8_t",
    "b": "int8_t",
    "H": "uint16_t",
    "h": "int16_t",
    "I": "uint32_t",
    "i": "int32_t",
    "L": "uint32_t",
    "l": "int32_t",
}
# fmt: off
_KEYWORDS: Final = frozenset({
    "auto", "break", "case", "char", "const", "continue", "default", "do", "double", "else", "enum", "extern",
    "float", "for", "goto", "if", "inline", "int", "long", "register", "restrict", "return", "short", "signed",
    "sizeof", "static", "struct", "switch", "typedef", "union", "unsigned", "void", "volatile", "while", "and",
    "bool", "catch", "class", "delete", "explicit", "export", "false", "friend", "mutable", "namespace", "new",
    "not", "operator", "or", "private", "protected", "public", "template", "this", "throw", "true", "try",
    "typeid", "typename", "using", "virtual",
})
# fmt: on
"""Reserved words of C99, and of C++ for programs that include the header there."""
_SIZES: Final = {"b": 1, "h": 2, "i": 4, "l": 4}


def snake(name: str) -> str:
    """``RollCall`` as ``roll_call``."""
    return re.sub(r"(?<=[a-z0-9])(?=[A-Z])", "_", name).lower()


def upper(name: str) -> str:
    """Any name as the tail of a C constant."""
    return re.sub(r"[^A-Z0-9]+", "_", snake(name).upper())


def member(name: str) -> str:
    """A field's name as the name of a struct's member; with _ appended where it is a reserved word."""
    return name + "_" if name in _KEYWORDS else name


def c_type(letter: str) -> str:
    """C type of a `struct` format letter.

    Raises:
        NotImplementedError: the C has no such integers (64 bits).
    """
    try:
        return _C_TYPES[letter]
    except KeyError:
        raise NotImplementedError(f"no C is generated for integers of the format '{letter}'") from None


def size_of(letter: str) -> int:
    """Bytes of a `struct` format letter."""
    c_type(letter)
    return _SIZES[letter.lower()]


def type_range(letter: str) -> tuple[int, int]:
    """Least and greatest value of a `struct` format letter."""
    bits = 8 * size_of(letter)
    return (-(1 << bits - 1), (1 << bits - 1) - 1) if letter.islower() else (0, (1 << bits) - 1)


def number(value: int, letter: str = "i") -> str:
    """A C literal that has the value itself and no wider type than it needs."""
    if value == -(1 << 31):
        return "(-2147483647 - 1)"
    return f"{value}U" if letter.isupper() else str(value)


def getter(letter: str) -> str:
    """Name of the C function that reads such an integer."""
    return f"bp_get_{'i' if letter.islower() else 'u'}{8 * size_of(letter)}"


def putter(letter: str) -> str:
    """Name of the C function that writes such an integer (of either sign) ."""
    return f"bp_put_{'i' if letter.islower() else 'u'}{8 * size_of(letter)}"


def runs(numbers: Iterable[int]) -> list[tuple[int, int]]:
    """Sorted whole numbers as runs without a gap."""
    found: list[tuple[int, int]] = []
    for one in sorted(numbers):
        if found and found[-1][1] + 1 == one:
            found[-1] = (found[-1][0], one)
        else:
            found.append((one, one))
    return found


def within(value: str, low: int, high: int, letter: str) -> str:
    """A C condition that is true for low..high; "" where the type holds nothing else."""
    least, greatest = type_range(letter)
    if low == high:
        return f"{value} == {number(low, letter)}"
    parts = []
    if low > least:
        parts.append(f"{value} >= {number(low, letter)}")
    if high < greatest:
        parts.append(f"{value} <= {number(high, letter)}")
    return " && ".join(parts)


def good(item: Any, value: str) -> str:
    """A C condition that is true where an integer member of a definition may have that value; "" for always.

    `item` is one of `busproto.wire.definition.generate.describe`.
    """
    if item.members is not None or item.allowed is not None:
        allowed = item.members if item.members is not None else item.allowed
        spans = [within(value, low, high, item.format) for low, high in runs(allowed)]
    elif item.limits is not None:
        spans = [within(value, item.limits.low, item.limits.high, item.format)]
        if item.limits.also is not None:
            spans.append(f"{value} == {number(item.limits.also, item.format)}")
    else:
        return ""
    if not all(spans):
        return ""
    return spans[0] if len(spans) == 1 else " || ".join(f"({one})" if "&&" in one else one for one in spans)


def refuse_unless(condition: str, result: str, indent: int = 1) -> list[str]:
    """Lines that return a result where a condition does not hold; none where it always does."""
    if not condition:
        return []
    pad = "    " * indent
    return [f"{pad}if (!({condition})) {{", f"{pad}    return {result};", f"{pad}}}"]


def comment(text: str, indent: int = 0) -> list[str]:
    """A text as a C comment."""
    pad = "    " * indent
    text = " ".join(text.replace("*/", "* /").split())
    lines = textwrap.wrap(text, LINE_LETTERS - len(pad) - 6, break_long_words=False)
    if len(lines) <= 1:
        return [f"{pad}/* {text} */"]
    return [f"{pad}/* {lines[0]}", *(f"{pad} * {line}" for line in lines[1:-1]), f"{pad} * {lines[-1]} */"]


def define(name: str, value: int) -> str:
    """A line that defines a constant."""
    text = number(value, "I" if value >= 0 else "i")
    if value > 0xFFFF:
        text = f"UINT32_C({value})"
    return f"#define BP_{name} {text if value >= 0 else f'({text})'}"


def string(text: str) -> str:
    """A C string literal. Raises ValueError for anything but printable ASCII."""
    if not all(" " <= letter <= "~" for letter in text):
        raise ValueError(f"{text!r} is not printable ASCII")
    return '"' + text.replace("\\", "\\\\").replace('"', '\\"') + '"'


def constants_of(module: Any) -> Iterator[tuple[str, int]]:
    """The named whole numbers of a module of definitions, but for times and private names."""
    for name, value in vars(module).items():
        if name.isupper() and not name.startswith("_") and type(value) is int and not name.endswith("_NS"):
            yield name, value
