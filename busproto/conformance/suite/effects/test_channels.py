"""Whose demands count: the channel, in demand-all and report round, and what is no demand."""

from __future__ import annotations

import pytest

from busproto.conformance.clauses import clause
from busproto.conformance.dut import MS, Dut
from busproto.conformance.suite.effects.arms import (
    DRIVEN,
    ROUNDED_CDEG,
    assert_drive,
    is_held,
    ready,
    round_of,
    to_all,
)
from busproto.conformance.suite.effects.cover import effect
from busproto.wire import messages as m
from busproto.wire.codec import encode_frame
from busproto.wire.frame import BROADCAST_ADDRESS, Frame

ALL = tuple((-1) ** at * 100 * at for at in range(1, m.MAX_CHANNELS + 1))
"""Another demand for each channel."""


@clause("does.limp", "does.motion")
def test_it_is_limp_until_the_first_demand(dut: Dut) -> None:
    dut.put({"channel": 2, "soft-start": 0})
    before = dut.report()
    assert before.state is m.State.LIMP
    dut.pass_time(700 * MS)
    dut.tell(m.Suppress(1, bytes(8)))
    dut.put({"neutral": 500})
    status = dut.report()
    assert status.state is m.State.LIMP
    assert abs(status.position_cdeg - before.position_cdeg) <= 20
    assert_drive(dut, m.State.LIMP)


@clause("does.engages", "op.41", "states", "does.motion")
def test_the_first_demand_engages_it(dut: Dut) -> None:
    dut.put({"soft-start": 300, "loss-time-out": 5000})
    assert dut.demand(0.1).state is m.State.SOFT_STARTING
    assert dut.report().state is m.State.SOFT_STARTING
    assert_drive(dut, m.State.SOFT_STARTING)


@effect("channel")
@clause("does.channel", "op.40", "op.46", "does.engages")
@pytest.mark.parametrize("by", ["demand all", "report round"])
def test_it_follows_its_channel_and_no_other(dut: Dut, by: str) -> None:
    dut.require_alone()
    ready(dut)
    for channel in range(1, m.MAX_CHANNELS + 1) if dut.is_virtual else (1, 2, 17, 32):
        dut.ask(m.Release(), m.Released)
        dut.ask(m.Engage(), m.Engaged)
        dut.put({"channel": channel})
        at = dut.report().demand_cdeg
        others = [m.NO_DEMAND if one == channel else 5000 for one in range(1, m.MAX_CHANNELS + 1)]
        for demands in (others, others[: channel - 1] or [m.NO_DEMAND]):
            to_all(dut, *demands) if by == "demand all" else round_of(dut, demands)
            came = dut.report().demand_cdeg
            assert came == pytest.approx(at, abs=ROUNDED_CDEG), f"channel {channel}: it follows another"
        for own in (ALL, ALL[:channel]):
            to_all(dut, *own) if by == "demand all" else round_of(dut, own)
            status = dut.report()
            assert status.state in DRIVEN
            assert status.demand_cdeg == pytest.approx(ALL[channel - 1] * 0.6, abs=ROUNDED_CDEG), f"channel {channel}"


@clause("does.channel", "op.40")
def test_it_follows_no_other(dut: Dut) -> None:
    ready(dut, channel=3)
    to_all(dut, 4000, 4000)
    to_all(dut, 4000, 4000, m.NO_DEMAND, 4000)
    assert dut.report().state is m.State.LIMP
    to_all(dut, 0, 0, 1000)
    to_all(dut, 4000, 4000, m.NO_DEMAND, 4000)
    to_all(dut, 4000, 4000)
    assert dut.report().demand_cdeg == pytest.approx(600, abs=2)


@effect("channel")
@clause("does.channel", "op.40", "op.46")
def test_without_a_channel_it_follows_none(dut: Dut) -> None:
    ready(dut, channel=0)
    to_all(dut, *[4000] * 32)
    round_of(dut, [4000] * 32)
    assert dut.report().state is m.State.LIMP
    dut.demand(0.1)
    to_all(dut, *[4000] * 32)
    round_of(dut, [4000] * 32)
    assert dut.report().demand_cdeg == pytest.approx(600, abs=ROUNDED_CDEG)


@clause("does.channel", "frame.check")
def test_a_demand_with_a_bad_check_is_none(dut: Dut) -> None:
    ready(dut, channel=1)
    wire = bytearray(dut.wire(m.DemandAll((4000,)), BROADCAST_ADDRESS))
    for at in (2, 9, len(wire) - 3):
        bad = bytearray(wire)
        bad[at] ^= 0x04
        dut.silent(bytes(bad))
    assert dut.report().state is m.State.LIMP


@clause("op.40", "op.46", "does.drop", "does.refuse")
def test_a_list_with_a_value_that_cannot_be_is_none(dut: Dut) -> None:
    ready(dut, channel=1)
    for payload in (
        b"",
        b"\x11\x27",
        b"\x00\x00\xef\xd8",
        b"\x00",
        bytes(66),
        b"\x00\x00\x11\x27",
        b"\x00\x00\x01\x80",
    ):
        dut.silent(encode_frame(Frame(BROADCAST_ADDRESS, 0, 1, m.DemandAll.OPERATION, payload)))
    row = bytes([dut.address, 1])
    for payload in (
        row + b"\x11\x27",
        row + b"\x00\x00\xef\xd8",
        row + b"\x00",
        row + bytes(66),
        bytes([0, 1, 0, 0]),
        bytes([240, 1, 0, 0]),
        bytes([dut.address, 0, 0, 0]),
        bytes([dut.address, 240, 0, 0]),
    ):
        dut.silent(encode_frame(Frame(BROADCAST_ADDRESS, 0, 1, m.ReportRound.OPERATION, payload)), window_ns=20 * MS)
    assert dut.report().state is m.State.LIMP
    assert is_held(dut) in {None, False}


@clause("op.40", "does.angle")
@pytest.mark.parametrize("demand", [-10_000, -1, 0, 10_000])
def test_a_demand_for_all_leads_as_one_to_it_alone(dut: Dut, demand: int) -> None:
    ready(dut, channel=2, soft_start=5000)
    to_all(dut, 77, demand, 77)
    assert dut.report().demand_cdeg == pytest.approx(demand * 0.6, abs=ROUNDED_CDEG)


@clause("op.46", "does.channel")
def test_a_report_round_carries_demands(dut: Dut) -> None:
    dut.require_alone()
    ready(dut, channel=2)
    round_ = m.ReportRound(dut.address, 1, (0, 2000))
    _, frames, _ = dut.frames_after(dut.wire(round_, BROADCAST_ADDRESS), window_ns=10 * MS, count=1)
    assert frames, "an answer to the report round was expected, none came"
    assert dut.report().demand_cdeg == pytest.approx(1200, abs=2)


@clause("op.46", "does.channel")
def test_demands_of_a_round_count_also_where_its_address_is_not_in_the_row(dut: Dut) -> None:
    ready(dut, channel=2)
    round_of(dut, (0, 2000), first=dut.address % 239 + 1)
    assert dut.report().demand_cdeg == pytest.approx(1200, abs=ROUNDED_CDEG)
