"""Every row of the table of refusals, and which one counts where two hold."""

from __future__ import annotations

from collections.abc import Callable

import pytest

from busproto.conformance.clauses import clause
from busproto.conformance.dut import Dut, not_checked
from busproto.wire import messages as m
from busproto.wire.codec import encode_frame
from busproto.wire.frame import BROADCAST_ADDRESS, HOST_ADDRESS, UNADDRESSED, Frame
from busproto.wire.message import Message
from busproto.wire.page.refusals import ROWS
from busproto.wire.parameters import BY_NAME
from busproto.wire.timing import STORE_NS

NEUTRAL, TABLE, TRAVEL = (BY_NAME[name] for name in ("neutral", "correction", "travel"))
NOT_THERE = 0xFF


def no_address(dut: Dut) -> None:
    """Take the address away from the actuator under test; it has F0h from then on."""
    dut.require_alone()
    dut.ask(m.Assign(dut.uid, UNADDRESSED), m.Assigned, to=BROADCAST_ADDRESS, slow=True)
    dut.address = UNADDRESSED


def hot(dut: Dut) -> None:
    """Heat it above its limit."""
    dut.beside("warm")
    dut.put({"over-temperature": 60})
    dut.beside("warm").order("warm", "75")


def released(dut: Dut) -> None:
    dut.ask(m.Release(), m.Released)


def of(message: Message) -> tuple[int, bytes]:
    """The number of a request's operation, and its payload."""
    return message.OPERATION, message.payload()


def write(name: str, raw: bytes) -> tuple[int, bytes]:
    return of(m.Write(BY_NAME[name].number, raw))


def read(*numbers: int) -> tuple[int, bytes]:
    return of(m.Read(m.Memory.WORKING, bytes(numbers)))


def nothing(dut: Dut) -> None:
    """A preparation that does nothing."""


def wide(dut: Dut) -> None:
    dut.put({"travel": 1000, "correction": ()})


def both(*steps: Callable[[Dut], None]) -> Callable[[Dut], None]:
    """Both preparations, one after the other."""

    def prepare(dut: Dut) -> None:
        for step in steps:
            step(dut)

    return prepare


CASES: dict[str, list[tuple[Callable[[Dut], None], tuple[int, bytes]]]] = {
    "unknown": [(nothing, (0x7E, b"")), (nothing, (0x7E, bytes(112)))],
    "malformed": [
        (nothing, (m.Undo.OPERATION, b"\x03")),
        (nothing, (m.Undo.OPERATION, b"")),
        (nothing, (m.Undo.OPERATION, b"\x01\x01")),
        (nothing, (m.Read.OPERATION, b"\x00")),
        (nothing, (m.ShowYourself.OPERATION, b"\x65")),
        (no_address, (m.Demand.OPERATION, (10_001).to_bytes(2, "little"))),
    ],
    "only for all": [
        (nothing, of(m.DemandAll((0,)))),
        (nothing, of(m.MemberList(1, 2, 0, 1, (5,)))),
        (nothing, of(m.Assign(bytes(8), 9))),
    ],
    "row": [(nothing, of(m.DescribeParameter(0xFF)))],
    "table last": [
        (nothing, read(TABLE.number, NEUTRAL.number)),
        (nothing, read(TABLE.number, NOT_THERE)),
    ],
    "read what": [
        (nothing, read(NOT_THERE)),
        (nothing, read(*[NEUTRAL.number] * 39, NOT_THERE)),
        (nothing, read(NOT_THERE, TABLE.number)),
    ],
    "read much": [
        (lambda dut: dut.put({"correction": (0,) * 33}), read(*[NEUTRAL.number] * 39, TABLE.number)),
    ],
    "write what": [(nothing, of(m.Write(NOT_THERE, b""))), (nothing, of(m.Write(0, b"\x00")))],
    "write length": [
        (nothing, write("neutral", b"\x00")),
        (nothing, write("neutral", b"\xff\x7f\x00")),
        (nothing, write("correction", b"\xff\x7f\x00")),
    ],
    "write range": [
        (nothing, write("neutral", b"\xff\x7f")),
        (nothing, write("correction", b"\x00\x00")),
        (nothing, write("correction", b"\x00\x00\xff\x7f")),
    ],
    "write monotone": [
        (wide, write("correction", TABLE.encode((-501, 500)))),
        (lambda dut: dut.put({"correction": (0, 900, 0)}), write("travel", TRAVEL.encode(1799))),
    ],
    "undo working": [(nothing, of(m.Undo(m.Memory.WORKING)))],
    "no address": [
        (no_address, of(m.Demand(0))),
        (no_address, of(m.Engage())),
        (both(hot, no_address), of(m.Engage())),
    ],
    "hot": [
        (hot, of(m.Demand(0))),
        (hot, of(m.Engage())),
        (both(hot, released), of(m.Demand(0))),
    ],
    "released": [(released, of(m.Demand(0)))],
}
"""By the key of the row: the preparation, and a request that is then refused; later ones also meet a lower row."""

BUSY = "busy"
"""The one row that needs a moment, see `test_busy_memory_refuses`."""


@clause("refusal.order", "refusal", "does.refuse")
@pytest.mark.parametrize(
    ("key", "number"), [(row.key, number) for row in ROWS for number in range(len(CASES.get(row.key, ())))]
)
def test_each_row_of_the_table_of_refusals(dut: Dut, key: str, number: int) -> None:
    row = next(row for row in ROWS if row.key == key)
    prepare, (operation, payload) = CASES[key][number]
    for name in ("neutral", "correction", "travel", "over-temperature"):
        if name not in dut.rows:
            not_checked(f"it has no parameter {name}")
    prepare(dut)
    answer = dut.refused_wire(operation, payload, row.code)
    if row.code is not m.Outcome.OUT_OF_RANGE:
        assert (answer.low, answer.high) == (0, 0), f"no range was expected with code {int(row.code)}"


@clause("refusal.order", "does.store", "does.unchanged")
@pytest.mark.parametrize("what", ["commit", "assign"])
def test_busy_memory_refuses(dut: Dut, what: str) -> None:
    dut.require_virtual("how long it stores is its own")
    second = dut.wire(m.Commit()) if what == "commit" else dut.wire(m.Assign(dut.uid, 99), BROADCAST_ADDRESS)
    before = dut.ask(m.Describe(), m.Description).generation
    _, frames, heard = dut.frames_after(dut.wire(m.Commit()) + second, window_ns=6_000_000, count=1)
    assert frames, f"a refusal of the second request was expected, {heard.hex(' ') or 'nothing'} came"
    assert frames[0].payload[:1] == bytes([m.Outcome.STORE_FAILED]), (
        f"code 7 was expected, {frames[0].payload.hex(' ')} came"
    )
    dut.pass_time(STORE_NS)
    dut.drain()
    assert dut.ask(m.Describe(), m.Description).generation == (before + 1) & 0xFFFF, "one write was expected"


@clause("refusal.extension", "does.refuse")
def test_it_offers_the_teaching_extension_whole_or_not_at_all(dut: Dut) -> None:
    requests: list[Message] = [m.Suppress(1, bytes(8)), m.PrefixQuery(1, 0, 0, bytes(8)), m.SlottedCall(1, 2, 1, 300)]
    if dut.offers_teaching():
        dut.refused_wire(requests[0].OPERATION, requests[0].payload(), m.Outcome.BAD_REQUEST)
        for request in requests[1:]:
            dut.silent(encode_frame(Frame(dut.address, HOST_ADDRESS, 3, request.OPERATION, request.payload())))
    else:
        wanted = m.Refused(m.Outcome.UNKNOWN_OPERATION, 0, 0).payload()
        for request in requests:
            wire = encode_frame(Frame(dut.address, HOST_ADDRESS, 3, request.OPERATION, request.payload()))
            came = dut.ask_wire(wire).payload
            assert came == wanted, (
                f"a refusal of operation {request.OPERATION:02x} with code 1 was expected, {came.hex(' ')} came"
            )
            dut.silent(dut.wire(request, BROADCAST_ADDRESS))
