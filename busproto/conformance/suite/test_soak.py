"""A long random conversation, with garbage between and demands of all kinds, against the plain model."""

from __future__ import annotations

import random

from busproto.conformance.clauses import clause
from busproto.conformance.dut import MS, Dut, not_checked
from busproto.conformance.model import Model
from busproto.conformance.suite.test_parameters import agree, model_of, raw_bytes
from busproto.wire import messages as m
from busproto.wire.message import Message


def some_message(rng: random.Random, dut: Dut) -> Message:
    """A request about settings to which the model knows the answer."""
    rows = list(dut.rows.values())
    row = rng.choice(rows)
    kind = rng.randrange(6)
    if kind <= 1:
        span = rng.choice((0, 0, 1, 300))
        raw = None
        while raw is None:
            raw = raw_bytes(row, rng.randint(row.low - span, row.high + span))
        return m.Write(row.number, raw * rng.randint(2, row.points) if row.points else raw)
    if kind == 2:
        return m.Read(rng.choice(list(m.Memory)), bytes(rng.choice(rows).number for _ in range(rng.randint(1, 8))))
    if kind == 3:
        return m.LinkTest(rng.randbytes(rng.randrange(65)))
    if kind == 4:
        return m.Undo(rng.choice(list(m.Memory)))
    return m.DescribeParameter(rng.randrange(0x20))


def disturb(rng: random.Random, dut: Dut) -> None:
    """Send something that does not change the settings."""
    kind = rng.randrange(5)
    if kind == 0:
        dut.silent(b"\x00" + rng.randbytes(rng.randrange(1, 40)).replace(b"\x00", b"\x01") + b"\x00")
    elif kind == 1:
        dut.tell(m.DemandAll(tuple(rng.randint(-1500, 1500) for _ in range(rng.randint(1, 32)))))
    elif kind == 2:
        dut.tell(m.Suppress(rng.randrange(0x10000), rng.randbytes(8)))
    elif kind == 3:
        wire = bytearray(dut.wire(m.Undo(m.Memory.FACTORY)))
        wire[rng.randrange(1, len(wire) - 1)] ^= 1 << rng.randrange(8)
        dut.silent(bytes(wire))
    else:
        dut.pass_time(rng.randrange(60) * MS)


@clause("frame.resync", "op.30", "op.31", "op.33", "does.unchanged", "does.drop")
def test_a_long_conversation(dut: Dut, soak_steps: int) -> None:
    if not soak_steps:
        not_checked("--dut-soak 0")
    rng = random.Random(dut.uid + bytes([soak_steps & 0xFF]))
    model: Model = model_of(dut)
    for number in range(soak_steps):
        if rng.random() < 0.4:
            disturb(rng, dut)
        else:
            agree(dut, model, some_message(rng, dut))
        if dut.can("plug", "unplug") and number % 50 == 49:
            agree(dut, model, m.Undo(m.Memory.FACTORY))
            dut.ask(m.Commit(), m.Committed, slow=True)
            dut.power_cut()
            model.working = dict(model.factory)
    status = dut.report()
    assert status.supply_mv > 0
    dut.alive()
