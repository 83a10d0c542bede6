"""The first stored copy, which a firmware writes in the factory: what it takes, and what it must not take.

It is a part of the interface of a firmware in C, so that only a library can be asked.
"""

from __future__ import annotations

from collections.abc import Callable

import pytest

from busproto.conformance.clauses import clause
from busproto.conformance.dut import Dut, not_checked
from busproto.conformance.storage import worn
from busproto.conformance.targets import NO_FACTORY
from busproto.wire import messages as m
from busproto.wire.frame import BROADCAST_ADDRESS, UNADDRESSED
from busproto.wire.parameters import BY_NAME, RawValue

UNKNOWN = 0xFA
VALUES: dict[str, RawValue] = {"neutral": -310, "gang": 9}


def told(name: str, raw: RawValue) -> bytes:
    """Number, length and value, as the function takes them."""
    row = BY_NAME[name]
    value = row.encode(raw)
    return bytes([row.number, len(value)]) + value


def told_raw(name: str, value: bytes) -> bytes:
    return bytes([BY_NAME[name].number, len(value)]) + value


NOT_ALLOWED: dict[str, bytes] = {
    "a value above its range": told_raw("stiffness", (101).to_bytes(1, "little")),
    "a value below its range": told_raw("neutral", (-30_000).to_bytes(2, "little", signed=True)),
    "a value of one byte too few": told_raw("neutral", b"\x05"),
    "a value of one byte too many": told_raw("gang", b"\x05\x00\x00"),
    "a table of one point": told_raw("correction", b"\x05\x00"),
    "an unknown parameter": bytes([UNKNOWN, 1, 0]),
    "a number without a length": told("gang", 3) + bytes([BY_NAME["neutral"].number]),
    "a value cut short": told("gang", 3) + told("neutral", 120)[:-1],
    "a table that is not monotone with the travel": told("travel", 1000) + told("correction", (1000, -1000)),
}


def unpowered(dut: Dut, address: int | None = None) -> Callable[[bytes], bool]:
    """What writes a first copy into the actuator's memory; it has no power from here on."""
    write = getattr(dut.actuator, "provision", None)
    if write is None:
        not_checked(NO_FACTORY)
    dut.beside("unplug", "plug").order("unplug")
    return lambda values: bool(write(dut.address if address is None else address, values))


@clause("does.copies", "parameters")
def test_the_first_settings_are_those_that_were_given(dut: Dut) -> None:
    dut.require_room(VALUES)
    write = unpowered(dut)
    assert write(b"".join(told(*one) for one in VALUES.items())), "the first settings were not taken"
    dut.power_back()
    factory = dut.get_all(m.Memory.FACTORY)
    assert dut.get_all(m.Memory.STORED) == {**factory, **VALUES}
    assert dut.get_all() == {**factory, **VALUES}


@clause("does.copies", "parameters")
@pytest.mark.parametrize("what", NOT_ALLOWED)
def test_first_settings_that_are_not_allowed_are_not_taken(dut: Dut, what: str) -> None:
    assert not unpowered(dut)(NOT_ALLOWED[what]), f"{what} was taken as first settings"


@clause("does.copies")
@pytest.mark.parametrize("address", [0, UNADDRESSED + 1, BROADCAST_ADDRESS])
def test_a_first_address_that_cannot_be_is_not_taken(dut: Dut, address: int) -> None:
    assert not unpowered(dut, address)(b""), f"the first address {address} was taken"


@clause("does.copies")
def test_first_settings_that_could_not_be_written_are_told(dut: Dut) -> None:
    write = unpowered(dut)
    with worn(dut):
        assert not write(b""), "no cell of stored memory could be written, and it told that they were"
    assert write(b"")
