"""The format page against what it tells of: times, proof, vectors and diagram, held against code of other rooms."""

from __future__ import annotations

from typing import Any

import pytest

from busproto.ops.discovery import evidence, roll_call
from busproto.ops.discovery import search as discovery
from busproto.ops.transact import PRESENT_BYTES
from busproto.sim.actuators.actuator import Actuator
from busproto.sim.actuators.heat_watch import HEAT_LOOK_NS
from busproto.sim.actuators.model import ActuatorModel
from busproto.sim.actuators.showing import SHOW_SWING_DEG
from busproto.sim.bus import VirtualBus
from busproto.sim.kernel import Kernel
from busproto.wire import crc, timing
from busproto.wire import messages as m
from busproto.wire.codec import encode_frame, message_of, request_frame
from busproto.wire.decoder import Decoder
from busproto.wire.frame import BROADCAST_ADDRESS, DEFAULT_BAUD, UNADDRESSED, Frame
from busproto.wire.message import OPERATIONS, Message
from busproto.wire.page import diagram, vectors
from busproto.wire.page.data import numbered, specification
from busproto.wire.page.fields import TEACHING_OPERATIONS
from busproto.wire.page.host_rules import PROOF
from busproto.wire.page.markdown import wrapped
from busproto.wire.page.refusals import ROWS

MS = 1_000_000


def test_every_time_is_explained_once() -> None:
    nominal = {
        name.removesuffix("_NS").lower().replace("_", " "): value
        for name, value in vars(timing).items()
        if name.endswith("_NS")
    }
    assert {one.name: one.ns for one in timing.TIMES} == nominal
    assert len(timing.TIMES) == len(nominal)
    assert {one.keeper for one in timing.TIMES} <= {"actuator", "host", "both"}


def test_the_times_of_the_simulator_are_those_of_the_page() -> None:
    assert HEAT_LOOK_NS == timing.HEAT_LOOK_NS
    assert 0.5 <= 2 * SHOW_SWING_DEG <= 20


def test_the_numbers_of_a_proof_are_those_of_the_search() -> None:
    assert (PROOF.least_slots, PROOF.answer_bytes) == (roll_call.MIN_WINDOW_SLOTS, PRESENT_BYTES)
    assert (1, PROOF.clocks_apart) == (evidence.NEAR_SLOTS, evidence.CLOCKS_APART)
    assert PROOF.spare_bytes == evidence.SPARE_BYTES
    assert (PROOF.min_passes, PROOF.first_window_slots) == (roll_call.MIN_PASSES, roll_call.FIRST_WINDOW_SLOTS)
    assert PROOF.longest_ms * MS == roll_call.MOST_NS
    assert (PROOF.odd_passes, PROOF.doubt_passes) == (discovery.ODD_PASSES, discovery.DOUBT_PASSES)
    assert PROOF.last_passes == discovery.LAST_PASSES
    assert PROOF.spread_ms * MS == discovery.SPREAD_NS
    assert PROOF.most_pause_ms * MS == discovery.MOST_PAUSE_NS
    assert (PROOF.least_ms * MS, PROOF.late_ms * MS) == (discovery.LEAST_NS, discovery.LATE_NS)
    assert PROOF.patience_ms * MS == discovery.PATIENCE_NS
    assert PROOF.most_error == discovery.MOST_ERROR
    assert PROOF.byte_error == evidence.ASSUMED_BYTE_ERROR
    assert (PROOF.confidence, PROOF.poor_confidence) == (evidence.CONFIDENCE, evidence.POOR_CONFIDENCE)
    assert PROOF.short_call_bytes == evidence.SHORT_CALL_BYTES
    short = m.RollCall(0, 0, roll_call.MIN_WINDOW_SLOTS, ())
    assert PROOF.short_call_bytes == len(encode_frame(request_frame(short, BROADCAST_ADDRESS, 0)))


def test_the_crc_of_the_table_gives_its_own_check_value() -> None:
    """Bit by bit, as the model's parameters say; not by the table or the library that the codec uses."""
    model = vectors.crc_model()
    assert model["refin"] is model["refout"] is True
    register = model["init"]
    for byte in b"123456789":
        for at in range(8):
            high = register >> (model["width"] - 1) & 1
            register = register << 1 & (1 << model["width"]) - 1
            if high ^ (byte >> at & 1):
                register ^= model["poly"]
    turned = int(f"{register:0{model['width']}b}"[::-1], 2) ^ model["xorout"]
    assert turned == model["check"] == crc.CRC_CHECK


def test_every_extension_operation_and_refused_operation_is_there() -> None:
    assert set(OPERATIONS) > TEACHING_OPERATIONS
    assert all(set(row.operations) <= set(OPERATIONS) for row in ROWS)


def test_data_holds_every_rule_and_table() -> None:
    spec = specification()
    assert [row["id"] for row in spec["clauses"]] == [rule.id for _, _, rule in numbered()]
    assert len(spec["refusals"]) == len(ROWS)
    assert all(set(row["to"]) == {str(int(state)) for state in m.State} for row in spec["state_changes"])


def test_a_line_of_the_page_never_looks_like_the_item_of_a_list() -> None:
    text = "- " + " ".join(["word"] * 22) + " between points - 1) and 2. so on " + " ".join(["word"] * 30)
    for line in wrapped(text)[1:]:
        assert not line.lstrip().startswith(("- ", "2. "))
    assert " ".join(" ".join(wrapped(text)).split()) == text


# --- on the virtual bus -------------------------------------------------------------------------------------------


def bus_with(addresses: tuple[int, ...]) -> VirtualBus:
    """The three actuators of the vectors, with exact clocks and without start jitter."""
    bus = VirtualBus(Kernel(1), baud=DEFAULT_BAUD)
    for uid, address in zip(vectors.UIDS, addresses, strict=True):
        bus.add(
            Actuator(
                bus.kernel,
                bus.line,
                label=uid.hex(),
                uid=uid,
                model=ActuatorModel("page"),
                address=address,
                stored={},
                position_deg=0.0,
                supply_mv=lambda: 7400,
                address_changed=lambda _: bus.index(),
                jitter_ns=0,
            )
        )
    bus.index()
    bus.line.record = []
    return bus


def said_after(bus: VirtualBus, request: Message) -> list[tuple[int, int, bytes]]:
    """What was on the line behind a request: start and end from its last stop bit, ns, and the bytes."""
    bus.host.write(encode_frame(request_frame(request, BROADCAST_ADDRESS, 1)))
    until_ns = bus.host.now_ns() + 40 * MS
    while bus.host.now_ns() < until_ns:
        bus.host.read_until(until_ns)
    record: Any = bus.line.record
    query, *answers = record
    return [(one.start_ns - query.end_ns, one.end_ns - query.end_ns, one.data) for one in answers]


def test_the_diagram_is_what_happens_on_the_line() -> None:
    said = said_after(bus_with((UNADDRESSED,) * 3), diagram.call())
    drawn = diagram.answers()
    assert [one.slot for one in drawn] == sorted(one.slot for one in drawn)
    assert len(said) == len(drawn) == 3
    for (start_ns, end_ns, data), answer in zip(said, drawn, strict=True):
        (frame,) = Decoder().feed(data)
        assert isinstance(frame, Frame)
        assert message_of(frame) == m.Present(answer.uid)
        assert start_ns == pytest.approx(answer.start_ns, abs=3)  # a rounding for each answer
        assert end_ns == pytest.approx(answer.end_ns, abs=3)


def test_the_diagram_shows_each_answer_behind_the_one_before() -> None:
    rows = [row for row in diagram.lines() if "#" in row]
    assert len(rows) == len(vectors.UIDS)
    begins = [row.index("#") for row in rows]
    assert begins == sorted(set(begins))
    for row, answer in zip(rows, diagram.answers(), strict=True):
        assert row.startswith(answer.uid.hex())
        assert f"{answer.start_ns / 1000:.1f}" in "\n".join(diagram.lines())


@pytest.mark.parametrize(
    ("name", "request_"),
    [
        ("list", vectors.member_list()),
        ("address list", vectors.address_list()),
        ("report round", m.ReportRound(3, 3, ())),
    ],
)
def test_the_vectors_of_ordered_answers_are_what_happens_on_the_line(name: str, request_: Message) -> None:
    rows = [row for row in vectors.order_vectors() if row["request"] == name]
    said = said_after(bus_with((*vectors.ADDRESSES, UNADDRESSED)), request_)
    assert len(said) == len(rows)
    by_slot = sorted(rows, key=lambda row: row["slots"][0])
    idle_ns = 0
    for (start_ns, end_ns, data), row in zip(said, by_slot, strict=True):
        if row["byte"] is not None:
            assert data == bytes([row["byte"]])
        if idle_ns == 0:
            assert row["earliest_ns"] <= start_ns <= row["latest_ns"]
        assert start_ns > idle_ns
        idle_ns = end_ns
