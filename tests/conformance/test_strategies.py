"""The exported strategies draw what they say, and the plain model agrees with the simulator's actuator."""

from __future__ import annotations

from hypothesis import HealthCheck, Phase, find, given, settings
from hypothesis import strategies as st

from busproto.conformance import strategies
from busproto.conformance.dut import Dut
from busproto.conformance.model import Model
from busproto.conformance.targets import PYTHON, InProcess
from busproto.wire import messages as m
from busproto.wire.codec import decode_frame, encode_frame, message_of
from busproto.wire.decoder import Decoder
from busproto.wire.frame import Frame
from busproto.wire.message import OPERATIONS, Message

SLOW = settings(suppress_health_check=[HealthCheck.too_slow], deadline=None)


@given(strategies.frames())
def test_frames_go_over_the_wire(frame: Frame) -> None:
    assert decode_frame(encode_frame(frame)) == frame


@SLOW
@given(strategies.message_frames())
def test_message_frames_hold_a_message(frame: Frame) -> None:
    assert message_of(frame).payload() == frame.payload


@SLOW
@given(strategies.messages())
def test_messages_are_good(message: Message) -> None:
    assert type(message).parse(message.payload()) == message


def test_every_operation_is_drawn() -> None:
    assert {one.OPERATION for one in strategies.REQUESTS} == set(OPERATIONS)


@given(st.data())
def test_spoiled_is_near_and_of_any_content(data: st.DataObject) -> None:
    good = b"\x01\x02\x03\x04"
    assert len(data.draw(strategies.spoiled(st.just(good)))) <= len(good) + 4 * 3


def test_spoiled_wires_reach_what_is_checked_behind_the_check() -> None:
    for reason in ("too short", "check", "content"):
        wire = find(
            strategies.spoiled_wires(),
            lambda wire, reason=reason: reason in [getattr(one, "reason", "") for one in Decoder().feed(wire)],
            settings=settings(max_examples=2000, database=None, phases=(Phase.generate,)),
        )
        assert wire


@SLOW
@given(strategies.conversations())
def test_conversations_are_about_what_the_model_knows(messages: list[Message]) -> None:
    dut = _dut()
    model = Model(dut.rows)
    for message in messages:
        wanted = model.answer(message)
        answer = message_of(dut.ask_frame(message))
        assert isinstance(answer, wanted) if isinstance(wanted, type) else answer == wanted


def _dut() -> Dut:
    target = InProcess(PYTHON)
    dut = target.fresh("conversation")
    dut.known_rows = dict(_ROWS or dut.rows)
    _ROWS.update(dut.rows)
    return dut


_ROWS: dict[str, m.ParameterDescription] = {}
